"""Sizes of a budget: smallest store, fewest units, the curve between them, how near they are to the best of dispatches."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from yieldsim.base.results.attached import row_of
from yieldsim.base.results.budget import SizePair, Sizes
from yieldsim.planning.habitat import sizing

if TYPE_CHECKING:
    from yieldsim.runs.budget.inputs import BudgetCase

NO_STORAGE = "the load file has no [storage]; one with any capacity_kwh asks for the smallest"


def sized_case(case: BudgetCase) -> sizing.Case:
    """What is sized: the budget over its whole solar days."""
    return sizing.case_of(
        case.light_kwh_all_cycles if case.light_kwh_all_cycles is not None else case.light_kwh,
        case.units,
        case.needs,
        case.plan.storage,
        case.rows.solar_time_hours,
        case.rows.hours,
        case.plan.reliability,
        case.plan.reliability_of,
        case.shield_loads,
        case.service,
    )


def sizes(case: BudgetCase, sized: sizing.Case, *, with_foresight: bool = True) -> Sizes:
    """Smallest store, fewest units, trade curve, autonomy; why there is none where there is none.

    with_foresight   whether to look for the store that foresight would do with, the work of some seconds
    """
    from yieldsim.planning.habitat.foresight import foresight_storage_kwh

    plan, capacity = case.plan, case.store.capacity_kwh
    unit_mass = case.summary["collector"]["mass_kg"]
    smallest, foresight, curve = None, None, []
    why_no_storage: str | None = NO_STORAGE
    if plan.storage:
        with ThreadPoolExecutor(1) as beside:
            # the kernels of sizing hold no lock of Python's, which the library of the programme takes to load
            seen = beside.submit(foresight_storage_kwh, sized) if with_foresight else None
            smallest = sizing.smallest_storage_kwh(sized, case.units, there_kwh=capacity)
            why_no_storage = None if smallest is not None else sizing.why_no_storage(sized, case.units)
            curve = sizing.trade_curve(sized, unit_mass, smallest, capacity)
            foresight = seen.result() if seen is not None else None
    fewest = sizing.smallest_units(sized, capacity)
    lightest = min((p for p in curve if p.mass_kg is not None), key=lambda p: p.mass_kg or 0.0, default=None)
    return {
        "reliability": {
            "target": plan.reliability,
            "of": plan.reliability_of,
            "days_judged": len(sized.light_kwh) * case.rows.hours / 24.0,
            "holds_as_given": sizing.holds(sized, case.units, capacity),
        },
        "smallest_storage_kwh": smallest,
        "why_no_storage": why_no_storage,
        "foresight_storage_kwh": foresight,
        "over_foresight_fraction": (
            smallest / foresight - 1.0 if smallest is not None and foresight else None
        ),
        "smallest_units": fewest,
        "why_no_units": None if fewest is not None else sizing.why_no_units(sized, capacity),
        "trade_curve": [row_of(point, SizePair) for point in curve],
        "least_mass": row_of(lightest, SizePair) if lightest else None,
        "autonomy_hours": (
            sizing.autonomy_hours(case.needs, case.store, case.rows.hours) if plan.storage else None
        ),
        "autonomy_at_peak_hours": (
            sizing.autonomy_hours(case.needs, case.store, case.rows.hours, peak=True)
            if plan.storage
            else None
        ),
    }
