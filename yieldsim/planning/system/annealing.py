"""Sets of whole units by simulated annealing: single units given another of many facings.

A cost is aimed at, which leaves each number of units a store; sets are looked for that lack no more with it than is allowed. Once one
is found its least store gives a cost that is lower, and that is aimed at next. Sets that lack more are taken at times, ever more
seldom (S. Kirkpatrick, C. D. Gelatt, M. P. Vecchi, "Optimization by simulated annealing", Science 220, 1983). A trial is one
dispatch of the run's whole solar days (`planning.habitat.shortfall`), some tens of microseconds for a year of hours; what is found is
judged by `Serving`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.dispatch import Needs, Store, alike_together, some_of, store_of
from yieldsim.planning.habitat.reliability import counted
from yieldsim.planning.habitat.shortfall import (
    KnownRun,
    either,
    known_run,
    lit_stretches,
    shortfall,
    shortfall_beside,
    taken_over,
)
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.system.column_generation import LEAST_UNITS, Relaxed
from yieldsim.planning.system.linear_programme import LEAST_SHARE
from yieldsim.planning.system.pricing import Sunlight
from yieldsim.planning.system.serving import CLOSE, LEAST_KWH, Serving
from yieldsim.planning.system.terms import Prices
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
MORE, MORE_AT_ANY_COST, TIMES = 2, 6, 10.0
AGAIN, WORTH_AGAIN = 2, 1.02
"""Numbers of units tried above the split one, and where any cost will do, with stores of so many times the split design's cost; how
often those that cost this much at most are begun anew."""
Places = NDArray[np.int64]


class RepeatingCase(NamedTuple):
    """What so many units must serve: the repeating case of `Serving`, as kernels take it.

    needs      the counted loads, those alike together
    store      of 1 kWh, new
    asked, allowed   kWh, or rows if `by_rows`: in all, and unserved at most
    """

    needs: Needs
    store: Store
    asked: float
    allowed: float
    by_rows: bool

    @classmethod
    def of(cls, serving: Serving, units: int) -> RepeatingCase:
        """Of the loads beside so many units."""
        case = serving.case(np.zeros(len(serving.solar_time_hours)), units)
        needs = alike_together(some_of(case.needs, counted(case.needs)))
        by_rows, kwh = case.measure == "hours", needs.asked_kwh.sum(axis=1)
        asked = float(np.count_nonzero(kwh) if by_rows else kwh.sum())
        return cls(needs, store_of(case.storage, case.row_hours, 1.0), asked, case.allowed(needs), by_rows)


@njit(cache=True)
def _store_of(capacity: float, start: float, it: RepeatingCase) -> Store:
    """A store of a capacity and a state to begin with."""
    kind = it.store
    return Store(
        capacity, start, kind.keep, kind.fill, kind.take_in, kind.enter, kind.hand_out, kind.enter_kwh,
        kind.leave_kwh, kind.least, kind.reserve, kind.fade_per_row, kind.fade_per_kwh,
    )  # fmt: skip


@njit(cache=True)
def lacking(
    light_kwh: FloatArray, capacity: float, start: float, limit: float, it: RepeatingCase
) -> tuple[float, float]:
    """Shortfall beyond what is allowed, and the state it ends with; the run ends where it is more than a limit."""
    most = it.allowed + limit
    most_kwh, most_rows = (np.inf, most) if it.by_rows else (most, np.inf)
    short_kwh, short_rows, end, _ = shortfall(
        light_kwh, it.needs, _store_of(capacity, start, it), most_kwh, most_rows
    )
    return (short_rows if it.by_rows else short_kwh) - it.allowed, end


@njit(cache=True)
def lacking_beside(
    light_kwh: FloatArray, capacity: float, start: float, limit: float, changed: Places, known: KnownRun, it: RepeatingCase
) -> tuple[float, int]:  # fmt: skip
    """The same beside a known run, and how many rows were worked out."""
    most = max(it.allowed + limit, 0.0)
    most_kwh, most_rows = (np.inf, most) if it.by_rows else (most, np.inf)
    short_kwh, short_rows, _, ran = shortfall_beside(
        light_kwh, it.needs, _store_of(capacity, start, it), most_kwh, most_rows, changed, known
    )
    return (short_rows if it.by_rows else short_kwh) - it.allowed, ran


@njit(cache=True)
def serves(light_kwh: FloatArray, capacity: float, it: RepeatingCase) -> bool:
    """Whether light serves with a store, full at first and when the run comes round."""
    short, end = lacking(light_kwh, capacity, capacity, 0.0, it)
    return short <= 0.0 and lacking(light_kwh, capacity, end, 0.0, it)[0] <= 0.0


@njit(cache=True)
def least_kwh(light_kwh: FloatArray, most_kwh: float, it: RepeatingCase) -> float:
    """The least capacity with which light serves; infinite where `most_kwh` does not."""
    if not serves(light_kwh, most_kwh, it):
        return np.inf
    low, high = 0.0, most_kwh
    while high - low > CLOSE * high and high > LEAST_KWH:
        middle = 0.5 * (low + high)
        if serves(light_kwh, middle, it):
            high = middle
        else:
            low = middle
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
def swept(light_kwh: FloatArray, places: Places, lacks: float, it: RepeatingCase) -> float:
    """Without a store, give each unit in turn the facing with which a set lacks least; what it lacks once it serves, or none gains."""
    total = np.zeros(light_kwh.shape[1])
    for place in places:
        total += light_kwh[place]
    gained = True
    while gained and lacks > 0.0:
        gained = False
        for unit in range(len(places)):
            beside, better = total - light_kwh[places[unit]], -1
            for into in range(len(light_kwh)):
                short, _ = lacking(np.maximum(beside + light_kwh[into], 0.0), 0.0, 0.0, lacks, it)
                if short < lacks:
                    lacks, better = short, into
            if better >= 0:
                places[unit], gained = better, True
                total = np.maximum(beside + light_kwh[better], 0.0)
            if lacks <= 0.0:
                break
    return lacks


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
    it: RepeatingCase,
) -> tuple[float, Places]:
    """The least cost met below `aim`, and the facing of each unit; infinite if none is.

    light_kwh   (facings, rows) of one unit of each
    near        (facings, n)  others near to each
    start       (units,)  facings to begin with
    prices      per unit and kWh, most kWh
    """
    np.random.seed(seed)
    per_unit, per_kwh, most_kwh = prices
    facings, units = len(light_kwh), len(start)
    places, found = start.copy(), start.copy()
    rows = light_kwh.shape[1]
    total, before, known = np.zeros(rows), np.zeros(rows), known_run(rows)
    every, changed = np.array([[0, rows], [rows, rows]]), np.zeros((rows + 2, 2), np.int64)
    lit, first = lit_stretches(light_kwh)
    for place in start:
        total += light_kwh[place]
    hot = HOT * max(it.allowed, LEAST_SHARE * it.asked) / units
    half = 0.5 * (1.0 + it.store.least)
    capacity = _store(units, aim, per_unit, per_kwh, most_kwh, choices)
    best, lacks, least, anew = np.inf, np.inf, np.inf, True
    for trial in range(trials):
        if capacity < 0.0:
            break
        if anew:
            taken_over(known, lacking_beside(total, capacity, half * capacity, np.inf, every, known, it)[1])
            anew = False
        out = np.random.randint(units)
        into = near[places[out], np.random.randint(near.shape[1])]
        if np.random.random() < 0.5:
            into = np.random.randint(facings)
        gone, new = light_kwh[places[out]], light_kwh[into]
        gone_rows = lit[first[places[out]] : first[places[out] + 1]]
        count = either(gone_rows, lit[first[into] : first[into + 1]], rows, changed)
        for place in range(count):
            for t in range(changed[place, 0], changed[place, 1]):
                before[t] = total[t]
                total[t] = max(total[t] - gone[t] + new[t], 0.0)
        # what it may lack is drawn first: most trials end before the run does
        warmth = hot * COOL ** (-trial / trials)
        limit = lacks - warmth * math.log(1.0 - np.random.random())
        short, ran = lacking_beside(total, capacity, half * capacity, limit, changed[: count + 1], known, it)
        if short > limit:
            for place in range(count):
                total[changed[place, 0] : changed[place, 1]] = before[changed[place, 0] : changed[place, 1]]
            continue
        taken_over(known, ran)
        lacks, places[out] = short, into
        if lacks > 0.0:
            if best == np.inf and lacks < least:
                least, found = lacks, places.copy()
            continue
        enough = capacity
        if len(choices) == 0:
            enough = least_kwh(total, capacity, it)
        elif not serves(total, capacity, it):
            enough = np.inf
        if enough < np.inf:
            best, found = units * per_unit + enough * per_kwh, places.copy()
            capacity = _store(units, best - ANEW * enough * per_kwh, per_unit, per_kwh, most_kwh, choices)
            # with the store that is aimed at now it lacks something
            lacks, anew = 0.01 * warmth, True
            if per_kwh == 0.0:
                break
    if best == np.inf:
        if capacity == 0.0 and least < hot:
            # no larger store makes up for what it lacks
            swept(light_kwh, found, least, it)
        total[:] = 0.0
        for place in found:
            total += light_kwh[place]
        # more than is aimed at: the set that lacks least may come near to the best one
        capacity = _store(units, BEYOND * aim, per_unit, per_kwh, most_kwh, choices)
        enough = least_kwh(total, capacity, it) if capacity >= 0.0 and len(choices) == 0 else np.inf
        if enough < np.inf:
            best = units * per_unit + enough * per_kwh
        for one in choices:
            if one <= capacity and serves(total, one, it):
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
        normals = facings.axes_enu_xyz[:, 2]
        order = np.argsort(-(normals @ normals.T), axis=1, kind="stable")
        near = order[:, 1 : NEIGHBOURS + 1] if facings.count > 1 else order
        light = np.ascontiguousarray(split.light_kwh[:, chosen].T)
        return cls(facings, light, np.ascontiguousarray(near))

    def nearest(self, some: Facings) -> Places:
        """Of each facing the one of these that is nearest, (n,)."""
        return np.asarray((some.axes_enu_xyz[:, 2] @ self.facings.axes_enu_xyz[:, 2].T).argmax(axis=1))

    def sets(
        self, starts: Sequence[Places], aim: float, serving: Serving, objective: Prices, again: int, effort: float = 1.0
    ) -> list[Places]:  # fmt: skip
        """The cheapest sets met, one of each number of units that it is begun with, cheapest first.

        starts   (units,) each: facings to begin with
        aim      a cost to begin with
        again    how often it is begun anew, with those numbers that may still be the best
        effort   share of the trials, of as many as a design is worth
        """
        judges = {len(start): RepeatingCase.of(serving, len(start)) for start in starts}
        needs, store, *_ = RepeatingCase.of(serving, 1)
        out_of = needs.store_efficiency[needs.store_efficiency > 0.0].min(initial=np.inf) * store.hand_out
        most_kwh = min(objective.most_kwh, 2.0 * float(needs.asked_kwh.sum() / out_of))
        prices = (objective.per_unit, objective.per_kwh, most_kwh)
        trials = int(effort * min(ROWS_RUN / len(needs.asked_kwh), MOST_TRIALS))
        choices = np.array(serving.choices_kwh, dtype=np.float64)
        best: dict[int, tuple[float, Places]] = {}
        for seed in range(again + 1):
            least = min((cost for cost, _ in best.values()), default=math.inf)
            begun = [
                start
                for start in starts
                if len(start) <= objective.most_units
                and len(start) * objective.per_unit < min(aim, least)
                and (seed == 0 or best.get(len(start), (math.inf,))[0] <= WORTH_AGAIN * least)
            ]

            def reached(
                start: Places, seed: int = seed, below: float = min(aim, least)
            ) -> tuple[float, Places]:
                return annealed(  # type: ignore[no-any-return, unused-ignore]
                    self.light_kwh, self.near, start, below, prices, choices, trials, seed, judges[len(start)]
                )

            # side by side: the kernel holds no lock of the interpreter's
            with ThreadPoolExecutor(2) as threads:
                ends = list(threads.map(reached, begun))
            for start, (cost, found) in zip(begun, ends, strict=True):
                if cost < best.get(len(start), (math.inf,))[0]:
                    best[len(start)] = (float(cost), found)
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
    split: Relaxed, serving: Serving, objective: Prices, sunlight: Sunlight, *, any_cost: bool = False, below: float = math.inf
) -> list[WholeSet]:  # fmt: skip
    """Sets of about as many units as the split ones, the cheapest of each number first.

    any_cost   of more units too, and far dearer: the stores there are, or hours that count whole, may take much more than split units
    below      what a set costs that was found elsewhere, with many more units, or a far larger store, than split ones: of any number
               between
    """
    choice, total = Choice.of(split), float(split.units.sum())
    used = np.flatnonzero(split.units > LEAST_UNITS)
    shares = np.zeros(choice.facings.count)
    np.add.at(shares, choice.nearest(split.facings.take(used)), split.units[used])
    known = math.isfinite(below)
    more = MORE_AT_ANY_COST if any_cost or known else MORE
    numbers = range(max(math.floor(total), 1), math.floor(total) + more + 1)
    starts = [
        np.repeat(np.arange(choice.facings.count), rounded(shares, units))
        for units in sorted(numbers, key=lambda one: abs(one - total - 0.5))
    ]
    # of very few units one more is a large step
    aim = below if known else max(AIM, 1.0 + STEP / max(total, 1.0)) * split.cost
    if any_cost:
        store = objective.most_kwh * objective.per_kwh
        aim = 1.001 * numbers[-1] * objective.per_unit + (
            store if math.isfinite(store) else TIMES * split.cost
        )
    found = choice.sets(starts, aim, serving, objective, AGAIN)
    judged = (choice.judged(one, serving, objective, sunlight.light_kwh) for one in found)
    return sorted((one for one in judged if one is not None), key=lambda one: one.cost)
