"""The whole design: every combination bounded, those that may be best designed, the best one built, run and proven."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import CannotCompute, Gathered
from yieldsim.base.model import Notes, Source
from yieldsim.base.plans.design import DesignPlan

if TYPE_CHECKING:
    from yieldsim.files.output.kept_results import Kept
    from yieldsim.runs.cluster import Compute
    from yieldsim.runs.design.combinations import Combination, Span
    from yieldsim.runs.design.search import Designed, Looked
    from yieldsim.runs.design.types import DesignRun
    from yieldsim.runs.design.verify import Built

Progress = Callable[[int, int], None]
GO_ON = "start it again to go on from what is done"


def design(
    plan: str | Path | DesignPlan,
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    span: str | None = None,
    interval_minutes: float = 60.0,
    kernels: str | Path | Sequence[str | Path] = (),
    workers: int = 1,
    scheduler: str | None = None,
    work_folder: str | Path | None = None,
    progress: Progress | None = None,
) -> DesignRun:
    """The lightest system, or that of fewest units, that serves a load, over every combination of sites, masts and collectors.

    plan              a design file, or what was read from one
    start, end, years, span, interval_minutes, kernels, progress   as for an estimate
    workers           processes of this machine that share the combinations
    scheduler         address of a Dask cluster that does it instead
    work_folder       where finished combinations wait while the run goes on, so that it can be taken up again; None: nowhere

    Returns the design's hours, the estimate of its units, its files and certificate, and `summary`, what design.json holds.
    Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.files.output.kept_results import Kept
    from yieldsim.files.text.paths import path_given
    from yieldsim.runs.cluster import computing, terrain_files
    from yieldsim.runs.design.combinations import Span, combinations_of, shared_span
    from yieldsim.runs.design.confidence import confident
    from yieldsim.runs.design.summary import summarised
    from yieldsim.runs.design.variants import with_variants
    from yieldsim.runs.open_inputs import kernel_paths, refuse_progress
    from yieldsim.runs.time_span import refuse_wrong_span, whole_number

    gathered, notes = Gathered(), Notes()
    with gathered:
        refuse_progress(progress)
    with gathered:
        asked, sources = read_plan(plan, notes)
    with gathered:
        refuse_wrong_span(start, end, years, span, interval_minutes)
    with gathered:
        named = kernel_paths(kernels)
    with gathered:
        whole_number(workers, "workers", 1)
    with gathered:
        folder = None if work_folder is None else path_given(work_folder, "work_folder", "a folder")
    gathered.refuse()
    if asked.phases:
        notes.add("the file's phases are left aside: yieldsim growth plans them")
    asked = with_variants(asked)
    when = shared_span(
        asked,
        Span(
            start=start,
            end=end,
            years=years,
            span=span,
            interval_minutes=interval_minutes,
            kernels=tuple(named),
        ),
    )
    everything = combinations_of(asked)
    steps = _Steps(progress, 2 * len(everything) + 2)
    kept = Kept(None if folder is None else folder / f".design-{_fingerprint(asked, when)[:16]}")
    needed = [*terrain_files([one.site for one in everything]), *named]
    with computing(len(everything), workers, scheduler, files=needed, again=GO_ON) as compute:
        looked = _all_looked(asked, everything, when, steps, kept, compute)
        designed = _all_designed(asked, everything, when, looked, steps, kept, compute)
    try:
        best, built = _best_built(asked, everything, when, looked, designed)
    except CannotCompute:
        # the answer is final: nothing of it is taken up again
        kept.clear()
        raise
    steps.done()
    margin = None
    if asked.confidence == "P90":
        best, built, margin = confident(asked, everything[best.number], when, best, built)
    run = summarised(asked, everything, when, looked, designed, best, built, margin, notes, sources)
    steps.finished()
    kept.clear()
    return run


def _fingerprint(plan: DesignPlan, span: Span) -> str:
    """Of everything that results depend on."""
    from yieldsim.files.output.provenance import package_version
    from yieldsim.files.output.user_cache import content_key

    return content_key(package_version(), plan, span)


class _Steps:
    """Progress: looks, designs, and what comes after them."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self._progress, self._total, self._at = progress, total, 0

    def done(self, count: int = 1) -> None:
        self._at += count
        if self._progress is not None:
            self._progress(self._at, self._total)

    def finished(self) -> None:
        self.done(self._total - self._at)


def read_plan(plan: str | Path | DesignPlan, notes: Notes) -> tuple[DesignPlan, tuple[Source, ...]]:
    """The plan, and the files that it was read from. Raises InputError."""
    from yieldsim.files.inputs.design import read_design
    from yieldsim.runs.open_inputs import given

    loaded = given("plan", plan, DesignPlan, read_design, "design")
    for line in loaded.warnings:
        notes.add(line)
    return loaded.noun, loaded.sources


def _all_looked(
    plan: DesignPlan,
    everything: list[Combination],
    span: Span,
    steps: _Steps,
    kept: Kept,
    compute: Compute,
) -> list[Looked]:
    from yieldsim.runs.design.search import Looked, look

    found: dict[int, Looked] = {}
    for one in everything:
        known = kept.get(f"look-{one.number}.json")
        if known is not None:
            found[one.number] = Looked(**known)
            steps.done()
    waiting = [one for one in everything if one.number not in found]
    for place, seen in compute(look, [(plan, one, span, len(everything) > 1) for one in waiting]):
        found[waiting[place].number] = seen
        kept.put(f"look-{seen.number}.json", asdict(seen))
        steps.done()
    return [found[one.number] for one in everything]


def _all_designed(
    plan: DesignPlan,
    everything: list[Combination],
    span: Span,
    looked: list[Looked],
    steps: _Steps,
    kept: Kept,
    compute: Compute,
) -> dict[int, Designed]:
    """Designs by the number of the combination, least bound first; those whose bound passes the best design are left out."""
    from yieldsim.runs.design.combinations import waves
    from yieldsim.runs.design.search import design_one, kept_design, to_keep

    order = sorted(looked, key=lambda one: (one.least, one.number))
    found: dict[int, Designed] = {}
    best = float("inf")
    for some in waves(order):
        wave = [one for one in some if one.least < best]
        waiting = []
        for one in wave:
            known = kept.get(f"design-{one.number}.json")
            if known is None:
                waiting.append(one.number)
            else:
                found[one.number] = kept_design(known)
        for _, made in compute(design_one, [(plan, everything[number], span, best) for number in waiting]):
            found[made.number] = made
            kept.put(f"design-{made.number}.json", to_keep(made))
        best = min([best, *(one.cost for one in found.values())])
        steps.done(len(some))
    return found


def _best_built(
    plan: DesignPlan,
    everything: list[Combination],
    span: Span,
    looked: list[Looked],
    designed: dict[int, Designed],
) -> tuple[Designed, Built]:
    """The best design, as its files give it: others are built too while they may be better than what is built."""
    from yieldsim.report.estimate.summary_schema import estimate_summary
    from yieldsim.runs.design.combinations import cost_of
    from yieldsim.runs.design.infeasible import why_none
    from yieldsim.runs.design.search import design_one
    from yieldsim.runs.design.verify import build

    best: tuple[Designed, Built] | None = None
    cost = float("inf")
    for one in sorted(designed.values(), key=lambda one: (one.cost, one.mass_kg, one.number)):
        if one.mounts is None or one.cost >= cost:
            break
        if one.split is None:
            # taken up from an earlier run: its proof is worked out again
            one = design_one(plan, everything[one.number], span, math.inf)
        built = build(plan, everything[one.number], one, span)
        if built is None:
            continue
        delivered_kwh = estimate_summary(built.estimate)["delivered_kwh"]
        own = cost_of(plan, built.mass_kg, built.units, delivered_kwh)
        designed[one.number] = replace(one, capacity_kwh=built.capacity_kwh, mass_kg=built.mass_kg, cost=own)
        if own < cost:
            best, cost = (designed[one.number], built), own
    if best is None:
        raise CannotCompute(why_none(plan, everything, looked, span))
    return best
