"""A whole design on pages: what it is, how near to the best possible, how its store fares, why others lost."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.results.attached import result_of
from yieldsim.base.results.budget import BudgetResult
from yieldsim.base.results.design import (
    ChosenDesign,
    CombinationResult,
    DesignMount,
    DesignResult,
    ReliabilityPoint,
    UnitsPoint,
)
from yieldsim.report.budget.dispatch import draw_light, draw_store
from yieldsim.report.design_alternatives import alternatives
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.measured_lines import shortened
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.period_text import period_line
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, Tabled, pages

if TYPE_CHECKING:
    import xarray as xr

MOST_SHOWN = 24
"""Combinations drawn and tabled; the table file holds all."""
BAR_DEG = 2.0
"""Units that face nearer to each other share a bar, or they would hide each other."""
WORDS_APART_DEG, LINES_APART_DEG = 14.0, 8.0
"""Tilts are written upright where two mounts face nearer to each other than the first, and as one where nearer than the second."""
PART_WORDS = {
    "units": "units",
    "shields": "dust shields",
    "fibres": "fibres",
    "store": "storage",
    "mast": "mast",
    "converter": "converter",
    "fixed": "fixed",
}


def design_pages(summary: DesignResult, series: xr.Dataset) -> Pages:
    """The pages from design.json and the design's hours, as PDF and as PNG."""
    return pages(design_sheet(summary, series))


def design_sheet(summary: DesignResult, series: xr.Dataset) -> Sheet:
    """What stands on them."""
    best, bound, full = summary["design"], summary["bound"], style.FULL_WIDTH_IN
    budget = result_of(series, BudgetResult)
    rows = _shown(summary)
    # with three digits a gap of 0.5 % would stand between equal numbers
    reached = (
        f"{style.number(bound['reached'], 4)} {bound['unit']}; no design is below {style.number(bound['least'], 4)} {bound['unit']}, "
        f"{style.percent(bound['gap_fraction'])} less"
    )
    parts: list[Drawn | Tabled] = [
        Tabled(
            head=["Part", "Chosen"],
            rows=facts(summary),
            wide=[0.3, 0.7],
            left=(0, 1),
            heading="The design",
            caption=f"The bound holds for {'; '.join(bound['covers'])}.",
        ),
        Drawn(
            Panel(partial(draw_units, best), full, 2.3, _units_words(best)),
            heading="Units by the azimuth that they face; tilts written above",
        ),
        Drawn(
            Panel(partial(draw_light, series), full, 2.3, _light_words(budget)),
            heading="Where the delivered light goes",
        ),
    ]
    if budget["storage"] and budget["storage"]["capacity_kwh"] > 0.0:
        parts.append(
            Drawn(
                Panel(partial(draw_store, series, budget), full, 2.2, _store_words(summary, series)),
                heading="The store through the run",
            )
        )
    if len(summary["combinations"]) > 1:
        least_words = "Least bound and design of each combination."
        parts += [
            Drawn(
                Panel(
                    partial(draw_combinations, rows, bound["unit"]), full, 0.7 + 0.26 * len(rows), least_words
                ),
                heading=f"Combinations: from the least that any design has (bar) to the best found (dot), {bound['unit']}",
            ),
            Tabled(
                head=["Combination", "Dark, h", "Best unit, kWh", "Bound", "Design", "Outcome"],
                rows=[_row(row) for row in rows],
                wide=[0.36, 0.08, 0.12, 0.1, 0.1, 0.24],
                left=(0, 5),
                heading="Why they were chosen or left",
                caption="Dark: the longest stretch without any light at the place. Best unit: the run's light of one unit that "
                "faces where it gets most.",
            ),
        ]
    parts += _around(summary)
    failures = summary["single_failures"]["table"]
    parts.append(
        Tabled(
            head=["Failed", "Of", "Served", "Longest outage", "Still enough"],
            rows=[
                [
                    row["what"],
                    str(row["items"]),
                    style.percent(row["reached"]),
                    style.duration(row["longest_outage_hours"]),
                    "yes" if row["passes"] else "no",
                ]
                for row in failures
            ],
            wide=[0.36, 0.12, 0.16, 0.2, 0.16],
            heading="With one thing failed all the run",
        )
    )
    return Sheet(
        kicker="Whole design",
        title=summary["name"],
        lines=[
            f"{best['site']}, mast {best['mast_height_m']:g} m, {best['collector']}. {reached[:1].upper()}{reached[1:]}.",
            f"{period_line(summary)}. {NOMINAL}",
        ],
        parts=parts,
        summary=summary,
        where="design.json",
    )


def _around(summary: DesignResult) -> list[Drawn | Tabled]:
    """Fronts, worths, the tracker, how sure it is."""
    best = summary["design"]
    front = [row for row in summary["by_reliability"] if row["mass_kg"] is not None]
    units = [row for row in summary["by_units"] if row["mass_kg"] is not None]
    parts: list[Drawn | Tabled] = []
    if len(front) > 1 and len(units) > 1:
        words = "; ".join(
            f"{style.percent(row['reliability'])} {style.number(row['mass_kg'] or 0.0)} kg" for row in front
        )
        alt = f"Mass by share served: {words}."
        parts.append(
            Drawn(
                Panel(partial(draw_fronts, front, units, best), style.FULL_WIDTH_IN, 2.4, alt),
                heading="Mass by share served, and by number of units",
                caption="Left: the lightest design found for each share, hours of its longest outage beside it. Right: the same "
                "orientations with other numbers of units, each with the store that goes with it.",
            )
        )
    parts.append(
        Tabled(
            head=["More", "Is worth"],
            rows=worth_rows(summary),
            wide=[0.4, 0.6],
            left=(0, 1),
            heading="What more of each part is worth",
        )
    )
    parts += alternatives(summary)
    if summary["uncertainty"]:
        share = summary["uncertainty"]["target_share"]
        parts.append(
            Tabled(
                head=["In 50 of 100 draws", "In 90", "In 99"],
                rows=[[style.percent(share[f"p{level}"]) for level in (50, 90, 99)]],
                wide=[0.34, 0.33, 0.33],
                left=(),
                heading="Share served, reached or bettered in so many draws of what is uncertain",
            )
        )
    if summary["runners_up"]:
        parts.append(
            Tabled(
                head=["Instead", "Why it lost"],
                rows=[[f"{row['of']} {row['name']}", row["why"]] for row in summary["runners_up"]],
                wide=[0.34, 0.66],
                left=(0, 1),
                heading="Runners-up of the other sites and collectors",
            )
        )
    return parts


def worth_rows(summary: DesignResult) -> list[list[str]]:
    """What more of each part is worth, in words: rows of what and how much."""
    worth, best, tracker = summary["worth"], summary["design"], summary["tracker"]
    rows = []
    saved = worth["unit_more_saves_storage_kwh"]
    if saved is not None:
        lighter, weighs = (style.number(worth[key] or 0.0) for key in ("unit_more_saves_kg", "unit_kg"))
        words = f"{style.energy(saved)} less of storage, {lighter} kg, for {weighs} kg"
        rows.append(["one unit more, facing as these do", words])
    shortfall = worth["percent_more_shortfall_saves"]
    if shortfall is not None:
        words = f"saves {style.number(shortfall)} {worth['unit']}, for small changes"
        rows.append(["1 % less of the load served", words])
    metre = f"weighs {style.number(worth['mast_metre_weighs_kg'])} kg, fibres included"
    rows.append(["one metre more of mast", metre])
    days = worth["half_the_lights_worth_in_days"]
    half = f"half of all its worth falls in {days} day{'s' * (days > 1)}; most on {worth['dearest_day_utc'][:10]}"
    rows.append(["light", half if days > 0 else "there is enough at all times: more of it is worth nothing"])
    if tracker is not None:
        words = f"no number of them serves with a standstill of {tracker['stop_hours']:g} h"
        if tracker["mass_kg"] is not None:
            words = (
                f"{tracker['units']} unit{'s' * (tracker['units'] != 1)} with {style.energy(tracker['storage_kwh'])} would weigh "
                f"{style.number(tracker['mass_kg'])} kg against {style.number(best['mass_kg'])} kg"
            )
        rows.append([f"tracking, {style.number(tracker['extra_kg'])} kg more a unit", words])
    return rows


def draw_fronts(
    front: list[ReliabilityPoint], units: list[UnitsPoint], best: ChosenDesign, figure: Any
) -> None:
    """Mass by share served and by number of units."""
    left, right = figure.subplots(1, 2)
    look: dict[str, Any] = {"color": style.DELIVERED, "markersize": 4.0}
    left.plot(range(len(front)), [row["mass_kg"] for row in front], "o-", **look)
    for place, row in enumerate(front):
        words, at = f"{row['longest_outage_hours']:.0f} h", (place, row["mass_kg"])
        left.annotate(words, at, (-4.0, 4.0), textcoords="offset points", ha="right", **style.ASIDE)
    left.set_xticks(range(len(front)), [f"{100.0 * row['reliability']:g}" for row in front])
    left.set_xlabel("Share served (%)")
    left.set_ylabel("Mass (kg)")
    left.margins(x=0.22, y=0.18)
    right.plot([row["units"] for row in units], [row["mass_kg"] for row in units], "o-", **look)
    right.plot([best["units"]], [best["mass_kg"]], "s", color=style.INK, markersize=6.0, label="the design")
    right.set_xlabel("Number of units")
    right.xaxis.get_major_locator().set_params(integer=True)
    right.set_ylabel("Mass (kg)")
    right.legend(loc="upper left")
    right.margins(y=0.18)


def facts(summary: DesignResult) -> list[list[str]]:
    """What the design is, in rows of a name and words."""
    best, bound, load = summary["design"], summary["bound"], summary["load"]
    parts = ", ".join(
        f"{PART_WORDS[name]} {style.number(value)} kg"
        for name, value in best["mass_parts_kg"].items()
        if name in PART_WORDS and value > 0.0
    )
    per_kg, ways = best["delivered_kwh_per_kg"], len(best["mounts"])
    return [
        ["place", f"{best['site']}, mast {best['mast_height_m']:g} m"],
        ["collector", f"{best['collector']}, {best['fibre_m']:g} m of fibre a unit"],
        ["units", f"{best['units']} on {ways} orientation{'s' * (ways != 1)}"],
        ["storage", style.energy(best["storage_kwh"])],
        ["mass", f"{style.number(best['mass_kg'])} kg: {parts}" if parts else "no masses stated"],
        ["asked", f"{style.percent(load['reliability'])} of {load['reliability_of']} of {load['name']}"],
        [
            "served",
            f"{style.percent(best['served_fraction'])}, longest outage {style.duration(best['longest_outage_hours'])}",
        ],
        [
            "delivered",
            f"{style.energy(best['delivered_kwh'])}" + ("" if per_kg is None else f", {style.number(per_kg)} kWh a kilogram"),
        ],
        ["lower bound", f"{style.number(bound['least'], 4)} {bound['unit']}; gap {style.percent(bound['gap_fraction'])}"],
    ]  # fmt: skip


def draw_units(best: ChosenDesign, figure: Any) -> None:
    """Bars of units over the azimuth they face, tilts above them."""
    axes = figure.add_subplot()
    bars = _bars(best["mounts"])
    azimuth = list(bars)
    count = [sum(mount["count"] for mount in there) for there in bars.values()]
    apart = float(np.diff(azimuth).min(initial=360.0))
    axes.bar(azimuth, count, min(max(0.8 * apart, 1.5), 5.0), color=style.DELIVERED)
    near = apart < WORDS_APART_DEG
    if len(bars) <= MOST_SHOWN:
        # neighbours nearer than a word is high share one
        together: list[list[int]] = []
        for place, at_deg in enumerate(azimuth):
            if together and at_deg - azimuth[together[-1][-1]] < LINES_APART_DEG:
                together[-1].append(place)
            else:
                together.append([place])
        for group in together:
            there = [mount for place in group for mount in bars[azimuth[place]]]
            tilts = sorted({f"{mount['tilt_deg']:.0f}" for mount in there}, key=float)
            x, y = np.mean([azimuth[place] for place in group]), max(count[place] for place in group)
            at: Any = {"textcoords": "offset points", "ha": "center", "rotation": 90.0 if near else 0.0}
            axes.annotate("–".join(tilts[:1] + tilts[1:][-1:]) + "°", (x, y), (0.0, 2.0), **at, **style.ASIDE)
    axes.set_xlim(-5.0, 365.0)
    axes.set_ylim(0.0, (1.4 if near else 1.18) * max(count))
    axes.yaxis.get_major_locator().set_params(integer=True)
    names = ["N 0°", "45°", "E 90°", "135°", "S 180°", "225°", "W 270°", "315°", "N 360°"]
    axes.set_xticks(range(0, 361, 45), names)
    axes.set_ylabel("Units")


def _bars(mounts: list[DesignMount]) -> dict[float, list[DesignMount]]:
    """Mounts by the azimuth of their bar, in order; those nearer to each other than BAR_DEG share one, where their units face in
    the mean."""
    groups = [[one] for one in sorted(mounts, key=_azimuth_deg)]
    while True:
        middles = [
            float(np.average([_azimuth_deg(one) for one in there], weights=[one["count"] for one in there]))
            for there in groups
        ]
        apart = np.diff(middles)
        if apart.min(initial=BAR_DEG) >= BAR_DEG:
            return dict(zip(middles, groups, strict=True))
        place = int(apart.argmin())
        groups[place : place + 2] = [groups[place] + groups[place + 1]]


def _azimuth_deg(mount: DesignMount) -> float:
    return mount["azimuth_deg"] % 360.0


def draw_combinations(rows: list[CombinationResult], unit: str, figure: Any) -> None:
    """Bound and design of each combination, best on top."""
    axes = figure.add_subplot()
    names = []
    for place, row in enumerate(rows):
        names.append(shortened(f"{row['site']}, {row['mast_height_m']:g} m, {row['collector']}", 46))
        if row["least"] is None:
            axes.text(0.0, place, " serves in no number of units", va="center", **style.ASIDE)
            continue
        colour = style.DELIVERED if row["outcome"] == "chosen" else style.LEFT
        axes.barh(place, row["least"], 0.6, color=colour)
        if row["cost"] is not None:
            axes.plot([row["cost"]], [place], "o", color=style.INK, markersize=4.0)
    axes.set_yticks(range(len(rows)), names, fontsize=style.SMALL_PT)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(left=0.0)
    axes.set_xlabel(unit)
    axes.tick_params(axis="y", length=0)


def _shown(summary: DesignResult) -> list[CombinationResult]:
    def order(row: CombinationResult) -> list[float]:
        return [math.inf if value is None else value for value in (row["cost"], row["least"])]

    return sorted(summary["combinations"], key=order)[:MOST_SHOWN]


def _row(row: CombinationResult) -> list[str]:
    return [
        f"{row['site']}, {row['mast_height_m']:g} m, {row['collector']}",
        f"{row['dark_hours']:.0f}",
        style.number(row["best_unit_kwh"]),
        "–" if row["least"] is None else style.number(row["least"]),
        "–" if row["cost"] is None else style.number(row["cost"]),
        row["outcome"],
    ]


def _units_words(best: ChosenDesign) -> str:
    parts = [
        f"{mount['count']} at azimuth {mount['azimuth_deg']:.0f}°, tilt {mount['tilt_deg']:.0f}°"
        for mount in best["mounts"]
    ]
    return f"Units by orientation: {'; '.join(parts[:MOST_SHOWN])}."


def _store_words(summary: DesignResult, series: xr.Dataset) -> str:
    lowest = float(series["stored_energy_kwh"].values.min())
    return (
        f"Energy in the store over the run, from {style.energy(lowest)} up to {style.energy(summary['design']['storage_kwh'])}; "
        f"the longest outage is {style.duration(summary['design']['longest_outage_hours'])}."
    )


def _light_words(budget: BudgetResult) -> str:
    light = budget["light"]
    return (
        f"Of {style.energy(light['delivered_kwh'])} delivered, {style.energy(light['used_kwh'])} used straight away, "
        f"{style.energy(light['charging_kwh'])} charging, {style.energy(light['curtailed_kwh'])} curtailed."
    )
