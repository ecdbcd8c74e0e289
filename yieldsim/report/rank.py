"""Sites side by side: what each delivers, and what becomes of its light on the way."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.results.rank import RankResult
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.measured_lines import shortened
from yieldsim.report.layout.number_format import decimals_for
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.period_text import per_of, period_line
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, Tabled, pages
from yieldsim.report.worst_nights import MOST_SITES, draw_worst_nights, has_return_periods, night_rows

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAR_ROW_IN, WHY_ROW_IN = 0.3, 0.42
"""Heights of a site's row of bars, and of its row of shares."""
BAR_HEAD_IN, WHY_HEAD_IN = 0.72, 1.35
SHORT_STAGES = {"atmosphere": "air", "projection": "projection (cosine)"}
GOAL_WORDS = {
    "annual": "energy",
    "worst-month": "energy in the worst month",
    "shortest-gap": "longest outage of light, shortest first",
    "hours": "hours with light",
    "units": "units needed, fewest first",
    "load": "share of the load served",
}
MOST_LETTERS = 22
"""Of a site's name beside its bars."""
HEAD_LETTERS = 72
"""Letters that fit over all columns of bars together."""
NIGHT_HEADS = ("Site", "From, UTC", "To, UTC", "Length", "With an eclipse", "Once in 5 years", "In 10 years")
NIGHT_WIDTHS: Sequence[float] = (1.4, 1.3, 1.3, 1.1, 0.8, 1.0, 1.0)
MOST_DRAWN = 20
"""Sites drawn; the table holds all."""


@dataclass(frozen=True, slots=True)
class Column:
    """A figure that sites are judged by."""

    goal: str
    key: str
    words: str
    scale: float
    more_is_better: bool


def rank_pages(summary: RankResult) -> Pages:
    """The page from rank.json, as PDF and as PNG."""
    return pages(rank_sheet(summary))


def rank_sheet(summary: RankResult) -> Sheet:
    """What stands on it: bars of what is delivered, then shares kept by each stage; sites in order, best on top."""
    rows, count = summary["sites"][:MOST_DRAWN], len(summary["sites"])
    layout = summary["layout"]
    ranked = f"Ranked by {GOAL_WORDS[summary['goal']]}" + (
        f"; the first {MOST_DRAWN} drawn, rank.csv has all" if count > MOST_DRAWN else ""
    )
    per = per_of(summary)
    full, best = style.FULL_WIDTH_IN, rows[0]
    first = f"First: {best['site']['name']} with {style.quantity(best['annual_kwh'], 'kWh')} {per}."
    return Sheet(
        kicker="Sites compared",
        title=f"{summary['collector']['name']} at {count} site{'s' if count != 1 else ''}",
        lines=[f"{layout[:1].upper()}{layout[1:]}. {ranked}.", f"{period_line(summary)}. {NOMINAL}"],
        parts=[
            Drawn(
                Panel(partial(draw_totals, rows, summary, per), full, BAR_HEAD_IN + BAR_ROW_IN * len(rows), first),
                heading="What is delivered",
            ),
            Drawn(
                Panel(
                    lambda figure: draw_stages(rows, per, figure.add_subplot()),
                    full, WHY_HEAD_IN + WHY_ROW_IN * len(rows),
                    "Sunlight at each site and the share kept by each stage of the chain.",
                ),
                heading="Why: the sunlight at the site, and per cent kept of the light that reaches each stage",
                caption="Darker: more is lost. Terrain counts against the bare body's horizon seen from the aperture's height.",
            ),
            *_nights(rows),
        ],
        summary=summary,
        where="rank.json",
    )  # fmt: skip


def _nights(rows: Sequence[Mapping[str, Any]]) -> list[Drawn | Tabled]:
    """The worst nights of each site as a table, and over years where the run has enough of them."""
    sites = [
        (shortened(row["site"]["name"], MOST_LETTERS), row["worst_nights"])
        for row in rows
        if row.get("worst_nights")
    ]
    cells = [
        [name, *night_rows(nights)[0][1:], *_levels(nights)] for name, nights in sites if nights["nights"]
    ]
    if not cells:
        return []
    long = all(has_return_periods(nights) for _, nights in sites)
    shown = slice(7 if long else 5)
    often = (
        " Once in so many years, by the count of this run, a night is that long or longer." if long else ""
    )
    parts: list[Drawn | Tabled] = [
        Tabled(
            head=NIGHT_HEADS[shown],
            rows=[row[shown] for row in cells],
            wide=NIGHT_WIDTHS[shown],
            left=(0, 1, 2),
            heading="The longest night of each site",
            caption=f"The longest time without any part of the Sun in sight, whatever the mounts face; eclipses are in.{often}",
        )
    ]
    if long:
        words = "The longest night of each year, and by return period, at each site."
        figure = Panel(partial(draw_worst_nights, sites), style.FULL_WIDTH_IN, 2.3, words)
        heading = "The longest nights, year by year and by how often they come"
        more = f"The first {MOST_SITES} sites." if len(sites) > MOST_SITES else ""
        parts.append(Drawn(figure, heading, more))
    return parts


def _levels(nights: Mapping[str, Any]) -> list[str]:
    """Lengths reached once in five and in ten years."""
    known = {row["return_period_years"]: row["hours"] for row in nights.get("levels") or ()}
    return [style.duration(known[every]) if every in known else "–" for every in (5.0, 10.0)]


def columns_of(summary: RankResult, per: str) -> list[Column]:
    """What sites are judged by; units only where a power was asked for."""
    found = [
        Column("annual", "annual_kwh", f"kWh {per}", 1.0, True),
        Column("worst-month", "worst_month_kwh", "kWh, worst month", 1.0, True),
        Column("shortest-gap", "longest_gap_whole_hours", "longest outage", 1.0 / 24.0, False),
        Column("hours", "hours_delivering_per_year", f"hours delivering {per}", 1.0, True),
    ]
    if summary["continuous_power_w"] is not None:
        words = f"units for {summary['continuous_power_w']:g} W"
        found.append(Column("units", "units_for_power", words, 1.0, False))
    if summary["load"] is not None:
        found.append(Column("load", "served_fraction", "load served, %", 100.0, True))
        found.append(Column("storage", "smallest_storage_kwh", "storage, kWh", 1.0, False))
    return found


def draw_totals(rows: Sequence[Mapping[str, Any]], summary: RankResult, per: str, figure: Any) -> None:
    """A column of bars for each figure that sites are judged by: solid where more is better, hatched where less
    is; the deciding one in full colour."""
    columns = columns_of(summary, per)
    frames = figure.subplots(1, len(columns), sharey=True)
    for axes, column in zip(frames, columns, strict=True):
        values = [np.nan if row[column.key] is None else column.scale * row[column.key] for row in rows]
        longest = np.nanmax([*values, 1e-12])
        decides = column.goal == summary["goal"]
        colour = style.DELIVERED if decides else style.LEFT
        look: dict[str, Any] = {"color": colour, "linewidth": 0.0}
        if not column.more_is_better:
            look = {"facecolor": "white", "edgecolor": colour, "hatch": style.LOSS_HATCH, "linewidth": 0.8}
        axes.barh(range(len(rows)), np.nan_to_num(values), 0.66, **look)
        # narrower frames leave less beside the bars for the numbers
        crowded = max(0, len(columns) - 4)
        right = 1.85 + 0.6 * crowded if column.goal == "shortest-gap" else 1.5 + 0.3 * crowded
        look_of_words: dict[str, Any] = {
            "fontsize": style.SMALL_PT,
            "weight": "bold" if decides else "normal",
        }
        decimals = decimals_for(float(longest)) if longest > 1e-9 else 0
        for place, value in enumerate(values):
            words = _value_words(column, float(value), decimals)
            axes.text(right * longest, place, words, ha="right", va="center", **look_of_words)
        axes.set_xlim(0.0, (right + 0.02) * longest)
        axes.set_xticks([])
        head = textwrap.fill(column.words, HEAD_LETTERS // len(columns))
        axes.set_title(head, pad=14.0, va="bottom", **look_of_words)
        better = "more is better" if column.more_is_better else "less is better"
        beside: Any = {"xycoords": "axes fraction", "textcoords": "offset points"}
        axes.annotate(better, (0.0, 1.0), (0.0, 3.0), **beside, **style.ASIDE)
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(axis="y", length=0)
    frames[0].set_yticks(
        range(len(rows)), [f"{row['rank']}  {shortened(row['site']['name'], MOST_LETTERS)}" for row in rows]
    )
    frames[0].set_ylim(len(rows) - 0.5, -0.5)


def _value_words(column: Column, value: float, decimals: int) -> str:
    """The number beside a bar: durations in days and hours, numbers with their column's decimals."""
    if not np.isfinite(value):
        return "–"
    if column.goal == "shortest-gap":
        return style.duration(value / column.scale)
    return str(int(value)) if column.goal == "units" else style.fixed(value, decimals)


def draw_stages(rows: Sequence[Mapping[str, Any]], per: str, axes: Axes) -> None:
    """The sunlight of each site, what a low skyline adds to it, and what each stage keeps of the light that reaches
    it: darker where more is lost. Stages that take nothing anywhere are left out."""
    stages = [
        entry["stage"]
        for place, entry in enumerate(rows[0]["kept_by_stage"])
        if any((row["kept_by_stage"][place]["kept_fraction"] or 0.0) < 0.99995 for row in rows)
    ]
    gains = [row["reasons"]["low_skyline_gain_fraction"] for row in rows]
    low = any(gain is None or gain > 5e-5 for gain in gains)
    heads = [f"sunlight, MWh/m²\n{per}", *(["by low skyline, %"] if low else [])]
    first = len(heads)
    heads += [SHORT_STAGES.get(stage, stage) for stage in stages]
    for y, (row, gain) in enumerate(zip(rows, gains, strict=True)):
        _cell(axes, 0, y, style.number(row["reasons"]["sunlight_kwh_m2_per_year"] / 1000.0))
        if low:
            _cell(axes, 1, y, _per_cent(1.0 if gain is None else gain / (1.0 + gain)))
        kept = {entry["stage"]: entry["kept_fraction"] for entry in row["kept_by_stage"]}
        for x, stage in enumerate(stages, start=first):
            share = kept[stage]
            _cell(axes, x, y, _per_cent(share), 0.0 if share is None else 1.0 - share)
    axes.axvline(first - 0.5, color=style.RULE, linewidth=0.6)
    axes.set_xticks(range(len(heads)), heads, rotation=90, fontsize=style.SMALL_PT)
    axes.xaxis.tick_top()
    axes.set_yticks(range(len(rows)), [_reasons(row) for row in rows], fontsize=style.SMALL_PT)
    axes.set_xlim(-0.55, len(heads) - 0.45)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _cell(axes: Axes, x: int, y: int, words: str, depth: float = 0.0) -> None:
    """One number on a ground that is darker the more is lost."""
    if depth > 0.0:
        axes.fill_between(
            [x - 0.48, x + 0.48], y - 0.46, y + 0.46, color=str(1.0 - 0.62 * depth), linewidth=0.0
        )
    color = "white" if depth > 0.75 else style.INK
    axes.text(x, y, words, ha="center", va="center", fontsize=style.SMALL_PT, color=color)


def _per_cent(share: float | None) -> str:
    return style.percent(share).replace(f"{style.NARROW_SPACE}%", "")


def _reasons(row: Mapping[str, Any]) -> str:
    """The site's place in a few words, under its name."""
    site, facing = row["site"], row["facing"]
    pose = ""
    if facing is not None:
        pose = f"; tilt {facing['tilt_deg']:.0f}°, azimuth {round(facing['azimuth_deg']) % 360}°"
    latitude = f"{abs(site['latitude_deg']):.2f}° {'N' if site['latitude_deg'] >= 0.0 else 'S'}"
    return f"{shortened(site['name'], MOST_LETTERS)}\n{site['body']} {latitude}{pose}"
