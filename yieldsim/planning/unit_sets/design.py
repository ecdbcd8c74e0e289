"""How many units, facing where: sets for a goal, how good they are, how much better any set could be, and
what one more would bring."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.model import Mount
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.best_facing import Found, annual_bound, best_facing
from yieldsim.planning.orientation.mount_frames import Facings, facings_of_axes, of_mounts, together
from yieldsim.planning.orientation.objectives import FacingProblem, Goal, Prospect
from yieldsim.planning.orientation.pattern_search import distinct, even_turns, turned
from yieldsim.planning.sunlight.sunlit_series import runs_of_facings
from yieldsim.planning.unit_sets.candidates import Candidates, at_their_best, spread, widened_run_lists
from yieldsim.planning.unit_sets.max_min_month import MonthChooser, moved_together, sharing_facings
from yieldsim.planning.unit_sets.performance import Ability, Mounts, Watch
from yieldsim.planning.unit_sets.selection import Chooser, LoadChooser, Set, exchanged, places
from yieldsim.planning.unit_sets.set_cover import RunLists
from yieldsim.planning.unit_sets.shortest_gap import GapChooser

FIRST_STEP_SHARE, LAST_STEP_SHARE, FINEST_STEP_SHARE = 0.5, 0.125, 0.008
"""Steps of the last search about each unit of a set, in distances between candidates: the first, and the last of sets
on the way and of the set asked for."""
WAYS, WAYS_ROLLED = 8, 16
"""Turns of a unit that are tried at a time, of optics that roll twice as many."""
MOST_POLISHED, MOST_TRIED = 40, 6000
TOGETHER_DEG, NEXT_TO_NOTHING = 1.0, 3e-4
"""Units turned against each other by less are put on one mount if the set's worth falls by no more than this share."""
DRAWS, DRAWN_UNITS, ROUNDS, ROUNDS_ON_THE_WAY = 4, 16, 4, 1
"""Sets drawn for the poorest month, besides those that were chosen, and more of small ones, until they hold so many units in all;
rounds of moving and choosing anew, for the set asked for and for those on the way to it."""
SINGLE_UNITS = 24
"""So few units are moved each by itself, more of them mount by mount."""
BEST_TOGETHER = 2
"""So many of the sets asked for that were moved in the sky for searching are moved in the finest one."""
BOUND_STEP_SHARE = 0.6
"""Facings that bounds are worked out for stand this much closer than candidates: the closer, the tighter."""
EVERYWHERE = "every orientation"
VALUE_UNIT: dict[Goal, str] = {
    "annual": "kWh per year",
    "worst-month": "kWh in the worst month",
    "shortest-gap": "hours",
    "load": "kWh used per year",
}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class UnitPlan:
    """The chosen set, and the sets for every smaller number of units.

    candidate_count, candidate_step_deg   facings that sets were chosen from, and how far apart on the sky; None where
        all units face the one best way
    bound_holds_for                       what facings the bounds speak of
    """

    goal: Goal
    mounts: Mounts
    best: Ability
    curve: tuple[Ability, ...]
    curve_mounts: tuple[Mounts, ...]
    candidate_count: int | None
    candidate_step_deg: float | None
    bound_holds_for: str


def choose_units(
    prospect: Prospect,
    goal: Goal,
    units: int,
    *,
    found: Found | None = None,
    most_use_kwh: float = np.inf,
    progress: Callable[[int, int], None] | None = None,
) -> UnitPlan:
    """The best set of `units` units found for a goal, and how it grows from one unit on.

    found          the best facing for the goal, where it is known; its bound is for one unit
    most_use_kwh   what the load asks for a year, for the goal "load"
    """
    single = best_facing(FacingProblem(prospect, goal)) if found is None else found
    watch = Watch(prospect, goal)
    if goal == "annual":
        return _all_alike(watch, single, units, progress)
    candidates = spread(prospect, goal)
    some = candidates.facings
    if goal == "load" and prospect.rolls_matter:
        some = at_their_best(prospect, some, candidates.step_deg)
    some = together(_at_hand(prospect, goal, single.facing), some)
    candidates, items = replace(candidates, facings=some), features(prospect, goal, some)
    chooser, holds_for = _chooser(prospect, goal, candidates, items, most_use_kwh)
    chosen: Set = []
    curve: list[Ability] = []
    curve_mounts: list[Mounts] = []
    for count in range(1, units + 1):
        larger = chooser.larger(chosen)
        chosen = max(larger, key=chooser.value)
        bound = chooser.bound(count, chosen)
        # what no facing at all can better; a bound over the candidates may yet be beaten between them
        known = (
            bound
            if holds_for == EVERYWHERE
            else -chooser.dark_steps
            if isinstance(chooser, GapChooser)
            else most_use_kwh
            if goal == "load"
            else np.inf
        )
        slack = 0.75 if goal == "shortest-gap" else 1e-4 * bound
        thorough = count in (1, units)
        mounts = _mounts(some, chosen)
        if chooser.value(chosen) < known - slack and (thorough or count <= MOST_POLISHED):
            if isinstance(chooser, MonthChooser):
                drawn = chooser.drawn(count, max(DRAWS, DRAWN_UNITS // count))
                sets = distinct_sets([*larger, *(begun(chooser, one) for one in drawn)])
                some, moved, on_each = shared(prospect, some, chooser, sets, thorough=thorough)
            else:
                mounts = polished(prospect, goal, some, candidates.step_deg, chosen, watch, thorough=thorough)
                moved, on_each = of_mounts(mounts), np.array([mount.count for mount in mounts])
            if isinstance(chooser, MonthChooser | LoadChooser):
                # later sets may take what this one reached
                chooser.add(np.stack(features(prospect, goal, moved)))
                chosen = [int(place) for place in some.count + np.repeat(np.arange(moved.count), on_each)]
                some = together(some, moved)
            if goal == "worst-month":
                mounts = gathered(max((_mounts(some, chosen), mounts), key=watch.worth), watch)
        curve.append(watch.ability(mounts, bound))
        curve_mounts.append(mounts)
        if progress is not None:
            progress(count, units)
    # no facing of any kind can shorten the site's own darkness, nor a load use more than it asks for
    if (goal == "shortest-gap" and curve[-1].upper_bound <= prospect.dark_gap_hours) or (
        goal == "load" and curve[-1].upper_bound >= most_use_kwh
    ):
        holds_for = EVERYWHERE
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


def _all_alike(
    watch: Watch, single: Found, units: int, progress: Callable[[int, int], None] | None
) -> UnitPlan:
    """Sets for the year's energy: energies add up, so the best facing is the best for any number of units."""
    curve_mounts = tuple((single.facing.mount(0, count),) for count in range(1, units + 1))
    most = single.score if single.bound is None else single.bound
    curve = tuple(watch.ability(mounts, most * mounts[0].count) for mounts in curve_mounts)
    if progress is not None:
        for count in range(1, units + 1):
            progress(count, units)
    return UnitPlan(
        goal="annual",
        mounts=curve_mounts[-1],
        best=curve[-1],
        curve=curve,
        curve_mounts=curve_mounts,
        candidate_count=None,
        candidate_step_deg=None,
        bound_holds_for="the orientations that the search tried" if single.bound is None else EVERYWHERE,
    )


def _at_hand(prospect: Prospect, goal: Goal, best: Facings) -> Facings:
    """The facings that must be among the candidates: the best one and, of two-angle optics, those that share the year."""
    if not prospect.rolls_matter or goal == "shortest-gap":
        return best
    return together(best, sharing_facings(prospect))


def features(prospect: Prospect, goal: Goal, some: Facings) -> list[Any]:
    """What a goal needs to know of each facing: energies by month, stretches of light or power by interval."""
    if goal == "worst-month":
        return list(prospect.month_kwh(some)[:, prospect.whole_months])
    if goal == "load":
        return list(prospect.power_w(some).astype(np.float32))
    return runs_of_facings(prospect.track, prospect.year.ready, some.axes_enu_xyz, some.tilt_deg)


def _chooser(
    prospect: Prospect,
    goal: Goal,
    candidates: Candidates,
    items: list[Any],
    most_use_kwh: float,
) -> tuple[Chooser, str]:
    """The chooser of a goal with its bound, and what the bound holds for."""
    listed = f"the {len(items)} orientations tried, {candidates.step_deg:.3g} deg apart"
    if goal == "worst-month":
        kwh = np.stack(items)
        if prospect.rolls_matter:
            return MonthChooser(
                kwh, lambda weights: _most_listed(prospect, candidates.facings, kwh, weights)
            ), listed
        return MonthChooser(kwh, lambda weights: _most_weighted(prospect, weights)), EVERYWHERE
    if goal == "load":
        use = prospect.use
        assert use is not None
        return LoadChooser(np.stack(items), use, most_use_kwh, prospect.years), listed
    wide = widened_run_lists(prospect, BOUND_STEP_SHARE * candidates.step_deg)
    dark_steps = round(prospect.dark_gap_hours / prospect.track.step_hours)
    lists = RunLists.of(items, prospect.track.step_count)
    return GapChooser(lists, wide, dark_steps), listed if wide is None else EVERYWHERE


def _most_listed(prospect: Prospect, some: Facings, kwh: FloatArray, weights: FloatArray) -> float:
    """The most energy that any of the facings has when each whole month counts by its weight, with what the cells of sky
    may have left out of it."""
    best = some.take([int((kwh @ weights).argmax())])
    error = prospect.months.cell_error_kwh(best.axes_enu_xyz, best.tilt_deg)
    return float((kwh @ weights).max() + weights.max() * error[0])


def _most_weighted(prospect: Prospect, weights: FloatArray) -> float:
    """The most energy that any facing has when each whole month counts by its weight."""
    factor = np.zeros(prospect.months.sky.run_months.count)
    factor[prospect.whole_months] = weights
    sky = prospect.months.sky.merged(factor)
    year = prospect.year.with_sky(sky)
    weighted = replace(prospect, year=year, scout=year)
    found = best_facing(FacingProblem(weighted, "annual"), 2.0)
    bound = annual_bound(weighted, found.score)[0] if found.bound is None else found.bound
    return bound * prospect.years


# ---------------------------------------------------------------- the last degrees


def shared(
    prospect: Prospect, some: Facings, chooser: MonthChooser, sets: list[Set], *, thorough: bool
) -> tuple[Facings, Facings, NDArray[np.int64]]:
    """The candidates with those that were reached, the best mounts for the poorest month, and the units on each.

    All mounts of a set are moved at once, in the sky for searching. What they come to joins the candidates; from these the best set is
    improved by exchanges, another one chosen anew, and both are moved in their turn. The best ends are moved in the finest sky.
    """
    reached: list[tuple[float, Set]] = []
    before_turn = -np.inf
    for turn in range(ROUNDS if thorough else ROUNDS_ON_THE_WAY):
        if turn > 0:
            highest, best = max(reached, key=lambda end: end[0])
            if highest <= before_turn:
                break
            before_turn = highest
            sets = distinct_sets([exchanged(chooser, one) for one in (best, chooser.whole(len(best)))])
        before = some.count
        for one in sets:
            found, counts = singly(one)
            moved, worth = moved_together(prospect, some.take(found), counts, scout=True)
            reached.append(
                (worth, [int(place) for place in np.repeat(some.count + np.arange(moved.count), counts)])
            )
            some = together(some, moved)
        new = prospect.month_kwh(some.take(slice(before, None)), scout=True)
        chooser.add(new[:, prospect.whole_months])
    reached.sort(key=lambda end: -end[0])
    ends = [singly(one) for _, one in reached[: BEST_TOGETHER if thorough else 1]]
    last = [(*moved_together(prospect, some.take(found), counts), counts) for found, counts in ends]
    moved, _, counts = max(last, key=lambda end: end[1])
    return some, moved, counts


def begun(chooser: MonthChooser, drawn: Set) -> Set:
    """A drawn set after exchanges; itself where they leave a month without light: they would make all sets one, the best of the
    year, which no small turn brings light in that month."""
    better = exchanged(chooser, drawn)
    return better if chooser.poorest_kwh(better) > 0.0 else drawn


def distinct_sets(sets: list[Set]) -> list[Set]:
    """Each set once."""
    return list({tuple(sorted(one)): one for one in sets}.values())


def singly(chosen: Set) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Places and counts of a set: of few units each on a mount of its own, which may leave others that it began with."""
    if len(chosen) <= SINGLE_UNITS:
        return np.array(chosen, dtype=np.int64), np.ones(len(chosen), np.int64)
    return places(chosen)


def polished(
    prospect: Prospect,
    goal: Goal,
    some: Facings,
    step_deg: float,
    chosen: Set,
    watch: Watch,
    *,
    thorough: bool,
) -> Mounts:
    """The set with its units moved one by one beside the rest as long as that helps, as mounts: gaps and loads don't add up.

    In even steps: the search of single facings in their place uses up to 0.8 % less of the light for a load (4 troughs at the
    Moon's equator, on Mercury's rim), and takes a tenth longer for gaps.
    step_deg   distance between candidates
    thorough   until no step down to FINEST_STEP_SHARE helps, or MOST_TRIED were tried; else a few steps
    """
    plain, now = _mounts(some, chosen), some.take(chosen)
    items = features(prospect, goal, now)
    share, turn, tried, ways = FIRST_STEP_SHARE, 0, 0, WAYS_ROLLED if prospect.rolls_matter else WAYS
    while share >= (FINEST_STEP_SHARE if thorough else LAST_STEP_SHARE) and tried < MOST_TRIED:
        helped = False
        for place in range(now.count):
            one = now.take([place])
            ring = share * step_deg * even_turns(ways, turn, prospect.rolls_matter)
            around = facings_of_axes(turned(one.axes_enu_xyz, ring))
            if not prospect.rolls_matter:
                around = around._replace(roll_deg=np.zeros(ways))
            reached = features(prospect, goal, around)
            rest = [*items[:place], *items[place + 1 :]]
            small = _small_chooser(prospect, goal, [*rest, items[place], *reached])
            values = small.with_each(list(range(len(rest))))[len(rest) :]
            best = int(values.argmax())
            if values[best] > values[0]:
                helped, items[place] = True, reached[best - 1]
                for column, new in zip(now, around, strict=True):
                    column[place] = new[best - 1]
            tried += around.count
        turn += 1
        if not (thorough and helped):
            share /= 2.0
    return max((_mounts(now, list(range(now.count))), plain), key=watch.worth)


def gathered(mounts: Mounts, watch: Watch) -> Mounts:
    """A set with units that face nearly the same way put on one mount, where that costs next to nothing."""
    least = watch.worth(mounts) * (1.0 - NEXT_TO_NOTHING)
    for mount in sorted(mounts, key=lambda one: one.count):
        if mount not in mounts:
            continue  # another has joined it
        rest = tuple(one for one in mounts if one != mount)
        for other in sorted(rest, key=lambda one: -one.count):
            if len(distinct(of_mounts((mount, other)).axes_enu_xyz, np.zeros(2), TOGETHER_DEG, 2)) == 2:
                continue
            fewer = tuple(
                replace(one, count=one.count + mount.count) if one == other else one for one in rest
            )
            if watch.worth(fewer) >= least:
                mounts = fewer
                break
    return mounts


def _small_chooser(prospect: Prospect, goal: Goal, items: list[Any]) -> Chooser:
    if goal == "load":
        assert prospect.use is not None
        return LoadChooser(np.stack(items), prospect.use, np.inf, prospect.years)
    return GapChooser(RunLists.of(items, prospect.track.step_count), None, 0)


def _mounts(some: Facings, chosen: Set) -> Mounts:
    """Distinct facings of a set as mounts with counts, to a hundredth of a degree, by azimuth."""
    found, counts = places(chosen)
    held: Counter[Mount] = Counter()
    for place, count in zip(found, counts, strict=True):
        held[some.mount(int(place))] += int(count)
    mounts = [replace(mount, count=count) for mount, count in held.items()]
    return tuple(sorted(mounts, key=lambda m: (m.azimuth_deg, m.tilt_deg, m.roll_deg)))
