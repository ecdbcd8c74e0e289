"""A habitat's budget: an estimate against loads and a store, with sizes, years of service and how sure it all is."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import Gathered
from yieldsim.base.load_model import LoadPlan, UncertainPlan
from yieldsim.base.model import Collector, Site
from yieldsim.base.variables import CONVENTIONS

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.runs.budget.inputs import BudgetCase

Progress = Callable[[int, int], None]


def budget(
    estimate: str | Path | xr.Dataset,
    load: str | Path | LoadPlan,
    *,
    units: int | None = None,
    reliability: float | None = None,
    site: str | Path | Site | None = None,
    collector: str | Path | Collector | None = None,
    uncertain: str | Path | UncertainPlan | None = None,
    kernels: str | Path | Sequence[str | Path] = (),
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> xr.Dataset:
    """What an estimate's light carries, and with what confidence.

    estimate          an estimate.nc, the folder that holds one, or the Dataset itself
    load              a load file or the plan itself
    units             how many units, in the estimate's mix of mounts; those of the estimate when None
    reliability       takes the place of the load file's
    site, collector   the files of the estimate: with them [life] and [exchange] of the load file are answered
    uncertain         an uncertainty file; needs site and collector
    kernels           further kernels that the estimate was made with, for the draws
    workers           processes of this machine that share the draws
    scheduler         address of a Dask cluster that does it instead
    progress          called with (done, of) as the draws go

    Returns the series over time and load; its attribute "summary" holds budget.json.
    Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.runs.budget.inputs import prepare_budget
    from yieldsim.runs.open_inputs import refuse_progress
    from yieldsim.runs.time_span import whole_number

    gathered = Gathered()
    with gathered:
        refuse_progress(progress)
    with gathered:
        whole_number(workers, "workers", 1)
    case, doubts = prepare_budget(estimate, load, units, reliability, site, collector, uncertain, gathered)
    return budget_of_case(case, doubts, kernels, progress, workers=workers, scheduler=scheduler)


def budget_of_case(
    case: BudgetCase,
    doubts: UncertainPlan | None = None,
    kernels: str | Path | Sequence[str | Path] = (),
    progress: Progress | None = None,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    with_foresight: bool = True,
) -> xr.Dataset:
    """The same of what has been read already.

    with_foresight   whether to look for the store that foresight would do with
    """
    from yieldsim.planning.habitat.dataset import budget_series
    from yieldsim.runs.budget.inputs import with_light
    from yieldsim.runs.budget.lifetime import dust_choices, served_run, years_of_service
    from yieldsim.runs.budget.summary import budget_summary
    from yieldsim.runs.budget.uncertainty import how_sure

    case, flows, shields = served_run(case)
    life, dust = years_of_service(case), dust_choices(case)
    sure = how_sure(case, doubts, kernels, progress, workers, scheduler) if doubts is not None else None
    series = budget_series(with_light(case), case.plan.loads, case.needs, case.store, flows)
    series.attrs = {
        "Conventions": CONVENTIONS,
        "title": f"Budget of {case.plan.name} at {case.summary['site']['name']}",
        "source": case.estimate.attrs["source"],
        "history": f"{case.estimate.attrs['history']}\nyieldsim budget",
        "interval_s": case.estimate.attrs["interval_s"],
        "celestial_body": case.summary["site"]["body"],
    }
    if sure is not None:
        series = series.merge(sure.draws, combine_attrs="drop_conflicts")
    found = budget_summary(
        case,
        flows,
        life,
        dust,
        None if sure is None else sure.summary,
        shields,
        with_foresight=with_foresight,
    )
    series.attrs["summary"] = json.dumps(found, ensure_ascii=False)
    return series
