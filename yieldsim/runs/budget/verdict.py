"""Whether a budget passes: as given, in 90 and 99 of 100 draws, at the end of life, and with one thing failed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.results.budget import (
    FailuresResult,
    LifeResult,
    Sizes,
    UncertaintyResult,
    VerdictCase,
    VerdictResult,
    VerdictSize,
    YearResult,
)
from yieldsim.energy.degradation import light_by_rate
from yieldsim.energy.soiling import removals
from yieldsim.planning.habitat import reliability as habitat_reliability
from yieldsim.planning.habitat.single_failures import (
    MOUNT,
    SHIELDS,
    STORE,
    UNIT,
    expected_reached,
    reached,
    single_failures,
)
from yieldsim.runs.budget.lifetime import clean_of_case, events_of_case

if TYPE_CHECKING:
    from yieldsim.planning.habitat.dispatch import Flows
    from yieldsim.runs.budget.inputs import BudgetCase

RATE_NAMES = {"unit": UNIT, "mount": MOUNT, "shields": SHIELDS, "half_store": STORE}
ROUNDING = 1e-12


def verdict(
    case: BudgetCase, flows: Flows, found: Sizes, life: LifeResult | None, sure: UncertaintyResult | None
) -> VerdictResult:
    """Required against reached, case by case, and sizes given against those needed.

    found   the sizes, as in `runs.budget.sizes`
    """
    plan = case.plan
    nominal = habitat_reliability.served(case.needs, flows, habitat_reliability.counted(case.needs))
    shares = [("this run", reached(nominal, plan.reliability_of))]
    if sure is not None:
        shares += [(f"P{level} of the draws", float(sure["target_share"][f"p{level}"])) for level in (90, 99)]
    if life is not None:
        shares.append(
            (f"year {life['years']} of service", _last_year(life["table"][-1], plan.reliability_of))
        )
    cases: list[VerdictCase] = [
        {
            "case": name,
            "reached": share,
            "margin": share - plan.reliability,
            "passes": share >= plan.reliability - ROUNDING,
        }
        for name, share in shares
    ]
    sizes = []
    confident = sure["confident_sizes"] if sure is not None else None
    for unit, given, nominal_size, key in (
        ("kWh", case.store.capacity_kwh, found["smallest_storage_kwh"], "storage_kwh"),
        ("units", case.units, found["smallest_units"], "units"),
    ):
        if unit == "kWh" and plan.storage is None:
            continue
        word = "storage" if unit == "kWh" else "units"
        sizes.append(_size(f"{word}, run over and over", given, nominal_size, unit))
        if confident is not None:
            sizes.append(_size(f"{word}, in 90 of 100 draws", given, confident[key], unit))  # type: ignore[literal-required]
    return {
        "required": plan.reliability,
        "of": plan.reliability_of,
        "passes": all(row["passes"] for row in cases),
        "cases": cases,
        "sizes": sizes,
    }


def _size(name: str, given: float, needed: float | None, unit: str) -> VerdictSize:
    return {
        "case": name,
        "unit": unit,
        "given": given,
        "needed": needed,
        "margin": None if needed is None else given - needed,
        "passes": needed is not None and given >= needed,
    }


def _last_year(row: YearResult, measure: str) -> float:
    if measure == "energy":
        return float(row["served_fraction"])
    return 1.0 - float(row["unserved_hours"]) / float(row["asked_hours"]) if row["asked_hours"] else 1.0


def failures(case: BudgetCase, flows: Flows) -> FailuresResult:
    """The table of single failures, and the share expected with the rates that the load file states."""
    plan, ds = case.plan, case.estimate
    rates = {RATE_NAMES[name]: rate for name, rate in plan.failures}
    without = None
    shield = case.collector.shield if case.collector is not None else None
    if shield is not None and shield.cycle_hours is not None and case.site is not None:
        without = _without_shields(case)
    table = single_failures(
        case.light_kwh,
        ds["mount_delivered_power_w"].values * (case.unit_ratio * case.rows.hours / 1000.0),
        ds["mount_count"].values * case.unit_ratio,
        case.needs,
        case.store,
        case.shield_loads,
        plan.reliability_of,
        rates,
        without,
    )
    nominal = habitat_reliability.served(case.needs, flows, habitat_reliability.counted(case.needs))
    return {
        "table": [
            {
                **row,
                "longest_outage_hours": row["longest_outage_rows"] * case.rows.hours,
                "passes": row["reached"] >= plan.reliability - ROUNDING,
            }
            for row in table
        ],
        "expected_reached": expected_reached(reached(nominal, plan.reliability_of), table),
    }


def _without_shields(case: BudgetCase) -> np.ndarray:
    """Delivered light of each row when the shields never run, kWh."""
    light = clean_of_case(case, "shields")
    assert light is not None
    return light_by_rate(light).dusty_kwh(removals(None, float(light.edge_s[-1]), events_of_case(case)))
