"""A base that grows: every combination bounded over all its phases, the best one's flights planned, built, run and proven."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import CannotCompute, Gathered, InputError, Problem
from yieldsim.base.model import Notes
from yieldsim.base.plans.design import DesignPlan

if TYPE_CHECKING:
    from yieldsim.files.output.kept_results import Kept
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
    work_folder: str | Path | None = None,
    progress: Progress | None = None,
) -> GrowthRun:
    """Which units and stores to land with which flight, so that every phase of a base is served and as little as possible is landed.

    plan                a design file with phases, or what was read from one
    years, span         how much of each phase is run at most, from its date on: a year of the body when None
    interval_minutes, kernels, progress   as for an estimate
    workers             processes of this machine that share the combinations
    scheduler           address of a Dask cluster that does it instead
    work_folder         where finished combinations wait while the run goes on, so that it can be taken up again; None: nowhere

    Returns each phase's hours, the estimates of its units, its files and certificate, and `summary`, what growth.json holds.
    Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.files.output.kept_results import Kept
    from yieldsim.files.output.provenance import package_version
    from yieldsim.files.output.user_cache import content_key
    from yieldsim.files.text.paths import path_given, shown
    from yieldsim.runs.cluster import computing, terrain_files
    from yieldsim.runs.design.combinations import combinations_of
    from yieldsim.runs.design.run import GO_ON, read_plan
    from yieldsim.runs.design.variants import with_variants
    from yieldsim.runs.growth.phases import phase_spans
    from yieldsim.runs.growth.summary import summarised
    from yieldsim.runs.open_inputs import kernel_paths, refuse_progress
    from yieldsim.runs.time_span import refuse_wrong_span, whole_number

    gathered, notes = Gathered(), Notes()
    where = ""
    with gathered:
        refuse_progress(progress)
    with gathered:
        asked, sources = read_plan(plan, notes)
        where = asked.name if isinstance(plan, DesignPlan) else shown(Path(plan))
        _refuse(asked, where)
    with gathered:
        refuse_wrong_span(None, None, years, span, interval_minutes)
    with gathered:
        named = kernel_paths(kernels)
    with gathered:
        whole_number(workers, "workers", 1)
    with gathered:
        folder = None if work_folder is None else path_given(work_folder, "work_folder", "a folder")
    gathered.refuse()
    aside = [name for name in ("tracker", "hand_turns", "link") if getattr(asked, name) is not None]
    if aside:
        notes.add(f"left aside, for yieldsim design alone: {', '.join(f'[{name}]' for name in aside)}")
    asked = with_variants(asked)
    everything = combinations_of(asked)
    spans = {
        one.number: phase_spans(asked, one, years, span, interval_minutes, named, where) for one in everything
    }
    done, total = 0, 2 * len(everything) + 2

    def step(count: int = 1) -> None:
        nonlocal done
        done = min(done + count, total)
        if progress is not None:
            progress(done, total)

    run_spans = [one.span for some in spans.values() for one in some]
    name = content_key(package_version(), asked, run_spans)[:16]
    kept = Kept(None if folder is None else folder / f".growth-{name}")
    needed = [*terrain_files([one.site for one in everything]), *named]
    with computing(len(everything), workers, scheduler, files=needed, again=GO_ON) as compute:
        bounds = _bounds(asked, everything, spans, kept, compute, step)
        planned = _planned(asked, everything, spans, bounds, kept, compute, step)
    try:
        best, built = _best_built(asked, everything, spans, planned)
        margins = None
        if asked.confidence == "P90":
            built, margins = _confident(asked, everything[best.number], spans[best.number], built, kept)
    except CannotCompute:
        # the answer is final: nothing of it is taken up again
        kept.clear()
        raise
    step()
    run = summarised(asked, everything, spans, bounds, planned, best, built, margins, notes, sources)
    step(total - done)
    kept.clear()
    return run


def _refuse(plan: DesignPlan, where: str) -> None:
    """Raise InputError for a plan that has nothing to grow, or asks for what is not done here."""
    problems = []
    if not plan.phases:
        hint = "each with a name and a date; lantern-growth.design.toml explains them"
        problems.append(Problem(where, "phases", "are missing", "one or more [[phases]]", hint))
    if plan.objective != "mass":
        hint = "what is least of flights is a mass: [growth] least"
        problems.append(Problem(where, "objective", f'is "{plan.objective}"', '"mass"', hint))
    if problems:
        raise InputError(problems)


def _bounds(
    plan: DesignPlan,
    everything: list[Combination],
    spans: dict[int, tuple[PhaseSpan, ...]],
    kept: Kept,
    compute: Compute,
    step: Callable[..., None],
) -> dict[int, float]:
    """A quick bound of each combination: of the phase that asks most by itself; nothing where there is but one combination."""
    from yieldsim.runs.growth.search import quick_bound

    if len(everything) == 1:
        step()
        return {everything[0].number: 0.0}
    found: dict[int, float] = {}
    for one in everything:
        known = kept.get(f"bound-{one.number}.json")
        if known is not None:
            found[one.number] = known["least"]
            step()
    waiting = [one for one in everything if one.number not in found]
    for place, least in compute(quick_bound, [(plan, one, spans[one.number]) for one in waiting]):
        found[waiting[place].number] = least
        kept.put(f"bound-{waiting[place].number}.json", {"least": least})
        step()
    return found


def _planned(
    plan: DesignPlan,
    everything: list[Combination],
    spans: dict[int, tuple[PhaseSpan, ...]],
    bounds: dict[int, float],
    kept: Kept,
    compute: Compute,
    step: Callable[..., None],
) -> dict[int, Planned]:
    """Plans by the number of the combination, least bound first; those whose bound passes the best plan are left out."""
    from yieldsim.runs.design.combinations import waves
    from yieldsim.runs.growth.search import kept_plan, plan_one, to_keep

    order = sorted(everything, key=lambda one: (bounds[one.number], one.number))
    found: dict[int, Planned] = {}
    best = math.inf
    for some in waves(order):
        waiting = []
        for one in some:
            known = kept.get(f"plan-{one.number}.json")
            if known is not None:
                found[one.number] = kept_plan(known)
            elif bounds[one.number] < best and math.isfinite(bounds[one.number]):
                waiting.append(one)
        for _, made in compute(plan_one, [(plan, one, spans[one.number], best) for one in waiting]):
            found[made.number] = made
            kept.put(f"plan-{made.number}.json", to_keep(made))
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
    from yieldsim.runs.growth.infeasible import why_none

    best: tuple[Planned, BuiltPlan] | None = None
    with_plans = [one for one in planned.values() if one.plan is not None]
    for one in sorted(with_plans, key=lambda one: (one.plan.cost if one.plan else math.inf, one.number)):
        assert one.plan is not None
        if best is not None and one.plan.cost >= best[1].cost:
            break
        built = _built(plan, everything[one.number], spans[one.number], one)
        if built is not None and (best is None or built.cost < best[1].cost):
            best = (one, built)
    if best is None:
        first = everything[0]
        raise CannotCompute(why_none(plan, first, spans[first.number]))
    return best


def _built(
    plan: DesignPlan, combination: Combination, spans: tuple[PhaseSpan, ...], made: Planned
) -> BuiltPlan | None:
    from yieldsim.planning.growth.whole_units import cycles_a_year
    from yieldsim.runs.growth.search import phases_of
    from yieldsim.runs.growth.verify import build

    if made.plan is None:
        return None
    cycles = cycles_a_year(phases_of(plan, combination, spans), made.plan)
    return build(plan, combination, spans, made.plan, cycles)


def _confident(
    plan: DesignPlan, combination: Combination, spans: tuple[PhaseSpan, ...], built: BuiltPlan, kept: Kept
) -> tuple[BuiltPlan, tuple[float, ...]]:
    """The plan that holds in 90 of 100 draws; plans for loads with margins are kept as those without are."""
    from yieldsim.runs.growth.confidence import confident
    from yieldsim.runs.growth.search import kept_plan, plan_one, to_keep

    trials = itertools.count(1)

    def planned(asking: tuple[PhaseSpan, ...]) -> Planned:
        name = f"margin-{next(trials)}.json"
        known = kept.get(name)
        if known is not None:
            return kept_plan(known)
        made = plan_one(plan, combination, asking)
        kept.put(name, to_keep(made))
        return made

    return confident(spans, planned, lambda made: _built(plan, combination, spans, made), built)
