"""A growing base on pages: what each flight lands, how each phase is served, how near to the best possible the plan is."""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import TYPE_CHECKING, Any

from yieldsim.base.results.attached import result_of
from yieldsim.base.results.budget import BudgetResult
from yieldsim.base.results.growth import FlightResult, GrowthResult, PhaseResult
from yieldsim.report.budget.dispatch import draw_store
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, Tabled, pages

if TYPE_CHECKING:
    import xarray as xr

PARTS = (
    ("units", "units", style.DELIVERED, ""),
    ("shields", "dust shields", style.LEFT, ""),
    ("fibres", "fibres", style.SUN, ""),
    ("store", "storage", "white", "xxx"),
    ("once", "mast, converter, fixed", style.GROUND, ""),
)
"""Parts of a flight's mass: key, words, colour, hatching."""
MOST_MOUNTS = 60
"""Orientations tabled; the table file holds all."""


def growth_pages(summary: GrowthResult, budgets: list[xr.Dataset]) -> Pages:
    """The pages from growth.json and the hours of each phase, as PDF and as PNG."""
    return pages(growth_sheet(summary, budgets))


def growth_sheet(summary: GrowthResult, budgets: list[xr.Dataset]) -> Sheet:
    """What stands on them."""
    full, bound = style.FULL_WIDTH_IN, summary["bound"]
    parts: list[Drawn | Tabled] = [
        Drawn(
            Panel(partial(draw_flights, summary["flights"]), full, 2.4, _flight_words(summary["flights"])),
            heading="What each flight lands",
        ),
        Tabled(
            head=["Flight, date", "Units", "Storage", "Mass, kg", "Limit, kg", "A kg more saves, kg"],
            rows=[flight_cells(one) for one in summary["flights"]],
            wide=[0.36, 0.1, 0.14, 0.12, 0.12, 0.16],
            heading="Flights",
            caption=f"The bound holds for {'; '.join(bound['covers'])}.",
        ),
        Tabled(
            head=["Phase", "Units", "Light left", "Storage left", "Served", "Longest outage"],
            rows=[
                [
                    f"{one['name']}, {one['begin_utc'][:10]} to {one['end_utc'][:10]}",
                    str(one["units"]),
                    style.percent(one["light_left_fraction"]),
                    style.energy(one["storage_kwh"]),
                    style.percent(one["served_fraction"]),
                    style.duration(one["longest_outage_hours"]),
                ]
                for one in summary["phases"]
            ],
            wide=[0.4, 0.09, 0.12, 0.13, 0.11, 0.15],
            heading="Phases, each by the budget of its own files",
            caption="Light left: what a unit still delivers of a new one's, over all units, as the phase's run begins. A phase is run "
            "over its first year, with units and storage as old as in its last.",
        ),
    ]
    parts += sureness_tables(summary)
    for one, series in zip(summary["phases"], budgets, strict=True):
        budget = result_of(series, BudgetResult)
        if budget["storage"] and budget["storage"]["capacity_kwh"] > 0.0:
            lowest = float(series["stored_energy_kwh"].values.min())
            words = f"Energy in the store in {one['name']}, from {style.energy(lowest)} up to {style.energy(one['storage_kwh'])}."
            heading = f"The store through {one['name']}"
            parts.append(Drawn(Panel(partial(draw_store, series, budget), full, 2.0, words), heading=heading))
    parts.append(_facings_table(summary["flights"]))
    if len(summary["combinations"]) > 1:
        parts.append(
            Tabled(
                head=["Combination", "Bound, kg", "Plan, kg", "Outcome"],
                rows=[
                    [
                        f"{row['site']}, {row['mast_height_m']:g} m, {row['collector']}",
                        "–" if row["least"] is None else style.number(row["least"]),
                        "–" if row["cost"] is None else style.number(row["cost"]),
                        row["outcome"],
                    ]
                    for row in summary["combinations"]
                ],
                wide=[0.46, 0.13, 0.13, 0.28],
                left=(0, 3),
                heading="Combinations",
            )
        )
    return Sheet(
        kicker="Growth",
        title=summary["name"],
        lines=[
            f"{summary['site']['name']}, mast {summary['mast_height_m']:g} m, {summary['collector']}. {headline(summary)}.",
            f"{summary['start_utc'][:10]} to {summary['end_utc'][:10]}, {len(summary['phases'])} phases. "
            + (
                NOMINAL
                if summary["confidence"] == "nominal"
                else "Every phase serves as asked in 90 of 100 draws."
            ),
        ],
        parts=parts,
        summary=summary,
        where="growth.json",
    )


def _facings_table(flights: list[FlightResult]) -> Tabled:
    """A row for each orientation, with the units that each flight adds there."""
    landed = [Counter[tuple[float, float, float]]() for _ in flights]
    for there, flight in zip(landed, flights, strict=True):
        for one in flight["mounts"]:
            # to what is shown of an angle
            way = round(one["azimuth_deg"], 1), round(one["tilt_deg"], 1), round(one["roll_deg"], 1)
            there[way] += one["count"]
    rows = [
        [
            *(f"{angle:.1f}" for angle in way),
            *(str(there[way] or "–") for there in landed),
            str(sum(there[way] for there in landed)),
        ]
        for way in sorted(set[tuple[float, float, float]]().union(*landed))
    ]
    columns = len(flights) + 1
    left_out = len(rows) - MOST_MOUNTS
    word = "Flight " if len(flights) <= 6 else ""
    return Tabled(
        head=["Azimuth, °", "Tilt, °", "Roll, °", *(f"{word}{k}" for k in range(1, columns)), "All"],
        rows=rows[:MOST_MOUNTS],
        wide=[*[0.14] * 3, *[0.58 / columns] * columns],
        left=(),
        heading="Units by orientation and flight",
        caption="" if left_out <= 0 else f"And {left_out} more in flights.csv.",
    )


def sureness_tables(summary: GrowthResult) -> list[Drawn | Tabled]:
    """What is served in draws of what is uncertain, where any is named, and with one thing failed."""
    phases, parts = summary["phases"], list[Drawn | Tabled]()
    drawn = [(one, one["target_share"]) for one in phases if one["target_share"] is not None]
    if drawn:
        parts.append(
            Tabled(
                head=["Phase", "In 50 of 100 draws", "In 90", "In 99", "Load asked for, times"],
                rows=[
                    [
                        one["name"],
                        *(style.percent(share[f"p{level}"]) for level in (50, 90, 99)),
                        "–" if one["margin_factor"] is None else f"{one['margin_factor']:.3f}",
                    ]
                    for one, share in drawn
                ],
                wide=[0.3, 0.2, 0.14, 0.14, 0.22],
                heading="Share served, reached or bettered in so many draws of what is uncertain",
            )
        )
    failures = failure_names(summary)
    if failures:
        parts.append(
            Tabled(
                head=["Phase", *failures],
                rows=[[one["name"], *failed_cells(one, failures)] for one in phases],
                wide=[0.3, *[0.7 / len(failures)] * len(failures)],
                heading="Share served with one thing failed from the phase's start",
            )
        )
    return parts


def failure_names(summary: GrowthResult) -> list[str]:
    """All things that may fail in some phase."""
    return list(dict.fromkeys(row["what"] for one in summary["phases"] for row in one["single_failures"]))


def failed_cells(one: PhaseResult, names: list[str]) -> list[str]:
    """What a phase serves with each of these failed."""
    reached = {row["what"]: style.percent(row["reached"]) for row in one["single_failures"]}
    return [reached.get(name, "–") for name in names]


def headline(summary: GrowthResult) -> str:
    """What is landed, and how near to the least that is."""
    bound = summary["bound"]
    landed, largest, least, reached = (
        style.number(kg, 4)
        for kg in (summary["landed_kg"], summary["largest_flight_kg"], bound["least"], bound["reached"])
    )
    return (
        f"{landed} kg landed, {largest} kg by the largest flight; no plan is below {least} {LEAST_WORDS[summary['least']]}, and this "
        f"one has {reached}; the bound is {style.percent(bound['gap_fraction'])} less"
    )


LEAST_WORDS = {"landed-mass": "kg in all", "largest-flight": "kg by the largest flight"}


def store_words(stores_kwh: list[float]) -> str:
    """Stores of given capacities in words: 2 stores of 0.5 kWh, 1 of 0.25 kWh."""
    counts = Counter(stores_kwh)
    return ", ".join(
        f"{count}{(' store' + 's' * (count > 1)) * (place == 0)} of {style.energy(kwh)}"
        for place, (kwh, count) in enumerate(counts.items())
    )


def flight_cells(one: FlightResult) -> list[str]:
    """A flight as cells of a table."""
    saves = one["kilogram_more_saves"]
    return [
        f"{one['phase']}, {one['date_utc'][:10]}",
        str(one["units"]),
        store_words(one["stores_kwh"]) or style.energy(one["storage_kwh"]),
        style.number(one["mass_kg"], 4),
        "–" if one["most_kg"] is None else style.number(one["most_kg"], 4),
        "–" if one["most_kg"] is None else style.number(saves),
    ]


def draw_flights(flights: list[FlightResult], figure: Any) -> None:
    """Bars of each flight's mass by its parts, with its limit."""
    axes = figure.add_subplot()
    names = [f"{one['phase']}\n{one['date_utc'][:10]}" for one in flights]
    places = range(len(flights))
    below = [0.0] * len(flights)
    for key, words, colour, hatch in PARTS:
        values = [one["mass_parts_kg"][key] for one in flights]
        if not any(values):
            continue
        axes.bar(
            places, values, 0.5, bottom=below, color=colour, label=words, hatch=hatch or None,
            edgecolor=style.MUTED if hatch else "white", linewidth=0.5,
        )  # fmt: skip
        below = [a + b for a, b in zip(below, values, strict=True)]
    for place, one in enumerate(flights):
        axes.annotate(
            f"{_units(one)}, {style.energy(one['storage_kwh'])}", (place, below[place]), (0.0, 3.0),
            textcoords="offset points", ha="center", fontsize=style.SMALL_PT, color=style.INK,
        )  # fmt: skip
        if one["most_kg"] is not None:
            axes.plot(
                [place - 0.32, place + 0.32], [one["most_kg"]] * 2, color=style.LOSS_INK, linewidth=1.4,
                label="limit" if not any(before["most_kg"] is not None for before in flights[:place]) else None,
            )  # fmt: skip
    axes.set_xticks(places, names)
    axes.set_ylabel("Mass (kg)")
    tops = [*below, *(one["most_kg"] or 0.0 for one in flights)]
    axes.set_ylim(0.0, 1.15 * max(tops))
    axes.set_xlim(-0.6, len(flights) - 0.4)
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=6, borderaxespad=0.0)


def _units(one: FlightResult) -> str:
    return f"{one['units']} unit{'s' * (one['units'] != 1)}"


def _flight_words(flights: list[FlightResult]) -> str:
    told = [
        f"{one['phase']}, {one['date_utc'][:10]}: {_units(one)}, {style.energy(one['storage_kwh'])} of storage, "
        f"{style.number(one['mass_kg'], 4)} kg"
        for one in flights
    ]
    return f"Mass of each flight by its parts. {'; '.join(told)}."
