"""The words and tables of the budget's pages, as plain strings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import xarray as xr

from yieldsim.base.results.attached import result_of
from yieldsim.base.results.budget import BudgetResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.report.budget.lifetime_text import dust_lines, year_rows, years_sentence
from yieldsim.report.budget.uncertainty_text import SURE_METHOD, input_rows, sure_rows, sure_sentence
from yieldsim.report.budget.verdict_text import (
    at_least,
    failure_rows,
    failures_sentence,
    nominal,
    share_against,
    verdict_rows,
    verdict_sentence,
)
from yieldsim.report.estimate.assumptions_text import assumption_rows, grounds
from yieldsim.report.estimate.text import collector_line, option_rows, place, source_rows, span
from yieldsim.report.layout import style
from yieldsim.report.layout.period_text import utc
from yieldsim.report.layout.typst_pages import printable
from yieldsim.report.layout.warning_text import warning_line

Json = dict[str, Any]
OUTAGES_SHOWN = 10
LOAD_COLUMNS = ("asked_power_w", "served_directly_power_w", "served_from_storage_power_w", "unserved_power_w")
METHOD = (
    "In every row essential loads take light first, then what they lack out of the store; light fills the store to "
    "its reserve; deferrable loads take light for all they have waiting, then sheddable loads; both draw on the store "
    "only above its reserve, deferrable ones when their time is up; what is left charges the store, and the rest is "
    "curtailed.",
    "Of loads of one priority, those of the lowest rank in the load file come first; of one rank, light goes first to "
    "whom each unit of it spares the store most, the store first to whom makes most of it; loads alike share in "
    "proportion. The order of the file does not matter.",
    "Dust shields that are a load clean only in cycles whose electricity is served in full. No load draws the store "
    "below its least state; standing loss goes on below it.",
    "Powers are constant within a row; standing loss is an exponential decay solved exactly. Light in equals light "
    "used, charged and curtailed; the store's balance closes to rounding.",
    "An outage lasts from the first row with a shortfall to the last before a row in which all that was asked was "
    "served; rows in which nothing is asked do not end it.",
    "Sizes are judged on the whole solar days of the run, repeated from a full store until its state repeats, so "
    "that no first filling carries the run.",
    "Lumens and photons become watts of delivered light by the figures below: extraterrestrial sunlight (derived from "
    "ASTM G173-03 with the CIE 1924 observer), changed by the fibre's attenuation with wavelength.",
)


def page_data(series: xr.Dataset) -> Json:
    """All strings of the pages."""
    summary = result_of(series, BudgetResult)
    life = summary["life"]
    return {
        "title": printable(f"{summary['name']} at {summary['site']['name']}", 120, 25),
        "short_title": printable(f"{summary['name']}, {summary['site']['name']}", 60),
        "place": place(summary["site"]),
        "collector": collector_line(summary["collector"]),
        "span": span(summary),
        "version": printable(str(summary["provenance"]["version"]), 40),
        "headline": headline(summary),
        "tiles": tiles(summary),
        "warnings": [warning_line(line) for line in summary["warnings"]],
        "cautions": [printable(line) for line in summary["cautions"] or CAUTIONS],
        "loads": load_rows(summary),
        "outages": outage_rows(summary),
        "store": list(store_rows(summary)),
        "sizes": list(size_rows(summary)),
        "verdict": verdict_rows(summary),
        "verdict_sentence": verdict_sentence(summary),
        "failures": failure_rows(summary),
        "failures_sentence": failures_sentence(summary),
        "trade": trade_rows(summary),
        "years": year_rows(life, summary["reliability"]["target"]) if life else [],
        "years_sentence": years_sentence(life) if life else "",
        "dust": dust_lines(summary),
        "sure": sure_rows(summary["uncertainty"]) if summary["uncertainty"] else [],
        "sure_sentence": sure_sentence(summary["uncertainty"]) if summary["uncertainty"] else "",
        "inputs": input_rows(summary["uncertainty"]) if summary["uncertainty"] else [],
        "sure_method": list(SURE_METHOD) if summary["uncertainty"] else [],
        "method": list(METHOD),
        "figures_of_light": light_rows(summary),
        "columns": column_rows(summary),
        "assumptions": assumption_rows(summary),
        "limits": [],
        "grounds": grounds(summary),
        "nominal": nominal(summary),
        "sources": [*source_rows(summary["provenance"]), *_estimate_sources(summary)],
        "options": option_rows(
            {key: value for key, value in summary["provenance"]["options"].items() if key != "estimate"}
        ),
    }


def _estimate_sources(summary: BudgetResult) -> list[list[str]]:
    """The files that the estimate rests on, those named already left out."""
    own = {row["sha256"] for row in summary["provenance"]["inputs"]}
    rows = source_rows(summary["provenance"]["options"]["estimate"])
    return [row for row in rows if row[2].replace("\u200b", "") not in own]


# ---------------------------------------------------------------- first page


def headline(summary: BudgetResult) -> dict[str, str]:
    """Served share of what matters most, in one sentence."""
    shares = summary["served_fraction_by_priority"]
    priority = next(iter(shares))
    essential = summary["outages_of"] == "essential loads"
    share = float(shares["essential"] if essential else sum_served(summary))
    what = "of what the essential loads ask is served" if essential else "of what the loads ask is served"
    hours = summary["longest_outage_hours"]
    if hours == 0.0:
        sentence = f"{what}, without an outage."
    else:
        start, end = (utc(str(summary.get(f"longest_outage_{word}_utc"))) for word in ("start", "end"))
        sentence = f"{what}; the longest outage lasts {_outage(hours, summary)}, from {start} to {end} UTC."
        if summary.get("longest_outage_at_least"):
            sentence += " The run's end cuts it."
    others = [
        f"{style.percent(float(part))} of the {name}" for name, part in shares.items() if name != priority
    ]
    if essential and others:
        sentence += f" Of the rest: {', '.join(others)} need."
    value = share_against(share, summary["reliability"]["target"]) if essential else style.percent(share)
    return {"value": value, "sentence": f"{sentence} {verdict_sentence(summary)}"}


def sum_served(summary: BudgetResult) -> float:
    """Share of all that was asked that was served."""
    asked = sum(load["asked_kwh"] for load in summary["loads"])
    return 1.0 - summary["unserved_kwh"] / asked if asked > 0.0 else 1.0


def tiles(summary: BudgetResult) -> list[dict[str, str]]:
    """Eight figures with a label and a note each."""
    light, sure = summary["light"], summary["uncertainty"]
    target = summary["reliability"]
    goal = (
        f"for {style.percent(target['target'])} of essential {'hours' if target['of'] == 'hours' else 'need'}"
    )
    units, storage = summary["smallest_units"], summary["smallest_storage_kwh"]
    worst = sure["shortfall"] if sure else None
    hours = summary["longest_outage_hours"]
    return [
        _tile("Not served, all loads", style.energy(summary["unserved_kwh"]), f"in {_hours(summary['unserved_hours'])}"),
        _tile("Longest outage", _outage(hours, summary), f"of {summary['outages_of']}"),
        _tile("Delivered light", style.energy(light["delivered_kwh"]),
              f"{style.energy(light['charging_kwh'])} of it charging"),
        _tile("Curtailed", style.percent(light["curtailed_fraction"]), "of the light, taken by no one"),
        _tile("Smallest storage", style.energy(at_least(storage)) if storage is not None else "none",
              f"{goal}, these units" if storage is not None else f"is enough {goal}"),
        _tile("Fewest units", str(units) if units is not None else "none",
              f"{goal}, this store" if units is not None else f"is enough {goal}"),
        _tile("Autonomy", style.duration(summary["autonomy_hours"]), "full store, no light, mean load"),
        _tile(
            f"Not served, {summary['outages_of']}, P90",
            style.energy(worst["p90_unserved_kwh"]) if worst else "–",
            f"P99: {style.energy(worst['p99_unserved_kwh'])}" if worst else "no uncertainty stated",
        ),
    ]  # fmt: skip


def _tile(label: str, value: str, note: str) -> dict[str, str]:
    return {"label": label, "value": value, "note": note}


def _hours(hours: float) -> str:
    return style.quantity(float(hours), "h", 4)


# ---------------------------------------------------------------- tables


def load_rows(summary: BudgetResult) -> list[list[str]]:
    """A row a load: name, kind, priority, asked, direct, stored, unserved, served, hours short, longest outage."""
    keys = ("asked_kwh", "served_directly_kwh", "served_from_storage_kwh", "unserved_kwh")
    return [
        [
            printable(load["name"], 40),
            load["kind"],
            load["priority"],
            _mean(load),
            *(_part(load[key], load["asked_kwh"]) for key in keys),  # type: ignore[literal-required]
            style.percent(load["served_fraction"]) if load["asked_kwh"] > 0.0 else "–",
            _outage(load["longest_outage_hours"], load),
        ]
        for load in summary["loads"]
    ]


def _part(kwh: float, asked_kwh: float) -> str:
    """A part of what a load asked; what is below a millionth of it is rounding."""
    return style.number(kwh if kwh > 1e-6 * asked_kwh else 0.0)


def _mean(load: Mapping[str, Any]) -> str:
    """What a load asks on average, in its own unit."""
    unit = {"W": "W", "lm": "lm", "umol/s": "µmol/s"}[load["unit"]]
    return style.quantity(load["mean_asked"], unit)


def outage_rows(summary: BudgetResult) -> list[list[str]]:
    """A row an outage: rank, from, to, how long."""
    return [
        [str(rank), utc(one["start_utc"]), utc(one["end_utc"]), _outage(one["hours"], one)]
        for rank, one in enumerate(summary["outages"][:OUTAGES_SHOWN], start=1)
    ]


def _outage(hours: Any, row: Mapping[str, Any]) -> str:
    at_least = bool(row.get("at_least") or row.get("longest_outage_at_least"))
    return style.duration(float(hours), at_least=at_least)


def store_rows(summary: BudgetResult) -> Iterator[list[str]]:
    """What the store did, two cells a row."""
    store = summary["storage"]
    if not store:
        return
    yield ["Kind and capacity", f"{store['kind']}, {style.energy(store['capacity_kwh'])}"]
    yield ["At the start, at the end", f"{_kwh(store, 'start_kwh')}, {_kwh(store, 'end_kwh')}"]
    yield ["Lowest", f"{_kwh(store, 'lowest_kwh')}, {utc(store['lowest_utc'])} UTC"]
    yield ["Charged, handed out", f"{_kwh(store, 'charged_kwh')}, {_kwh(store, 'handed_out_kwh')}"]
    yield ["Standing loss and fade", _kwh(store, "lost_kwh")]
    yield ["Full cycles", style.number(store["full_cycles"])]
    yield ["Capacity at the end", _kwh(store, "end_capacity_kwh")]
    if store["mass_kg"]:
        yield ["Mass", style.quantity(store["mass_kg"], "kg")]


def _kwh(values: Mapping[str, Any], key: str) -> str:
    return style.energy(float(values[key]))


def size_rows(summary: BudgetResult) -> Iterator[list[str]]:
    """Sizes, two cells a row."""
    target = summary["reliability"]
    holds = "holds" if target["holds_as_given"] else "does not hold"
    of = f"{style.percent(target['target'])} of essential {'hours' if target['of'] == 'hours' else 'energy'}"
    yield ["Reliability asked", f"{of}; as given it {holds}"]
    units, storage = summary["smallest_units"], summary["smallest_storage_kwh"]
    smallest = f"none: {summary['why_no_storage']}" if storage is None else style.energy(at_least(storage))
    yield ["Smallest storage at these units", smallest]
    fewest = f"no practical number: {summary['why_no_units']}" if units is None else str(units)
    yield ["Fewest units with this store", fewest]
    foresight, over = summary["foresight_storage_kwh"], summary["over_foresight_fraction"]
    if foresight is not None and over is not None:
        more = f"{style.energy(foresight)}: the rule of dispatch takes {style.percent(over)} more"
        yield ["Storage if every row were known beforehand", more]
    best = summary["least_mass"]
    if best:
        pair = f"{best['units']} units with {style.energy(at_least(best['storage_kwh']))}"
        yield ["Least mass of the pairs tried", f"{style.quantity(best['mass_kg'] or 0.0, 'kg')}: {pair}"]
    if summary["autonomy_hours"] is not None:
        mean, peak = map(style.duration, (summary["autonomy_hours"], summary["autonomy_at_peak_hours"]))
        yield [
            "Autonomy of the full store without light",
            f"{mean} at the mean essential load, {peak} at its highest",
        ]


def trade_rows(summary: BudgetResult) -> list[list[str]]:
    """Units, storage, mass."""
    return [
        [
            str(point["units"]),
            style.number(at_least(point["storage_kwh"])),
            "–" if point["mass_kg"] is None else style.number(point["mass_kg"]),
        ]
        for point in summary["trade_curve"]
    ]


def light_rows(summary: BudgetResult) -> list[list[str]]:
    """What a watt of the delivered light is worth."""
    light = summary["delivered_light"]
    efficacy, photons = light["luminous_efficacy_lm_per_w"], light["photon_yield_umol_per_j"]
    return [
        ["Luminous efficacy of the delivered light", style.quantity(efficacy, "lm/W", 4)],
        ["Photosynthetic photons, 400–700 nm", style.quantity(photons, "µmol/J", 4)],
    ]


def column_rows(summary: BudgetResult) -> list[list[str]]:
    """A row a column of the tables; those of loads once, for all of them."""
    notes, loads = summary["columns"], summary["loads"]
    own = len(LOAD_COLUMNS)
    common = notes[: len(notes) - own * len(loads)]
    rows = [[note["column"], note["unit"], note["meaning"]] for note in common]
    for note in notes[len(common) : len(common) + own]:
        kind = next(end for end in LOAD_COLUMNS if note["column"].endswith(end))
        rows.append([f"LOAD_{kind}", note["unit"], note["meaning"].removeprefix(f"{loads[0]['name']}: ")])
    return rows
