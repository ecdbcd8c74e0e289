"""Where to face, on one page: the sky of facings, the best for each goal, errors of pointing, followers of
the Sun."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.report.layout import style
from yieldsim.report.layout.period_text import per_of, period_line
from yieldsim.report.layout.time_axis import MONTHS
from yieldsim.report.orient.facing_map import GOAL_WORDS, MAP_IN, draw_map, table_in

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN = style.FULL_WIDTH_IN
MIDDLE_IN, BOTTOM_IN = 2.6, 1.5
EMPTY_IN = 1.4
"""Height of a page that has nothing to show."""


def facing_png(ds: xr.Dataset) -> bytes:
    """The page as PNG."""
    with style.drawing(WIDTH_IN, _height_in(ds)) as figure:
        draw_facing(ds, figure)
        return style.png_bytes(figure)


def facing_pdf(ds: xr.Dataset) -> bytes:
    """The page as PDF."""
    with style.drawing(WIDTH_IN, _height_in(ds)) as figure:
        draw_facing(ds, figure)
        return style.pdf_bytes(figure, str(ds.attrs["title"]))


def _any_light(ds: xr.Dataset) -> bool:
    return float(ds["annual_kwh"].max()) > 0.0


def _height_in(ds: xr.Dataset) -> float:
    """As high as the table of named facings needs."""
    if not _any_light(ds):
        return EMPTY_IN
    return MAP_IN + table_in(json.loads(ds.attrs["summary"])) + MIDDLE_IN + BOTTOM_IN + 0.4


def draw_facing(ds: xr.Dataset, figure: Figure) -> None:
    """Fill a figure from the Dataset of `orient`."""
    summary: dict[str, Any] = json.loads(ds.attrs["summary"])
    figure.suptitle(
        style.folded(_title(summary), WIDTH_IN, style.TEXT_PT + 2.0),
        x=0.01,
        ha="left",
        fontsize=style.TEXT_PT + 2.0,
        weight="bold",
    )
    if not _any_light(ds):
        style.say(figure.add_subplot())
        return
    top, middle, bottom = _bands(figure, [MAP_IN + table_in(summary), MIDDLE_IN, BOTTOM_IN])
    draw_map(ds, summary, top)
    left, right = middle.subplots(1, 2, width_ratios=[1.0, 1.35])
    draw_errors(summary, left)
    draw_months(summary, right)
    draw_followers(summary, bottom.add_subplot())


def _bands(figure: Figure, heights: list[float]) -> Any:
    return figure.subfigures(len(heights), 1, height_ratios=heights)


def _title(summary: dict[str, Any]) -> str:
    site, collector = summary["site"], summary["collector"]
    units = collector["unit_count"]
    return (
        f"Where to face: {collector['name']}, {units} unit{'s' if units != 1 else ''}, at {site['name']}, {site['body']}\n"
        f"{period_line(summary)}"
    )


# ---------------------------------------------------------------- errors, months, followers


def draw_errors(summary: dict[str, Any], axes: Axes) -> None:
    """Loss of energy against how far off the best facing an aperture is."""
    rows = summary["best"][0]["when_off"]
    off = [0.0, *(row["off_deg"] for row in rows)]
    lines = [
        (1, "worst_loss_fraction", "worst direction"),
        (0, "mean_loss_fraction", "mean of all directions"),
    ]
    if "rolled_loss_fraction" in rows[0]:
        lines.append((2, "rolled_loss_fraction", "rolled about its normal"))
    for place, key, words in lines:
        look = style.line(place)
        loss = [0.0, *(100.0 * row[key] for row in rows)]
        axes.plot(
            off, loss, color=look.colour, linestyle=look.dash, marker=look.marker, markersize=3.5, label=words,
            clip_on=False, zorder=3,
        )  # fmt: skip
    words = "Aperture off its best facing (°)"
    mast = summary["mast"]
    if mast is not None:
        words += (
            f"\nMast within {mast['levelling_deg']:g}° of plumb and {mast['azimuth_error_deg']:g}° in azimuth:\n"
            f"{style.percent(mast['expected_loss_fraction'])} lost on average, "
            f"{style.percent(mast['worst_loss_fraction'])} at worst"
        )
    axes.set_xlabel(words)
    axes.set_ylabel("Energy lost (%)")
    axes.set_title("What a pointing error costs")
    axes.set_xlim(0.0, off[-1])
    axes.set_ylim(0.0, (1.05 if len(lines) == 2 else 1.3) * axes.dataLim.y1 or 1.0)
    low, high = axes.get_ylim()
    axes.set_yticks([tick for tick in axes.get_yticks() if low <= tick <= min(high, 100.0)])
    axes.grid(visible=True)
    axes.legend(loc="best")


def draw_months(summary: dict[str, Any], axes: Axes) -> None:
    """Energy by calendar month of the best facing for each goal; longer runs by year and month."""
    months = [row["month"] for row in summary["best"][0]["monthly_kwh"]]
    place = np.arange(len(months))
    drawn: list[tuple[float, ...]] = []
    for index, row in enumerate(summary["best"]):
        look = style.line(index)
        kwh = tuple(entry["kwh"] for entry in row["monthly_kwh"])
        same = next((k for k, other in enumerate(drawn) if np.allclose(other, kwh, rtol=0.01)), None)
        drawn.append(kwh)
        words = f"{index + 1} {GOAL_WORDS[row['goal']]}" + ("" if same is None else f" (as {same + 1})")
        axes.plot(
            place,
            kwh,
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markersize=3.5 if len(months) < 40 else 0.0,
            label=words,
        )
    step = max(1, -(-len(months) // 12))
    axes.set_xticks(place[::step], _month_labels(months)[::step])
    axes.set_ylabel("Energy (kWh per month)")
    axes.set_title("Energy by month of each best facing")
    axes.set_ylim(0.0, (1.1 + 0.14 * len(drawn)) * max(max(map(max, drawn)), 1e-12))
    axes.grid(visible=True, axis="y")
    axes.legend(loc="upper left", fontsize=style.SMALL_PT - 0.5)


def _month_labels(months: list[str]) -> list[str]:
    """Jan, Feb, ..., with the year under the first month shown of each; years alone for long runs."""
    if len(months) > 36:
        return [month[:4] for month in months]
    labels, named = [], ""
    for month in months:
        year, number = month.split("-")
        labels.append(MONTHS[int(number) - 1] + (f"\n{year}" if year != named else ""))
        named = year
    return labels


CELLS_AT = (1.17, 1.42, 1.76, 2.08)
"""Right edges of the printed numbers, in lengths of the longest bar."""


def draw_followers(summary: dict[str, Any], axes: Axes) -> None:
    """One unit, fixed or following the Sun: energy, gap, and how many fixed units come to the same."""
    found = summary["following"]
    rows: list[tuple[str, float, float, str, str]] = [
        ("fixed, best facing", found["fixed_annual_kwh_per_unit"], found["fixed_longest_gap_hours"], "1", "1")
    ]
    for follower in (found["followers"][1], found["followers"][0]):
        energy, gap = follower["fixed_units_for_same_energy"], follower["fixed_units_for_same_gap"]
        rows.append(
            (
                f"following: {follower['axes']}",
                follower["annual_kwh_per_unit"],
                follower["longest_gap_hours"],
                "–" if energy is None else f"{energy:.3g}",
                "none found" if gap is None else str(gap),
            )
        )
    longest = max(row[1] for row in rows) or 1.0
    for y, (_, kwh, gap_hours, *units) in enumerate(rows):
        fixed = y == 0
        axes.barh(
            y,
            kwh,
            0.62,
            color=style.DELIVERED if fixed else "white",
            edgecolor=style.DELIVERED,
            hatch="" if fixed else "....",
        )
        cells = (style.number(kwh), style.duration(gap_hours), *units)
        for x, cell in zip(CELLS_AT, cells, strict=True):
            axes.text(x * longest, y, cell, ha="right", va="center", fontsize=style.SMALL_PT)
    heads = (
        f"kWh {per_of(summary)}\nper unit",
        "longest\ngap",
        "fixed units for\nthe same energy",
        "fixed units for\nthe same gap",
    )
    for x, cell in zip(CELLS_AT, heads, strict=True):
        axes.text(
            x * longest,
            -0.62,
            cell,
            ha="right",
            va="bottom",
            color=style.MUTED,
            fontsize=style.SMALL_PT - 0.5,
        )
    axes.set_yticks(range(len(rows)), [row[0] for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.5)
    axes.set_xlim(0.0, (CELLS_AT[-1] + 0.01) * longest)
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    down = found["tracker_downtime_fraction"]
    axes.set_title(
        "One unit, fixed or following the Sun"
        + (f" ({style.percent(down)} of the light lost to standstill)" if down else ""),
        pad=26.0,
    )
