"""The phases built and run: files of each read back, an estimate with every unit as old as it is, and its budget, until all pass."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from yieldsim.base.dataset import add
from yieldsim.base.errors import CannotCompute
from yieldsim.base.load_model import UncertainPlan
from yieldsim.base.model import Mount
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.plans.design import DesignPlan
from yieldsim.base.results.budget import BudgetResult
from yieldsim.runs.design.combinations import Combination, prepared
from yieldsim.runs.design.files import design_files
from yieldsim.runs.design.verify import serves_as_asked, write_all
from yieldsim.runs.growth.phases import PhaseSpan, landing_of, store_left, units_left

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.planning.growth.whole_units import Plan
    from yieldsim.runs.budget.inputs import BudgetCase

SITE = "growth.site"
MOST_TRIALS = 12
STEP = 1.002
"""A store that falls short by a rounding is made larger by so much at least."""


class Parts(NamedTuple):
    """What a phase's files hold: see BuiltPhase."""

    files: dict[str, str]
    mounts: tuple[Mount, ...]
    flight: tuple[int, ...]
    left: tuple[float, ...]
    capacity_kwh: float
    doubts: UncertainPlan | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BuiltPhase:
    """A phase as its own files give it.

    flight      (mounts,)  which flight landed each mount of the files
    left        (mounts,)  share of a new unit's light that it still delivers as the run begins
    capacity_kwh   of what is left of all stores
    """

    files: dict[str, str]
    mounts: tuple[Mount, ...]
    flight: tuple[int, ...]
    left: tuple[float, ...]
    capacity_kwh: float
    estimate: xr.Dataset
    budget: xr.Dataset
    summary: BudgetResult

    @property
    def units(self) -> int:
        """How many."""
        return sum(mount.count for mount in self.mounts)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BuiltPlan:
    """All phases, and what flights land for them.

    units, capacity_kwh, mass_kg   (flights,)
    """

    phases: tuple[BuiltPhase, ...]
    units: FloatArray
    capacity_kwh: FloatArray
    mass_kg: FloatArray
    cost: float


def stems_of(number: int) -> tuple[str, str, str]:
    """Names of a phase's files of site, collector and load."""
    return SITE, f"phase-{number + 1}.collector", f"phase-{number + 1}.load"


def mounts_until(made: Plan, number: int) -> tuple[tuple[Mount, ...], tuple[int, ...]]:
    """Mounts of a phase, to a hundredth of a degree, and the flight that landed each: those of one flight and facing together."""
    counts: dict[tuple[int, float, float, float], int] = {}
    for place in range(made.facings.count):
        if made.flight[place] <= number:
            one = made.facings.mount(place)
            key = (int(made.flight[place]), one.azimuth_deg, one.tilt_deg, one.roll_deg)
            counts[key] = counts.get(key, 0) + int(made.counts[place])
    mounts = tuple(
        Mount(tilt_deg=tilt, azimuth_deg=azimuth, roll_deg=roll, count=count)
        for (_, azimuth, tilt, roll), count in sorted(counts.items())
    )
    return mounts, tuple(key[0] for key in sorted(counts))


def build(
    plan: DesignPlan, combination: Combination, spans: tuple[PhaseSpan, ...], made: Plan, cycles: FloatArray
) -> BuiltPlan | None:
    """Files, estimates and budgets of all phases; stores grow by what a budget says is lacking. None where none is enough.

    cycles   (phases,)  of the stores a year: what their fade by cycles is reckoned with
    """
    from yieldsim.planning.growth.whole_units import stores_for
    from yieldsim.runs.growth.search import phases_of

    landing = landing_of(plan, combination, spans)
    left = [store_left(spans, one.number, plan, cycles) for one in spans]
    phases = phases_of(plan, combination, spans)
    units = np.bincount(made.flight, made.counts, len(spans)).astype(np.float64)
    needed = made.needed_kwh.copy()
    estimates: list[xr.Dataset | None] = [None] * len(spans)
    for _ in range(MOST_TRIALS):
        stores = stores_for(phases, landing, units, needed, left)
        if stores is None:
            return None
        cases = []
        for one in spans:
            capacity = float(f"{float(left[one.number] @ stores[: one.number + 1]):.9g}")
            case, parts = _case(plan, combination, spans, one, made, capacity, estimates[one.number])
            estimates[one.number] = case.estimate
            cases.append((case, parts))
            found = serves_as_asked(case)
            if found is None:
                return None
            if found is not True:
                needed[one.number] = max(float(found), capacity * STEP)
                break
        else:
            mass = landing.mass_kg(units, stores)
            return BuiltPlan(
                phases=tuple(_with_budget(case, parts, spans[0].span.kernels) for case, parts in cases),
                units=units,
                capacity_kwh=stores,
                mass_kg=mass,
                cost=landing.cost(mass),
            )
    raise CannotCompute(f"the budgets of {combination.name} do not settle on stores")


def _case(
    plan: DesignPlan,
    combination: Combination,
    spans: tuple[PhaseSpan, ...],
    one: PhaseSpan,
    made: Plan,
    capacity_kwh: float,
    estimate: xr.Dataset | None,
) -> tuple[BudgetCase, Parts]:
    """A phase's budget as its files give it, and what they hold; estimate: where it has been made already."""
    from yieldsim.runs.budget.inputs import prepare_budget

    mounts, flight = mounts_until(made, one.number)
    share = units_left(spans, one.number, plan, combination)
    left = tuple(float(share[k]) for k in flight)
    ready = prepared(combination, one.span)
    stems = stems_of(one.number)
    files = design_files(one.plan, combination, ready, mounts, capacity_kwh, stems)
    with tempfile.TemporaryDirectory(prefix="yieldsim-growth-") as name:
        folder = Path(name)
        write_all(files, folder)
        site, collector, load = (folder / f"{stem}.toml" for stem in stems)
        if estimate is None:
            estimate = aged_estimate(site, collector, one, left)
        case, doubts = prepare_budget(estimate, load, None, None, site, collector, plan.uncertain)
    return case, Parts(files, mounts, flight, left, capacity_kwh, doubts)


def _with_budget(case: BudgetCase, parts: Parts, kernels: Sequence[str | Path]) -> BuiltPhase:
    from yieldsim.runs.budget.output import budget_of
    from yieldsim.runs.budget.run import budget_of_case

    # years of service are what the phases themselves tell
    case = replace(case, plan=replace(case.plan, life=None))
    series = budget_of_case(case, parts.doubts, kernels, with_foresight=False)
    held = parts._asdict()
    del held["doubts"]
    return BuiltPhase(**held, estimate=case.estimate, budget=series, summary=budget_of(series))


def aged_estimate(site: Path, collector: Path, one: PhaseSpan, left: tuple[float, ...]) -> xr.Dataset:
    """The estimate of a phase's files with the light of each mount times what age has left of it, (mounts,).

    The loss stands with the fibre's darkening, the last stage of the ledger; a note tells of it.
    """
    from yieldsim.energy.integration import converge
    from yieldsim.runs.estimate.run import TOLERANCE
    from yieldsim.runs.estimate.summary import finished
    from yieldsim.runs.setup.prepare import prepare

    ready = prepare(site, collector, **one.span.options())
    result, change = converge(ready.setting, ready.grid, TOLERANCE)
    share = np.array(left)
    if (share < 1.0).any():
        series = result.series.copy()
        power = series["mount_delivered_power_w"].values * share
        total = power.sum(axis=1)
        stages = series["stage_power_w"].values.copy()
        stages[:, -1] = total
        for name, values in (
            ("mount_delivered_power_w", power),
            ("delivered_power_w", total),
            ("stage_power_w", stages),
        ):
            series[name] = series[name].copy(data=values)
        counts = np.array([mount.count for mount in ready.setting.collector.mounts])
        mean = float(share @ counts / counts.sum())
        result = replace(result, series=series, peak_w=result.peak_w * mean)
        ready.notes.add(
            f"units of earlier flights have aged: as the run begins, a unit delivers {share.min():.1%} to {share.max():.1%} of a "
            "new one's light; the loss stands with the fibre's darkening"
        )
    return add(finished(ready, result, change, TOLERANCE), "mount_light_left_fraction", share, ("mount",))
