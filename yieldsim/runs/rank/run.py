"""The same collector at several sites, each at its own best facing or as it stands."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import Gathered, InputError, Problem, likely
from yieldsim.base.model import Collector, Site
from yieldsim.runs.estimate.ground_bounds import stated, upper_bound
from yieldsim.runs.horizon.unknown_ground import UnknownGround, refuse_choice
from yieldsim.runs.rank.types import SiteRun

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.planning.orientation.objectives import Goal

Progress = Callable[[int, int], None]
FACINGS = ("best", "given")
FACING_GOAL = {
    "annual": "annual",
    "worst-month": "worst-month",
    "shortest-gap": "shortest-gap",
    "hours": "annual",
    "units": "annual",
}
"""What facing is best for a site that is ranked by a goal."""


def rank(
    sites: Sequence[str | Path | Site],
    collector: str | Path | Collector,
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    interval_minutes: float = 60.0,
    goal: str = "annual",
    facing: str = "best",
    continuous_power_w: float | None = None,
    tolerance: float = 1e-3,
    kernels: str | Path | Sequence[str | Path] = (),
    unknown_ground: UnknownGround = "refuse",
    progress: Progress | None = None,
) -> xr.Dataset:
    """Compare one collector at several sites over the same span.

    sites                 site files, or the frozen nouns themselves
    goal                  annual, worst-month, shortest-gap, hours or units: decides the order and what the
        best facing is best for
    facing                best: all units face each site's own best way; given: as the collector file says
    unknown_ground        holes of terrain files between a site and the Sun: refused, or (bounds) taken to block, the lower of two
        bounds, by which sites are ranked; the upper one is told
    continuous_power_w    power to be had on average: asked for by the goal units

    Returns a Dataset over site, stage and month; its attribute "summary" holds rank.json.
    Raises InputError (with the problems of all files), DataMissing or CannotCompute.
    """
    from yieldsim.runs.estimate.run import refuse_tolerance
    from yieldsim.runs.rank.summary import ranked_sites
    from yieldsim.runs.time_span import asked_grid

    gathered = Gathered()
    with gathered:
        _check(sites, goal, facing, continuous_power_w)
    with gathered:
        refuse_tolerance(tolerance)
    with gathered:
        asked_grid(start, end, years, interval_minutes)
    with gathered:
        refuse_choice(unknown_ground)
    with gathered:
        _check_files(sites, collector)
    gathered.refuse()
    span = {
        "start": start,
        "end": end,
        "years": years,
        "interval_minutes": interval_minutes,
        "kernels": kernels,
        "unknown_ground": unknown_ground,
    }
    runs = []
    for place, site in enumerate(sites):
        runs.append(_run(site, collector, span, None if facing == "given" else FACING_GOAL[goal], tolerance))  # type: ignore[arg-type]
        if progress is not None:
            progress(place + 1, len(sites))
    return ranked_sites(runs, goal, facing, continuous_power_w, tolerance)  # type: ignore[arg-type]


def _run(
    site: str | Path | Site,
    collector: str | Path | Collector,
    span: dict[str, Any],
    goal: Goal | None,
    tolerance: float,
) -> SiteRun:
    """A full estimate at one site, all units turned to the best facing for a goal (None: left as they
    are)."""
    from yieldsim.energy.integration import converge
    from yieldsim.planning.orientation.objectives import Prospect
    from yieldsim.planning.orientation.optimise import best_facing
    from yieldsim.planning.sunlight.cumulative_sky import dust_history_at, weigh
    from yieldsim.runs.estimate.summary import finished
    from yieldsim.runs.setup.prepare import prepare

    ready = prepare(site, collector, **span)
    if goal is not None:
        design = ready.setting.collector
        sky, track = weigh(ready.setting, ready.grid)
        found = best_facing(Prospect.of(sky, track, design.acceptance_table), goal)
        mount = found.facing.mount(0, design.unit_count)
        history = dust_history_at(ready.setting, ready.grid, mount.tilt_deg)
        setting = replace(
            ready.setting,
            collector=replace(design, mounts=(mount,)),
            dust_histories=() if history is None else (history,),
        )
        ready = replace(ready, setting=setting)
    result, change = converge(ready.setting, ready.grid, tolerance)
    bounds = upper_bound(ready, result.delivered_kwh, tolerance)
    return SiteRun(ready=ready, estimate=stated(finished(ready, result, change, tolerance), bounds))


def _check(sites: Sequence[object], goal: str, facing: str, continuous_power_w: float | None) -> None:
    problems = []
    if not sites:
        problems.append(Problem("", "sites", "are none", "one or more site files"))
    if goal not in FACING_GOAL:
        problems.append(
            Problem("", "goal", f'is "{goal}"', ", ".join(FACING_GOAL), likely(goal, FACING_GOAL))
        )
    if facing not in FACINGS:
        problems.append(
            Problem("", "facing", f'is "{facing}"', " or ".join(FACINGS), likely(facing, FACINGS))
        )
    if continuous_power_w is not None and not 0.0 < continuous_power_w <= 1e9:
        problems.append(
            Problem("", "continuous_power_w", f"is {continuous_power_w:g}", "more than 0, at most 1e9")
        )
    if goal == "units" and continuous_power_w is None:
        hint = "say for what power with --continuous-power-w"
        problems.append(Problem("", "goal", 'is "units" without a power', hint=hint))
    if problems:
        raise InputError(problems)


def _check_files(sites: Sequence[str | Path | Site], collector: str | Path | Collector) -> None:
    """Read every file once before anything is computed. Raises InputError with the problems of all."""
    from yieldsim.files.inputs.readers import read_collector, read_site

    problems: list[Problem] = []
    for given, noun, read in (
        *((site, Site, read_site) for site in sites),
        (collector, Collector, read_collector),
    ):
        if not isinstance(given, noun):
            try:
                read(Path(str(given)))
            except InputError as error:
                problems.extend(one for one in error.problems if one not in problems)
    if problems:
        raise InputError(problems)


def summary_of(ds: xr.Dataset) -> dict[str, Any]:
    """The run's JSON."""
    summary: dict[str, Any] = json.loads(ds.attrs["summary"])
    return summary
