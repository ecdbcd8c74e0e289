"""Which way to face: energy over the whole sky of facings, the best for each goal, several units, and
followers of the Sun to compare."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import Gathered, Problem, refusal
from yieldsim.base.model import Collector, Site
from yieldsim.base.results.attached import result_of
from yieldsim.base.results.orient import OrientResult
from yieldsim.runs.orient.types import Answers, Questions

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.load_model import LoadPlan
    from yieldsim.planning.hand_turns import TurnedMount
    from yieldsim.planning.orientation.best_facing import Found
    from yieldsim.planning.orientation.objectives import Goal, Prospect
    from yieldsim.runs.setup.prepare import Prepared

Progress = Callable[[int, int], None]
GOALS: tuple[Goal, ...] = ("annual", "worst-month", "shortest-gap", "load")
MOST_UNITS = 200
MOST_HAND_TURNS = 12
"""Once a month."""


def orient(
    site: str | Path | Site,
    collector: str | Path | Collector,
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    span: str | None = None,
    interval_minutes: float = 60.0,
    step_deg: float = 1.0,
    goal: str = "annual",
    units: int | None = None,
    load: str | Path | LoadPlan | None = None,
    compare: Sequence[Sequence[float]] = (),
    levelling_deg: float = 0.0,
    azimuth_error_deg: float = 0.0,
    tracker_downtime_fraction: float = 0.0,
    tracker_stop_hours: float = 0.0,
    reaimings: int = 0,
    kernels: str | Path | Sequence[str | Path] = (),
    progress: Progress | None = None,
) -> xr.Dataset:
    """Where a fixed collector should face at a site, and how several units should share the sky.

    site, collector    input files, or the frozen nouns themselves; the collector's own mounts are only
        compared
    start, end, years, span, interval_minutes, kernels, progress   as for an estimate
    step_deg           grid of the map; the best facings are refined below it
    goal               annual, worst-month, shortest-gap or load: what the units are chosen for
    units              how many units to choose facings for; None: none are chosen
    load               load file: needed for the goal "load", answered in any case when given
    compare            further facings to compare: (tilt, azimuth) or (tilt, azimuth, roll), degrees
    levelling_deg, azimuth_error_deg   how far a mast may lean, and be turned, from what was meant
    tracker_downtime_fraction, tracker_stop_hours   standstill of a mount that follows the Sun: share of the
        light, longest stop
    reaimings          how often mounts may be turned by hand in the run: the best moments and facings for up to so many turns

    Returns the map (dimensions tilt, azimuth, month); its attribute "summary" holds orient.json.
    Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.runs.open_inputs import refuse_progress
    from yieldsim.runs.orient.summary import oriented
    from yieldsim.runs.setup.prepare import prepare

    gathered = Gathered()
    with gathered:
        refuse_progress(progress)
    with gathered:
        questions = questions_of(
            goal=goal,
            step_deg=step_deg,
            units=units,
            load=load,
            compare=compare,
            levelling_deg=levelling_deg,
            azimuth_error_deg=azimuth_error_deg,
            tracker_downtime_fraction=tracker_downtime_fraction,
            tracker_stop_hours=tracker_stop_hours,
            hand_turns=reaimings,
        )
    ready = prepare(
        site,
        collector,
        start,
        end,
        years=years,
        span=span,
        interval_minutes=interval_minutes,
        kernels=kernels,
        gathered=gathered,
    )
    return oriented(answered(ready, questions, progress))


def answered(ready: Prepared, questions: Questions, progress: Progress | None = None) -> Answers:
    """The work of `orient`, before it is put into words."""
    from yieldsim.energy.spectral_transmittance import energy_acceptance
    from yieldsim.planning.habitat.load_profile import grey_light_caveat
    from yieldsim.planning.orientation.best_facing import best_facing
    from yieldsim.planning.orientation.facing_map import facing_map
    from yieldsim.planning.orientation.load_objective import use_of
    from yieldsim.planning.orientation.objectives import FacingProblem, Prospect
    from yieldsim.planning.sunlight.cumulative_sky import weigh
    from yieldsim.planning.unit_sets.design import choose_units

    units, goal, design = questions.units, questions.goal, ready.setting.collector
    phase = _Phases(progress, 2 + len(GOALS) + (units or 0))
    use, asked_kwh = None, 0.0
    if questions.plan is not None:
        use, asked_kwh = use_of(questions.plan, ready.setting, ready.grid, units or design.unit_count)
        caveat = grey_light_caveat(questions.plan)
        if caveat and design.acceptance_table.bands is None:
            ready.notes.add(caveat)
    for warning in questions.load_warnings:
        ready.notes.add(warning)
    sky, track = weigh(ready.setting, ready.grid, progress=phase.within)
    prospect = Prospect.of(sky, track, energy_acceptance(design), use)
    phase.done()
    sky_of_facings = facing_map(prospect, questions.step_deg)
    phase.done()
    found: dict[Goal, Found] = {}
    for one in GOALS:
        if one != "load" or use is not None:
            found[one] = best_facing(FacingProblem(prospect, one, design.unit_count), questions.step_deg)
        phase.done()
    asked_kwh /= sky.years
    plan = None
    if units is not None:
        single = _of_one(found[goal], design.unit_count)
        plan = choose_units(
            prospect, goal, units, found=single, most_use_kwh=asked_kwh, progress=phase.counted
        )
    return Answers(
        ready=ready,
        questions=questions,
        prospect=prospect,
        facing_map=sky_of_facings,
        found=found,
        asked_kwh=asked_kwh,
        units=plan,
        hand_turns=_hand_turns(prospect, ready, questions.hand_turns),
    )


def _hand_turns(prospect: Prospect, ready: Prepared, most: int) -> tuple[TurnedMount, ...]:
    """What up to so many turns by hand do; nothing where none was asked about."""
    from yieldsim.planning.hand_turns import turned_by_hand
    from yieldsim.planning.system.pricing import Sunlight
    from yieldsim.planning.unit_sets.candidates import spread

    if most == 0:
        return ()
    some = spread(prospect, "load")
    hours = ready.grid.interval_s / 3600.0
    light = Sunlight(prospect=prospect, row_hours=hours, candidates=some.facings, step_deg=some.step_deg)
    return tuple(turned_by_hand(light, most))


def _of_one(found: Found, units: int) -> Found:
    """The same for one unit: energies are for all, gaps are the same."""
    if found.goal == "shortest-gap":
        return found
    return replace(
        found, score=found.score / units, bound=None if found.bound is None else found.bound / units
    )


def questions_of(
    *,
    goal: str = "annual",
    step_deg: float = 1.0,
    units: int | None = None,
    load: str | Path | LoadPlan | None = None,
    compare: Sequence[Sequence[float]] = (),
    levelling_deg: float = 0.0,
    azimuth_error_deg: float = 0.0,
    tracker_downtime_fraction: float = 0.0,
    tracker_stop_hours: float = 0.0,
    hand_turns: int = 0,
) -> Questions:
    """The questions, checked, with the load file read. Raises InputError with all problems."""
    from yieldsim.base.load_model import LoadPlan
    from yieldsim.files.inputs.load import read_load
    from yieldsim.files.text.paths import several
    from yieldsim.runs.open_inputs import given, tracker_problems
    from yieldsim.runs.time_span import number, one_of, whole_number

    gathered = Gathered()
    problems = gathered.problems

    def within(key: str, value: object, low: float, high: float) -> float:
        with gathered:
            plain = number(value, key)
            if not low <= plain <= high:
                raise refusal("", key, f"is {plain:g}", f"{low:g} to {high:g}")
            return plain
        return math.nan

    with gathered:
        one_of(goal, "goal", GOALS)
    if goal == "load" and load is None:
        problems.append(Problem("", "goal", 'is "load" without a load file', hint="name one with --load"))
    step_deg = within("step_deg", step_deg, 0.25, 10.0)
    levelling_deg = within("levelling_deg", levelling_deg, 0.0, 45.0)
    azimuth_error_deg = within("azimuth_error_deg", azimuth_error_deg, 0.0, 180.0)
    with gathered:
        tracker_downtime_fraction = number(tracker_downtime_fraction, "tracker_downtime_fraction")
        tracker_stop_hours = number(tracker_stop_hours, "tracker_stop_hours")
        problems += tracker_problems(tracker_downtime_fraction, tracker_stop_hours)
    with gathered:
        hand_turns = whole_number(hand_turns, "reaimings", 0, MOST_HAND_TURNS)
    if units is not None:
        with gathered:
            units = whole_number(units, "units", 1, MOST_UNITS)
    facings, pairs = [], []
    with gathered:
        pairs = several(compare, "compare", "pairs of tilt and azimuth, deg")
    for place, one in enumerate(pairs, start=1):
        key = f"compare #{place}"
        angles = list(one) if isinstance(one, Iterable) and not isinstance(one, str) else []
        if len(angles) not in (2, 3):
            problems.append(Problem("", key, f"is {one!r}", "tilt, azimuth and perhaps roll, deg"))
            continue
        tilt = within(f"{key} tilt", angles[0], 0.0, 180.0)
        azimuth = within(f"{key} azimuth", angles[1], -360.0, 360.0)
        roll = within(f"{key} roll", [*angles, 0.0][2], -360.0, 360.0)
        facings.append((tilt, azimuth % 360.0, roll))
    loaded = None
    if load is not None:
        with gathered:
            loaded = given("load", load, LoadPlan, read_load)
    gathered.refuse()
    return Questions(
        goal=goal,  # type: ignore[arg-type]
        step_deg=step_deg,
        units=units,
        compare=tuple(facings),
        levelling_deg=levelling_deg,
        azimuth_error_deg=azimuth_error_deg,
        tracker_downtime_fraction=tracker_downtime_fraction,
        tracker_stop_hours=tracker_stop_hours,
        hand_turns=hand_turns,
        plan=None if loaded is None else loaded.noun,
        load_sources=() if loaded is None else loaded.sources,
        load_warnings=() if loaded is None else loaded.warnings,
    )


class _Phases:
    """Progress in phases of equal length; the first one counts within itself."""

    def __init__(self, progress: Progress | None, phases: int) -> None:
        self._progress, self._phases, self._at = progress, phases, 0

    def within(self, done: int, total: int) -> None:
        if self._progress is not None:
            self._progress(round(1000.0 * (self._at + done / max(total, 1))), 1000 * self._phases)

    def done(self) -> None:
        self._at += 1
        self.within(0, 1)

    def counted(self, done: int, total: int) -> None:
        self.done()


def summary_of(ds: xr.Dataset) -> OrientResult:
    """The run's JSON."""
    return result_of(ds, OrientResult)
