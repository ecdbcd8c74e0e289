"""A closer bound where units are few: they come in whole numbers.

A plan has landed n units or fewer by some flight, or n + 1 or more. Each case is a programme of its own, which may be parted again, by
the same flight or by another; the cheapest case bounds every plan. The case of the least bound is parted first, at the flight whose
number is split most, over days; where all its numbers are whole, it is solved as closely as the whole was. This ends where all cases
are as dear as the plan that is known, or none is left to part, or there are MOST_CASES: a limit of cases and not of time, so that the
same answer comes on every machine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.branching.branch_and_bound import MOST_UNITS
from yieldsim.planning.growth.column_generation import Grown, solved_again
from yieldsim.planning.growth.phases import Landing, Phase
from yieldsim.planning.growth.programme import FlightPrices
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.system.column_generation import Infeasible
from yieldsim.planning.system.dual_bound import RowPrices

MOST_CASES = 16
WHOLE, NEAR = 1e-4, 1e-3
"""How near to a whole number is whole, and to the best plan near enough."""
OVER = 10.0
"""A unit over a case's most costs so many times the best plan: what the case then costs says that it serves nothing."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Case:
    """A case and what proves its bound; the light of the facings is worked out again where it is needed.

    least_until, most_until   (flights,)  units that have landed by each flight
    rows             prices of each phase
    worth_anywhere   (flights,)  what no unit of a flight is worth more than; None: not known
    """

    least_until: FloatArray
    most_until: FloatArray
    rows: tuple[RowPrices, ...]
    flights: FlightPrices
    worth_anywhere: FloatArray | None
    least: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Proved:
    """What proves a bound: cases of which every plan is one. The prices of the whole programme are those of the first flights."""

    facings: Facings
    cases: tuple[Case, ...]
    full: FloatArray

    @property
    def least(self) -> float:
        """What no plan costs less than."""
        return min(one.least for one in self.cases)


@dataclass(frozen=True, slots=True, eq=False)
class _Leaf:
    """A case that has not been parted; fine: solved as closely as the whole is."""

    landing: Landing
    found: Grown
    fine: bool = False


def proved(
    found: Grown, phases: Sequence[Phase], landing: Landing, *, turning: bool, reached: float = math.inf
) -> Proved:
    """The cases that bound every plan.

    found     solved for the place
    reached   cost of the best plan known: cases that cost more are parted no further; infinite: none is parted
    """
    # facings that turn are proven where it is known what none between them is worth more than
    turning = turning and found.everywhere is not None
    leaves = [_Leaf(landing, found, fine=True)]
    if float(found.answer.units.sum()) <= MOST_UNITS and math.isfinite(reached):
        leaves = _parted_best_first(leaves[0], phases, turning=turning, reached=reached)
    if min(leaf.found.least for leaf in leaves) < found.least:
        # days alone prove less than what was known
        leaves = [_Leaf(landing, found)]
    every = np.unique(np.concatenate([np.stack(list(leaf.found.facings), axis=1) for leaf in leaves]), axis=0)
    return Proved(
        facings=Facings(*np.ascontiguousarray(every.T)),
        cases=tuple(_case(leaf) for leaf in leaves),
        full=found.proof.flight_prices.full,
    )


def _parted_best_first(
    whole: _Leaf, phases: Sequence[Phase], *, turning: bool, reached: float
) -> list[_Leaf]:
    leaves = [whole]
    while len(leaves) < MOST_CASES:
        place = min(range(len(leaves)), key=lambda at: leaves[at].found.least)
        leaf = leaves[place]
        if leaf.found.least >= reached * (1.0 - NEAR):
            break
        parts = _parted(leaf)
        try:
            if parts:
                leaves[place : place + 1] = [
                    _Leaf(part, solved_again(leaf.found, phases, _elastic(part, reached), turning=turning))
                    for part in parts
                ]
            elif leaf.fine:
                break
            else:
                within, blocks = _elastic(leaf.landing, reached), whole.found.blocks
                closely = solved_again(leaf.found, phases, within, blocks, turning=turning)
                leaves[place] = _Leaf(leaf.landing, closely, fine=True)
        except Infeasible:
            break
    return leaves


def _elastic(landing: Landing, reached: float) -> Landing:
    return replace(landing, over_kg=OVER * reached)


def _parted(leaf: _Leaf) -> list[Landing]:
    """The two cases of the flight by which the number of units is split most; none where all are whole."""
    until = np.cumsum(leaf.found.answer.units.sum(axis=1))
    split = np.abs(until - np.round(until))
    flight = int(split.argmax())
    if split[flight] < WHOLE:
        return []
    low, high = leaf.landing.units_until
    most, least = high.copy(), low.copy()
    most[flight] = math.floor(until[flight])
    least[flight] = most[flight] + 1.0
    return [
        replace(leaf.landing, least_until=low, most_until=most),
        replace(leaf.landing, least_until=least, most_until=high),
    ]


def _case(leaf: _Leaf) -> Case:
    low, high = leaf.landing.units_until
    return Case(
        least_until=low,
        most_until=high,
        rows=leaf.found.answer.prices,
        flights=leaf.found.proof.flight_prices,
        worth_anywhere=leaf.found.worth_anywhere,
        least=leaf.found.least,
    )
