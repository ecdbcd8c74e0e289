"""Several units of two-angle optics that share the year between them: facings for that, and each turned again beside the rest.

One facing at its best for the year says little about what two need: one for the high Sun and one for the low, each at its own
roll. The best mix of fractional units for the poorest month is a linear programme over all facings and rolls; it is solved by
adding the facing that its dual weights (of the months) price highest until none is worth more, and is refined from coarse to
fine like a single facing (`smeared`).
"""

from __future__ import annotations

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.coarse_to_fine import finer
from yieldsim.planning.orientation.mount_frames import Facings, axes_enu_xyz, facings_of_axes, together
from yieldsim.planning.orientation.objectives import Prospect
from yieldsim.planning.orientation.pattern_search import ROLL_PER_LEAN, distinct, search_turned, turned
from yieldsim.planning.unit_sets.selection import MonthChooser

LEAST_SHARE = 0.05
"""Facings with a smaller share of the best one's energy a year are left out."""
PRICED, KEPT, ENDS, NEAR_DEG = 120, 400, 40, 3.0
"""Facings added to a mix at most; how many that are priced high go on to the next level, how many are left at the end, and how
far apart those are."""
WORTH_MORE = 1e-3
"""A facing joins a mix if the weights price it higher than the mix by more than this share."""
ROUNDS, STEP_DEG, FINEST_DEG = 3, 3.0, 0.16
"""Each unit for a load is searched again in at most so many rounds, by steps from the first to the last."""
ENOUGH = 1e-4
"""A round that gains a smaller share is the last."""
FIRST_TOGETHER_DEG, SCOUT_TOGETHER_DEG, LAST_TOGETHER_DEG = 4.0, 0.2, 0.03
"""Steps of units moved together: the first, the last in the sky for searching, the last in the finest one."""
LITTLE = 3e-6
"""After a gain of a smaller share the step is halved."""
BEST_TOGETHER = 2
"""So many of the sets that were moved in the sky for searching are moved in the finest one."""


def sharing_facings(prospect: Prospect) -> Facings:
    """Facings and rolls from which the months are best shared, those of the mix first."""
    coarse, whole = prospect.coarse, prospect.whole_months
    assert coarse is not None
    most = float(coarse.annual_kwh.max(initial=0.0))
    some = coarse.grid.take(coarse.annual_kwh > LEAST_SHARE * most)
    for number, level in enumerate(coarse.levels):
        if number > 0:
            some = finer(some, coarse.levels[number - 1], level)
        kwh = level.months.period_kwh(axes_enu_xyz(some), some.tilt_deg)[:, whole]
        mix, price = best_mix(kwh)
        order = np.argsort(-price, kind="stable")
        kept = np.unique(np.concatenate([mix, order[:KEPT]]))
        some = some.take(kept)
    kwh = prospect.month_kwh(some, scout=True)[:, whole]
    mix, price = best_mix(kwh)
    near = distinct(axes_enu_xyz(some), price, NEAR_DEG, ENDS)
    return together(some.take(mix), some.take(near))


def best_mix(kwh: FloatArray) -> tuple[np.ndarray, FloatArray]:
    """The facings that share in the best mix for the poorest month, and every facing's energy by its dual weights (n,).

    kwh   (n, months)
    """
    months = kwh.shape[1]
    price = kwh.mean(axis=1)
    if len(kwh) == 0:
        return np.zeros(0, dtype=np.int64), price
    # one for each month to begin with
    chosen = list(dict.fromkeys([int(price.argmax()), *(int(k) for k in kwh.argmax(axis=0))]))
    shares = np.ones(len(chosen))
    for _ in range(PRICED):
        shares, weights, mixed = MonthChooser(kwh[chosen]).shares()
        price = kwh @ weights
        dearest = int(price.argmax())
        if price[dearest] <= mixed * (1.0 + WORTH_MORE) or dearest in chosen or months == 1:
            break
        chosen.append(dearest)
    return np.array([place for place, share in zip(chosen, shares, strict=False) if share > 1e-6]), price


def turned_again(prospect: Prospect, all_candidates: Facings, units: Facings) -> Facings:
    """Each unit of a set for a load searched again beside the rest, from where it is and from the candidate that would do best
    there."""
    use = prospect.use
    assert use is not None

    def power_w(some: Facings) -> FloatArray:
        return np.stack([prospect.power_w(some, place) for place in range(some.count)])

    def worth(power: FloatArray) -> FloatArray:
        return np.array([use(row) for row in power]) / prospect.years

    listed, held = power_w(all_candidates), power_w(units)
    value, now = float(worth(held.sum(axis=0)[None])[0]), units
    for _ in range(ROUNDS):
        before = value
        for place in range(now.count):
            rest = held.sum(axis=0) - held[place]

            def measure(some: Facings, _: FloatArray | None, rest: FloatArray = rest) -> FloatArray:
                return worth(rest + power_w(some))[:, None]

            best = int(worth(rest + listed).argmax())
            found, reached = search_turned(
                measure,
                lambda measures: measures[:, 0],
                together(now.take([place]), all_candidates.take([best])),
                STEP_DEG,
                finest_deg=FINEST_DEG,
                patience=2,
                survivors=1,
            )
            if reached[0] > value:
                value = float(reached[0])
                for column, new in zip(now, found, strict=True):
                    column[place] = new[0]
                held[place] = power_w(found.take([0]))[0]
        if value <= before * (1.0 + ENOUGH):
            break
    return now


def best_together(prospect: Prospect, all_candidates: Facings, units: Facings, draws: int) -> Facings:
    """The best set for the poorest month that units moved together reach: from a set that is known, and from sets drawn from
    the candidates by their shares in the best mix (the same ones each time)."""
    kwh = prospect.month_kwh(all_candidates, scout=True)[:, prospect.whole_months]
    shares = np.maximum(MonthChooser(kwh).shares()[0], 0.0)
    rng = np.random.default_rng(units.count)
    drawn = rng.choice(len(shares), (draws, units.count), p=shares / shares.sum())
    reached = [
        moved_together(prospect, some, scout=True)
        for some in (units, *(all_candidates.take(d) for d in drawn))
    ]
    scouted = [_poorest(prospect, some, scout=True) for some in reached]
    ends = [moved_together(prospect, reached[place]) for place in np.argsort(scouted)[::-1][:BEST_TOGETHER]]
    return max(ends, key=lambda some: _poorest(prospect, some))


def _poorest(prospect: Prospect, units: Facings, *, scout: bool = False) -> float:
    months = prospect.month_kwh(units, scout=scout).sum(axis=0)
    return float(prospect.worth("worst-month", months[None])[0])


def moved_together(prospect: Prospect, units: Facings, *, scout: bool = False) -> Facings:
    """A set for the poorest month with all its units turned at once: its top is an edge where several months are equally
    poor, and no unit gains there by itself.

    Steps by linear programmes: the months' slopes by small turns of each unit to both sides, then the turns within a step
    that lift the poorest month most.
    """
    from scipy.optimize import linprog

    whole, count = prospect.whole_months, units.count
    ways = np.concatenate([np.eye(3), -np.eye(3)])
    reach = np.tile([1.0, 1.0, ROLL_PER_LEAN if prospect.rolls_matter else 0.0], count)
    axes, step_deg = axes_enu_xyz(units), FIRST_TOGETHER_DEG
    last_deg = SCOUT_TOGETHER_DEG if scout else LAST_TOGETHER_DEG

    def months_of(some: FloatArray) -> FloatArray:
        return prospect.month_kwh(facings_of_axes(some.reshape(-1, 3, 3)), scout=scout)

    held = months_of(axes).sum(axis=0)
    value = float(prospect.worth("worst-month", held[None])[0])
    while step_deg >= last_deg:
        aside = 0.3 * step_deg
        around = months_of(turned(axes[:, None], aside * ways)).reshape(count, 6, -1)
        slope = ((around[:, :3] - around[:, 3:]) / (2.0 * aside)).reshape(3 * count, -1)
        scale = max(float(held.max()), 1e-300)
        answer = linprog(
            np.append(np.zeros(3 * count), -1.0),
            A_ub=np.concatenate([-slope[:, whole].T, np.ones((int(whole.sum()), 1))], axis=1) / scale,
            b_ub=held[whole] / scale,
            bounds=[*((-step_deg * far, step_deg * far) for far in reach), (None, None)],
            method="highs",
        )
        helped = False
        if answer.x is not None:
            turn = answer.x[:-1].reshape(count, 3)
            shares = np.array([1.0, 0.5, 0.25])
            tried = turned(axes, shares[:, None, None] * turn)
            reached = months_of(tried).reshape(len(shares), count, -1).sum(axis=1)
            worths = prospect.worth("worst-month", reached)
            best = int(worths.argmax())
            if worths[best] > value:
                helped = bool(worths[best] > value * (1.0 + LITTLE))
                axes, held, value = tried[best], reached[best], float(worths[best])
        if not helped:
            step_deg /= 2.0
    found = facings_of_axes(axes)
    return found if prospect.rolls_matter else found._replace(roll_deg=np.zeros(count))
