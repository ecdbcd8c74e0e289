"""The best facing for a goal: a grid over the whole sky, the promising places in it, and a search below the
grid from each.

The search (`pattern_search`) turns a facing by a step in many directions, two-angle optics in roll besides, keeps what is
better and halves the step where nothing is. It needs no slopes, which worst months and gaps do not have. Round optics also get
a bound that no facing can exceed: the sky is cut into patches of facings, and a patch is bounded by reading the sky through an
acceptance widened by the patch's own radius; patches that can't beat the best are dropped, the others cut in four.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_envelopes import beyond_corners, widened
from yieldsim.planning.orientation.mount_frames import (
    Facings,
    facings,
    of_mounts,
    together,
)
from yieldsim.planning.orientation.multistart import grid_step_deg, starts
from yieldsim.planning.orientation.objectives import FacingProblem, Goal, Prospect
from yieldsim.planning.orientation.pattern_search import LITTLE, distinct, search_turned

FINEST_DEG = 0.04
"""Where the search stops; whole hundredths of a degree are tried after it."""
DISTINCT_DEG = 1.0
"""So many of the best are, if they are turned against each other by more than this."""
MOST_HUNDREDTHS = 20
"""So many hundredths of a degree a facing is moved at most when it is put in whole ones."""
BOUND_STEP_DEG = 8.0
BOUND_READINGS = 1e7
"""About how many blocks of sky may be read for a bound: a narrow acceptance reads few for each facing."""
BOUND_FACINGS = (5_000, 25_000)
BOUND_TOLERANCE = 1e-3
SMALL_PATCH = 0.06
"""Patches whose half-diagonal is below this share of the reach are bounded from their corners."""
NEAR_POLES_DEG = 20.0
"""Nearer to zenith and nadir a facing is too far off the mean of its patch's corners for that."""
MOST_CENTRES = 64
"""So many middles of patches are looked at where something is to be added to what each delivers."""
CORNERS_PER_DEG = 1e7
"""Corners of patches are one where they agree to so fine a step."""
Added = Callable[[FloatArray, FloatArray, FloatArray, FloatArray], FloatArray]
"""The most that is added, kWh a year, within half tilts of tilts and half azimuths of azimuths, degrees, (n,) each."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Found:
    """The best facing of a problem, and a bound: no facing at all exceeds it (None: not asked for, or not known for this goal or
    these optics)."""

    goal: Goal
    facing: Facings
    score: float
    bound: float | None = None


def best_facing(problem: FacingProblem, step_deg: float = 1.0, *, bounded: bool = True) -> Found:
    """The best facing, refined below a grid of step_deg.

    bounded   work out the bound too, and go on from a better facing that is met on the way
    """
    prospect, units, rolls = problem.prospect, problem.units, problem.prospect.rolls_matter
    step = grid_step_deg(problem, step_deg)
    some = starts(problem, step)
    if some.count == 0:
        nothing = facings(0.0, 0.0)
        return Found(goal=problem.goal, facing=nothing, score=float(problem.score(nothing)[0]), bound=0.0)
    reached, values = searched(problem, some, step / 2.0)
    bound = None
    if bounded and problem.goal == "annual" and not rolls:
        most, better = annual_bound(prospect, float(values[0]) / units)
        if better is not None:
            reached, values = searched(problem, together(reached.take([0]), better), 0.25)
        bound = max(units * most, float(values[0]))
    # outages change by whole steps, and facings of equal ones lead there
    little = 0.0 if problem.goal == "shortest-gap" else LITTLE
    facing, best = in_hundredths(problem.score, reached, rolls=rolls, little=little)
    return Found(goal=problem.goal, facing=facing, score=best, bound=bound)


def searched(problem: FacingProblem, some: Facings, step_deg: float) -> tuple[Facings, FloatArray]:
    """Where the search below the grid ends, best first, and the scores: from all starts in the sky for searching, then from
    the best few in the finest cells and steps."""
    effort, rolls = problem.effort, problem.prospect.rolls_matter
    exact_from_deg = effort.exact_from_deg[rolls]
    reached, values = search_turned(
        problem.scouted, problem.worth, some, step_deg,
        finest_deg=exact_from_deg, patience=effort.patience,
        survivors=effort.ends, rolls=rolls,
    )  # fmt: skip
    few = reached.take(distinct(reached.axes_enu_xyz, values, DISTINCT_DEG, effort.ends))
    return search_turned(
        problem.measures, problem.worth, few, exact_from_deg,
        finest_deg=FINEST_DEG, patience=effort.patience, survivors=1, rolls=rolls,
    )  # fmt: skip


def in_hundredths(
    score: Callable[[Facings, FloatArray | None], FloatArray],
    some: Facings,
    *,
    rolls: bool = False,
    little: float = 0.0,
) -> tuple[Facings, float]:
    """The best facing in whole hundredths of a degree around any of some, and its score.

    Gaps may change by a day from one hundredth to the next, poorest months of narrow tables by a hundredth: the one that is
    reported is the one that is meant.
    little   a smaller share of the score is no gain
    """
    aside = np.array([-0.01, 0.0, 0.01])
    around = np.meshgrid(aside, aside, aside if rolls else np.zeros(1), indexing="ij")

    def whole(some: Facings, *off: FloatArray) -> Facings:
        tilt, azimuth, roll = (column[:, None] + one.ravel() for column, one in zip(some, off, strict=True))
        near = facings(np.clip(tilt, 0.0, 180.0), azimuth, roll)
        return of_mounts(tuple(near.mount(place) for place in range(near.count)))

    near = whole(some, *np.zeros((3, 1)))
    values = score(near, None)
    best, reached = near.take([int(values.argmax())]), float(values.max())
    for _ in range(MOST_HUNDREDTHS):
        near = whole(near, *around)
        values = score(near, np.full(near.count, reached))
        if values.max() <= reached + little * abs(reached):
            break
        best = near = near.take([int(values.argmax())])
        reached = float(values.max())
    return best, reached


# ---------------------------------------------------------------- a bound


def annual_bound(
    prospect: Prospect, best_kwh: float, effort: float = 1.0, added: Added | None = None, tolerance: float = BOUND_TOLERANCE
) -> tuple[float, Facings | None]:  # fmt: skip
    """An energy, kWh a year, that no facing of round optics exceeds, and the most promising facing met on the
    way if it beats best_kwh.

    effort   so many times as many patches may be looked at: where many facings are nearly the best
    added    what facings are worth beside their energy
    tolerance   so near to the best energy it may end, as a share of that

    The bound of the compression to cells, at the facing with the highest bound, is added to it.
    """
    half = BOUND_STEP_DEG / 2.0
    rows = []
    for middle in np.arange(half, 180.0, BOUND_STEP_DEG):
        # patches no wider than high, so that the corners lie within half times the root of two
        widest = np.sin(np.radians(np.clip(90.0, middle - half, middle + half)))
        count = int(np.ceil(180.0 * widest / half))
        rows.append(facings(middle, (np.arange(count) + 0.5) * 360.0 / count, 180.0 / count))
    patches = together(*rows)
    rate_of = prospect.year.sky.dust.rate_of_tilt
    cone_share = (1.0 - np.cos(prospect.year.ready.reach_rad)) / 2.0
    readings = 50.0 + 4.0 * len(prospect.year.bands.block) * cone_share
    most = int(effort * np.clip(BOUND_READINGS / readings, *BOUND_FACINGS))
    spent, better, settled = 0, None, 0.0
    beside = np.full(patches.count, 0.0 if added is None else np.inf)
    while True:
        tilt, azimuth, half_azimuth = patches
        middles = Facings(tilt, azimuth, np.zeros_like(tilt))
        by_rad = float(np.radians(half * np.sqrt(2.0)))
        # the cleanest rate of dust within a patch is that of one of its ends
        rate = np.minimum(*(rate_of(np.clip(tilt + side, 0.0, 180.0)) for side in (-half, half)))
        small = by_rad < SMALL_PATCH * prospect.year.ready.reach_rad
        from_corners = small & (np.abs(tilt - 90.0) < 90.0 - NEAR_POLES_DEG - half)
        bound = np.empty(len(tilt))
        for own, way in ((~from_corners, widened), (from_corners, beyond_corners)):
            if own.any():
                read = prospect.year.with_lookup(way(prospect.year.ready, by_rad))
                bound[own] = read.period_kwh(
                    middles.take(np.flatnonzero(own)).axes_enu_xyz, tilt[own], rate[own]
                ).sum(axis=1)
        bound[from_corners] += _most_at_corners(prospect, patches.take(np.flatnonzero(from_corners)), half)
        bound = bound / prospect.years
        settled = max(settled, best_kwh * (1.0 + tolerance))
        if added is not None:
            # a part of a patch adds no more than all of it
            told = np.flatnonzero(bound + beside > settled)
            most_added = added(tilt[told], np.full(len(told), half), azimuth[told], half_azimuth[told])
            beside[told] = np.minimum(beside[told], most_added)
        bound = bound + beside
        spent += 2 * len(tilt)
        open_places = np.flatnonzero(bound > settled)
        # where there are too many for what is left, the highest are cut: half of that now, the rest for what they are cut into
        room = max(most - spent, 0) // 16
        if len(open_places) > 2 * room:
            by_bound = open_places[np.argsort(-bound[open_places], kind="stable")]
            open_places = np.sort(by_bound[:room])
            settled = float(bound[by_bound[room]])
        if len(open_places) == 0 or half < 0.01:
            break
        half /= 2.0
        quarter = half_azimuth[open_places][:, None] / 2.0
        patches = facings(
            tilt[open_places][:, None] + half * np.array([-1.0, -1.0, 1.0, 1.0]),
            azimuth[open_places][:, None] + quarter * np.array([-1.0, 1.0, -1.0, 1.0]),
            quarter,
        )
        centres = Facings(patches.tilt_deg, patches.azimuth_deg, np.zeros(patches.count))
        value, beside = prospect.annual_kwh(centres), np.repeat(beside[open_places], 4)
        if added is not None:
            # of those that may be best
            few = np.argsort(-(value + beside), kind="stable")[:MOST_CENTRES]
            still = np.zeros(len(few))
            in_all = value[few] + added(patches.tilt_deg[few], still, patches.azimuth_deg[few], still)
            value = np.full(patches.count, -np.inf)
            value[few] = in_all
        if value.max() > best_kwh:
            best_kwh, better = float(value.max()), centres.take([int(value.argmax())])
    highest = middles.take([int(bound.argmax())])
    error = float(prospect.year.cell_error_kwh(highest.axes_enu_xyz, highest.tilt_deg)[0]) / prospect.years
    return max(float(bound.max(initial=0.0)), settled) + error, better


def _most_at_corners(prospect: Prospect, patches: Facings, half_deg: float) -> FloatArray:
    """The most energy over the run at the corners of patches, (n,), at the cleanest rate of dust within any patch that shares them."""
    tilt, azimuth, half_azimuth = patches
    sides = np.array([[-1.0, -1.0], [-1.0, 1.0], [1.0, -1.0], [1.0, 1.0]])
    tilts = (tilt[:, None] + half_deg * sides[:, 0]).ravel()
    azimuths = np.mod((azimuth[:, None] + half_azimuth[:, None] * sides[:, 1]).ravel(), 360.0)
    # as whole numbers, which are told apart in a third of the time that pairs take
    fine = np.rint(np.stack([tilts, azimuths]) * CORNERS_PER_DEG).astype(np.int64)
    turn = round(360.0 * CORNERS_PER_DEG) + 1
    numbers, of = np.unique(fine[0] * turn + fine[1], return_inverse=True)
    if len(numbers) == 0:
        return np.zeros(0)
    corners = np.stack(np.divmod(numbers, turn), axis=1) / CORNERS_PER_DEG
    rate_of = prospect.year.sky.dust.rate_of_tilt
    rate = np.min(
        [
            rate_of(np.clip(corners[:, 0] + side, 0.0, 180.0))
            for side in (-2.0 * half_deg, 0.0, 2.0 * half_deg)
        ],
        axis=0,
    )
    axes = facings(corners[:, 0], corners[:, 1], 0.0).axes_enu_xyz
    found = prospect.year.period_kwh(axes, corners[:, 0], rate).sum(axis=1)
    return np.asarray(found[of.ravel()].reshape(-1, 4).max(axis=1))
