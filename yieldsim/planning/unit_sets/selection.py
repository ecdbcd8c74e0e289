"""Choosing several facings: greedy, then exchanges one for one, for each goal; and how good any choice could
be.

A chooser holds what a goal asks of the candidates and answers three questions: the value of a set (higher is
better), the value with each candidate added to a set, and a bound that no set of that many units exceeds.

    annual         energies add up: the best facing for all units is the best set, and that is the bound
    worst-month    the smallest of sums. The bound is that of a linear programme with fractional units; by its
        dual weights y of the
                   months (y >= 0, sum 1), the worst month of any N facings is at most N max over facings of y
                   . energy
    shortest-gap   see `planning.unit_sets.set_cover`
    load           what a load can use has diminishing returns in added light: for any set S,
                   best <= use(S) + N max over facings of (use(S and one more) - use(S))     (Nemhauser,
                   Wolsey & Fisher 1978, from memory) and never more than is asked for
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.native_prints import prints_unheard
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.objectives import Use
from yieldsim.planning.sunlight.interval_kernels import Runs
from yieldsim.planning.unit_sets.set_cover import RunLists, gaps_with, least_gap_steps, scanned, united

Set = list[int]
EXCHANGE_ROUNDS = 6
BEAM, IMPROVED = 6, 2
"""Sets grown side by side, and how many of them are improved by exchanges for short gaps."""
TIE = 1e-6
MOST_PAIRED, MOST_PROGRAMMED, PROGRAMMED, NODES = 1500, 12, 150, 400
"""Candidates of which all pairs are tried; units up to which whole sets are sought by an integer programme, over how many
candidates and nodes."""


class Chooser(Protocol):
    """What choosing needs to know of a goal."""

    count: int

    def value(self, chosen: Set) -> float:
        """Value of a set; the same candidate may be in it more than once."""

    def with_each(self, chosen: Set) -> FloatArray:
        """Value of the set with each candidate added, (candidates,)."""

    def larger(self, growth: Growth) -> list[Set]:
        """Sets of one unit more than the best one known that are worth improving by exchanges."""

    def bound(self, units: int, best: Set) -> float:
        """No set of this many units is worth more; `best` is the best one known."""


class Growth:
    """Sets grown unit by unit: the best of the latest size, and others that may lead to better ones."""

    def __init__(self, chooser: Chooser) -> None:
        """Start with no unit."""
        self._chooser = chooser
        self.best: Set = []
        self.beam: list[Set] = [[]]
        self.evened: Set = []

    def grow(self) -> None:
        """One unit more."""
        larger = self._chooser.larger(self)
        self.best = max((exchanged(self._chooser, one) for one in larger), key=self._chooser.value)

    def beside(self) -> list[Set]:
        """The best of each set of the beam with each of the candidates that help it most, and the best set with one more."""
        reached: dict[tuple[int, ...], float] = {}
        for chosen in self.beam:
            values = self._chooser.with_each(chosen)
            for place in np.argsort(-values, kind="stable")[:BEAM]:
                reached[tuple(sorted([*chosen, int(place)]))] = float(values[place])
        self.beam = [list(one) for one in sorted(reached, key=lambda one: -reached[one])[:BEAM]]
        return [*self.beam[:IMPROVED], grown(self._chooser, self.best)]


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


# ---------------------------------------------------------------- energy


class AnnualChooser:
    """Energy a year: the candidates' energies (n,), and one that no facing exceeds."""

    def __init__(self, kwh: FloatArray, most_kwh: float | None) -> None:
        """Keep them."""
        self.count, self._kwh = len(kwh), kwh
        self._most_kwh = float(kwh.max()) if most_kwh is None else most_kwh

    def value(self, chosen: Set) -> float:
        """Sum of energies."""
        return float(self._kwh[chosen].sum())

    def with_each(self, chosen: Set) -> FloatArray:
        """Sum with one more."""
        return np.asarray(self.value(chosen) + self._kwh)

    def larger(self, growth: Growth) -> list[Set]:
        """The best facing once more."""
        return [grown(self, growth.best)]

    def bound(self, units: int, best: Set) -> float:
        """As many of the best."""
        return units * self._most_kwh


class MonthChooser:
    """The poorest month: the candidates' energies by month (n, months).

    most_kwh   weights of the months (months,) to a weighted energy that no facing exceeds; None: the
        candidates are all there are
    """

    def __init__(self, kwh: FloatArray, most_kwh: Callable[[FloatArray], float] | None = None) -> None:
        """Keep them."""
        self.count, self._kwh, self._most_kwh = len(kwh), kwh, most_kwh
        self._tie = TIE * kwh.sum(axis=1)
        self._unit_bound: float | None = None

    def value(self, chosen: Set) -> float:
        """Energy of the poorest month; the year's decides between equals."""
        return float(self._kwh[chosen].sum(axis=0).min() + self._tie[chosen].sum())

    def with_each(self, chosen: Set) -> FloatArray:
        """The same with one more."""
        held = self._kwh[chosen].sum(axis=0)
        # while some month has nothing yet, what fills the emptier months evenly goes first
        reached = held[None, :] + self._kwh
        return np.asarray(reached.min(axis=1) + (self._tie[chosen].sum() + self._tie))

    def shares(self) -> tuple[FloatArray, FloatArray, float]:
        """Best fractional shares of one unit (n,), dual weights of the months, and the poorest month of that
        mix."""
        from scipy.optimize import linprog

        months = self._kwh.shape[1]
        scale = max(float(self._kwh.max()), 1e-300)
        cost = np.append(np.zeros(self.count), -1.0)
        above = np.concatenate([-self._kwh.T / scale, np.ones((months, 1))], axis=1)
        whole = np.append(np.ones(self.count), 0.0)[None, :]
        answer = linprog(cost, A_ub=above, b_ub=np.zeros(months), A_eq=whole, b_eq=[1.0], method="highs")
        weights = np.maximum(-np.asarray(answer.ineqlin.marginals), 0.0)
        return answer.x[:-1], weights / max(weights.sum(), 1e-300), float(-answer.fun * scale)

    def rounded(self, units: int) -> Set:
        """The fractional mix in whole units: whole parts first, then greedy."""
        share, _, _ = self.shares()
        whole = np.floor(share * units + 1e-9).astype(int)
        chosen = [int(i) for i in np.flatnonzero(whole) for _ in range(whole[i])]
        while len(chosen) < units:
            chosen = grown(self, chosen)
        return chosen

    def larger(self, growth: Growth) -> list[Set]:
        """One more, the mix in whole units, and the best of whole units where that is sought."""
        units = len(growth.best) + 1
        whole = self.whole(units)
        return [grown(self, growth.best), self.rounded(units), *([] if whole is None else [whole])]

    def whole(self, units: int) -> Set | None:
        """The best set of whole units: two by trying all pairs, a few more by an integer programme over the candidates that
        the months' weights price highest; None where neither is done."""
        if units == 2:
            kwh = self._kwh if self.count <= MOST_PAIRED else self._kwh[self._priced(MOST_PAIRED)]
            values = [(kwh[:, month, None] + kwh[None, :, month]) for month in range(kwh.shape[1])]
            first, second = np.unravel_index(int(np.minimum.reduce(values).argmax()), (len(kwh), len(kwh)))
            own = np.arange(self.count) if self.count <= MOST_PAIRED else self._priced(MOST_PAIRED)
            return [int(own[first]), int(own[second])]
        if not 3 <= units <= MOST_PROGRAMMED:
            return None
        from scipy.optimize import Bounds, LinearConstraint, milp

        own = self._priced(PROGRAMMED)
        kwh = self._kwh[own] / max(float(self._kwh.max()), 1e-300)
        months, count = kwh.shape[1], len(own)
        with prints_unheard():
            answer = milp(
                np.append(np.zeros(count), -1.0),
                integrality=np.append(np.ones(count), 0.0),
                bounds=Bounds(0.0, np.append(np.full(count, float(units)), np.inf)),
                constraints=[
                    LinearConstraint(np.concatenate([kwh.T, -np.ones((months, 1))], axis=1), 0.0, np.inf),
                    LinearConstraint(np.append(np.ones(count), 0.0)[None], units, units),
                ],
                # nodes, not seconds: the same answer on any machine
                options={"node_limit": NODES, "mip_rel_gap": 1e-4},
            )
        if answer.x is None:
            return None
        whole = np.round(answer.x[:-1]).astype(np.int64)
        return [int(place) for place in np.repeat(own, whole)]

    def _priced(self, most: int) -> NDArray[np.int64]:
        """The candidates that are worth most by the months' weights, and each month's best."""
        _, weights, _ = self.shares()
        order = np.argsort(-(self._kwh @ weights), kind="stable")[:most]
        return np.unique(np.concatenate([order, self._kwh.argmax(axis=0)]))

    def bound(self, units: int, best: Set) -> float:
        """Units times the bound of one divided unit."""
        if self._unit_bound is None:
            _, weights, mixed = self.shares()
            self._unit_bound = mixed if self._most_kwh is None else self._most_kwh(weights)
        return units * self._unit_bound + float(self._tie.max() * units)


# ---------------------------------------------------------------- gaps


class GapChooser:
    """The longest gap: value is minus its steps; the sizes of all gaps together decide between equals.

    lists       the candidates' stretches of light
    wide        lists that stand for every facing of the sky, for the bound; None: the candidates are all
        there are
    dark_steps  longest gap that the site leaves any facing
    """

    def __init__(self, lists: RunLists, wide: RunLists | None, dark_steps: int) -> None:
        """Keep them."""
        self.count, self._lists = lists.count, lists
        self._wide, self.dark_steps = lists if wide is None else wide, dark_steps
        self._known: dict[int, float] = {}

    def held(self, chosen: Set) -> Runs:
        """Union of the stretches of a set."""
        none = np.zeros(0, dtype=np.int64)
        found: Runs = (none, none)
        for facing in set(chosen):
            found = united(found, self._lists.runs(facing))
        return found

    def value(self, chosen: Set) -> float:
        """Minus the longest gap, less a share of a step for the others."""
        nothing = RunLists.of([self.held([])], self._lists.step_count)
        return float(self._worth(gaps_with(self.held(chosen), nothing))[0])

    def with_each(self, chosen: Set) -> FloatArray:
        """The same with one more."""
        return self._worth(gaps_with(self.held(chosen), self._lists))

    def larger(self, growth: Growth) -> list[Set]:
        """Sets grown side by side; one more; sets whose gaps are made even; and one found in the order of time.

        Plain growth and coverings of windows lose to it: at a Martian pole four units leave 3.06 h, without the sets side by
        side 3.13.
        """
        even = SpreadGapChooser(self._lists, None, self.dark_steps)
        growth.evened = exchanged(even, grown(even, growth.evened))
        ways = [*growth.beside(), growth.evened, exchanged(even, grown(even, growth.best))]
        found = self.scanned(len(growth.best) + 1, max(self.value(one) for one in ways))
        return ways if found is None else [*ways, found]

    def scanned(self, units: int, reached: float) -> Set | None:
        """A set of so many units found in the order of time, better than a value reached; None if none is found."""
        low, high = self.dark_steps, int(-np.ceil(reached))
        best = None
        while low < high:
            middle = (low + high) // 2
            found = scanned(self._lists, middle, units)
            if found is None:
                low = middle + 1
            else:
                best, high = found, middle
        while best is not None and len(best) < units:
            best = grown(self, best)
        return best

    def _worth(self, gaps: FloatArray) -> FloatArray:
        return np.asarray(-gaps[:, 0] - gaps[:, 1] / (self._lists.step_count + 1.0))

    def bound(self, units: int, best: Set) -> float:
        """Minus the least gap, steps."""
        reached = int(-np.ceil(self.value(best))) if best else self._lists.step_count
        return -float(least_gap_steps(self._wide, units, self.dark_steps, reached, self._known))


class SpreadGapChooser(GapChooser):
    """Goes by the sizes of all gaps together: while several long gaps are left, no single unit shortens the
    longest."""

    def _worth(self, gaps: FloatArray) -> FloatArray:
        return np.asarray(-gaps[:, 1])


# ---------------------------------------------------------------- use


class LoadChooser:
    """What a load makes use of: power of the candidates (n, intervals), the load, and the most it can take a
    year."""

    def __init__(self, power_w: FloatArray, use: Use, most_kwh: float, years: float) -> None:
        """Keep them."""
        self.count, self._power_w, self._use, self._most_kwh, self._years = (
            len(power_w),
            power_w,
            use,
            most_kwh,
            years,
        )

    def value(self, chosen: Set) -> float:
        """Energy used a year."""
        return self._use(self._sum(chosen)) / self._years

    def with_each(self, chosen: Set) -> FloatArray:
        """The same with one more."""
        held = self._sum(chosen)
        return np.array([self._use(held + own) for own in self._power_w]) / self._years

    def larger(self, growth: Growth) -> list[Set]:
        """Sets grown side by side, and one more: grown one by one, up to 0.6 % less is used of a polar day."""
        return growth.beside()

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
