"""How many units, facing where: sets for a goal, how good they are, how much better any set could be, and
what one more would bring."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from yieldsim.base.nouns import Mount
from yieldsim.base.vectors import FloatArray
from yieldsim.planning.candidates import Candidates, spread, widened_run_lists
from yieldsim.planning.cover import RunLists, united
from yieldsim.planning.facing import Found, annual_bound, best_facing
from yieldsim.planning.lit_steps import delivering_runs, longest_gap_steps
from yieldsim.planning.poses import Facings, axes_enu_xyz, of_mounts, together, turned_off
from yieldsim.planning.prospect import Goal, Prospect
from yieldsim.planning.stretch_kernels import Runs
from yieldsim.planning.unit_sets import (
    AnnualChooser,
    Chooser,
    GapChooser,
    Growth,
    LoadChooser,
    MonthChooser,
    Set,
    places,
)

POLISH_STEPS = (0.5, 0.25, 0.125)
"""Steps of the last search about each unit of a set, in distances between candidates."""
MOST_POLISHED = 40
BOUND_STEP_SHARE = 0.6
"""Facings that bounds are worked out for stand this much closer than candidates: the closer, the tighter."""
VALUE_UNIT: dict[Goal, str] = {
    "annual": "kWh per year",
    "worst-month": "kWh in the poorest month",
    "shortest-gap": "hours",
    "load": "kWh used per year",
}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ability:
    """What a set of units does.

    value   of the goal: kWh, or hours of the longest gap
    """

    units: int
    value: float
    upper_bound: float
    annual_kwh: float
    worst_month_kwh: float
    longest_gap_hours: float
    longest_gap_start_utc: np.datetime64
    hours_delivering: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class UnitPlan:
    """The chosen set, and the sets for every smaller number of units.

    bound_holds_for   what facings the bounds speak of
    """

    goal: Goal
    mounts: tuple[Mount, ...]
    best: Ability
    curve: tuple[Ability, ...]
    curve_mounts: tuple[tuple[Mount, ...], ...]
    candidate_count: int
    candidate_step_deg: float
    bound_holds_for: str


def choose_units(
    prospect: Prospect,
    goal: Goal,
    units: int,
    *,
    found: Found | None = None,
    most_use_kwh: float = np.inf,
    until_gap_hours: float = 0.0,
    progress: Callable[[int, int], None] | None = None,
) -> UnitPlan:
    """The best set of `units` units found for a goal, and how it grows from one unit on.

    found            the best single facing for the goal, where it is known
    most_use_kwh     what the load asks for a year, for the goal "load"
    until_gap_hours  stop growing once the longest gap is no longer than this
    """
    single = best_facing(prospect, goal, units=units if goal == "load" else 1) if found is None else found
    candidates = spread(prospect, goal, single.facing)
    items = features(prospect, goal, candidates.facings)
    chooser, holds_for = _chooser(prospect, goal, candidates, items, single, most_use_kwh)
    growth = Growth(chooser)
    curve: list[Ability] = []
    curve_mounts: list[tuple[Mount, ...]] = []
    for count in range(1, units + 1):
        growth.grow()
        chosen = growth.best
        bound = chooser.bound(count, chosen)
        # a set that is as good as can be is left alone
        mounts = _mounts(candidates.facings, chosen)
        slack = {"worst-month": 1e-4 * bound, "shortest-gap": 0.75}.get(goal, np.inf)
        if chooser.value(chosen) < bound - slack:
            mounts = polished(prospect, goal, candidates, chosen)
        able = ability(prospect, goal, mounts, bound)
        curve.append(able)
        curve_mounts.append(mounts)
        if progress is not None:
            progress(count, units)
        if able.longest_gap_hours <= until_gap_hours:
            break
    return UnitPlan(
        goal=goal,
        mounts=curve_mounts[-1],
        best=curve[-1],
        curve=tuple(curve),
        curve_mounts=tuple(curve_mounts),
        candidate_count=candidates.facings.count,
        candidate_step_deg=candidates.step_deg,
        bound_holds_for=holds_for,
    )


def gaps_by_units(
    prospect: Prospect, until_hours: float, most: int, found: Found | None = None
) -> list[tuple[int, float]]:
    """Units and the longest gap, hours, of the best set of so many found, from one unit until a gap is short
    enough.

    As `choose_units` for the shortest gap, without bounds and without the last degrees.
    """
    single = best_facing(prospect, "shortest-gap") if found is None else found
    candidates = spread(prospect, "shortest-gap", single.facing)
    items = features(prospect, "shortest-gap", candidates.facings)
    lists = RunLists.of(items, prospect.track.step_count)
    chooser = GapChooser(lists, None, 0)
    growth = Growth(chooser)
    reached: list[tuple[int, float]] = []
    for count in range(1, most + 1):
        growth.grow()
        gap_steps, _ = longest_gap_steps(chooser.held(growth.best), prospect.track.step_count)
        hours = gap_steps * prospect.track.step_hours
        reached.append((count, hours))
        if hours <= until_hours:
            break
    return reached


def features(prospect: Prospect, goal: Goal, some: Facings) -> list[Any]:
    """What a goal needs to know of each facing: energy, energies by month, stretches of light or power by
    interval."""
    if goal == "annual":
        return list(prospect.annual_kwh(some))
    if goal == "worst-month":
        return list(prospect.month_kwh(some)[:, prospect.whole_months])
    if goal == "load":
        return [prospect.power_w(some, i).astype(np.float32) for i in range(some.count)]
    axes = axes_enu_xyz(some)
    return [
        delivering_runs(prospect.track, prospect.year.ready, axes[i], float(some.tilt_deg[i]))
        for i in range(some.count)
    ]


def _chooser(
    prospect: Prospect,
    goal: Goal,
    candidates: Candidates,
    items: list[Any],
    single: Found,
    most_use_kwh: float,
) -> tuple[Chooser, str]:
    """The chooser of a goal with its bound, and what the bound holds for."""
    everywhere = "every facing"
    listed = f"the {len(items)} facings tried, {candidates.step_deg:.3g} deg apart"
    if goal == "annual":
        return AnnualChooser(np.array(items), single.bound), listed if single.bound is None else everywhere
    if goal == "worst-month":
        if prospect.rolls_matter:
            return MonthChooser(np.stack(items)), listed
        return MonthChooser(np.stack(items), lambda weights: _most_weighted(prospect, weights)), everywhere
    if goal == "load":
        use = prospect.use
        assert use is not None
        return LoadChooser(np.stack(items), use, most_use_kwh, prospect.years), listed
    wide = widened_run_lists(prospect, BOUND_STEP_SHARE * candidates.step_deg)
    dark_steps = round(prospect.dark_gap_hours / prospect.track.step_hours)
    lists = RunLists.of(items, prospect.track.step_count)
    return GapChooser(lists, wide, dark_steps), listed if wide is None else everywhere


def _most_weighted(prospect: Prospect, weights: FloatArray) -> float:
    """The most energy that any facing has when each whole month counts by its weight."""
    factor = np.zeros(len(prospect.months.sky.period_utc))
    factor[prospect.whole_months] = weights
    sky = prospect.months.sky.merged(factor)
    year = prospect.year.with_sky(sky)
    weighted = replace(prospect, year=year, scout=year)
    found = best_facing(weighted, "annual", 2.0)
    bound = annual_bound(weighted, found.score)[0] if found.bound is None else found.bound
    return bound * prospect.years


# ---------------------------------------------------------------- the last degrees


def polished(prospect: Prospect, goal: Goal, candidates: Candidates, chosen: Set) -> tuple[Mount, ...]:
    """The set with each unit moved about a little as long as that helps, as mounts."""
    if len(chosen) > MOST_POLISHED:
        return _mounts(candidates.facings, chosen)
    now = candidates.facings.take(chosen)
    items = features(prospect, goal, now)
    toward = np.linspace(0.0, 315.0, 8)
    for share in POLISH_STEPS:
        for place in range(now.count):
            around = turned_off(now.take([place]), np.full(8, share * candidates.step_deg), toward)
            tried = together(now.take([place]), around)
            reached = features(prospect, goal, around)
            small = _small_chooser(
                prospect, goal, [*items[:place], *items[place + 1 :], items[place], *reached]
            )
            rest = list(range(now.count - 1))
            values = small.with_each(rest)[now.count - 1 :]
            best = int(values.argmax())
            if values[best] > values[0]:
                items[place] = reached[best - 1]
                for column, new in zip(now, tried, strict=True):
                    column[place] = new[best]
    plain = _mounts(candidates.facings, chosen)
    fine = _mounts(now, list(range(now.count)))
    return max((fine, plain), key=lambda mounts: _worth(prospect, goal, mounts))


def _small_chooser(prospect: Prospect, goal: Goal, items: list[Any]) -> Chooser:
    if goal == "worst-month":
        return MonthChooser(np.stack(items))
    return GapChooser(RunLists.of(items, prospect.track.step_count), None, 0)


def _mounts(some: Facings, chosen: Set) -> tuple[Mount, ...]:
    """Distinct facings of a set as mounts with counts, to a hundredth of a degree, by azimuth."""
    found, counts = places(chosen)
    held: Counter[Mount] = Counter()
    for place, count in zip(found, counts, strict=True):
        held[some.mount(int(place))] += int(count)
    mounts = [
        Mount(tilt_deg=m.tilt_deg, azimuth_deg=m.azimuth_deg, roll_deg=m.roll_deg, count=count)
        for m, count in held.items()
    ]
    return tuple(sorted(mounts, key=lambda m: (m.azimuth_deg, m.tilt_deg, m.roll_deg)))


# ---------------------------------------------------------------- what a set does


def ability(prospect: Prospect, goal: Goal, mounts: tuple[Mount, ...], score_bound: float) -> Ability:
    """What mounts do together; `score_bound` is a chooser's bound."""
    some = of_mounts(mounts)
    counts = np.array([mount.count for mount in mounts], dtype=float)
    months = counts @ prospect.month_kwh(some)
    runs = _union(prospect, some)
    gap_steps, gap_from = longest_gap_steps(runs, prospect.track.step_count)
    gap_hours = gap_steps * prospect.track.step_hours
    values = {
        "annual": float(months.sum() / prospect.years),
        "worst-month": float(months[prospect.whole_months].min()),
    }
    value = gap_hours if goal == "shortest-gap" else values.get(goal, 0.0)
    if goal == "load":
        value = _used_kwh(prospect, some, counts)
    bound = -score_bound * prospect.track.step_hours if goal == "shortest-gap" else score_bound
    return Ability(
        units=int(counts.sum()),
        value=value,
        upper_bound=min(bound, value) if goal == "shortest-gap" else max(bound, value),
        annual_kwh=values["annual"],
        worst_month_kwh=values["worst-month"],
        longest_gap_hours=gap_hours,
        longest_gap_start_utc=prospect.track.step_utc(gap_from),
        hours_delivering=float((runs[1] - runs[0]).sum() * prospect.track.step_hours),
    )


def _worth(prospect: Prospect, goal: Goal, mounts: tuple[Mount, ...]) -> float:
    able = ability(prospect, goal, mounts, 0.0)
    return -able.value if goal == "shortest-gap" else able.value


def _union(prospect: Prospect, some: Facings) -> Runs:
    none = np.zeros(0, dtype=np.int64)
    found: Runs = (none, none)
    for runs in features(prospect, "shortest-gap", some):
        found = united(found, runs)
    return found


def _used_kwh(prospect: Prospect, some: Facings, counts: FloatArray) -> float:
    assert prospect.use is not None
    power_w = sum(count * prospect.power_w(some, i) for i, count in enumerate(counts))
    return prospect.use(np.asarray(power_w)) / prospect.years
