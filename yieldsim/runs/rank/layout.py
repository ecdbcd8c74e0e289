"""How a collector is laid out at a site that is ranked: as its file says, all one way, or as the best set of so many units."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from yieldsim.base.load_model import LoadPlan
    from yieldsim.base.model import Collector
    from yieldsim.planning.orientation.objectives import Goal
    from yieldsim.planning.site_ranking import RankGoal
    from yieldsim.runs.setup.prepare import Prepared

Facing = Literal["given", "best", "set"]
FACINGS: tuple[Facing, ...] = ("given", "best", "set")
FACING_GOAL: dict[RankGoal, Goal] = {
    "annual": "annual",
    "worst-month": "worst-month",
    "shortest-gap": "shortest-gap",
    "hours": "annual",
    "units": "annual",
    "load": "load",
}
"""What facings are best for at a site that is ranked by a goal."""


def facing_of(collector: Collector) -> Facing:
    """Where none is asked for: a layout of several mounts is judged as it is, one mount at each site's best facing."""
    return "given" if len(collector.mounts) > 1 else "best"


def layout_words(collector: Collector, facing: Facing, goal: RankGoal) -> str:
    """What is ranked, for the first line of an answer.

    collector   as it stands at a site
    """
    units = collector.unit_count
    counted = f"{units} unit{'s' * (units != 1)}"
    if facing == "given":
        mounts = len(collector.mounts)
        return f"{counted} as laid out on {mounts} mount{'s' * (mounts != 1)}"
    best_for = f"best for {FACING_GOAL[goal]}"
    if facing == "set":
        return f"{counted} at each site in the set of orientations found {best_for}"
    return f"{'all ' * (units != 1)}{counted} at each site in the one orientation {best_for}"


def laid_out(
    ready: Prepared, facing: Facing, goal: RankGoal, units: int | None, plan: LoadPlan | None
) -> Prepared:
    """A prepared run with its units turned as asked; dust follows their tilts.

    units   of the set
    Raises DataMissing when a load's series is short.
    """
    if facing == "given":
        return ready
    from yieldsim.energy.spectral_transmittance import energy_acceptance
    from yieldsim.planning.orientation.best_facing import best_facing
    from yieldsim.planning.orientation.load_objective import use_of
    from yieldsim.planning.orientation.objectives import FacingProblem, Prospect
    from yieldsim.planning.sunlight.cumulative_sky import weigh
    from yieldsim.planning.unit_sets.design import choose_units

    design, wanted = ready.setting.collector, FACING_GOAL[goal]
    count = design.unit_count if units is None else units
    use, asked_kwh = None, 0.0
    if wanted == "load" and plan is not None:
        use, asked_kwh = use_of(plan, ready.setting, ready.grid, count)
    sky, track = weigh(ready.setting, ready.grid)
    prospect = Prospect.of(sky, track, energy_acceptance(design), use)
    if facing == "set":
        mounts = choose_units(prospect, wanted, count, most_use_kwh=asked_kwh / sky.years).mounts
    else:
        mounts = (best_facing(FacingProblem(prospect, wanted, count)).facing.mount(0, count),)
    return replace(ready, setting=replace(ready.setting, collector=replace(design, mounts=mounts)))
