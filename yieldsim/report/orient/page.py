"""Where to face: the sky of facings, the best for each goal, errors of pointing, followers of the Sun."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from yieldsim.base.results.attached import result_of
from yieldsim.base.results.orient import OrientResult
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.number_format import decimals_for
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.period_text import per_of, period_line
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, Tabled, pages
from yieldsim.report.layout.time_axis import MONTHS
from yieldsim.report.orient.facing_map import (
    GOAL_WORDS,
    MAP_IN,
    draw_map,
    draw_names,
    looks_low,
    table_in,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MIDDLE_IN = 2.6
EMPTY_IN = 0.8
SEASON = "Ls "
"""How the name of a month by solar longitude begins."""
"""Height of a figure that has nothing to show."""


def facing_pages(ds: xr.Dataset) -> Pages:
    """The page from the Dataset of `orient`, as PDF and as PNG."""
    return pages(facing_sheet(ds))


def facing_sheet(ds: xr.Dataset) -> Sheet:
    """What stands on it."""
    summary = result_of(ds, OrientResult)
    return Sheet(
        kicker="Where to face",
        title=str(summary["site"]["name"]),
        lines=head_lines(summary),
        parts=_parts(ds, summary) if _any_light(ds) else [Drawn(nothing_panel())],
        summary=summary,
        where="orient.json",
    )


def nothing_panel() -> Panel:
    """Words in place of figures."""
    return Panel(
        lambda figure: style.say(figure.add_subplot()), style.FULL_WIDTH_IN, EMPTY_IN, style.NO_LIGHT
    )


def head_lines(summary: OrientResult) -> list[str]:
    """Body, collector, span, what the numbers are."""
    units = summary["collector"]["unit_count"]
    return [
        f"{summary['site']['body']}; {summary['collector']['name']}, {units} unit{'s' if units != 1 else ''}",
        f"{period_line(summary)}. {NOMINAL}",
    ]


def _any_light(ds: xr.Dataset) -> bool:
    return float(ds["annual_kwh"].max()) > 0.0


def _parts(ds: xr.Dataset, summary: OrientResult) -> list[Drawn | Tabled]:
    full, best = style.FULL_WIDTH_IN, summary["best"][0]
    per = per_of(summary)
    pose = f"tilt {best['tilt_deg']:.1f}°, azimuth {best['azimuth_deg']:.1f}°"
    rings = "" if looks_low(summary) else " Rings: tilt."
    return [
        Drawn(
            Panel(
                partial(draw_map, ds, summary), full, MAP_IN,
                f"Map of energy by direction faced; most, {style.quantity(best['annual_kwh'], 'kWh')} {per}, at {pose}.",
            ),
            heading=f"Energy {per} by direction faced",
            caption="Contours: shares of the best, marked on the scale." + rings,
        ),
        Drawn(Panel(partial(draw_names, summary), full, table_in(summary), _names_words(summary))),
        Drawn(
            Panel(
                partial(_draw_errors_and_months, summary), full, MIDDLE_IN + (0.45 if summary["mast"] else 0.0),
                "Energy lost against the angle off the best orientation; energy by month of each best one.",
            )
        ),
        follower_table(summary),
    ]  # fmt: skip


def _names_words(summary: OrientResult) -> str:
    rows = [
        f"{GOAL_WORDS[row['goal']]}: tilt {row['tilt_deg']:.1f}°, azimuth {row['azimuth_deg']:.1f}°, "
        f"{style.quantity(row['annual_kwh'], 'kWh')}"
        for row in summary["best"]
    ]
    return f"Table of orientations. {'; '.join(rows)}."


def _draw_errors_and_months(summary: OrientResult, figure: Figure) -> None:
    left, right = figure.subplots(1, 2, width_ratios=[1.0, 1.35])
    draw_errors(summary, left)
    draw_months(summary, right)


# ---------------------------------------------------------------- errors, months, followers


def draw_errors(summary: OrientResult, axes: Axes) -> None:
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
        loss = [0.0, *(100.0 * row[key] for row in rows)]  # type: ignore[literal-required]
        axes.plot(
            off, loss, color=look.colour, linestyle=look.dash, marker=look.marker, markersize=3.5, label=words,
            clip_on=False, zorder=3,
        )  # fmt: skip
    words = "Aperture off its best orientation (°)"
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


def draw_months(summary: OrientResult, axes: Axes) -> None:
    """Energy by month of the best facing for each goal; longer runs by year and month."""
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
    if months[0].startswith(SEASON):
        axes.set_xlabel("Solar longitude at which 30° begin (deg)")
    axes.set_title("Energy by month of each best orientation")
    axes.set_ylim(0.0, (1.1 + 0.14 * len(drawn)) * max(max(map(max, drawn)), 1e-12))
    axes.grid(visible=True, axis="y")
    axes.legend(loc="upper left", fontsize=style.SMALL_PT)


def _month_labels(months: list[str]) -> list[str]:
    """Jan, Feb, ..., with the year under the first month shown of each; years alone for long runs; solar longitudes."""
    if months[0].startswith(SEASON):
        return [month.removeprefix(SEASON).split("-")[0] for month in months]
    if len(months) > 36:
        return [month[:4] for month in months]
    labels, named = [], ""
    for month in months:
        year, number = month.split("-")
        labels.append(MONTHS[int(number) - 1] + (f"\n{year}" if year != named else ""))
        named = year
    return labels


def follower_table(summary: OrientResult) -> Tabled:
    """One unit, fixed or following the Sun: energy, gap, and how many fixed units come to the same."""
    found = summary["following"]
    followers = [found["followers"][1], found["followers"][0]]
    energies = [found["fixed_annual_kwh_per_unit"], *(row["annual_kwh_per_unit"] for row in followers)]
    decimals = decimals_for(max(energies), 4)
    rows = [
        [
            "fixed, best orientation",
            style.fixed(energies[0], decimals),
            style.duration(
                found["fixed_longest_gap_hours"], at_least=bool(found.get("fixed_longest_gap_at_least"))
            ),
            "1",
            "1",
        ]
    ]
    for row, kwh in zip(followers, energies[1:], strict=True):
        energy, gap = row["fixed_units_for_same_energy"], row["fixed_units_for_same_gap"]
        rows.append(
            [
                f"following: {row['axes']}",
                style.fixed(kwh, decimals),
                style.duration(row["longest_gap_hours"], at_least=bool(row.get("longest_gap_at_least"))),
                "–" if energy is None else style.number(energy),
                "none found" if gap is None else str(gap),
            ]
        )
    down = found["tracker_downtime_fraction"]
    return Tabled(
        head=["One unit", f"kWh {per_of(summary)}", "Longest outage", "Fixed units, same energy", "Fixed units, same outage"],
        rows=rows,
        wide=[2.2, 1, 1, 1.5, 1.5],
        heading="One unit, fixed or following the Sun",
        caption=f"{style.percent(down)} of the light lost to standstill." if down else "",
    )  # fmt: skip
