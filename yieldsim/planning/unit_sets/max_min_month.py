"""Several units that share the year between them: facings for that, and mounts moved together.

One facing at its best for the year says little about what two need: one for the high Sun and one for the low, each at its own
roll. The best mix of fractional units for the poorest month is a linear programme over all facings and rolls; it is solved by
adding the facing that its dual weights (of the months) price highest until none is worth more, and is refined from coarse to
fine like a single facing (`smeared`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.coarse_to_fine import Level, descended
from yieldsim.planning.orientation.mount_frames import Facings, facings_of_axes, together
from yieldsim.planning.orientation.objectives import FacingProblem, Prospect
from yieldsim.planning.orientation.pattern_search import ROLL_PER_LEAN, distinct, turned
from yieldsim.planning.unit_sets.selection import best_mix

LEAST_SHARE = 0.05
"""Facings with a smaller share of the best one's energy a year are left out."""
PRICED, KEPT, ENDS, NEAR_DEG = 120, 400, 40, 3.0
"""Facings added to a mix at most; how many that are priced high go on to the next level, how many are left at the end, and how
far apart those are."""
WORTH_MORE = 1e-3
"""A facing joins a mix if the weights price it higher than the mix by more than this share."""
FIRST_TOGETHER_DEG, SCOUT_TOGETHER_DEG, LAST_TOGETHER_DEG = 4.0, 0.1, 0.03
"""Steps of mounts moved together: the first, the last in the sky for searching, the last in the finest one, where the first is
twice that."""
FEW_MOUNTS = 4
SCOUT_LITTLE, LITTLE, MUCH = 1.0 + 3e-5, 1.0 + 1e-5, 1.0 + 1e-3
"""After a smaller gain the step is halved: in the sky for searching, in the finest one, and where more than a few mounts were
served best by a quarter of it."""


def sharing_facings(prospect: Prospect) -> Facings:
    """Facings and rolls from which the months are best shared, those of the mix first."""
    coarse, whole = prospect.coarse, prospect.whole_months
    assert coarse is not None
    most = float(coarse.annual_kwh.max(initial=0.0))
    some = coarse.grid.take(coarse.annual_kwh > LEAST_SHARE * most)

    def kept(some: Facings, level: Level) -> Facings:
        mix, price = priced_mix(level.months.period_kwh(some.axes_enu_xyz, some.tilt_deg)[:, whole])
        return some.take(np.unique(np.concatenate([mix, np.argsort(-price, kind="stable")[:KEPT]])))

    some = descended(coarse.levels, some, kept)
    kwh = prospect.month_kwh(some, scout=True)[:, whole]
    mix, price = priced_mix(kwh)
    near = distinct(some.axes_enu_xyz, price, NEAR_DEG, ENDS)
    return together(some.take(mix), some.take(near))


def priced_mix(kwh: FloatArray) -> tuple[np.ndarray, FloatArray]:
    """The facings that share in the best mix for the poorest month, and every facing's energy by its dual weights (n,).

    kwh   (n, months)
    """
    price = kwh.mean(axis=1)
    if len(kwh) == 0:
        return np.zeros(0, dtype=np.int64), price
    # one for each month to begin with
    chosen = list(dict.fromkeys([int(price.argmax()), *(int(k) for k in kwh.argmax(axis=0))]))
    share = np.ones(len(chosen))
    for _ in range(PRICED):
        share, weight, poorest_kwh = best_mix(kwh[chosen])
        price = kwh @ weight
        dearest = int(price.argmax())
        if price[dearest] <= poorest_kwh * (1.0 + WORTH_MORE) or dearest in chosen or kwh.shape[1] == 1:
            break
        chosen.append(dearest)
    return np.array([place for place, own in zip(chosen, share, strict=False) if own > 1e-6]), price


def moved_together(
    prospect: Prospect, some: Facings, counts: NDArray[np.int64], *, scout: bool = False
) -> tuple[Facings, float]:
    """A set for the poorest month with all its mounts turned at once, and its worth: its top is an edge where several months are
    equally poor, and no mount gains there by itself.

    counts   (n,)  units on each mount
    Steps by linear programmes: the months' slopes by small turns of each mount to both sides, then the turns within a step
    that lift the poorest month most.
    """
    from scipy.optimize import linprog

    worth = FacingProblem(prospect, "worst-month").worth
    whole, count, rolls = prospect.whole_months, some.count, prospect.rolls_matter
    free = 3 if rolls else 2
    ways = np.concatenate([np.eye(3)[:free], -np.eye(3)[:free]])
    reach = np.tile([1.0, 1.0, ROLL_PER_LEAN][:free], count)
    axes = some.axes_enu_xyz
    last_deg = SCOUT_TOGETHER_DEG if scout else LAST_TOGETHER_DEG
    step_deg = FIRST_TOGETHER_DEG if scout else 2.0 * SCOUT_TOGETHER_DEG
    enough = SCOUT_LITTLE if scout else LITTLE

    def months_of(some: FloatArray) -> FloatArray:
        """Energy by month of all units of each mount, (..., count, months), from axes (..., count, 3, 3)."""
        kwh = prospect.month_kwh(facings_of_axes(some.reshape(-1, 3, 3)), scout=scout)
        return np.asarray(kwh.reshape(*some.shape[:-2], -1) * counts[:, None])

    held = months_of(axes).sum(axis=0)
    value = float(worth(held[None])[0])
    while step_deg >= last_deg:
        aside = 0.3 * step_deg
        around = months_of(np.swapaxes(turned(axes[:, None], aside * ways), 0, 1))
        slope = (around[:free] - around[free:]).swapaxes(0, 1).reshape(free * count, -1) / (2.0 * aside)
        scale = max(float(held.max()), 1e-300)
        answer = linprog(
            np.append(np.zeros(free * count), -1.0),
            A_ub=np.concatenate([-slope[:, whole].T, np.ones((int(whole.sum()), 1))], axis=1) / scale,
            b_ub=held[whole] / scale,
            bounds=[*((-step_deg * far, step_deg * far) for far in reach), (None, None)],
            method="highs-ds",
            # so small a programme takes longer to look through than to solve
            options={"presolve": False},
        )
        helped = False
        if answer.x is not None:
            turn = np.zeros((count, 3))
            turn[:, :free] = answer.x[:-1].reshape(count, free)
            tried = turned(axes, np.array([1.0, 0.5, 0.25])[:, None, None] * turn)
            reached = months_of(tried).sum(axis=1)
            worths = worth(reached)
            best = int(worths.argmax())
            if worths[best] > value:
                # a quarter of it that helps little says that the step is too long; few mounts go far by such
                gain = worths[best] / max(value, 1e-300)
                helped = bool(gain > (enough if best < 2 or count <= FEW_MOUNTS else MUCH))
                axes, held, value = tried[best], reached[best], float(worths[best])
        if not helped:
            step_deg /= 2.0
    found = facings_of_axes(axes)
    return (found if rolls else found._replace(roll_deg=np.zeros(count))), value
