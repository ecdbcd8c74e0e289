"""The design built and run: its files read back, an estimate of them, and the budget of that, until the budget passes."""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import CannotCompute
from yieldsim.base.plans.design import DesignPlan
from yieldsim.base.results.budget import BudgetResult
from yieldsim.runs.design.combinations import Combination, Span, laid_out, mass_kg, most_store_kwh
from yieldsim.runs.design.files import COLLECTOR, LOAD, SITE, design_files
from yieldsim.runs.design.search import Designed

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.runs.budget.inputs import BudgetCase

MOST_TRIALS = 12
STEP = 1.002
"""A store that falls short by a rounding is made larger by so much at least."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Built:
    """A design as its own files give it.

    files      names and texts
    estimate   of the files; budget: of the estimate, with the files
    """

    files: dict[str, str]
    estimate: xr.Dataset
    budget: xr.Dataset
    summary: BudgetResult
    capacity_kwh: float
    mass_kg: float

    @property
    def units(self) -> int:
        """How many."""
        return int(self.summary["collector"]["unit_count"])


def build(plan: DesignPlan, combination: Combination, found: Designed, span: Span) -> Built | None:
    """Files, estimate and budget; the store grows by what the budget says is lacking. None where no store is enough.

    Dust shields whose electricity the store does not give cost light: only here is that known.
    """
    import yieldsim.runs.estimate.run as estimate_run
    from yieldsim.runs.budget.inputs import prepare_budget
    from yieldsim.runs.budget.output import budget_of
    from yieldsim.runs.budget.run import budget_of_case

    assert found.mounts is not None
    ready, _, _ = laid_out(plan, combination, span)
    edges = ready.grid.edge_utc
    capacity = found.capacity_kwh
    estimate = None
    for _ in range(MOST_TRIALS):
        files = design_files(plan, combination, ready, found.mounts, capacity)
        with tempfile.TemporaryDirectory(prefix="yieldsim-design-") as name:
            folder = Path(name)
            write_all(files, folder)
            site, collector, load = (folder / f"{stem}.toml" for stem in (SITE, COLLECTOR, LOAD))
            if estimate is None:
                estimate = estimate_run.estimate(
                    site,
                    collector,
                    edges[0],
                    edges[-1],
                    interval_minutes=span.interval_minutes,
                    kernels=span.kernels,
                )
            case, doubts = prepare_budget(estimate, load, None, None, site, collector, plan.uncertain)
        serves = serves_as_asked(case)
        if serves is True:
            series = budget_of_case(case, doubts, span.kernels, with_foresight=False)
            units = sum(mount.count for mount in found.mounts)
            return Built(
                files=files,
                estimate=estimate,
                budget=series,
                summary=budget_of(series),
                capacity_kwh=capacity,
                mass_kg=mass_kg(plan, combination, units, capacity),
            )
        more = larger(plan, capacity, serves)
        if more is None:
            return None
        capacity = more
    raise CannotCompute(f"the budget of {combination.name} does not settle on a store")


def serves_as_asked(case: BudgetCase) -> bool | float | None:
    """True where the run serves as asked, once and over and over; else the capacity that would, or None."""
    from yieldsim.planning.habitat import reliability, sizing
    from yieldsim.planning.habitat.single_failures import reached
    from yieldsim.runs.budget.lifetime import served_run
    from yieldsim.runs.budget.sizes import sized_case
    from yieldsim.runs.budget.verdict import ROUNDING

    settled, flows, _ = served_run(case)
    counted = reliability.counted(settled.needs)
    once = reached(reliability.served(settled.needs, flows, counted), case.plan.reliability_of)
    sized = sized_case(settled)
    if once >= case.plan.reliability - ROUNDING and sizing.holds(sized, case.units, case.store.capacity_kwh):
        return True
    if case.plan.storage is None:
        return None
    return sizing.smallest_storage_kwh(sized, case.units, near_kwh=case.store.capacity_kwh)


def larger(plan: DesignPlan, capacity: float, needed: float | None) -> float | None:
    """The next capacity to try; None where there is none."""
    if plan.load.storage is None:
        return None
    least = max(capacity * STEP, 1e-6)
    if needed is not None:
        least = max(least, needed)
    if plan.store_choices_kwh:
        return next((one for one in plan.store_choices_kwh if one >= least), None)
    unit = 10.0 ** (math.floor(math.log10(least)) - 4)
    rounded = float(f"{math.ceil(least / unit) * unit:.6g}")
    return rounded if rounded <= most_store_kwh(plan) else None


def write_all(files: dict[str, str], folder: Path) -> None:
    """Texts by name into a folder."""
    from yieldsim.files.output.atomic_write import write_text_whole

    for name, text in files.items():
        write_text_whole(folder / name, text)
