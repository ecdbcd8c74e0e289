"""Whole units: counts by facing and a store that serve by the budget's dispatch, near to the best split units.

Few sets there are, all of them: every set of given facings that could cost less than the best one known is tried, and the best is
the best there is. Else the split units are brought to whole ones, facing by facing, and single units are added, taken away or moved
to another facing as long as what results costs less. Every trial is judged by `Serving`, never by the programme.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.system.column_generation import LEAST_UNITS, Relaxed
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices

FEW_SETS = 4000
MOST_TRIALS, MOST_TRIALS_OF_FEW = 160, 500
FEW_UNITS = 16
"""Up to so many units: facings nearly as good as those in use are tried too, where units can't turn."""
NEARLY = 0.85
NEXT_TO_NOTHING = 1e-6
"""Price of a kWh where units alone count."""
TOGETHER_DEG = 6.0
"""Split units that face nearly the same way are one facing of whole ones, at their mean."""
Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WholeSet:
    """Units by facing and a store that serve the loads.

    counts      (facings,)
    light_kwh   (rows,)  of all units
    cost        of the objective
    complete    whether every set that could be better was tried
    """

    facings: Facings
    counts: Counts
    capacity_kwh: float
    light_kwh: FloatArray
    cost: float
    complete: bool = False

    @property
    def units(self) -> int:
        """How many in all."""
        return int(self.counts.sum())


class Trials:
    """Sets of facings whose light is known, judged one by one; each set once."""

    def __init__(self, light_kwh: FloatArray, serving: Serving, objective: Prices, near_kwh: float) -> None:
        """light_kwh (rows, facings) of one unit of each; near_kwh: about the capacity to expect."""
        self._light, self._serving, self._objective = light_kwh, serving, objective
        self._near = near_kwh if near_kwh > 0.0 else None
        self._known: dict[tuple[int, ...], float | None] = {}
        self.count = 0

    def light(self, counts: Counts) -> FloatArray:
        """Light of a set, (rows,)."""
        used = np.flatnonzero(counts)
        return np.asarray(self._light[:, used] @ counts[used].astype(np.float64))

    def capacity(self, counts: Counts, cheaper_than: float = math.inf) -> float | None:
        """The capacity with which a set serves; None where it doesn't, or not for less than a cost."""
        units, prices = int(counts.sum()), self._objective
        if units > prices.most_units or units * prices.per_unit >= cheaper_than or units == 0:
            return None
        key = tuple(counts.tolist())
        if key not in self._known:
            most = prices.most_kwh
            if prices.per_kwh > 0.0 and math.isfinite(cheaper_than):
                most = min(most, (cheaper_than - units * prices.per_unit) / prices.per_kwh)
            self.count += 1
            found = self._serving.capacity_kwh(self.light(counts), units, self._near, most)
            self._known[key] = found
            if found:
                self._near = found
        return self._known[key]

    def cost(self, counts: Counts, cheaper_than: float = math.inf) -> float:
        """Of the objective; infinite where the set does not serve for less than that."""
        capacity = self.capacity(counts, cheaper_than)
        if capacity is None:
            return math.inf
        return int(counts.sum()) * self._objective.per_unit + capacity * self._objective.per_kwh


def all_sets(
    facings: Facings, light_kwh: FloatArray, serving: Serving, objective: Prices, least: float, few: int = FEW_SETS
) -> WholeSet | None:  # fmt: skip
    """The best of all sets of given facings; None where there are too many to try all, or none serves.

    least   a cost below which there is none
    few     so many sets are tried
    """
    trials = Trials(light_kwh, serving, objective, 0.0)
    best: Counts | None = None
    cost = math.inf
    units = max(1, math.ceil(least / objective.per_unit - 1e-9) if objective.per_kwh == 0.0 else 1)
    units = max(units, math.ceil(objective.least_units))
    while units <= objective.most_units and units * objective.per_unit < cost:
        if sets_of(facings, units) + trials.count > few:
            return None
        for places in combinations_with_replacement(range(facings.count), units):
            counts = np.bincount(places, minlength=facings.count).astype(np.int64)
            found = trials.cost(counts, cost)
            if found < cost:
                best, cost = counts, found
        units += 1
    if best is None:
        return None
    return whole_of(facings, best, trials, cost, complete=True)


def sets_of(facings: Facings, units: int) -> int:
    """How many sets of so many units there are."""
    return math.comb(facings.count + units - 1, units)


def whole_of(
    facings: Facings, counts: Counts, trials: Trials, cost: float, *, complete: bool = False
) -> WholeSet:
    """A set that serves, as such."""
    capacity = trials.capacity(counts)
    assert capacity is not None
    used = np.flatnonzero(counts)
    return WholeSet(
        facings=facings.take(used),
        counts=counts[used],
        capacity_kwh=capacity,
        light_kwh=trials.light(counts),
        cost=cost,
        complete=complete,
    )


def near_split(
    split: Relaxed, serving: Serving, objective: Prices, light_of: Callable[[Facings], FloatArray], *, turning: bool,
    most_trials: int | None = None, units: int | None = None,
) -> WholeSet | None:  # fmt: skip
    """Whole units near to the split ones: facings gathered where they may turn, counts rounded, swaps; None if none serves.

    light_of      light (rows, facings) of one unit of each of some facings
    most_trials   how many sets are tried; None: by how many units there are
    units         so many, rounded and not swapped; None: the number is sought
    """
    few = float(split.units.sum()) <= FEW_UNITS
    used = np.flatnonzero(split.units > LEAST_UNITS)
    if few and not turning:
        used = np.union1d(used, np.flatnonzero(split.proof.unit > NEARLY * split.proof.unit.max()))
    facings, shares = split.facings.take(used), split.units[used]
    if turning:
        facings, shares = gathered(facings, shares)
    light = light_of(facings)
    trials = Trials(light, serving, objective, split.capacity_kwh)
    most = most_trials or (MOST_TRIALS_OF_FEW if few else MOST_TRIALS)
    start = served_start(shares, trials) if units is None else rounded(shares, units)
    if start is None:
        # from above the limit down to it
        fewest = replace(objective, most_units=math.inf, per_unit=1.0, per_kwh=NEXT_TO_NOTHING)
        unlimited = Trials(light, serving, fewest, split.capacity_kwh)
        above = served_start(shares, unlimited)
        start = None if above is None else swapped(above, shares, unlimited, most)[0]
    if start is None or not math.isfinite(cost := trials.cost(start)):
        return None
    if units is not None:
        return whole_of(facings, start, trials, cost)
    counts, cost = swapped(start, shares, trials, most)
    return whole_of(facings, counts, trials, cost)


def gathered(facings: Facings, shares: FloatArray) -> tuple[Facings, FloatArray]:
    """Facings closer than TOGETHER_DEG to a larger share put together with it, at the mean of their normals; rolls as the
    largest's."""
    from yieldsim.planning.orientation.mount_frames import carried, facings_of_axes

    axes = facings.axes_enu_xyz
    left = list(np.argsort(-shares, kind="stable"))
    means, sums = [], []
    near = np.cos(np.radians(TOGETHER_DEG))
    while left:
        first = left[0]
        own = [
            place
            for place in left
            if axes[place, 2] @ axes[first, 2] >= near and axes[place, 0] @ axes[first, 0] > 0.5
        ]
        left = [place for place in left if place not in own]
        normal = (shares[own][:, None] * axes[own, 2]).sum(axis=0)
        means.append(carried(axes[first], normal / np.linalg.norm(normal)))
        sums.append(float(shares[own].sum()))
    return facings_of_axes(np.stack(means)), np.array(sums)


def rounded(shares: FloatArray, units: int) -> Counts:
    """Whole counts with a given sum, by largest remainders."""
    scaled = shares * units / shares.sum()
    counts: Counts = np.floor(scaled + 1e-9).astype(np.int64)
    for place in np.argsort(-(scaled - counts), kind="stable")[: units - int(counts.sum())]:
        counts[place] += 1
    return counts


def served_start(shares: FloatArray, trials: Trials) -> Counts | None:
    """The cheapest of the rounded sets around the split number, or the first larger one that serves."""
    total = float(shares.sum())
    about = max(1, math.floor(total))
    tried = [rounded(shares, about + more) for more in range(3)]
    tried.append(np.maximum(np.ceil(shares - 0.05), 0).astype(np.int64))
    costs = [trials.cost(counts) for counts in tried]
    if math.isfinite(min(costs)):
        return tried[int(np.argmin(costs))]
    units = about + 3
    while units <= 1.6 * total + 12:
        counts = rounded(shares, units)
        if math.isfinite(trials.cost(counts)):
            return counts
        units += max(1, units // 20)
    return None


def swapped(counts: Counts, shares: FloatArray, trials: Trials, most: int) -> tuple[Counts, float]:
    """The best set reached by adding, taking away or moving single units, within so many trials."""
    cost = trials.cost(counts)
    facings = len(counts)
    better = True
    while better and trials.count < most:
        better = False
        # moves first that bring counts nearer to the split ones
        surplus = counts - shares
        fro = [place for place in np.argsort(-surplus, kind="stable") if counts[place] > 0]
        to = list(np.argsort(surplus, kind="stable"))
        moves = [(place, None) for place in fro] + [(a, b) for a in fro for b in to if a != b]
        moves += [(None, place) for place in to]
        moves.sort(key=lambda move: _towards(move, surplus))
        for out, into in moves[: max(6 * facings, most // 2)]:
            tried = counts.copy()
            if out is not None:
                tried[out] -= 1
            if into is not None:
                tried[into] += 1
            found = trials.cost(tried, cost)
            if found < cost * (1.0 - 1e-9):
                counts, cost, better = tried, found, True
                break
            if trials.count >= most:
                break
    return counts, cost


def _towards(move: tuple[int | None, int | None], surplus: FloatArray) -> float:
    """How far a move leads away from the split counts: the change of the sum of squares."""
    out, into = move
    change = 0.0
    if out is not None:
        change += 1.0 - 2.0 * float(surplus[out])
    if into is not None:
        change += 1.0 + 2.0 * float(surplus[into])
    return change
