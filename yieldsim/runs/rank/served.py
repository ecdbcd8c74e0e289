"""What a habitat's load gets at a site that is ranked, and the store that it would need there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.load_model import LoadPlan
    from yieldsim.base.model import Notes
    from yieldsim.runs.setup.prepare import Prepared

Json = dict[str, Any]


def served_at(ready: Prepared, estimate: xr.Dataset, plan: LoadPlan, notes: Notes) -> Json:
    """The served share of the essential loads (of all, where none is), and the smallest store and fewest units that hold.

    The dispatch and the sizes are those of `budget`. Raises InputError, DataMissing.
    """
    from yieldsim.planning.habitat import reliability, sizing
    from yieldsim.runs.budget.inputs import prepare_budget
    from yieldsim.runs.budget.lifetime import served_run
    from yieldsim.runs.budget.sizes import NO_STORAGE, sized_case

    case, _ = prepare_budget(estimate, plan, None, None, ready.setting.site, ready.setting.collector, None)
    case, flows, _ = served_run(case)
    sized = sized_case(case)
    counted = reliability.served(case.needs, flows, reliability.counted(case.needs))
    everything = reliability.served(case.needs, flows, np.ones(len(plan.loads), dtype=bool))
    notes.add(*case.notes.lines)
    smallest, why = None, NO_STORAGE
    if plan.storage is not None:
        smallest = sizing.smallest_storage_kwh(sized, case.units, there_kwh=case.store.capacity_kwh)
        why = "" if smallest is not None else sizing.why_no_storage(sized, case.units)
    fewest = sizing.smallest_units(sized, case.store.capacity_kwh)
    return {
        "served_fraction": counted.fraction,
        "served_fraction_of_all_loads": everything.fraction,
        "longest_outage_hours": counted.longest_rows * case.rows.hours,
        "smallest_storage_kwh": smallest,
        "why_no_storage": why or None,
        "smallest_units": fewest,
        "why_no_units": None if fewest is not None else sizing.why_no_units(sized, case.store.capacity_kwh),
    }
