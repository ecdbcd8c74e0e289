"""Sets of whole units by simulated annealing: single units given another of many facings.

A cost is aimed at, which leaves each number of units a store; sets are looked for that lack no more with it than is allowed. Once one
is found its least store gives a cost that is lower, and that is aimed at next. Sets that lack more are taken at times, ever more
seldom (S. Kirkpatrick, C. D. Gelatt, M. P. Vecchi, "Optimization by simulated annealing", Science 220, 1983). A trial is one
dispatch over the rows of the programme's own terms, some ten microseconds for a year of hours; what is found is judged by `Serving`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, axes_enu_xyz
from yieldsim.planning.system.column_generation import LEAST_UNITS, Relaxed
from yieldsim.planning.system.linear_programme import LEAST_SHARE
from yieldsim.planning.system.pricing import Sunlight
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices, Terms
from yieldsim.planning.system.whole_units import NEARLY, Trials, WholeSet, rounded, whole_of

ROWS_RUN, MOST_TRIALS = 1.2e8, 20_000
"""Rows of all trials from one beginning, and how many trials there are at most."""
HOT, COOL = 0.6, 60.0
"""What a set may lack more than the one before it, at first, of a unit's part of what is allowed; and so many times less at last."""
NEIGHBOURS, FEW_FACINGS = 12, 200
ANEW = 1e-4
"""The next cost aimed at is lower by this share of what the store costs."""
AIM, STEP, BEYOND = 1.08, 1.5, 1.3
"""A cost to aim at first, in that of split units, where they are few by so many of them more; a set that lacks something with the
store aimed at may be so much dearer."""
MORE, AGAIN, WORTH_AGAIN = 2, 2, 1.02
"""Numbers of units tried above the split one; how often those that cost this much at most are begun anew."""
Places = NDArray[np.int64]


class Dispatched(NamedTuple):
    """`terms.Terms` as kernels take them; start_share is negative where the run repeats."""

    asked_kwh: FloatArray
    per_unit_kwh: FloatArray
    direct: FloatArray
    stored: FloatArray
    weight: FloatArray
    allowed: float
    allowed_per_unit: float
    keep: float
    take_in: float
    per_drawn: FloatArray
    enter_kwh: float
    leave_kwh: float
    usable: FloatArray
    slack_kwh: float
    start_share: float

    @classmethod
    def of(cls, terms: Terms) -> Dispatched:
        """Arrays in the order of rows."""
        held: dict[str, Any] = {name: getattr(terms, name) for name in cls._fields}
        held["start_share"] = -1.0 if terms.start_share is None else terms.start_share
        made: Any = {name: np.ascontiguousarray(one) if np.ndim(one) else one for name, one in held.items()}
        return cls(**made)


@njit(cache=True)
def run_once(
    light_kwh: FloatArray, gone: FloatArray, new: FloatArray, units: float, capacity: float, start: float, limit: float, it: Dispatched
) -> tuple[float, float]:  # fmt: skip
    """Weighted shortfall of light less what is gone and with what is new, (rows,) each, and the state it ends with.

    limit   more shortfall ends the run
    """
    asked, per_unit, weight, usable = it.asked_kwh, it.per_unit_kwh, it.weight, it.usable
    direct, stored, per_drawn = it.direct, it.stored, it.per_drawn
    keep, take_in, enter, leave_kwh, slack = it.keep, it.take_in, it.enter_kwh, it.leave_kwh, it.slack_kwh
    rows, kinds = asked.shape
    state, short = start, 0.0
    for t in range(rows):
        light = light_kwh[t] - gone[t] + new[t]
        state *= keep
        leave = leave_kwh
        for kind in range(kinds):
            lacking = asked[t, kind] + units * per_unit[t, kind]
            by_light = max(light, 0.0) * direct[kind]
            if by_light >= lacking:
                light -= lacking / direct[kind]
                continue
            light = 0.0
            lacking -= by_light
            if stored[kind] > 0.0:
                drawn = min(lacking * per_drawn[kind], state)
                if drawn > leave * stored[kind] * per_drawn[kind]:
                    drawn = leave * stored[kind] * per_drawn[kind]
                state -= drawn
                drawn /= per_drawn[kind]
                leave -= drawn / stored[kind]
                lacking = max(lacking - drawn, 0.0)
            short += weight[t, kind] * lacking
        if light > 0.0:
            state = min(state + take_in * min(light, enter), usable[t] * capacity + slack)
        if short > limit:
            break
    return short, state


@njit(cache=True)
def lacks(light_kwh: FloatArray, units: float, capacity: float, it: Dispatched) -> float:
    """Shortfall beyond what is allowed: from the store's first filling, or when the run comes round."""
    none = np.zeros(len(light_kwh))
    allowed = it.allowed + units * it.allowed_per_unit
    start = (it.start_share if it.start_share >= 0.0 else it.usable[-1]) * capacity + it.slack_kwh
    short, end = run_once(light_kwh, none, none, units, capacity, start, allowed, it)
    if it.start_share < 0.0 and short <= allowed:
        short, _ = run_once(light_kwh, none, none, units, capacity, end, allowed, it)
    return short - allowed


@njit(cache=True)
def least_kwh(light_kwh: FloatArray, units: float, most_kwh: float, close: float, it: Dispatched) -> float:
    """The least capacity with which light serves; infinite where `most_kwh` does not."""
    if lacks(light_kwh, units, most_kwh, it) > 0.0:
        return np.inf
    low, high = 0.0, most_kwh
    while high - low > close * high and high > 1e-9:
        middle = 0.5 * (low + high)
        if lacks(light_kwh, units, middle, it) > 0.0:
            low = middle
        else:
            high = middle
    return high


@njit(cache=True)
def _store(
    units: int, aim: float, per_unit: float, per_kwh: float, most_kwh: float, choices: FloatArray
) -> float:
    """The largest store that so many units leave for a cost; negative: none."""
    left = aim - units * per_unit
    most = left / per_kwh if per_kwh > 0.0 else (most_kwh if left >= 0.0 else -1.0)
    most = min(most, most_kwh)
    if len(choices) == 0:
        return most
    fits = -1.0
    for one in choices:
        if one <= most:
            fits = one
    return fits


@njit(cache=True)
def annealed(
    light_kwh: FloatArray,
    near: Places,
    start: Places,
    aim: float,
    prices: tuple[float, float, float],
    choices: FloatArray,
    trials: int,
    seed: int,
    it: Dispatched,
) -> tuple[float, Places]:
    """The least cost met below `aim`, and the facing of each unit; infinite if none is.

    light_kwh   (facings, rows) of one unit of each
    near        (facings, n)  others near to each
    start       (units,)  facings to begin with
    prices      per unit and kWh, most kWh
    """
    np.random.seed(seed)
    per_unit, per_kwh, most_kwh = prices
    facings, rows = light_kwh.shape
    units = len(start)
    places, found = start.copy(), start.copy()
    total = np.zeros(rows)
    for place in start:
        total += light_kwh[place]
    allowed = it.allowed + units * it.allowed_per_unit
    hot = HOT * max(allowed, LEAST_SHARE * (it.weight * it.asked_kwh).sum()) / units
    begun = it.start_share if it.start_share >= 0.0 else 0.5 * it.usable[0]
    capacity = _store(units, aim, per_unit, per_kwh, most_kwh, choices)
    best = lacking = least = np.inf
    for trial in range(trials):
        if capacity < 0.0:
            break
        out = np.random.randint(units)
        into = near[places[out], np.random.randint(near.shape[1])]
        if np.random.random() < 0.5:
            into = np.random.randint(facings)
        gone, new = light_kwh[places[out]], light_kwh[into]
        # what it may lack is drawn first: most trials end before the run does
        warmth = hot * COOL ** (-trial / trials)
        limit = lacking - warmth * math.log(1.0 - np.random.random())
        short, _ = run_once(total, gone, new, units, capacity, begun * capacity, limit + allowed, it)
        if short - allowed > limit:
            continue
        lacking = short - allowed
        places[out] = into
        for t in range(rows):
            total[t] = max(total[t] - gone[t] + new[t], 0.0)
        if lacking > 0.0:
            if best == np.inf and lacking < least:
                least, found = lacking, places.copy()
            continue
        serves = capacity
        if len(choices) == 0:
            serves = least_kwh(total, units, capacity, 1e-4, it)
        elif lacks(total, units, capacity, it) > 0.0:
            serves = np.inf
        if serves < np.inf:
            best, found = units * per_unit + serves * per_kwh, places.copy()
            capacity = _store(units, best - ANEW * serves * per_kwh, per_unit, per_kwh, most_kwh, choices)
            # with the store that is aimed at now it lacks something
            lacking = 0.01 * warmth
            if per_kwh == 0.0:
                break
    if best == np.inf:
        total[:] = 0.0
        for place in found:
            total += light_kwh[place]
        # more than is aimed at: the set that lacks least may come near to the best one
        capacity = _store(units, BEYOND * aim, per_unit, per_kwh, most_kwh, choices)
        if capacity >= 0.0 and len(choices) == 0:
            best = units * per_unit + least_kwh(total, units, capacity, 1e-4, it) * per_kwh
        for one in choices:
            if one <= capacity and lacks(total, units, one, it) <= 0.0:
                best = units * per_unit + one * per_kwh
                break
    return best, found


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """Facings to choose from: their light (facings, rows) and those near to each (facings, n)."""

    facings: Facings
    light_kwh: FloatArray
    near: Places

    @classmethod
    def of(cls, split: Relaxed) -> Choice:
        """Those that are in use or worth nearly as much as the best."""
        worth = split.proof.unit > NEARLY * split.proof.unit.max()
        few = split.facings.count <= FEW_FACINGS
        chosen = np.flatnonzero(worth | (split.units > LEAST_UNITS) | few)
        facings = split.facings.take(chosen)
        normals = axes_enu_xyz(facings)[:, 2]
        order = np.argsort(-(normals @ normals.T), axis=1, kind="stable")
        near = order[:, 1 : NEIGHBOURS + 1] if facings.count > 1 else order
        light = np.ascontiguousarray(split.light_kwh[:, chosen].T)
        return cls(facings, light, np.ascontiguousarray(near))

    def nearest(self, some: Facings) -> Places:
        """Of each facing the one of these that is nearest, (n,)."""
        return np.asarray((axes_enu_xyz(some)[:, 2] @ axes_enu_xyz(self.facings)[:, 2].T).argmax(axis=1))

    def sets(
        self, starts: Sequence[Places], aim: float, serving: Serving, objective: Prices, terms: Terms, again: int
    ) -> list[Places]:  # fmt: skip
        """The cheapest sets met, one of each number of units that it is begun with, cheapest first.

        starts   (units,) each: facings to begin with
        aim      a cost to begin with
        again    how often it is begun anew, with those numbers that may still be the best
        """
        drawn = terms.per_drawn[np.isfinite(terms.per_drawn)].max(initial=0.0)
        most_kwh = min(objective.most_kwh, 2.0 * float(terms.asked_kwh.sum() * drawn))
        prices = (objective.per_unit, objective.per_kwh, most_kwh)
        dispatched, trials = Dispatched.of(terms), int(min(ROWS_RUN / terms.rows, MOST_TRIALS))
        choices = np.array(serving.choices_kwh, dtype=np.float64)
        best: dict[int, tuple[float, Places]] = {}
        for seed in range(again + 1):
            least = min((cost for cost, _ in best.values()), default=math.inf)
            for start in starts:
                units = len(start)
                if units > objective.most_units or units * objective.per_unit >= min(aim, least):
                    continue
                if seed > 0 and best.get(units, (math.inf,))[0] > WORTH_AGAIN * least:
                    continue
                cost, found = annealed(
                    self.light_kwh,
                    self.near,
                    start,
                    min(aim, least),
                    prices,
                    choices,
                    trials,
                    seed,
                    dispatched,
                )
                if cost < best.get(units, (math.inf,))[0]:
                    best[units] = (float(cost), found)
                least = min(least, float(cost))
        return [found for _, found in sorted(best.values(), key=lambda one: one[0])]

    def judged(
        self, found: Places, serving: Serving, objective: Prices, light_of: Callable[[Facings], FloatArray]
    ) -> WholeSet | None:  # fmt: skip
        """A set with the store that serves; None if none does."""
        used, counts = np.unique(found, return_counts=True)
        trials = Trials(light_of(self.facings.take(used)), serving, objective, 0.0)
        cost = trials.cost(counts)
        return whole_of(self.facings.take(used), counts, trials, cost) if math.isfinite(cost) else None


def near_number(
    split: Relaxed, serving: Serving, objective: Prices, terms: Terms, sunlight: Sunlight
) -> list[WholeSet]:
    """Sets of about as many units as the split ones, the cheapest of each number first."""
    choice, total = Choice.of(split), float(split.units.sum())
    used = np.flatnonzero(split.units > LEAST_UNITS)
    shares = np.zeros(choice.facings.count)
    np.add.at(shares, choice.nearest(split.facings.take(used)), split.units[used])
    numbers = range(max(math.floor(total), 1), math.floor(total) + MORE + 1)
    starts = [
        np.repeat(np.arange(choice.facings.count), rounded(shares, units))
        for units in sorted(numbers, key=lambda one: abs(one - total - 0.5))
    ]
    # of very few units one more is a large step
    aim = max(AIM, 1.0 + STEP / max(total, 1.0)) * split.cost
    found = choice.sets(starts, aim, serving, objective, terms, AGAIN)
    judged = (choice.judged(one, serving, objective, sunlight.light_kwh) for one in found)
    return sorted((one for one in judged if one is not None), key=lambda one: one.cost)
