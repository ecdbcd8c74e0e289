"""Choosing several facings for a goal from candidates, and how good any choice could be.

A chooser holds what a goal asks of the candidates and answers: the value of a set (higher is better), the value with each candidate
added to a set, sets worth going on with of one unit more than the best known, and a bound that no set of that many units exceeds.
Energies need none: they add up, so the best facing for all units is the best set, and that is the bound.

    worst-month    see `max_min_month`
    shortest-gap   see `shortest_gap`
    load           what a load can use has diminishing returns in added light: for any set S,
                   best <= use(S) + N max over facings of (use(S and one more) - use(S))     (Nemhauser,
                   Wolsey & Fisher 1978, from memory) and never more than is asked for
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.objectives import Use

Set = list[int]
EXCHANGE_ROUNDS = 6
BEAM, IMPROVED = 6, 2
"""Sets grown side by side, and how many of them are improved by exchanges for short gaps."""
TOGETHER = 64
"""Candidates whose light is added to that of a set at a time: as much as a cache holds."""


class Chooser(Protocol):
    """What choosing needs to know of a goal."""

    count: int

    def value(self, chosen: Set) -> float:
        """Value of a set; the same candidate may be in it more than once."""

    def with_each(self, chosen: Set) -> FloatArray:
        """Value of the set with each candidate added, (candidates,)."""

    def larger(self, known: Set) -> list[Set]:
        """Sets of one unit more than `known`, the best of their size so far, that are worth going on with."""

    def bound(self, units: int, best: Set) -> float:
        """No set of this many units is worth more; `best` is the best one known."""


class Beam:
    """Sets of one size grown side by side."""

    def __init__(self) -> None:
        """Start with no unit."""
        self._sets: list[Set] = [[]]

    def grown(self, chooser: Chooser) -> list[Set]:
        """The best of each set with each of the candidates that help it most."""
        reached: dict[tuple[int, ...], float] = {}
        for chosen in self._sets:
            values = chooser.with_each(chosen)
            for place in np.argsort(-values, kind="stable")[:BEAM]:
                reached[tuple(sorted([*chosen, int(place)]))] = float(values[place])
        self._sets = [list(one) for one in sorted(reached, key=lambda one: -reached[one])[:BEAM]]
        return self._sets[:IMPROVED]


def grown(chooser: Chooser, chosen: Set) -> Set:
    """The set with the candidate that helps most."""
    return [*chosen, int(chooser.with_each(chosen).argmax())]


def exchanged(chooser: Chooser, chosen: Set) -> Set:
    """The set after exchanging one unit for another as long as that helps."""
    chosen = list(chosen)
    value = chooser.value(chosen)
    for _ in range(EXCHANGE_ROUNDS):
        before = value
        for place in range(len(chosen)):
            rest = chosen[:place] + chosen[place + 1 :]
            reached = chooser.with_each(rest)
            best = int(reached.argmax())
            if reached[best] > value + 1e-12 * abs(value):
                chosen[place], value = best, float(reached[best])
        if value <= before:
            break
    return chosen


# ---------------------------------------------------------------- use


class LoadChooser:
    """What a load makes use of: power of the candidates (n, intervals), the load, and the most it can take a
    year."""

    def __init__(self, power_w: FloatArray, use: Use, most_kwh: float, years: float) -> None:
        """Keep them."""
        self._use, self._most_kwh, self._years = use, most_kwh, years
        self._power_w, self._beam = power_w[:0], Beam()
        self.add(power_w)

    def add(self, power_w: FloatArray) -> None:
        """More candidates: (more, intervals)."""
        self._power_w = np.concatenate([self._power_w, power_w])
        self.count, self._known = len(self._power_w), dict[tuple[int, ...], FloatArray]()

    def value(self, chosen: Set) -> float:
        """Energy used a year."""
        return float(self._use(self._sum(chosen))) / self._years

    def with_each(self, chosen: Set) -> FloatArray:
        """The same with one more; exchanges ask for the same sets again and again."""
        key = tuple(sorted(chosen))
        if key not in self._known:
            held, parts = self._sum(list(key)), range(0, self.count, TOGETHER)
            used = [self._use(held + self._power_w[first : first + TOGETHER]) for first in parts]
            self._known[key] = np.concatenate(used) / self._years
        return self._known[key]

    def larger(self, known: Set) -> list[Set]:
        """Sets grown side by side, and one more: grown one by one, up to 0.6 % less is used of a polar day."""
        return [exchanged(self, one) for one in (*self._beam.grown(self), grown(self, known))]

    def _sum(self, chosen: Set) -> FloatArray:
        return np.asarray(self._power_w[chosen].sum(axis=0, dtype=np.float64))

    def bound(self, units: int, best: Set) -> float:
        """By diminishing returns from the best set known and from none, and what is asked for."""
        gains = [
            self.value(chosen) + units * float((self.with_each(chosen) - self.value(chosen)).max())
            for chosen in ([], best)
        ]
        return min(*gains, self._most_kwh)


def places(chosen: Set) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Distinct candidates of a set and how often each is in it."""
    found, counts = np.unique(np.array(chosen, dtype=np.int64), return_counts=True)
    return found, counts
