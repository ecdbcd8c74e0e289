"""Where the search for the best facing starts: the promising places of a grid, well apart.

Round optics: a grid of the sky, judged by the goal. Two angles: facings and rolls from coarse to fine through smeared
tables (`smeared_levels`) for energies, which have means; the facings at their best rolls and at others for gaps and loads.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, facings, spread_over_sky, together
from yieldsim.planning.orientation.objectives import EFFORT, FacingProblem, Goal
from yieldsim.planning.orientation.pattern_search import distinct
from yieldsim.planning.orientation.smeared_levels import Coarse, Level, descended, whole_turn_deg

STEP_PER_REACH, FINEST_GRID_DEG, WIDEST_GRID_DEG = 0.35, 1.0, 5.0
"""Distance of the facings of a grid, in reaches of the acceptance and within limits."""
FEW_PER_SEED = 15
"""So many times as many facings of a grid are judged before the rest, to tell which of these are worth it."""
PER_SEED = 8
"""Gaps are followed to their ends at about so many times as many facings of a grid as there may be seeds: neighbours of one place."""
KEPT = 500
"""Patches of turns that are cut up at each level: fewer leave the best year of narrow troughs up to 0.06 % lower."""
SEED_APART_DEG = 4.0
"""Seeds that are turned against each other by less lead to the same place."""
OTHER_ROLLS_DEG, OTHER_GRID_DEG = 30.0, 12.0
"""The best two-angle facings of a grid are judged at other rolls too, and for gaps a coarse grid at all of them."""
LEAST_LIGHT = 0.3
"""A facing that delivers less than this share of what a load uses at another is not tried for it."""
NO_LIGHT = 1e-3
"""Facings with a smaller share of the best one's energy are left out."""


def grid_step_deg(problem: FacingProblem, least_deg: float) -> float:
    """Distance of the facings of a grid for a goal."""
    by_reach = STEP_PER_REACH * math.degrees(problem.prospect.year.ready.reach_rad)
    step = problem.effort.grid_deg or min(max(by_reach, FINEST_GRID_DEG), WIDEST_GRID_DEG)
    return max(step, least_deg)


def starts(problem: FacingProblem, step_deg: float) -> Facings:
    """The promising facings and rolls, best first, from a grid of facings step_deg apart; none where no light is."""
    prospect, seeds = problem.prospect, problem.effort.seeds
    if prospect.coarse is not None:
        some, scores = _rolled(problem, prospect.coarse, 1.5 * step_deg)
        return some.take(distinct(some.axes_enu_xyz, scores, SEED_APART_DEG, 2 * seeds))
    grid = spread_over_sky(step_deg, np.zeros(1))
    grid, scores = _judged(problem, *_with_light(grid, prospect.annual_kwh(grid)))
    return grid.take(distinct(grid.axes_enu_xyz, scores, 1.5 * step_deg, seeds, rolls=False))


def _rolled(problem: FacingProblem, coarse: Coarse, apart_deg: float) -> tuple[Facings, FloatArray]:
    """Facings and rolls of two-angle optics, and their scores."""
    prospect, goal = problem.prospect, problem.goal
    if goal in ("annual", "worst-month"):
        some = _from_coarse_to_fine(problem, coarse)
        return some, problem.score(some, scout=True)
    grid, annual = _with_light(coarse.rolled, prospect.annual_kwh(coarse.rolled, scout=True))
    if goal == "shortest-gap":
        return _at_other_rolls(problem, *_judged(problem, grid, annual), apart_deg)
    # those that are best for the year or its poorest month, and a few others
    few = distinct(
        grid.axes_enu_xyz, annual, OTHER_GRID_DEG, FEW_PER_SEED * problem.effort.seeds, rolls=False
    )
    energies: tuple[Goal, ...] = ("annual", "worst-month")
    grid = together(*(_seeds_for(problem, one, coarse) for one in energies), grid.take(few))
    return _at_other_rolls(problem, grid, problem.score(grid, scout=True), apart_deg)


def _seeds_for(problem: FacingProblem, goal: Goal, coarse: Coarse) -> Facings:
    """The seeds of a goal of energy."""
    own = FacingProblem(problem.prospect, goal)
    some = _from_coarse_to_fine(own, coarse)
    return some.take(
        distinct(some.axes_enu_xyz, own.score(some, scout=True), SEED_APART_DEG, 2 * EFFORT[goal].seeds)
    )


def _from_coarse_to_fine(problem: FacingProblem, coarse: Coarse) -> Facings:
    """The best patches of turns at each level are cut up for the next."""
    some, annual = _with_light(coarse.grid, coarse.annual_kwh / problem.prospect.years)

    def kept(some: Facings, level: Level) -> Facings:
        prospect = replace(problem.prospect, scout=level.year, scout_months=level.months)
        through = replace(problem, prospect=prospect, units=1)
        some, scores = (
            _judged(through, some, annual)
            if level is coarse.levels[0]
            else (some, through.score(some, scout=True))
        )
        return some.take(np.argsort(-scores, kind="stable")[:KEPT])

    return descended(coarse.levels, some, kept)


def _with_light(grid: Facings, annual_kwh: FloatArray) -> tuple[Facings, FloatArray]:
    worth = annual_kwh > NO_LIGHT * float(annual_kwh.max(initial=0.0))
    return grid.take(worth), annual_kwh[worth]


def _judged(problem: FacingProblem, grid: Facings, annual_kwh: FloatArray) -> tuple[Facings, FloatArray]:
    """Facings of a grid worth scoring and their scores, judged by a few of them.

    A worst month is at most the mean of the months; a load uses little more than the light there is; a gap is
    followed to its end only where it is not far longer than the shortest of the few, nor than most of theirs.

    annual_kwh   (n,)  of one unit
    """
    prospect, goal, kwh = problem.prospect, problem.goal, problem.units * annual_kwh
    if goal == "annual" or grid.count == 0:
        return grid, kwh
    few = grid.take(slice(None, None, max(1, grid.count // (FEW_PER_SEED * problem.effort.seeds))))
    few_scores = np.sort(problem.score(few, scout=True))[::-1]
    reached = float(few_scores[0])
    at_least = None
    if goal == "worst-month":
        mean = kwh * prospect.years / int(prospect.whole_months.sum())
        grid = grid.take(mean > 0.8 * reached)
    elif goal == "load":
        grid = grid.take(kwh > LEAST_LIGHT * reached)
    else:
        place = math.ceil(PER_SEED * 2 * problem.effort.seeds * few.count / grid.count)
        enough = float(few_scores[min(place, few.count) - 1])
        at_least = np.full(grid.count, max(1.3 * reached - 1.0, enough))
    return grid, problem.score(grid, at_least, scout=True)


def _at_other_rolls(
    problem: FacingProblem, grid: Facings, scores: FloatArray, apart_deg: float
) -> tuple[Facings, FloatArray]:
    """A grid, whose rolls were chosen for annual energy, with facings at other rolls added, judged by the goal itself."""
    if grid.count == 0:
        return grid, scores
    places = distinct(grid.axes_enu_xyz, scores, apart_deg, 2 * problem.effort.seeds, rolls=False)
    best = grid.take(places)
    turns = np.arange(OTHER_ROLLS_DEG, whole_turn_deg(problem.prospect.year), OTHER_ROLLS_DEG)
    tried = facings(best.tilt_deg[:, None], best.azimuth_deg[:, None], best.roll_deg[:, None] + turns)
    at_least = None
    if problem.goal == "shortest-gap":
        tried = together(tried, spread_over_sky(OTHER_GRID_DEG, np.append(0.0, turns)))
        # places enough are known that reach what the last of these does
        at_least = np.full(tried.count, scores[places[-1]])
    return together(grid, tried), np.concatenate([scores, problem.score(tried, at_least, scout=True)])
