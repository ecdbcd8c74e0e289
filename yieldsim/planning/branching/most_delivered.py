"""A number of units that serve the loads and deliver as much as they can for their mass.

Some of the units, with a store, are chosen to serve; the others face where one gets most. How many serve is tried: the more, the
smaller the store, the less is delivered. Split units of the least mass for each kWh, made whole, are another beginning. Single units
are moved at the end.

That least mass is the ratio of two linear functions. No design has a smaller one than `rate` if

    least of  once + per_unit N + per_kwh C - rate delivered  >=  0

which is a programme whose facings cost what they deliver less; its solution's own ratio is the next rate, until that stands still
(W. Dinkelbach, "On nonlinear fractional programming", Management Science 13, 1967). Its prices prove it as in `dual_bound`: a unit is
worth rate times what it delivers more, and what the best of all facings is worth beyond its price is counted for every unit.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.branching.branch_programme import Branched, Case, Limited, Pool
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.system.column_generation import (
    BOUND_EFFORT,
    FIRST_FACINGS,
    LEAST_UNITS,
    Infeasible,
    Relaxed,
    solved_again,
)
from yieldsim.planning.system.joint_turns import LED_ON, jointly_turned
from yieldsim.planning.system.local_search import SINGLE_UNITS, one_by_one, turned_by_turns
from yieldsim.planning.system.pricing import Sunlight, climbed, priced, worth_bound
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices, Terms
from yieldsim.planning.system.whole_units import FEW_SETS, Trials, WholeSet, near_split, sets_of, whole_of

SERVING_SHARES = (1.0, 0.85, 0.7, 0.55, 0.4, 0.3, 0.2, 0.1)
MOST_TRIALS = 60
MOST_RATES, RATE_STANDS_STILL = 8, 1e-4
MOST_PROOFS, LEAST_LOWER = 12, 5e-4
"""How often a rate is lowered until it is proven over every facing, and by how much at least, twice that each time."""
MORE_FACINGS, MOST_MOVES, GAIN = 12, 600, 1e-6
"""Facings beside those of the set that single units are moved to, and how many moves are tried."""
TURNS = (0.6, 0.3, 0.15, 0.07)
"""Steps, in those between candidates, by which single units are turned at the end."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Rated:
    """The least mass for each kWh of split units, and what proves a rate below it."""

    split: Relaxed
    branched: Branched


def least_rate(
    split: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices, once: float, *, turning: bool
) -> Rated:
    """Solve for the least ratio with the most units there may be.

    split   of that number of units
    once    what a design costs beside units and store
    """
    rows, units = terms.rows, objective.most_units
    light = sunlight.light_kwh(split.facings)
    pool = Pool(
        split.facings, light[:rows], terms, objective, split.blocks, sunlight.lit[:rows], split.cost, light.sum(axis=0)
    )  # fmt: skip
    best = pool.delivered_kwh.argsort(kind="stable")[-FIRST_FACINGS:]
    start = np.union1d(np.flatnonzero(split.units > LEAST_UNITS), best)
    pool.rate = (once + split.cost) / float(pool.delivered_kwh @ split.units)
    for _ in range(MOST_RATES):
        found = pool.solved((), start)
        start = pool.promising(found)
        cost = float(found.units.sum()) * objective.per_unit + found.capacity_kwh * objective.per_kwh
        rate = (once + cost) / float(pool.delivered_kwh @ found.units)
        gained = pool.rate - rate
        pool.rate = rate
        if turning:
            price = _all_day(found, light, rate)
            used = pool.facings.take(np.flatnonzero(found.units > LEAST_UNITS))
            turned = climbed(
                sunlight, priced(sunlight, price, found.prices.direct), used, 0.25 * sunlight.step_deg
            )
            more = sunlight.light_kwh(turned)
            start = np.append(start, pool.facings.count + np.arange(turned.count))
            pool.add(turned, more[:rows], more.sum(axis=0))
        if gained < RATE_STANDS_STILL * rate:
            break
    found = pool.solved((), start)
    solution = pool.split(found)
    # prices that make no kWh of store worth more than it costs
    if found.store > objective.per_kwh and not np.isfinite(objective.most_kwh):
        found = pool.lowered(found, objective.per_kwh / found.store * (1.0 - 1e-12))

    def spare(unit: float) -> float:
        over = max(found.store - objective.per_kwh, 0.0)
        over *= objective.most_kwh if over > 0.0 else 0.0
        return once + found.value + units * (objective.per_unit - unit) - over

    at_rate = found.unit - pool.rate * pool.delivered_kwh[: len(found.unit)]
    delivered, anywhere = pool.delivered_kwh[: len(found.unit)], None
    low, high = 0.0, pool.rate
    for _ in range(60):
        middle = 0.5 * (low + high)
        enough = spare(float((at_rate + middle * delivered).max())) >= 0.0
        low, high = (middle, high) if enough else (low, middle)
    rate = low
    for attempt in range(MOST_PROOFS if turning else 0):
        best_worth = float((at_rate + rate * delivered).max())
        at_prices = priced(sunlight, _all_day(found, light, rate), found.prices.direct)
        anywhere = max(
            worth_bound(at_prices, best_worth - found.own, BOUND_EFFORT)[0] + found.own, best_worth
        )
        lacking = -spare(anywhere)
        if lacking <= 0.0:
            break
        rate -= max(lacking / (units * float(delivered.max())), LEAST_LOWER * 2.0**attempt * rate)
    else:
        rate = 0.0 if turning else rate
    case = Case(least=rate, proof=found, worth_anywhere=anywhere)
    return Rated(
        split=solution,
        branched=Branched(
            branchings=(),
            cases=(case,),
            facings=pool.facings,
            light_kwh=pool.light_kwh,
            rate=rate,
            delivered_kwh=pool.delivered_kwh,
        ),
    )


def _all_day(found: Limited, light_kwh: FloatArray, rate: float) -> FloatArray:
    """Prices of light in all rows of the run, where a delivered kWh is worth a rate besides."""
    price = np.full(len(light_kwh), rate)
    price[: len(found.prices.light)] += found.prices.light
    return price


def most_delivered(
    rated: Rated, sunlight: Sunlight, serving: Serving, terms: Terms, objective: Prices, once: float, *, turning: bool
) -> WholeSet | None:  # fmt: skip
    """The set of so many units found whose mass for each kWh delivered is least; None if none serves.

    rated       of that number of units
    objective   whose most units are used
    once        what a design costs beside units and store
    """
    split, units = rated.split, int(objective.most_units)
    light = sunlight.light_kwh(sunlight.candidates)
    best = sunlight.candidates.take([int(light.sum(axis=0).argmax())])
    if turning:
        best = climbed(sunlight, priced(sunlight, np.ones(len(light))), best, 0.25 * sunlight.step_deg)
    best_light = sunlight.light_kwh(best)[:, 0]
    few = turning and units <= SINGLE_UNITS

    def ratio(one: WholeSet) -> float:
        return (once + one.cost) / float(one.light_kwh.sum())

    def filled(whole: WholeSet) -> WholeSet | None:
        """With the units that it lacks, which face where one gets most."""
        more = units - whole.units
        total = whole.light_kwh + more * best_light
        capacity = serving.capacity_kwh(total, units, whole.capacity_kwh or None)
        if capacity is None:
            return None
        return WholeSet(
            facings=together(whole.facings, best),
            counts=np.append(whole.counts, more),
            capacity_kwh=capacity,
            light_kwh=total,
            cost=units * objective.per_unit + capacity * objective.per_kwh,
        )

    rounded = near_split(split, serving, objective, sunlight.light_kwh, turning=turning, units=units)
    begun = [] if rounded is None else [rounded]
    served: list[tuple[float, Relaxed, Prices]] = []
    for share in SERVING_SHARES:
        number = max(1, round(share * units))
        prices = replace(objective, least_units=0.0, most_units=float(number))
        whole = None
        with suppress(Infeasible):
            near = solved_again(split, sunlight, terms, replace(prices, least_units=float(number)))
            whole = near_split(
                near, serving, prices, sunlight.light_kwh, turning=turning, most_trials=MOST_TRIALS
            )
        if whole is None:
            break
        if (one := filled(whole)) is not None:
            begun.append(one)
            served.append((ratio(one), near, prices))
    if few and served:
        _, near, prices = min(served, key=lambda one: one[0])
        whole = jointly_turned(near, serving, prices, sunlight, terms, np.inf)
        one = None if whole is None else filled(whole)
        begun += [] if one is None else [one]
    reached = []
    for one in sorted(begun, key=ratio)[: LED_ON if few else 1]:
        moved = _moved(one, split, sunlight, serving, objective, once)
        reached.append(_turned_singly(moved, sunlight, serving, objective, once) if few else moved)
    return min(reached, key=ratio, default=None)


@dataclass(slots=True, eq=False)
class _Reached:
    """A number of units with the least mass for each kWh so far, and whether another light in all, (rows,), makes it less."""

    serving: Serving
    objective: Prices
    once: float
    units: int
    total_kwh: FloatArray
    capacity_kwh: float
    cost: float
    trials: int = 0

    @property
    def ratio(self) -> float:
        return (self.once + self.cost) / float(self.total_kwh.sum())

    def improves(self, tried_kwh: FloatArray) -> bool:
        """Whether it does; it is kept then."""
        objective, ratio = self.objective, self.ratio
        # the largest store with which the move would pay
        bare = self.units * objective.per_unit
        most = (ratio * float(tried_kwh.sum()) - self.once - bare) / max(objective.per_kwh, 1e-300)
        if most <= 0.0:
            return False
        self.trials += 1
        needed = self.serving.capacity_kwh(
            tried_kwh, self.units, self.capacity_kwh or None, min(most, objective.most_kwh)
        )
        if needed is None:
            return False
        cost = bare + needed * objective.per_kwh
        if (self.once + cost) / float(tried_kwh.sum()) >= ratio * (1.0 - GAIN):
            return False
        self.total_kwh, self.capacity_kwh, self.cost = tried_kwh, needed, cost
        return True


def _turned_singly(
    whole: WholeSet, sunlight: Sunlight, serving: Serving, objective: Prices, once: float
) -> WholeSet:
    """The same units, each turned a little where that makes a delivered kWh weigh less."""
    some, counts = one_by_one(whole)
    light = sunlight.light_kwh(some)
    reached = _Reached(serving, objective, once, whole.units, whole.light_kwh, whole.capacity_kwh, whole.cost)
    steps, rolls = [part * sunlight.step_deg for part in TURNS], sunlight.prospect.rolls_matter
    some = turned_by_turns(some, counts, light, reached, steps, sunlight.light_kwh, rolls=rolls)
    return WholeSet(
        facings=some,
        counts=counts,
        capacity_kwh=reached.capacity_kwh,
        light_kwh=reached.total_kwh,
        cost=reached.cost,
    )


def all_delivering(
    facings: Facings, light_kwh: FloatArray, serving: Serving, objective: Prices, once: float
) -> WholeSet | None:
    """The best of all sets of the most units there may be, of given facings; None where there are too many, or none serves."""
    units = int(objective.most_units)
    if sets_of(facings, units) > FEW_SETS:
        return None
    trials, delivered = Trials(light_kwh, serving, objective, 0.0), light_kwh.sum(axis=0)
    best: WholeSet | None = None
    ratio = np.inf
    for places in combinations_with_replacement(range(facings.count), units):
        counts = np.bincount(places, minlength=facings.count).astype(np.int64)
        kwh = float(delivered @ counts)
        cost = trials.cost(counts, ratio * kwh - once)
        if once + cost < ratio * kwh:
            ratio = (once + cost) / kwh
            best = whole_of(facings, counts, trials, cost, complete=True)
    return best


def _moved(
    whole: WholeSet, split: Relaxed, sunlight: Sunlight, serving: Serving, objective: Prices, once: float
) -> WholeSet:  # fmt: skip
    """The same number of units, moved one by one where that makes a delivered kWh weigh less."""
    worth, energy = split.proof.unit, split.light_kwh.sum(axis=0)
    shown = np.argsort(
        -np.maximum(worth / max(float(worth.max()), 1e-300), energy / energy.max()), kind="stable"
    )[:MORE_FACINGS]
    some = together(whole.facings, split.facings.take(shown))
    light = sunlight.light_kwh(some)
    counts = np.append(whole.counts, np.zeros(len(shown), np.int64))
    reached = _Reached(serving, objective, once, whole.units, whole.light_kwh, whole.capacity_kwh, whole.cost)
    better = True
    while better and reached.trials < MOST_MOVES:
        better = False
        for out in np.flatnonzero(counts).tolist():
            for into in range(some.count):
                if into == out or reached.trials >= MOST_MOVES:
                    continue
                if reached.improves(reached.total_kwh + light[:, into] - light[:, out]):
                    better = True
                    counts[out] -= 1
                    counts[into] += 1
                    break
    used = np.flatnonzero(counts)
    return WholeSet(
        facings=some.take(used),
        counts=counts[used],
        capacity_kwh=reached.capacity_kwh,
        light_kwh=reached.total_kwh,
        cost=reached.cost,
    )
