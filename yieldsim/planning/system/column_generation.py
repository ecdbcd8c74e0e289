"""The least cost at a place if units could be split: column generation over facings, rows merged where nothing is lost.

Rounds of

1. the programme over blocks with a few facings; the facings that are worth more than they cost at its prices come in, until none
   of the candidates is;
2. facings turn in continuous angles towards what they are worth most at the prices, until none is worth more: first over days;
3. blocks are cut where the run of the solution turns from lacking light to having it to spare, those alone that gain by it.

Every round gives a bound (`dual_bound`); the search ends when the programme's cost stands still.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.system.dual_bound import Bound, RowPrices, bound, parts, row_prices, scaled, unit_worth
from yieldsim.planning.system.linear_programme import Master, Solved
from yieldsim.planning.system.pricing import Sunlight, climbed, peaks, priced, worth_bound
from yieldsim.planning.system.row_aggregation import Blocks, even, gaining_blocks, turning_points
from yieldsim.planning.system.terms import Prices, Terms

BLOCK_HOURS = 24.0
FIRST_FACINGS, MORE_FACINGS = 40, 60
WORTH_MORE = 1e-4
"""A facing worth less than this share more than it costs does not come in."""
STANDS_STILL, TURNS_LITTLE, WORTH_LITTLE = 2e-3, 2e-2, 5e-3
"""Gain of the cost for which blocks are no longer cut, and of worth for which facings are no longer turned: at first, at the end."""
BOUND_EFFORT, QUICK_EFFORT = 64.0, 1.0
"""At the prices of a programme all facings in use are worth the same: many patches have to be cut up."""
MOST_CUTS, MOST_TURNS = 6, 8
NEARLY_WORTH_IT = 0.99
"""Facings worth this share of the best unit come into the next programme from the start."""
LEAST_UNITS = 1e-6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Relaxed:
    """The least cost at a place with units that may be split, and what proves it.

    facings, light_kwh   that were priced one by one; (rows, facings) of one unit each
    units         (facings,)  of the solution
    stored_kwh    (blocks,)  usable state of the store at their ends
    prices        by row
    proof         what they prove over those facings
    everywhere    least cost over every facing between them too; None where there are no others
    worth_anywhere   what no unit of any facing is worth more than at the prices; None the same
    """

    facings: Facings
    light_kwh: FloatArray
    units: FloatArray
    capacity_kwh: float
    stored_kwh: FloatArray
    cost: float
    prices: RowPrices
    proof: Bound
    blocks: Blocks
    everywhere: float | None = None
    worth_anywhere: float | None = None

    @property
    def least(self) -> float:
        """What no system costs less than."""
        return self.proof.least if self.everywhere is None else min(self.everywhere, self.proof.least)


class Infeasible(Exception):
    """No number of units, split or not, and no store within the limits serve the loads."""


def relaxed(
    sunlight: Sunlight,
    terms: Terms,
    objective: Prices,
    *,
    worth_knowing: Callable[[float], bool] = lambda least: True,
    turning: bool = True,
) -> Relaxed:
    """Solve for a place. Raises Infeasible.

    terms           over the rows from the run's first on
    worth_knowing   asked with bounds that hold: whether closer ones are wanted
    turning         whether facings may turn between the candidates
    """
    lit = sunlight.lit[: terms.rows]

    def left_off(found: Relaxed) -> Relaxed | None:
        """It with its bound where no closer one is wanted. What the candidates alone prove says nothing of facings between."""
        if worth_knowing(found.proof.least):
            return None
        known = bounded_everywhere(found, sunlight, terms, objective, QUICK_EFFORT) if turning else found
        return None if worth_knowing(known.least) else known

    def settled(kept: _Kept, turns: int, little: float) -> _Kept:
        """Facings turned until none is worth more than those in use by such a share."""
        for _ in range(turns):
            kept, more = _turned(kept, sunlight, terms, objective, lit)
            if more <= little:
                break
        return kept

    kept = _first(sunlight, sunlight.light_kwh(sunlight.candidates), terms, objective, BLOCK_HOURS)
    if (known := left_off(kept.found)) is not None:
        return known
    # facings turn first, while blocks are few
    kept = settled(kept, MOST_TURNS, TURNS_LITTLE) if turning else kept
    for _ in range(MOST_CUTS):
        if (known := left_off(kept.found)) is not None:
            return known
        before, finer = kept.found.cost, _cut(kept.found, terms, objective, lit)
        if finer is None:
            break
        kept = settled(finer, 1, TURNS_LITTLE) if turning else finer
        if abs(kept.found.cost - before) <= before * STANDS_STILL:
            break
    if not turning:
        return kept.found
    return bounded_everywhere(settled(kept, MOST_TURNS, WORTH_LITTLE).found, sunlight, terms, objective)


def solved_again(found: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices) -> Relaxed:
    """A solution for another objective, from the facings and blocks of one that is known. Raises Infeasible."""
    lit = sunlight.lit[: terms.rows]
    start = _promising(found)
    return _over_facings(found.facings, found.light_kwh, terms, objective, found.blocks, lit, start).found


def over_candidates(
    sunlight: Sunlight,
    light_kwh: FloatArray,
    terms: Terms,
    objective: Prices,
    block_hours: float = BLOCK_HOURS,
) -> Relaxed:
    """A first solution over the candidates, with rows merged into days. Raises Infeasible.

    light_kwh     (rows or more, facings)  of one unit of each candidate
    block_hours   of what rows are merged into
    """
    return _first(sunlight, light_kwh, terms, objective, block_hours).found


class _Kept(NamedTuple):
    """A solution, and its programme with all that the solver knows of it."""

    found: Relaxed
    master: Master


def _first(
    sunlight: Sunlight, light_kwh: FloatArray, terms: Terms, objective: Prices, block_hours: float
) -> _Kept:
    rows = terms.rows
    return _over_facings(
        sunlight.candidates,
        np.ascontiguousarray(light_kwh[:rows]),
        terms,
        objective,
        even(rows, max(round(block_hours / sunlight.row_hours), 1)),
        sunlight.lit[:rows],
    )


def _over_facings(
    some: Facings,
    light_kwh: FloatArray,
    terms: Terms,
    objective: Prices,
    blocks: Blocks,
    lit: Flags,
    start: NDArray[np.int64] | None = None,
    master: Master | None = None,
) -> _Kept:
    """Column generation over facings whose light is known.

    start    those to begin with
    master   the programme of some of them over the same blocks
    """
    lit_blocks = blocks.sums(np.asarray(lit, dtype=np.float64)) > 0.0
    new = start
    if new is None:
        new = np.sort(np.argsort(-light_kwh.sum(axis=0), kind="stable")[:FIRST_FACINGS])
        new = np.union1d(new, _each_row(light_kwh, terms))
    spare_rows = light_kwh.max(axis=1) > terms.unit_serves_kwh
    told = lit_blocks & (blocks.sums(spare_rows.astype(np.float64)) > 0.0)
    if master is None or not master.tells(told):
        master = Master(lit_blocks, terms, blocks, objective, told)
    while True:
        new = np.setdiff1d(new, master.places)
        if len(new):
            own_kwh = light_kwh[:, new]
            master.admit(new, blocks.sums(own_kwh), blocks.sums(terms.spare_kwh(own_kwh)))
        answered = master.answer()
        if answered is None:
            new = np.setdiff1d(np.arange(some.count), master.places)
            if len(new) == 0:
                raise Infeasible
            continue
        answer, _ = answered
        prices = row_prices(answer.prices, terms, blocks, lit)
        proof = bound(prices, light_kwh, terms, objective)
        dear = _unit_price(proof.unit[master.places], objective)
        better = np.flatnonzero(proof.unit > dear * (1.0 + WORTH_MORE))
        better = np.setdiff1d(better, master.places)
        if len(better) == 0:
            break
        new = better[np.argsort(-proof.unit[better], kind="stable")[:MORE_FACINGS]]
    units = np.zeros(some.count)
    units[master.places] = answer.units
    return _Kept(_relaxed(some, light_kwh, units, answer, prices, proof, blocks), master)


def _unit_price(unit: FloatArray, objective: Prices) -> float:
    """What a unit must be worth to come in: its price, or what those in use are worth where their number is limited."""
    best = float(unit.max(initial=0.0))
    if np.isfinite(objective.most_units) and best > objective.per_unit:
        return best
    return min(objective.per_unit, best) if objective.least_units > 0.0 else objective.per_unit


def _each_row(light_kwh: FloatArray, terms: Terms) -> FloatArray:
    """The facing with most light in each stretch of a fortnight: so that the first programme lacks none."""
    blocks = even(terms.rows, max(terms.rows // 26, 1))
    return np.unique(blocks.sums(light_kwh).argmax(axis=1))


def _relaxed(
    some: Facings, light_kwh: FloatArray, units: FloatArray, answer: Solved, prices: RowPrices, proof: Bound, blocks: Blocks
) -> Relaxed:  # fmt: skip
    if float(units.max(initial=0.0)) <= LEAST_UNITS:
        # searches of whole units begin somewhere, if next to nothing is asked
        units[int(light_kwh.sum(axis=0).argmax())] = 2.0 * LEAST_UNITS
    return Relaxed(
        facings=some,
        light_kwh=light_kwh,
        units=units,
        capacity_kwh=answer.capacity_kwh,
        stored_kwh=answer.stored_kwh,
        cost=answer.cost,
        prices=prices,
        proof=proof,
        blocks=blocks,
    )


def _cut(found: Relaxed, terms: Terms, objective: Prices, lit: Flags) -> _Kept | None:
    """Blocks that gain by being merged cut where the solution's run turns; None where there are none."""
    units, light_kwh = float(found.units.sum()), found.light_kwh @ found.units
    gaining = gaining_blocks(light_kwh, terms, found.blocks, units, found.capacity_kwh, found.stored_kwh)
    at = turning_points(light_kwh, terms, units)
    blocks = found.blocks.split(at[np.repeat(gaining, found.blocks.length)[at]])
    if len(blocks.first) == len(found.blocks.first):
        return None
    return _over_facings(found.facings, found.light_kwh, terms, objective, blocks, lit, _promising(found))


def _turned(
    kept: _Kept, sunlight: Sunlight, terms: Terms, objective: Prices, lit: Flags
) -> tuple[_Kept, float]:
    """The same with facings that are worth most at the prices: those in use turned, and peaks of a fine spread over the sky; by
    which share the best of them was worth more than those known."""
    found = kept.found
    at_prices, worth = priced(sunlight, found.prices.light, found.prices.direct), found.proof.unit
    best, used = float(worth.max()), found.units > LEAST_UNITS
    if best <= 0.0:
        # as many units as there must be serve with light to spare: none is worth more than another
        return kept, 0.0
    near = found.facings.take(np.flatnonzero(worth > 0.98 * best))
    starts = together(found.facings.take(np.flatnonzero(used)), peaks(sunlight, at_prices, near))
    reached = climbed(sunlight, at_prices, starts, sunlight.step_deg * 0.25)
    light = sunlight.light_kwh(reached)[: terms.rows]
    reached_worth = unit_worth(found.prices, found.proof.need, terms, light)
    new = np.flatnonzero(reached_worth > NEARLY_WORTH_IT * best)
    turned = _over_facings(
        together(found.facings, reached.take(new)),
        np.concatenate([found.light_kwh, light[:, new]], axis=1),
        terms,
        objective,
        found.blocks,
        lit,
        np.append(_promising(found), found.facings.count + np.arange(len(new))),
        kept.master,
    )
    more = float(reached_worth.max()) / best - 1.0
    return turned, more


def _promising(found: Relaxed) -> NDArray[np.int64]:
    """Facings in use, and those nearly worth their price."""
    worth = found.proof.unit > NEARLY_WORTH_IT * found.proof.unit.max()
    return np.flatnonzero(worth | (found.units > LEAST_UNITS))


def bounded_everywhere(
    found: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices, effort: float = BOUND_EFFORT
) -> Relaxed:
    """What the prices prove over every facing.

    effort   as for `best_facing.annual_bound` and `turned_bound`
    """
    need, value, store = parts(found.prices, terms)
    own = float(unit_worth(found.prices, need, terms, np.zeros((terms.rows, 1)))[0])
    best = float(found.proof.unit.max())
    most = worth_bound(priced(sunlight, found.prices.light, found.prices.direct), best - own, effort)[0]
    anywhere = max(most + own, best)
    least = scaled(value, anywhere, store, objective)
    return replace(found, everywhere=least, worth_anywhere=anywhere)
