"""design.json: the design, how far from the best possible it is, why the others lost, what more of each part is worth."""

from __future__ import annotations

import math
import shlex
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.clock import iso
from yieldsim.base.model import Notes, Source
from yieldsim.base.plans.design import DesignPlan
from yieldsim.base.results.design import (
    BoundResult,
    ChosenDesign,
    CombinationResult,
    DesignMount,
    DesignResult,
    RunnerUp,
)
from yieldsim.base.results.estimate import EstimateResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.files.output.provenance import provenance
from yieldsim.report.layout.number_format import plain
from yieldsim.runs.design.combinations import fibre_m, most_store_kwh, once_kg, store_kg_per_kwh
from yieldsim.runs.design.files import COLLECTOR, LOAD, SITE

if TYPE_CHECKING:
    from yieldsim.runs.design.combinations import Combination, Span
    from yieldsim.runs.design.search import Designed, Looked
    from yieldsim.runs.design.types import DesignRun
    from yieldsim.runs.design.verify import Built

Json = dict[str, Any]
NUMBERS = {
    "mass": "any whole number of units",
    "units": "any whole number of units",
    "mass-per-kwh": "{} whole units, as if each delivered what the best one does",
}
WIDE_GAP, FEW = 0.02, 3
USUAL_INTERVAL_MINUTES = 60.0
"""What an estimate takes without being told."""
UNIT = {"mass": "kg", "units": "units", "mass-per-kwh": "kg/kWh"}


def summarised(
    plan: DesignPlan,
    everything: list[Combination],
    span: Span,
    looked: list[Looked],
    designed: dict[int, Designed],
    best: Designed,
    built: Built,
    margin: float | None,
    notes: Notes,
    sources: tuple[Source, ...],
) -> DesignRun:
    """The whole answer.

    margin   on the load that 90 of 100 draws took; None where the nominal run is enough
    """
    from yieldsim.report.estimate.summary_schema import estimate_summary
    from yieldsim.runs.design.certificate import certificate_of
    from yieldsim.runs.design.joined import joined_of
    from yieldsim.runs.design.tradeoffs import insight_of
    from yieldsim.runs.design.types import DesignRun

    combination = everything[best.number]
    table = combination_rows(everything, looked, designed, best.number)
    bound = bound_row(plan, table, best, designed)
    estimate = estimate_summary(built.estimate)
    # what stands beside the design must serve what it serves
    asked = plan if margin is None else replace(plan, load=plan.load.demanding(margin))
    around = insight_of(asked, combination, best, span)
    joined = joined_of(plan, asked, combination, best, span)
    if margin is not None and margin > 1.0:
        notes.add(
            f"90 of 100 draws take a margin of {margin - 1.0:.1%} on the load: fronts, worths, the tracker and what else stands "
            "beside the design are for the load with it; combinations are compared in the nominal run"
        )
    for line in [*built.summary["warnings"]]:
        notes.add(line)
    _add_notes(plan, everything, bound, best, margin, notes)
    summary: DesignResult = {
        "schema": "yieldsim design 1",
        "name": plan.name,
        "objective": plan.objective,
        "objective_unit": UNIT[plan.objective],
        "confidence": plan.confidence,
        "confidence_margin_factor": margin,
        "load": {
            "name": plan.load.name,
            "reliability": plan.load.reliability,
            "reliability_of": plan.load.reliability_of,
        },
        "site": estimate["site"],
        "start_utc": estimate["start_utc"],
        "end_utc": estimate["end_utc"],
        "days": estimate["days"],
        "period": estimate.get("period"),
        "design": design_row(plan, combination, best, built, estimate),
        "bound": bound,
        "combinations": table,
        "runners_up": runners_up(table),
        "by_reliability": around["by_reliability"],
        "by_units": around["by_units"],
        "worth": around["worth"],
        "tracker": around["tracker"],
        "hand_turns": around["hand_turns"],
        "joined": None if joined is None else joined.summary,
        "single_failures": built.summary["single_failures"],
        "verdict": built.summary["verdict"],
        "uncertainty": built.summary["uncertainty"],
        "files": {"site": f"{SITE}.toml", "collector": f"{COLLECTOR}.toml", "load": f"{LOAD}.toml"},
        "commands": commands(estimate, span),
        "warnings": list(notes.lines),
        "cautions": list(CAUTIONS),
        "provenance": provenance(
            sources,
            {
                "objective": plan.objective,
                "combinations": len(everything),
                "interval_minutes": span.interval_minutes,
                "start_utc": estimate["start_utc"],
                "end_utc": estimate["end_utc"],
            },
        ),
    }
    return DesignRun(
        summary=summary,
        series=built.budget,
        estimate=built.estimate,
        files=built.files | ({} if joined is None else joined.files),
        joined=None if joined is None else joined.estimate,
        joined_certificates={} if joined is None else joined.certificates,
        certificate=certificate_of(plan, combination, designed[best.number]),
    )


def design_row(
    plan: DesignPlan, combination: Combination, best: Designed, built: Built, estimate: EstimateResult
) -> ChosenDesign:
    """The design itself: where, what, how many, what it weighs, what it serves."""
    assert best.mounts is not None
    site, collector = combination.site, combination.collector
    return {
        "combination": best.number,
        "site": site.name,
        "mast_height_m": site.mast_height_m,
        "collector": collector.name,
        "fibre_m": fibre_m(plan, collector, site.mast_height_m),
        "mounts": [
            DesignMount(
                tilt_deg=mount.tilt_deg,
                azimuth_deg=mount.azimuth_deg,
                roll_deg=mount.roll_deg,
                count=mount.count,
            )
            for mount in best.mounts
        ],
        "units": built.units,
        "storage_kwh": built.capacity_kwh,
        "mass_kg": built.mass_kg,
        "mass_parts_kg": mass_parts(plan, combination, built.units, built.capacity_kwh),
        "served_fraction": built.summary["verdict"]["cases"][0]["reached"],
        "longest_outage_hours": built.summary["longest_outage_hours"],
        "delivered_kwh": estimate["delivered_kwh"],
        "delivered_kwh_per_kg": estimate["delivered_kwh"] / built.mass_kg if built.mass_kg > 0.0 else None,
    }


def mass_parts(plan: DesignPlan, combination: Combination, units: int, capacity_kwh: float) -> Json:
    """What the parts of a design weigh, kg."""
    masses, collector, mast_m = plan.masses, combination.collector, combination.site.mast_height_m
    fibre = masses.fibre_kg_per_m * fibre_m(plan, collector, mast_m)
    shield = masses.shield_kg if collector.shield is not None else 0.0
    return {
        "units": units * ((collector.mass_kg or 0.0) - fibre - shield),
        "shields": units * shield,
        "fibres": units * fibre,
        "store": capacity_kwh * store_kg_per_kwh(plan),
        "mast": masses.mast_kg_per_m * mast_m,
        "converter": masses.converter_kg,
        "fixed": masses.fixed_kg,
        "once": once_kg(plan, mast_m),
    }


def combination_rows(
    everything: list[Combination], looked: list[Looked], designed: dict[int, Designed], chosen: int
) -> list[CombinationResult]:
    """One row a combination: its bound, its design where one was made, and why it was not chosen.

    chosen   number of the one that was
    """
    rows: list[CombinationResult] = []
    best = designed[chosen].cost
    for one, first in zip(everything, looked, strict=True):
        found = designed.get(one.number)
        least = max(first.least, found.least) if found is not None else first.least
        cost = found.cost if found is not None else math.inf
        rows.append(
            {
                "combination": one.number,
                "site": one.site.name,
                "mast_height_m": one.site.mast_height_m,
                "collector": one.collector.name,
                "least": least if math.isfinite(least) else None,
                "cost": cost if math.isfinite(cost) else None,
                "units": found.units if found is not None and found.mounts else None,
                "storage_kwh": found.capacity_kwh if found is not None and found.mounts else None,
                "mass_kg": found.mass_kg if found is not None and found.mounts else None,
                "best_unit_kwh": first.best_unit_kwh,
                "dark_hours": first.dark_hours,
                "outcome": "chosen" if one.number == chosen else _outcome(least, cost, best),
            }
        )
    return rows


def _outcome(least: float, cost: float, best: float) -> str:
    """Of one that was not chosen; best: what the chosen one costs."""
    if not math.isfinite(least):
        return "serves in no number of units"
    if math.isfinite(cost) and cost == best:
        return "designed, and no better"
    if math.isfinite(cost):
        # one that costs less was built, and no store was enough for its budget
        return "designed, and dearer" if cost > best else "designed, and its budget fails"
    if least >= best:
        return "its bound passes the best design"
    return "no whole design found"


def runners_up(table: list[CombinationResult]) -> list[RunnerUp]:
    """The best combination of every other site and collector, and why it lost to the one chosen."""
    chosen = next(row for row in table if row["outcome"] == "chosen")
    found: list[RunnerUp] = []
    for of in ("site", "collector"):
        for name in dict.fromkeys(_name(row, of) for row in table):
            if name == _name(chosen, of):
                continue
            own = [row for row in table if _name(row, of) == name]
            best = min(own, key=lambda row: math.inf if _least_cost(row) is None else _least_cost(row) or 0.0)
            found.append(
                {"of": of, "name": name, "combination": best["combination"], "why": why_lost(best, chosen)}
            )
    return found


def _name(row: CombinationResult, of: str) -> str:
    return row["site"] if of == "site" else row["collector"]


def _least_cost(row: CombinationResult) -> float | None:
    """What a combination costs, or at least."""
    value = row["cost"] if row["cost"] is not None else row["least"]
    return None if value is None else float(value)


def why_lost(row: CombinationResult, chosen: CombinationResult) -> str:
    """In words."""
    if row["least"] is None:
        return f"no number of units serves: {row['dark_hours']:.0f} h without any light at the longest"
    reasons = []
    if row["cost"] is not None:
        reasons.append(f"{plain(row['cost'])} against {plain(chosen['cost'])}")
        if row["cost"] == chosen["cost"] and row["mass_kg"] != chosen["mass_kg"]:
            reasons.append(f"{plain(row['mass_kg'])} kg against {plain(chosen['mass_kg'])}")
        if row["units"] != chosen["units"]:
            reasons.append(f"{row['units']} units against {chosen['units']}")
        reasons.append(
            f"{plain(row['storage_kwh'], 3)} kWh of storage against {plain(chosen['storage_kwh'], 3)}"
        )
    else:
        reasons.append(f"cannot be below {plain(row['least'])}, and {plain(chosen['cost'])} is reached")
    reasons.append(
        f"its best unit gets {plain(row['best_unit_kwh'], 3)} kWh against {plain(chosen['best_unit_kwh'], 3)}"
    )
    if round(row["dark_hours"]) != round(chosen["dark_hours"]):
        reasons.append(f"longest dark {row['dark_hours']:.0f} h against {chosen['dark_hours']:.0f}")
    return "; ".join(reasons)


def bound_row(
    plan: DesignPlan,
    table: list[CombinationResult],
    best: Designed,
    designed: dict[int, Designed],
) -> BoundResult:
    """The least bound of all combinations, the gap to the design, and what it covers."""
    bounds = [row["least"] for row in table if row["least"] is not None]
    reached, branches = best.cost, designed[best.number].branches
    assert branches is not None
    # of a rate and of a number of units nothing is left out
    once = once_kg(plan, table[best.number]["mast_height_m"]) if plan.objective == "mass" else 0.0
    least = min([*bounds, reached])
    by_fillings = any(one.by_fillings for one in designed.values())
    covered = [
        "the dispatch of budget, in which nothing leaves the store while one unit serves all loads"
        if by_fillings
        else "any dispatch, even one that knows the whole run beforehand",
        NUMBERS[plan.objective].format(plan.most_units),
        "any capacity of the store" if not math.isfinite(most_store_kwh(plan)) else "any capacity allowed",
        "the orientations given" if plan.facings else "every orientation, those between the candidates too",
        f"all {len(table)} combinations" if len(table) > 1 else "the one combination there is",
    ]
    if plan.confidence == "P90":
        covered.append(
            "designs that serve the nominal run: those for 90 of 100 draws that do so too cost no less"
        )
    if any(one.complete for one in designed.values()):
        covered[:2] = [
            "the dispatch of budget, where every set of whole units in the orientations given was tried",
            *([] if len(designed) == len(table) == 1 else covered[:2]),
        ]
    return {
        "least": least,
        "reached": reached,
        "gap_fraction": (reached - least) / reached if reached > 0.0 else 0.0,
        "unit": UNIT[plan.objective],
        "covers": covered,
        "loads": "essential loads alone: deferrable and sheddable ones take from light and store, which the bound leaves out",
        "rounding": "light of a unit by hours as the search reads it, within 0.1 % of an estimate's",
        "certificate": "certificate.npz: prices of light, stored energy and shortfall by hour, and the light they were checked on",
        "certificate_of": best.number,
        "certificate_least": branches.least + once,
    }


def commands(estimate: EstimateResult, span: Span) -> list[str]:
    """How the figures come out again from the files."""
    words = f"--start {iso(np.datetime64(estimate['start_utc'].rstrip('Z')))} --end {estimate['end_utc']}"
    if span.interval_minutes != USUAL_INTERVAL_MINUTES:
        words += f" --interval-minutes {span.interval_minutes:.12g}"
    for kernel in span.kernels:
        words += f" --kernel {shlex.quote(str(kernel))}"
    return [
        f"yieldsim estimate {SITE}.toml --collector {COLLECTOR}.toml {words} --out built",
        f"yieldsim budget built --load {LOAD}.toml --site {SITE}.toml --collector {COLLECTOR}.toml",
    ]


def _add_notes(
    plan: DesignPlan,
    everything: list[Combination],
    bound: BoundResult,
    best: Designed,
    margin: float | None,
    notes: Notes,
) -> None:
    """What is right but may mislead."""
    from yieldsim.base.model import HorizonMask

    if bound["gap_fraction"] > WIDE_GAP:
        why = "loads beside the essential ones draw on the store"
        if margin is not None and margin > 1.0:
            why = "what 90 of 100 draws take beyond the nominal run"
        elif best.split is not None and best.split.least < (1.0 - WIDE_GAP) * best.split.proof.least:
            why = "narrow or two-angle optics: between the orientations that were priced one by one it is a loose bound"
        elif best.units < FEW * len(best.mounts or ()):
            why = "few whole units to each orientation: the bound may split them"
        notes.add(
            f"the design is proven to within {bound['gap_fraction']:.1%} only of the best there may be ({why})"
        )
    if len(plan.mast_heights_m) > 1:
        fixed = {one.site.name for one in everything if isinstance(one.site.horizon, HorizonMask)}
        if fixed:
            notes.add(
                f"the skyline of {', '.join(sorted(fixed))} is a table, seen from one height: taller masts there change mass "
                "and fibre alone; name terrain files to see them see more"
            )
