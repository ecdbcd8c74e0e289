"""Several units for the poorest month: facings that share the year between them, sets of them, mounts moved together.

One facing at its best for the year says little about what two need: one for the high Sun and one for the low, each at its own
roll. The best mix of fractional units for the poorest month is a linear programme over all facings and rolls; it is solved by
adding the facing that its dual weights (of the months) price highest until none is worth more, and is refined from coarse to
fine like a single facing (`orientation.smeared_levels`). Whole units are an integer programme. The bound is that of the linear
relaxation: by the dual weights y of the months (y >= 0, sum 1), the worst month of any N facings is at most N max over facings of
y . energy.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.native_prints import prints_unheard
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, facings_of_axes, together
from yieldsim.planning.orientation.objectives import FacingProblem, Prospect
from yieldsim.planning.orientation.pattern_search import ROLL_PER_LEAN, distinct, turned
from yieldsim.planning.orientation.smeared_levels import Level, descended
from yieldsim.planning.unit_sets.selection import Set, exchanged, grown

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
TIE = 1e-6
"""A kWh of the year counts so much of one of the poorest month: it decides between equals."""
MOST_PAIRED, PROGRAMMED, NODES = 1500, 60, 50
"""Candidates of which all pairs are tried, of larger sets those that are priced highest, and nodes of their integer programme."""


class Mix(NamedTuple):
    """The best fractional shares of one unit (n,), dual weights of the months, and the poorest month of the mix."""

    share: FloatArray
    weight: FloatArray
    poorest_kwh: float


def best_mix(kwh: FloatArray) -> Mix:
    """By a linear programme over facings' energies by month (n, months)."""
    from scipy.optimize import linprog

    count, months = kwh.shape
    scale = max(float(kwh.max()), 1e-300)
    answer = linprog(
        np.append(np.zeros(count), -1.0),
        A_ub=np.concatenate([-kwh.T / scale, np.ones((months, 1))], axis=1),
        b_ub=np.zeros(months),
        A_eq=np.append(np.ones(count), 0.0)[None],
        b_eq=[1.0],
        method="highs",
    )
    weight = np.maximum(-np.asarray(answer.ineqlin.marginals), 0.0)
    share = np.maximum(answer.x[:-1], 0.0)
    return Mix(share, weight / max(weight.sum(), 1e-300), float(-answer.fun * scale))


class MonthChooser:
    """The poorest month: the candidates' energies by month (n, months).

    most_kwh   weights of the months (months,) to a weighted energy that no facing exceeds; None: the
        candidates are all there are
    """

    def __init__(self, kwh: FloatArray, most_kwh: Callable[[FloatArray], float] | None = None) -> None:
        """Keep them."""
        self._kwh = np.empty((0, kwh.shape[1]))
        self.add(kwh)
        mix = self._mix
        self._first_share = mix.share
        own = mix.poorest_kwh if most_kwh is None else most_kwh(mix.weight)
        self._unit_bound = own + float(self._tie.max(initial=0.0))

    def add(self, kwh: FloatArray) -> None:
        """More candidates, which leave the bound as it is: (more, months)."""
        self._kwh = np.concatenate([self._kwh, kwh])
        self.count, self._tie, self._mix = len(self._kwh), TIE * self._kwh.sum(axis=1), best_mix(self._kwh)

    def value(self, chosen: Set) -> float:
        """Energy of the poorest month; the year's decides between equals."""
        return self.poorest_kwh(chosen) + float(self._tie[chosen].sum())

    def poorest_kwh(self, chosen: Set) -> float:
        """Energy of the poorest month alone."""
        return float(self._kwh[chosen].sum(axis=0).min())

    def with_each(self, chosen: Set) -> FloatArray:
        """The same with one more."""
        reached = self._kwh[chosen].sum(axis=0)[None, :] + self._kwh
        return np.asarray(reached.min(axis=1) + (self._tie[chosen].sum() + self._tie))

    def larger(self, known: Set) -> list[Set]:
        """The best of whole units, after exchanges, and one more."""
        return [exchanged(self, self.whole(len(known) + 1)), grown(self, known)]

    def whole(self, units: int) -> Set:
        """The best set of whole units: two by trying all pairs, more by an integer programme over the candidates that the
        months' weights price highest."""
        if units == 1:
            return grown(self, [])
        own = self._priced(MOST_PAIRED if units == 2 else PROGRAMMED)
        kwh, months = self._kwh[own] / max(float(self._kwh.max()), 1e-300), self._kwh.shape[1]
        if units == 2:
            values = [kwh[:, month, None] + kwh[None, :, month] for month in range(months)]
            pair = np.unravel_index(int(np.minimum.reduce(values).argmax()), (len(own), len(own)))
            return [int(own[place]) for place in pair]
        from scipy.optimize import Bounds, LinearConstraint, milp

        with prints_unheard():
            answer = milp(
                np.append(-TIE * kwh.sum(axis=1), -1.0),
                integrality=np.append(np.ones(len(own)), 0.0),
                bounds=Bounds(0.0, np.append(np.full(len(own), float(units)), np.inf)),
                constraints=[
                    LinearConstraint(np.concatenate([kwh.T, -np.ones((months, 1))], axis=1), 0.0, np.inf),
                    LinearConstraint(np.append(np.ones(len(own)), 0.0)[None], units, units),
                ],
                # nodes, not seconds: the same answer on any machine
                options={"node_limit": NODES, "mip_rel_gap": 1e-3},
            )
        if answer.x is None:
            return [int(own[0])] * units
        return [int(place) for place in np.repeat(own, np.round(answer.x[:-1]).astype(np.int64))]

    def drawn(self, units: int, draws: int) -> list[Set]:
        """Sets drawn by the first candidates' shares in their best mix, the same ones each time."""
        share = self._first_share / self._first_share.sum()
        drawn = np.random.default_rng(units).choice(len(share), (draws, units), p=share)
        return [[int(place) for place in one] for one in drawn]

    def _priced(self, most: int) -> NDArray[np.int64]:
        """The candidates that are worth most by the months' weights, and each month's best."""
        order = np.argsort(-(self._kwh @ self._mix.weight), kind="stable")[:most]
        return np.unique(np.concatenate([order, self._kwh.argmax(axis=0)]))

    def bound(self, units: int, best: Set) -> float:
        """Units times the bound of one divided unit."""
        return units * self._unit_bound


# ---------------------------------------------------------------- facings that share


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
