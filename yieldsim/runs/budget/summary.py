"""budget.json: served shares, outages, light, store, sizes, and what a reader must be told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.clock import iso
from yieldsim.base.load_model import PRIORITIES
from yieldsim.base.results.budget import (
    BudgetResult,
    DustResult,
    LifeResult,
    LoadResult,
    OutageResult,
    ShieldsResult,
    Sizes,
    StoreResult,
    UncertaintyResult,
)
from yieldsim.base.results.parts import AssumptionResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.energy.delivered_light import light_words
from yieldsim.files.inputs.load import column_word
from yieldsim.files.output.provenance import provenance
from yieldsim.planning.habitat import reliability as habitat_reliability
from yieldsim.planning.habitat.dataset import column_notes
from yieldsim.planning.habitat.load_profile import solar_hours_at_edges
from yieldsim.planning.sunlight.sunlit_series import is_cut
from yieldsim.report.layout.number_format import plain
from yieldsim.runs.budget.sizes import sized_case, sizes
from yieldsim.runs.budget.verdict import failures, verdict

if TYPE_CHECKING:
    from yieldsim.planning.habitat.dispatch import Flows
    from yieldsim.runs.budget.inputs import BudgetCase

OUTAGES_LISTED = 10
LONG_DAY_HOURS = 100.0
"""On worlds with longer solar days an hour of solar time is no hour of a crew's."""

Json = dict[str, Any]


def budget_summary(
    case: BudgetCase,
    flows: Flows,
    life: LifeResult | None,
    dust: DustResult | None,
    sure: UncertaintyResult | None,
    shields: ShieldsResult | None,
    *,
    with_foresight: bool = True,
) -> BudgetResult:
    """The whole answer."""
    plan, needs = case.plan, case.needs
    each = habitat_reliability.by_load(needs, flows)
    counted = habitat_reliability.served(needs, flows, habitat_reliability.counted(needs))
    everything = habitat_reliability.served(needs, flows, np.ones(len(plan.loads), dtype=bool))
    light = habitat_reliability.light_of(case.light_kwh, flows)
    found = sizes(case, sized_case(case), with_foresight=with_foresight)
    _add_notes(case, flows, counted, found, sure)
    longest = counted.outages[0] if counted.outages else None
    names = [load.name for load in plan.loads]
    return {
        "schema": "yieldsim budget 1",
        "name": plan.name,
        "site": case.summary["site"],
        "collector": case.summary["collector"] | {"unit_count": case.units},
        "start_utc": iso(case.rows.edge_utc[0]),
        "end_utc": iso(case.rows.edge_utc[-1]),
        "days": len(case.light_kwh) * case.rows.hours / 24.0,
        "period": case.summary.get("period"),
        "served_fraction": {name: one.fraction for name, one in zip(names, each, strict=True)},
        "served_fraction_by_priority": _by_priority(case, flows),
        "unserved_kwh": everything.unserved_kwh,
        "unserved_hours": everything.unserved_rows * case.rows.hours,
        "outages_of": "essential loads" if _has_essential(case) else "all loads",
        "longest_outage_hours": counted.longest_rows * case.rows.hours,
        "longest_outage_at_least": longest is not None and _is_cut(case, longest),
        "longest_outage_start_utc": _at(case, longest.first) if longest else None,
        "longest_outage_end_utc": _at(case, longest.last) if longest else None,
        "outages": [_outage(case, one) for one in counted.outages[:OUTAGES_LISTED]],
        "outage_count": len(counted.outages),
        "loads": [_load(case, place, one) for place, one in enumerate(each)],
        "light": {**light, "curtailed_fraction": _share(light["curtailed_kwh"], light["delivered_kwh"])},
        "delivered_light": light_words(case.figures),
        "storage": _storage(case, flows),
        **found,
        "dust_shields": shields,
        "verdict": verdict(case, flows, found, life, sure),
        "single_failures": failures(case, flows),
        "life": life,
        "dust": dust,
        "uncertainty": sure,
        "columns": column_notes([column_word(name) for name in names], names),
        "assumptions": assumptions(case),
        "command": _command(case),
        "warnings": list(case.notes.lines),
        "cautions": list(CAUTIONS),
        "provenance": provenance(
            case.sources,
            {
                "units": case.units,
                "reliability": plan.reliability,
                "reliability_of": plan.reliability_of,
                "estimate": case.summary["provenance"],
            },
        ),
    }


def assumptions(case: BudgetCase) -> list[AssumptionResult]:
    """What the budget takes as given beside its tables of loads and store, then what the estimate did."""
    plan = case.plan
    own = [
        ("budget", "light", "that of the estimate, repeated until the store's state repeats"),
        ("budget", "failures of electronics", "none, but for the rates under single failures"),
        ("reliability", "share to reach", f"{plan.reliability:g} of {plan.reliability_of}"),
    ]
    rows: list[AssumptionResult] = [
        {"of": of, "what": what, "value": value, "default": False} for of, what, value in own
    ]
    return [*rows, *case.summary.get("assumptions", [])]


def _command(case: BudgetCase) -> str | None:
    """The command that gives these figures again from the estimate's folder; None where the loads came from a program."""
    names = {source.role: source.name for source in case.sources}
    if "load" not in names:
        return None
    words = [f"yieldsim budget ESTIMATE --load {names['load']}"]
    words += [
        f"--{option} {names[role]}"
        for role, option in (("site", "site"), ("collector", "collector"), ("uncertainty", "uncertain"))
        if role in names
    ]
    return " ".join([*words, f"--units {case.units}", f"--reliability {case.plan.reliability:g}"])


def _load(case: BudgetCase, place: int, one: habitat_reliability.Served) -> LoadResult:
    load = case.plan.loads[place]
    longest = one.outages[0] if one.outages else None
    days = len(case.light_kwh) * case.rows.hours / 24.0
    per_w = {
        "W": 1.0,
        "lm": case.figures.luminous_efficacy_lm_per_w,
        "umol/s": case.figures.photon_yield_umol_per_j,
    }
    return {
        "name": load.name,
        "kind": load.kind,
        "priority": load.priority,
        "unit": load.unit,
        "mean_asked": one.asked_kwh * 1000.0 / (24.0 * days) * per_w[load.unit],
        "peak_asked_w": float(case.needs.asked_kwh[:, place].max()) * 1000.0 / case.rows.hours,
        "asked_kwh": one.asked_kwh,
        "served_directly_kwh": one.direct_kwh,
        "served_from_storage_kwh": one.from_store_kwh,
        "unserved_kwh": one.unserved_kwh,
        "unserved_hours": one.unserved_rows * case.rows.hours,
        "served_fraction": one.fraction,
        "longest_outage_hours": one.longest_rows * case.rows.hours,
        "longest_outage_at_least": longest is not None and _is_cut(case, longest),
        "longest_outage_start_utc": _at(case, longest.first) if longest else None,
        "longest_outage_end_utc": _at(case, longest.last) if longest else None,
        "served_by_storage": bool(case.needs.store_efficiency[place] > 0.0 and case.store.capacity_kwh > 0.0),
    }


def _storage(case: BudgetCase, flows: Flows) -> StoreResult | None:
    storage = case.plan.storage
    if storage is None:
        return None
    lowest = int(np.argmin(flows.stored))
    return {
        "kind": storage.kind,
        "capacity_kwh": storage.capacity_kwh,
        "mass_kg": storage.mass_kg_per_kwh * storage.capacity_kwh if storage.mass_kg_per_kwh else None,
        **habitat_reliability.store_of_run(case.store, flows),
        "lowest_utc": _at(case, lowest + 1),
        "reserve_fraction": storage.reserve_fraction,
        "least_fraction": storage.least_fraction,
        "hours_below_least": _rows_below_least(case, flows) * case.rows.hours,
    }


def _rows_below_least(case: BudgetCase, flows: Flows) -> int:
    """Rows that end below the least state: no load draws it there, standing loss does."""
    least = case.store.least * flows.capacity
    return int(np.count_nonzero(flows.stored < least * (1.0 - 1e-9)))


def _by_priority(case: BudgetCase, flows: Flows) -> dict[str, float]:
    found: dict[str, float] = {}
    for rank, priority in enumerate(PRIORITIES):
        which = case.needs.rank == rank
        if which.any():
            found[priority] = habitat_reliability.served(case.needs, flows, which).fraction
    return found


def _outage(case: BudgetCase, one: habitat_reliability.Outage) -> OutageResult:
    return {
        "start_utc": _at(case, one.first),
        "end_utc": _at(case, one.last),
        "hours": one.rows * case.rows.hours,
        "at_least": _is_cut(case, one),
    }


def _is_cut(case: BudgetCase, one: habitat_reliability.Outage) -> bool:
    """Whether an end of the run cuts an outage, so that it lasts longer than it seems."""
    return is_cut(one.first, one.rows, len(case.light_kwh))


def _at(case: BudgetCase, row: int) -> str:
    """Start of a row, or the end of the run."""
    return iso(case.rows.edge_utc[row])


def _share(part: float, whole: float) -> float:
    return part / whole if whole > 0.0 else 0.0


def _has_essential(case: BudgetCase) -> bool:
    return any(load.priority == "essential" for load in case.plan.loads)


def _add_notes(
    case: BudgetCase,
    flows: Flows,
    counted: habitat_reliability.Served,
    sizes: Sizes,
    sure: UncertaintyResult | None,
) -> None:
    """What is right but may mislead."""
    plan, notes = case.plan, case.notes
    edges = solar_hours_at_edges(case.rows.solar_time_hours, case.rows.hours)
    turned = abs(float(edges[-1] - edges[0])) / 24.0
    span_hours = len(case.light_kwh) * case.rows.hours
    if turned > 0.0 and span_hours / turned > LONG_DAY_HOURS:
        for load in plan.loads:
            if load.schedule.clock == "solar" and (load.schedule.windows or load.schedule.weekdays):
                notes.add(
                    f'"{load.name}" keeps solar time, in which a day lasts {span_hours / turned:.0f} hours here; clock = "utc" '
                    "keeps days of 24 hours"
                )
    shields_kwh = float(case.rows.shield_power_w.sum()) * case.rows.hours / 1000.0
    if shields_kwh > 0.0 and not any(load.is_shield for load in plan.loads):
        notes.add(
            f"the dust shields draw {plain(shields_kwh, 3)} kWh of electricity that no load asks for; a load with "
            "dust_shields = true does"
        )
    through = case.store.take_in * case.store.hand_out * case.needs.store_efficiency
    for load, better in zip(plan.loads, through > case.needs.direct_efficiency, strict=True):
        if better and plan.storage:
            notes.add(
                f'"{load.name}" would get more from each watt through the store than directly; it is served directly '
                "first, so check its efficiencies and the store's"
            )
    storage = plan.storage
    if storage and storage.reserve_fraction > storage.least_fraction and _has_essential(case):
        others = [load.name for load in plan.loads if load.priority != "essential"]
        if others:
            notes.add(
                f"{storage.reserve_fraction:.0%} of the store waits for essential loads (reserve_fraction); "
                f"{', '.join(others)} come after"
            )
    below = _rows_below_least(case, flows) if storage else 0
    if storage and below:
        notes.add(
            f"the store stands below its least of {plain(storage.least_fraction * storage.capacity_kwh)} kWh for "
            f"{below * case.rows.hours:g} hours, down to {plain(float(flows.stored.min()))} kWh: "
            "no load draws there, standing loss goes on"
        )
    if sizes["reliability"]["days_judged"] < 0.95 * span_hours / 24.0:
        notes.add(
            f"sizes are judged on the run's {sizes['reliability']['days_judged']:.1f} days of whole solar days, over and over"
        )
    if not _has_essential(case):
        return
    if counted.unserved_kwh > 0.0:
        notes.add(
            f"essential loads lack {plain(counted.unserved_kwh)} kWh in {counted.unserved_rows * case.rows.hours:g} hours, "
            f"for {counted.longest_rows * case.rows.hours:g} hours at the longest"
        )
    if sure is None:
        notes.add(
            "essential loads rest on one estimate without stated uncertainty; name what is uncertain (--uncertain) to see the "
            "shortfall that 10 and 1 of 100 cases pass"
        )
    else:
        notes.add(f"essential loads rest on an estimate: {_shortfall_words(sure['shortfall'])}")


def _shortfall_words(shortfall: Json) -> str:
    """What the essential loads lack in so many of 100 cases."""
    p90, p99 = float(shortfall["p90_unserved_kwh"]), float(shortfall["p99_unserved_kwh"])
    if p99 == 0.0:
        return "in 99 of 100 cases they lack nothing, in the others they may"
    if p90 == 0.0:
        return f"in 90 of 100 cases they lack nothing, in 1 of 100 more than {plain(p99)} kWh"
    return f"in 10 of 100 cases they lack more than {plain(p90)} kWh, in 1 of 100 more than {plain(p99)} kWh"
