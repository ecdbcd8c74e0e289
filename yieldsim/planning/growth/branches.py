"""A closer bound where units are few: they come in whole numbers.

A plan has landed n units or fewer by some flight, or n + 1 or more. Each case is a programme of its own, which may be parted again, by
the same flight or by another; the cheapest case bounds every plan. The case of the least bound is parted first, at the flight whose
number is split most, until all are dearer than the plan that is known, or there are MOST_CASES: a limit of cases and not of time, so
that the same answer comes on every machine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.column_generation import Grown, solved_again
from yieldsim.planning.growth.phases import Landing, Phase
from yieldsim.planning.growth.programme import FlightPrices
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.system.branch_and_bound import MOST_UNITS
from yieldsim.planning.system.column_generation import Infeasible
from yieldsim.planning.system.dual_bound import RowPrices

MOST_CASES = 16
WHOLE = 1e-4
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


def proved(
    found: Grown, phases: Sequence[Phase], landing: Landing, *, turning: bool, reached: float = math.inf
) -> Proved:
    """The cases that bound every plan.

    found     solved for the place
    reached   cost of the best plan known: cases that cost more are parted no further; infinite: none is parted
    """
    leaves = [(landing, found, found.least)]
    few = float(found.answer.units.sum()) <= MOST_UNITS
    while few and math.isfinite(reached) and len(leaves) < MOST_CASES:
        place = min(range(len(leaves)), key=lambda at: leaves[at][2])
        within, own, least = leaves[place]
        parts = _parted(within, own)
        if least >= reached or parts is None:
            break
        solutions = []
        for part in parts:
            with_most = replace(part, over_kg=OVER * reached)
            try:
                other = solved_again(own, phases, with_most, turning=turning)
            except Infeasible:
                break
            solutions.append((part, other, other.least))
        if len(solutions) < 2:
            break
        leaves[place : place + 1] = solutions
    return Proved(
        facings=found.facings,
        cases=tuple(_case(*one) for one in leaves),
        full=found.proof.flight_prices.full,
    )


def _parted(landing: Landing, found: Grown) -> tuple[Landing, Landing] | None:
    """The two cases of the flight by which the number of units is split most; None where all are whole."""
    until = np.cumsum(found.answer.units.sum(axis=1))
    split = np.abs(until - np.round(until))
    flight = int(split.argmax())
    if split[flight] < WHOLE:
        return None
    least, most = (limit.copy() for limit in landing.units_until)
    most[flight] = math.floor(until[flight])
    least[flight] = most[flight] + 1.0
    _, above = landing.units_until
    below, _ = landing.units_until
    return replace(landing, least_until=below, most_until=most), replace(
        landing, least_until=least, most_until=above
    )


def _case(landing: Landing, found: Grown, least: float) -> Case:
    low, high = landing.units_until
    return Case(
        least_until=low,
        most_until=high,
        rows=found.answer.prices,
        flights=found.proof.flight_prices,
        worth_anywhere=found.worth_anywhere,
        least=least,
    )
