"""The same collector at several sites: as laid out, at each one's best facing, or in its best set of facings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from yieldsim.base.errors import Gathered, Problem, refusal
from yieldsim.base.load_model import LoadPlan
from yieldsim.base.model import Collector, Notes, PrescriptionAcceptance, Site
from yieldsim.base.results.attached import result_of
from yieldsim.base.results.rank import RankResult
from yieldsim.planning.site_ranking import RANK_GOALS, RankGoal
from yieldsim.runs.estimate.ground_bounds import stated, upper_bound
from yieldsim.runs.horizon.unknown_ground import UnknownGround, refuse_choice
from yieldsim.runs.rank.layout import FACINGS, Facing, facing_of, laid_out

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.files.toml.context import Loaded
    from yieldsim.runs.rank.summary import SiteFound, SiteRun
    from yieldsim.runs.setup.prepare import Prepared

Progress = Callable[[int, int], None]
MOST_UNITS = 64
"""Of a set whose facings are chosen at every site."""


def rank(
    sites: Sequence[str | Path | Site],
    collector: str | Path | Collector,
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    span: str | None = None,
    interval_minutes: float = 60.0,
    goal: str = "annual",
    facing: str | None = None,
    units: int | None = None,
    load: str | Path | LoadPlan | None = None,
    continuous_power_w: float | None = None,
    tolerance: float = 1e-3,
    kernels: str | Path | Sequence[str | Path] = (),
    unknown_ground: UnknownGround = "refuse",
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> xr.Dataset:
    """Compare one collector at several sites over the same span.

    sites                 site files, or the frozen nouns themselves
    start, end, years, span, interval_minutes, tolerance, kernels   as for an estimate; sites of several bodies share the longest of
        their default spans
    goal                  annual, worst-month, shortest-gap, hours, units or load: decides the order, and what facings that are
        chosen are best for
    facing                given: as the collector file says; best: all units at each site's one best facing; set: `units` of them
        in each site's best set of facings; None: given for a collector of several mounts, best for one of one mount
    units                 how many a set has
    load                  a load file or plan: what each site serves of it, and the store that it would need there
    unknown_ground        holes of terrain files between a site and the Sun: refused, or (bounds) taken to block, the lower of two
        bounds, by which sites are ranked; the upper one is told
    continuous_power_w    power to be had on average: asked for by the goal units
    workers               processes of this machine that share the sites
    scheduler             address of a Dask cluster that does it instead
    progress              called with (done, of) as sites are done

    Returns a Dataset over site, stage and month; its attribute "summary" holds rank.json.
    Raises InputError (with the problems of all files), DataMissing or CannotCompute.
    """
    from yieldsim.files.text.paths import several
    from yieldsim.runs.cluster import computing, in_order, terrain_files
    from yieldsim.runs.estimate.run import plain_tolerance
    from yieldsim.runs.open_inputs import kernel_paths, refuse_progress
    from yieldsim.runs.rank.summary import Asked, ranked_sites
    from yieldsim.runs.time_span import refuse_wrong_span

    sites = several(sites, "sites", "paths of site files, or Sites")
    gathered = Gathered()
    with gathered:
        refuse_progress(progress)
    with gathered:
        _check(sites, goal, facing, units, load, continuous_power_w)
    with gathered:
        tolerance = plain_tolerance(tolerance)
    with gathered:
        refuse_wrong_span(start, end, years, span, interval_minutes)
    with gathered:
        refuse_choice(unknown_ground)
    with gathered:
        named = [path.absolute() for path in kernel_paths(kernels)]
    with gathered:
        places, optics, plan = _read_all(sites, collector, load)
    gathered.refuse()
    # a scalar of NumPy, which JSON does not take
    continuous_power_w = None if continuous_power_w is None else float(continuous_power_w)
    nouns, design = [place.noun for place in places], optics.noun
    turned = cast(Facing, facing) if facing else facing_of(design)
    task = _Task(
        # traced once, here
        collector=_resolved(optics),
        when=_shared_span(nouns, start, end, years, span, interval_minutes, named)
        | {"kernels": named, "unknown_ground": unknown_ground},
        goal=cast(RankGoal, goal),
        facing=turned,
        units=units,
        plan=plan,
        tolerance=tolerance,
        continuous_power_w=continuous_power_w,
    )

    def advance(done: int) -> None:
        if progress is not None:
            progress(done, len(sites))

    needed = [*terrain_files(nouns), *named]
    with computing(len(places), workers, scheduler, files=needed) as compute:
        found = in_order(compute(_found, [(place,) for place in places], task), advance)
    asked = Asked(
        goal=cast(RankGoal, goal),
        facing=turned,
        mounts_given=len(design.mounts),
        continuous_power_w=continuous_power_w,
    )
    return ranked_sites(found, asked, tolerance, plan)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Task:
    """What is the same at every site; when: keywords of `prepare`."""

    collector: Loaded[Collector]
    when: dict[str, Any]
    goal: RankGoal
    facing: Facing
    units: int | None
    plan: LoadPlan | None
    tolerance: float
    continuous_power_w: float | None


def _found(task: _Task, site: Site | Loaded[Site]) -> SiteFound:
    """One site, run; its series are dropped."""
    from yieldsim.runs.rank.summary import found_at
    from yieldsim.runs.setup.prepare import prepare

    ready = prepare(site, task.collector, **task.when)
    run = _run(laid_out(ready, task.facing, task.goal, task.units, task.plan), task.tolerance, task.plan)
    return found_at(run, task.continuous_power_w)


def _resolved(collector: Loaded[Collector]) -> Loaded[Collector]:
    """The collector, its acceptance traced where it names a prescription."""
    from yieldsim.files.toml.context import Loaded
    from yieldsim.runs.setup.prepare import resolve_collector

    if not isinstance(collector.noun.acceptance, PrescriptionAcceptance):
        return collector
    design, sources = resolve_collector(collector.noun, notes := Notes())
    return Loaded(
        noun=design,
        sources=(*collector.sources, *sources),
        warnings=tuple(dict.fromkeys([*collector.warnings, *notes.lines])),
    )


def _shared_span(
    places: Sequence[Site],
    start: object | None,
    end: object | None,
    years: float | None,
    span: str | None,
    interval_minutes: float,
    kernels: list[Path],
) -> dict[str, Any]:
    """What sites are prepared with, so that all have one span: that asked for, or the longest of those of their bodies."""
    from yieldsim.runs.run_span import run_span

    asked = {"start": start, "end": end, "years": years, "span": span, "interval_minutes": interval_minutes}
    bodies = {place.body.name: place.body for place in places}
    if end is not None or len(bodies) == 1:
        return asked
    spans = [
        run_span(body, start, years=years, span=span, interval_minutes=interval_minutes, kernels=kernels)
        for body in bodies.values()
    ]
    last = max(spans, key=lambda one: one.period.days)
    return {"start": last.start_utc, "end": last.end_utc, "interval_minutes": interval_minutes}


def _run(ready: Prepared, tolerance: float, plan: LoadPlan | None) -> SiteRun:
    """A full estimate at one site, and what it serves of a load."""
    from yieldsim.energy.integration import converge
    from yieldsim.runs.estimate.summary import finished
    from yieldsim.runs.rank.served import served_at
    from yieldsim.runs.rank.summary import SiteRun

    result, change = converge(ready.setting, ready.grid, tolerance)
    bounds = upper_bound(ready, result.delivered_kwh, tolerance)
    estimate = stated(finished(ready, result, change, tolerance), bounds)
    if plan is None:
        return SiteRun(ready=ready, estimate=estimate)
    notes = Notes()
    return SiteRun(
        ready=ready,
        estimate=estimate,
        served=served_at(ready, estimate, plan, notes),
        load_warnings=tuple(notes.lines),
    )


def _check(
    sites: Sequence[object],
    goal: str,
    facing: str | None,
    units: int | None,
    load: object,
    continuous_power_w: float | None,
) -> None:
    from yieldsim.runs.time_span import number, one_of, whole_number

    gathered = Gathered()
    problems = gathered.problems
    if not sites:
        problems.append(Problem("", "sites", "are none", "one or more site files"))
    with gathered:
        one_of(goal, "goal", RANK_GOALS)
    if facing is not None:
        with gathered:
            one_of(facing, "facing", FACINGS, " or ")
    if facing == "set" and units is None:
        problems.append(Problem("", "facing", 'is "set" without a number', hint="say how many with --units"))
    if units is not None and facing != "set":
        problems.append(
            Problem("", "units", f"is {units}", "only for orientations chosen as a set", "--facing set")
        )
    if units is not None:
        with gathered:
            whole_number(units, "units", 1, MOST_UNITS)
    if continuous_power_w is not None:
        with gathered:
            if not 0.0 < number(continuous_power_w, "continuous_power_w") <= 1e9:
                found = f"is {continuous_power_w:g}"
                raise refusal("", "continuous_power_w", found, "more than 0, at most 1e9")
    if goal == "units" and continuous_power_w is None:
        hint = "say for what power with --continuous-power-w"
        problems.append(Problem("", "goal", 'is "units" without a power', hint=hint))
    if goal == "load" and load is None:
        problems.append(Problem("", "goal", 'is "load" without a load file', hint="name one with --load"))
    gathered.refuse()


def _read_all(
    sites: Sequence[str | Path | Site], collector: str | Path | Collector, load: str | Path | LoadPlan | None
) -> tuple[list[Loaded[Site]], Loaded[Collector], LoadPlan | None]:
    """Sites, collector and load, the nouns among them as if they were read. Raises InputError with all problems."""
    from yieldsim.files.inputs.load import read_load
    from yieldsim.files.inputs.readers import read_collector, read_site
    from yieldsim.runs.open_inputs import given

    gathered, places, plan = Gathered(), [], None
    for site in sites:
        with gathered:
            places.append(given("sites", site, Site, read_site, "site"))
    with gathered:
        optics = given("collector", collector, Collector, read_collector)
    with gathered:
        plan = None if load is None else given("load", load, LoadPlan, read_load).noun
    gathered.refuse()
    return places, optics, plan


def summary_of(ds: xr.Dataset) -> RankResult:
    """The run's JSON."""
    return result_of(ds, RankResult)
