"""Where the search for the best facing starts: the promising places of a grid, well apart.

Round optics: a grid of the sky, judged by the goal. Two angles: facings and rolls from coarse to fine through smeared
tables (`smeared`) for energies, which have means; the facings at their best rolls and at others for gaps and loads.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.coarse_to_fine import Coarse, finer
from yieldsim.planning.orientation.mount_frames import (
    Facings,
    axes_enu_xyz,
    facings,
    spread_over_sky,
    together,
)
from yieldsim.planning.orientation.objectives import Goal, Prospect
from yieldsim.planning.orientation.pattern_search import distinct

Score = Callable[[Facings, FloatArray | None], FloatArray]
"""Scores (n,) of facings; those that can't reach the given scores (n,) may be minus infinity."""
STEP_PER_REACH, FINEST_GRID_DEG, WIDEST_GRID_DEG = 0.35, 1.0, 5.0
"""Distance of the facings of a grid, in reaches of the acceptance and within limits."""
GRID_DEG: dict[Goal, float] = {"shortest-gap": 2.0, "load": 5.0}
"""Whatever the optics: gaps jump from one facing to the next, and by the reach alone came out up to 0.7 % longer."""
SEEDS: dict[Goal, int] = {"annual": 24, "worst-month": 24, "shortest-gap": 16, "load": 4}
"""Places that are searched from, twice as many where facings roll; judging a facing for a load takes a run of its store."""
FEW_PER_SEED = 15
"""So many times as many facings of a grid are judged before the rest, to tell which of these are worth it."""
PER_SEED = 8
"""Gaps are followed to their ends at about so many times as many facings of a grid as there may be seeds: neighbours of one place."""
KEPT = 1000
"""Patches of turns that are cut up at each level."""
SEED_APART_DEG = 4.0
"""Seeds that are turned against each other by less lead to the same place."""
OTHER_ROLLS_DEG, OTHER_GRID_DEG = 30.0, 12.0
"""The best two-angle facings of a grid are judged at other rolls too, and for gaps a coarse grid at all of them."""
LEAST_LIGHT = 0.3
"""A facing that delivers less than this share of what a load uses at another is not tried for it."""
NO_LIGHT = 1e-3
"""Facings with a smaller share of the best one's energy are left out."""


def grid_step_deg(prospect: Prospect, goal: Goal, least_deg: float) -> float:
    """Distance of the facings of a grid for a goal."""
    by_reach = STEP_PER_REACH * math.degrees(prospect.year.ready.reach_rad)
    step = GRID_DEG.get(goal, min(max(by_reach, FINEST_GRID_DEG), WIDEST_GRID_DEG))
    return max(step, least_deg)


def seeds_of_grid(prospect: Prospect, goal: Goal, units: int, step_deg: float) -> Facings:
    """The promising places of a grid of facings step_deg apart, best first; none where no light is."""
    grid = spread_over_sky(step_deg, np.zeros(1))
    grid, annual = _with_light(grid, prospect.annual_kwh(grid))
    if grid.count == 0:
        return grid
    scores = annual
    if goal != "annual":
        grid, scores = _grid_scores(prospect, goal, grid, units * annual, _scouted(prospect, goal, units))
    return apart(grid, scores, 1.5 * step_deg, SEEDS[goal])[0]


def rolled_seeds(prospect: Prospect, goal: Goal, units: int, step_deg: float) -> Facings:
    """The promising facings and rolls of two-angle optics, best first; none where no light is."""
    coarse = prospect.coarse
    assert coarse is not None
    if goal in ("annual", "worst-month"):
        return _from_coarse_to_fine(prospect, goal, coarse)
    grid, annual = _with_light(coarse.rolled, prospect.annual_kwh(coarse.rolled, scout=True))
    if grid.count == 0:
        return grid
    score = _scouted(prospect, goal, units)
    if goal == "load":
        # judging a facing takes a run of the store: those that are best for the year or its poorest month, and a few others
        grid = together(
            _from_coarse_to_fine(prospect, "annual", coarse),
            _from_coarse_to_fine(prospect, "worst-month", coarse),
            apart(grid, annual, OTHER_GRID_DEG, FEW_PER_SEED * SEEDS["load"])[0],
        )
        scores = score(grid, None)
        grid, scores = _at_other_rolls(goal, grid, scores, 1.5 * step_deg, score)
    else:
        grid, scores = _grid_scores(prospect, goal, grid, units * annual, score)
        grid, scores = _at_other_rolls(goal, grid, scores, 1.5 * step_deg, score)
    return grid.take(distinct(axes_enu_xyz(grid), scores, SEED_APART_DEG, 2 * SEEDS[goal]))


def _from_coarse_to_fine(prospect: Prospect, goal: Goal, coarse: Coarse) -> Facings:
    """The best patches of turns at each level are cut up for the next; the last are judged by the table itself."""
    some, annual = _with_light(coarse.grid, coarse.annual_kwh / prospect.years)
    if some.count == 0:
        return some
    scores = annual
    for number, level in enumerate(coarse.levels):
        through = replace(prospect, scout=level.year, scout_months=level.months)
        score = _scouted(through, goal, 1)
        if number > 0:
            some = finer(_best(some, scores), coarse.levels[number - 1], level)
            scores = score(some, None)
        elif goal != "annual":
            some, scores = _grid_scores(through, goal, some, annual, score)
    some = _best(some, scores)
    scores = _scouted(prospect, goal, 1)(some, None)
    return some.take(distinct(axes_enu_xyz(some), scores, SEED_APART_DEG, 2 * SEEDS[goal]))


def _best(some: Facings, scores: FloatArray) -> Facings:
    return some.take(np.argsort(-scores, kind="stable")[:KEPT])


def _scouted(prospect: Prospect, goal: Goal, units: int) -> Score:
    return lambda some, at_least: prospect.score(goal, some, units, at_least=at_least, scout=True)


def _with_light(grid: Facings, annual_kwh: FloatArray) -> tuple[Facings, FloatArray]:
    worth = annual_kwh > NO_LIGHT * float(annual_kwh.max(initial=0.0))
    return grid.take(worth), annual_kwh[worth]


def _grid_scores(
    prospect: Prospect, goal: Goal, grid: Facings, kwh: FloatArray, score: Score
) -> tuple[Facings, FloatArray]:
    """Facings of a grid worth scoring and their scores, judged by a few of them.

    A worst month is at most the mean of the months; a load uses little more than the light there is; a gap is
    followed to its end only where it is not far longer than the shortest of the few, nor than most of theirs.

    kwh   (n,)  energy of all units a year
    """
    few = grid.take(slice(None, None, max(1, grid.count // (FEW_PER_SEED * SEEDS[goal]))))
    few_scores = np.sort(score(few, None))[::-1]
    reached = float(few_scores[0])
    if goal == "worst-month":
        mean = kwh * prospect.years / int(prospect.whole_months.sum())
        grid = grid.take(mean > 0.8 * reached)
    if goal == "load":
        grid = grid.take(kwh > LEAST_LIGHT * reached)
    if goal == "shortest-gap":
        enough = few_scores[
            min(math.ceil(PER_SEED * 2 * SEEDS[goal] * few.count / grid.count), few.count) - 1
        ]
        return grid, score(grid, np.full(grid.count, max(1.3 * reached - 1.0, float(enough))))
    return grid, score(grid, None)


def _at_other_rolls(
    goal: Goal, grid: Facings, scores: FloatArray, apart_deg: float, score: Score
) -> tuple[Facings, FloatArray]:
    """A grid, whose rolls were chosen for annual energy, with facings at other rolls added, judged by the goal itself."""
    best, reached = apart(grid, scores, apart_deg, 2 * SEEDS[goal])
    turns = np.arange(OTHER_ROLLS_DEG, 360.0, OTHER_ROLLS_DEG)
    tried = facings(best.tilt_deg[:, None], best.azimuth_deg[:, None], best.roll_deg[:, None] + turns)
    if goal != "load":
        tried = together(tried, spread_over_sky(OTHER_GRID_DEG, np.append(0.0, turns)))
    # places enough are known that reach what the last of these does
    at_least = np.full(tried.count, reached[-1]) if goal == "shortest-gap" else None
    return together(grid, tried), np.concatenate([scores, score(tried, at_least)])


def apart(some: Facings, score: FloatArray, apart_deg: float, most: int) -> tuple[Facings, FloatArray]:
    """The best facings that stand apart from each other, best first, and their scores."""
    normals = axes_enu_xyz(some)[:, 2]
    order = np.argsort(-score, kind="stable")
    chosen: list[int] = []
    near = np.cos(np.radians(apart_deg))
    open_places = np.ones(some.count, dtype=bool)
    for place in order:
        if open_places[place]:
            chosen.append(int(place))
            open_places &= normals @ normals[place] < near
            if len(chosen) == most:
                break
    return some.take(chosen), score[chosen]
