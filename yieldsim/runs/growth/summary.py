"""growth.json: what each flight lands, how each phase is served, how far the plan is from the best possible."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.clock import iso
from yieldsim.base.model import Notes, Source
from yieldsim.base.plans.design import DesignPlan
from yieldsim.base.results.design import BoundResult, DesignMount
from yieldsim.base.results.growth import FlightResult, GrowthCombination, GrowthResult, PhaseResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.files.output.provenance import provenance
from yieldsim.runs.design.combinations import fibre_m
from yieldsim.runs.design.summary import mass_parts
from yieldsim.runs.growth.phases import landing_of, years_between

if TYPE_CHECKING:
    from yieldsim.runs.design.combinations import Combination
    from yieldsim.runs.growth.phases import PhaseSpan
    from yieldsim.runs.growth.search import Planned
    from yieldsim.runs.growth.types import GrowthRun
    from yieldsim.runs.growth.verify import BuiltPhase, BuiltPlan

WIDE_GAP = 0.02
SHARES = ("p50", "p90", "p99")


def summarised(
    plan: DesignPlan,
    everything: list[Combination],
    spans: dict[int, tuple[PhaseSpan, ...]],
    bounds: dict[int, float],
    planned: dict[int, Planned],
    best: Planned,
    built: BuiltPlan,
    margins: tuple[float, ...] | None,
    notes: Notes,
    sources: tuple[Source, ...],
) -> GrowthRun:
    """The whole answer.

    margins   on the loads of the phases that 90 of 100 draws took; None where the nominal run is enough
    """
    from yieldsim.planning.growth.certificate import certificate_of
    from yieldsim.report.estimate.summary_schema import estimate_summary
    from yieldsim.runs.growth.search import phases_of
    from yieldsim.runs.growth.types import GrowthRun

    combination, own = everything[best.number], spans[best.number]
    first = estimate_summary(built.phases[0].estimate)
    told = [one.summary["warnings"] for one in built.phases]
    for one, lines in zip(own, told, strict=True):
        for line in lines:
            # what all phases say is said once
            everywhere = all(line in other for other in told)
            notes.add(line if everywhere else f"{one.phase.name}: {line}")
    table = combination_rows(everything, bounds, planned, best, built)
    bound = bound_row(plan, table, planned, best, built)
    if bound["gap_fraction"] > WIDE_GAP:
        why = "few whole units to each orientation and flight, which the bound may split"
        if margins is not None:
            why = "what 90 of 100 draws take beyond the nominal run"
        notes.add(
            f"the plan is proven to within {bound['gap_fraction']:.1%} only of the best there may be: {why}"
        )
    begin, end = own[0].begin_utc, own[-1].end_utc
    assert best.proved is not None
    landing = landing_of(plan, combination, own)
    summary: GrowthResult = {
        "schema": "yieldsim growth 1",
        "name": plan.name,
        "least": plan.growth.least,
        "discount_per_year": plan.growth.discount_per_year,
        "confidence": plan.confidence,
        "site": first["site"],
        "start_utc": iso(begin),
        "end_utc": iso(end),
        "days": 365.25 * years_between(begin, end),
        "period": None,
        "mast_height_m": combination.site.mast_height_m,
        "collector": combination.collector.name,
        "fibre_m": fibre_m(plan, combination.collector, combination.site.mast_height_m),
        "flights": [flight_row(plan, combination, own[k], built, k, float(best.proved.full[k])) for k in range(len(own))],
        "landed_kg": float(built.mass_kg.sum()),
        "largest_flight_kg": float(built.mass_kg.max()),
        "phases": [
            phase_row(one, phase, margin)
            for one, phase, margin in zip(own, built.phases, margins or (None,) * len(own), strict=True)
        ],
        "bound": bound,
        "combinations": table,
        "commands": [
            f"yieldsim budget {estimate_file(k)} --load {built_stem(k, 'load')}.toml --site growth.site.toml "
            f"--collector {built_stem(k, 'collector')}.toml"
            for k in range(len(own))
        ],
        "warnings": list(notes.lines),
        "cautions": list(CAUTIONS),
        "provenance": provenance(
            sources,
            {
                "least": plan.growth.least,
                "combinations": len(everything),
                "interval_minutes": own[0].span.interval_minutes,
                "start_utc": iso(begin),
                "end_utc": iso(end),
            },
        ),
    }  # fmt: skip
    files: dict[str, str] = {}
    for done in built.phases:
        files |= done.files
    return GrowthRun(
        summary=summary,
        estimates={estimate_file(k): done.estimate for k, done in enumerate(built.phases)},
        budgets=tuple(done.budget for done in built.phases),
        files=files,
        certificate=certificate_of(best.proved, phases_of(plan, combination, own), landing),
    )


def estimate_file(number: int) -> str:
    """Name of a phase's saved estimate."""
    return f"phase-{number + 1}.nc"


def built_stem(number: int, what: str) -> str:
    """Name of a phase's file of collector or load, without .toml."""
    return f"phase-{number + 1}.{what}"


def flight_row(
    plan: DesignPlan, combination: Combination, one: PhaseSpan, built: BuiltPlan, number: int, saves: float
) -> FlightResult:
    """What a flight lands.

    saves   what a kilogram more would save of what is least
    """
    units, capacity = int(built.units[number]), float(built.capacity_kwh[number])
    parts = mass_parts(plan, combination, units, capacity)
    if number > 0:
        parts |= dict.fromkeys(("mast", "converter", "fixed", "once"), 0.0)
    last = built.phases[-1]
    return {
        "phase": one.phase.name,
        "date_utc": iso(one.begin_utc),
        "units": units,
        "shields": units if combination.collector.shield is not None else 0,
        "storage_kwh": capacity,
        "stores_kwh": fewest_stores(capacity, landing_of(plan, combination, (one,)).choices_kwh),
        "mounts": [
            DesignMount(
                tilt_deg=mount.tilt_deg,
                azimuth_deg=mount.azimuth_deg,
                roll_deg=mount.roll_deg,
                count=mount.count,
            )
            for mount, flight in zip(last.mounts, last.flight, strict=True)
            if flight == number
        ],
        "mass_kg": float(built.mass_kg[number]),
        "mass_parts_kg": parts,
        "most_kg": one.phase.most_kg,
        "kilogram_more_saves": saves,
    }


def fewest_stores(capacity_kwh: float, choices_kwh: Sequence[float]) -> list[float]:
    """The fewest stores of given capacities that make up one, largest first."""
    from scipy.optimize import LinearConstraint, milp

    if not choices_kwh or capacity_kwh <= 0.0:
        return []
    near = 1e-6 * min(choices_kwh)
    exactly = LinearConstraint(np.array([choices_kwh]), capacity_kwh - near, capacity_kwh + near)
    counts = np.ones(len(choices_kwh))
    found = milp(counts, constraints=exactly, integrality=counts).x.round().astype(int)
    return sorted(np.repeat(choices_kwh, found).tolist(), reverse=True)


def phase_row(one: PhaseSpan, built: BuiltPhase, margin: float | None) -> PhaseResult:
    """How a phase is served."""
    from yieldsim.report.estimate.summary_schema import estimate_summary

    estimate = estimate_summary(built.estimate)
    counts = np.array([mount.count for mount in built.mounts], dtype=np.float64)
    case, sure = built.summary["verdict"]["cases"][0], built.summary["uncertainty"]
    return {
        "name": one.phase.name,
        "begin_utc": iso(one.begin_utc),
        "end_utc": iso(one.end_utc),
        "run_start_utc": estimate["start_utc"],
        "run_end_utc": estimate["end_utc"],
        "load": one.phase.load.name,
        "demand_ratio": one.phase.load.demand_ratio,
        "units": built.units,
        "light_left_fraction": float(np.array(built.left) @ counts / counts.sum()),
        "storage_kwh": built.capacity_kwh,
        "delivered_kwh": estimate["delivered_kwh"],
        "served_fraction": case["reached"],
        "longest_outage_hours": built.summary["longest_outage_hours"],
        "passes": case["passes"],
        "target_share": None if sure is None else {name: sure["target_share"][name] for name in SHARES},
        "margin_factor": margin,
        "single_failures": built.summary["single_failures"]["table"],
        "files": {
            "site": "growth.site.toml",
            "collector": f"{built_stem(one.number, 'collector')}.toml",
            "load": f"{built_stem(one.number, 'load')}.toml",
            "estimate": estimate_file(one.number),
        },
    }


def combination_rows(
    everything: Sequence[Combination],
    bounds: dict[int, float],
    planned: dict[int, Planned],
    best: Planned,
    built: BuiltPlan,
) -> list[GrowthCombination]:
    """One row a combination."""
    rows: list[GrowthCombination] = []
    for one in everything:
        found = planned.get(one.number)
        least = bounds[one.number] if found is None else max(bounds[one.number], found.least)
        cost = math.inf if found is None or found.plan is None else found.plan.cost
        if one.number == best.number:
            cost, outcome = built.cost, "chosen"
        elif not math.isfinite(least):
            outcome = "serves in no number of units"
        elif math.isfinite(cost):
            outcome = "planned, and dearer"
        elif least >= built.cost:
            outcome = "its bound passes the best plan"
        else:
            outcome = "no whole plan found"
        rows.append(
            {
                "combination": one.number,
                "site": one.site.name,
                "mast_height_m": one.site.mast_height_m,
                "collector": one.collector.name,
                "least": least if math.isfinite(least) else None,
                "cost": cost if math.isfinite(cost) else None,
                "outcome": outcome,
            }
        )
    return rows


def bound_row(
    plan: DesignPlan,
    table: list[GrowthCombination],
    planned: dict[int, Planned],
    best: Planned,
    built: BuiltPlan,
) -> BoundResult:
    """The least bound of all combinations, the gap to the plan, and what it covers."""
    least = min([*(row["least"] for row in table if row["least"] is not None), built.cost])
    between = all(one.between for one in planned.values())
    units = "whole or split number of units with each flight"
    if best.proved is not None and len(best.proved.cases) > 1:
        units = "whole number of units with each flight, split over orientations"
    covers = [
        "any dispatch, even one that knows each phase beforehand",
        f"any {units}, and any capacity",
        "stores that fade by years alone",
        "the orientations given"
        if plan.facings
        else "every orientation, those between the candidates too"
        if between
        else "the candidate orientations, at their best rolls, and those the search added; others may be better",
        f"all {len(table)} combinations" if len(table) > 1 else "the one combination there is",
    ]
    if plan.growth.least == "largest-flight":
        covers.insert(0, "the largest flight, with a thousandth of all that is landed")
    elif plan.growth.discount_per_year > 0.0:
        covers.insert(0, "what is landed, later flights discounted")
    if plan.confidence == "P90":
        covers.append(
            "plans that serve the nominal run: those for 90 of 100 draws that do so too cost no less"
        )
    return {
        "least": least,
        "reached": built.cost,
        "gap_fraction": (built.cost - least) / built.cost if built.cost > 0.0 else 0.0,
        "unit": "kg",
        "covers": covers,
        "loads": "essential loads alone: deferrable and sheddable ones take from light and store, which the bound leaves out",
        "rounding": "light of a unit by hours as the search reads it, within 0.1 % of an estimate's",
        "certificate": "certificate.npz: prices of light, stored energy and shortfall by hour of each phase, and the light they "
        "were checked on",
        "certificate_of": best.number,
        "certificate_least": best.least,
    }
