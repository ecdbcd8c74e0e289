"""A base that grows: every combination bounded over all its phases, the best one's flights planned, built, run and proven."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import CannotCompute, Gathered, InputError, Problem
from yieldsim.base.model import Notes
from yieldsim.base.plans.design import DesignPlan

if TYPE_CHECKING:
    from yieldsim.runs.cluster import Compute
    from yieldsim.runs.design.combinations import Combination
    from yieldsim.runs.growth.phases import PhaseSpan
    from yieldsim.runs.growth.search import Planned
    from yieldsim.runs.growth.types import GrowthRun
    from yieldsim.runs.growth.verify import BuiltPlan

Progress = Callable[[int, int], None]


def growth(
    plan: str | Path | DesignPlan,
    *,
    years: float | None = None,
    span: str | None = None,
    interval_minutes: float = 60.0,
    kernels: str | Path | Sequence[str | Path] = (),
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> GrowthRun:
    """Which units and stores to land with which flight, so that every phase of a base is served and as little as possible is landed.

    plan                a design file with phases, or what was read from one
    years, span         how much of each phase is run at most, from its date on: a year of the body when None
    interval_minutes, kernels, progress   as for an estimate
    workers             processes of this machine that share the combinations
    scheduler           address of a Dask cluster that does it instead

    Returns each phase's hours, the estimates of its units, its files and certificate, and `summary`, what growth.json holds.
    Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.runs.cluster import computing, terrain_files
    from yieldsim.runs.design.combinations import combinations_of
    from yieldsim.runs.design.run import read_plan
    from yieldsim.runs.design.variants import with_variants
    from yieldsim.runs.growth.phases import phase_spans
    from yieldsim.runs.growth.summary import summarised
    from yieldsim.runs.open_inputs import kernel_paths
    from yieldsim.runs.time_span import refuse_wrong_span

    gathered, notes = Gathered(), Notes()
    with gathered:
        asked, sources = read_plan(plan, notes)
        _refuse(asked)
    with gathered:
        refuse_wrong_span(None, None, years, span, interval_minutes)
    with gathered:
        named = kernel_paths(kernels)
    gathered.refuse()
    asked = with_variants(asked)
    everything = combinations_of(asked)
    spans = {one.number: phase_spans(asked, one, years, span, interval_minutes, named) for one in everything}
    done, total = 0, 2 * len(everything) + 2

    def step(count: int = 1) -> None:
        nonlocal done
        done = min(done + count, total)
        if progress is not None:
            progress(done, total)

    needed = [*terrain_files([one.site for one in everything]), *named]
    with computing(len(everything), workers, scheduler, files=needed) as compute:
        bounds = _bounds(asked, everything, spans, compute, step)
        planned = _planned(asked, everything, spans, bounds, compute, step)
    best, built = _best_built(asked, everything, spans, planned)
    step()
    run = summarised(asked, everything, spans, bounds, planned, best, built, notes, sources)
    step(total - done)
    return run


def _refuse(plan: DesignPlan) -> None:
    """Raise InputError for a plan that has nothing to grow, or asks for what is not done here."""
    problems = []
    if not plan.phases:
        hint = "each with a name and a date; lantern-growth.design.toml explains them"
        problems.append(Problem(plan.name, "phases", "are missing", "one or more [[phases]]", hint))
    if plan.objective != "mass":
        hint = "what is least of flights is a mass: [growth] least"
        problems.append(Problem(plan.name, "objective", f'is "{plan.objective}"', '"mass"', hint))
    if plan.confidence != "nominal":
        hint = "raise demand_ratio for a margin, and look at the phases with budget --uncertain"
        problems.append(Problem(plan.name, "confidence", f'is "{plan.confidence}"', '"nominal"', hint))
    if problems:
        raise InputError(problems)


def _bounds(
    plan: DesignPlan,
    everything: list[Combination],
    spans: dict[int, tuple[PhaseSpan, ...]],
    compute: Compute,
    step: Callable[..., None],
) -> dict[int, float]:
    """A quick bound of each combination: of the phase that asks most by itself; nothing where there is but one combination."""
    from yieldsim.runs.growth.search import quick_bound

    if len(everything) == 1:
        step()
        return {everything[0].number: 0.0}
    found = {}
    for place, least in compute(quick_bound, [(plan, one, spans[one.number]) for one in everything]):
        found[everything[place].number] = least
        step()
    return found


def _planned(
    plan: DesignPlan,
    everything: list[Combination],
    spans: dict[int, tuple[PhaseSpan, ...]],
    bounds: dict[int, float],
    compute: Compute,
    step: Callable[..., None],
) -> dict[int, Planned]:
    """Plans by the number of the combination, least bound first; those whose bound passes the best plan are left out."""
    from yieldsim.runs.design.combinations import waves
    from yieldsim.runs.growth.search import plan_one

    order = sorted(everything, key=lambda one: (bounds[one.number], one.number))
    found: dict[int, Planned] = {}
    best = math.inf
    for some in waves(order):
        wave = [one for one in some if bounds[one.number] < best and math.isfinite(bounds[one.number])]
        for _, made in compute(plan_one, [(plan, one, spans[one.number], best) for one in wave]):
            found[made.number] = made
        best = min([best, *(one.plan.cost for one in found.values() if one.plan is not None)])
        step(len(some))
    return found


def _best_built(
    plan: DesignPlan,
    everything: list[Combination],
    spans: dict[int, tuple[PhaseSpan, ...]],
    planned: dict[int, Planned],
) -> tuple[Planned, BuiltPlan]:
    """The best plan, as its files give it: others are built too while they may be better than what is built."""
    from yieldsim.planning.growth.whole_units import cycles_a_year
    from yieldsim.runs.growth.infeasible import why_none
    from yieldsim.runs.growth.search import phases_of
    from yieldsim.runs.growth.verify import build

    best: tuple[Planned, BuiltPlan] | None = None
    with_plans = [one for one in planned.values() if one.plan is not None]
    for one in sorted(with_plans, key=lambda one: (one.plan.cost if one.plan else math.inf, one.number)):
        assert one.plan is not None
        if best is not None and one.plan.cost >= best[1].cost:
            break
        combination, own = everything[one.number], spans[one.number]
        cycles = cycles_a_year(phases_of(plan, combination, own), one.plan)
        built = build(plan, combination, own, one.plan, cycles)
        if built is not None and (best is None or built.cost < best[1].cost):
            best = (one, built)
    if best is None:
        first = everything[0]
        raise CannotCompute(why_none(plan, first, spans[first.number]))
    return best
