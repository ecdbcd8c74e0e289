"""The programme of split units with limits on how many face parts of the sky, over a pool of facings that grows.

It always has a solution: shortfall beyond what is allowed and units beyond the limits may be had at prices that are too dear for
any design. What cannot be served is thereby dear, and its prices prove that as they prove any other bound.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.branching.sky_parts import WHOLE_SKY, LimitPrices, Part, UnitLimit
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.system.column_generation import Relaxed
from yieldsim.planning.system.dual_bound import (
    Bound,
    RowPrices,
    filled,
    light_worth,
    parts,
    row_prices,
    scaled,
    unit_worth,
)
from yieldsim.planning.system.linear_programme import TOO_DEAR, Master, Solved
from yieldsim.planning.system.row_aggregation import Blocks, gaining_blocks, turning_points
from yieldsim.planning.system.terms import Prices, Terms

MORE_FACINGS, WORTH_MORE, NEARLY_WORTH_IT, MOST_ROUNDS = 25, 2e-4, 0.97, 12
DEARER, DEAREST = 10.0, 1e4
"""Times by which prices too dear for any design are raised where a limit is broken by a part of a unit, and how far in all."""
WHOLE = 1e-3
"""Units this near to a whole number are one."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Limited:
    """A solution, and what its prices prove.

    units      (facings,)  of the pool as it was
    blocks, stored_kwh   (blocks,)  usable state of the store at their ends
    least      no design within the limits, of the facings listed, costs less
    value, store   of the bound before it is scaled
    unit       (facings,)  worth of one unit, with what limits add
    own        what a unit is worth without light
    """

    limits: tuple[UnitLimit, ...]
    units: FloatArray
    capacity_kwh: float
    blocks: Blocks
    stored_kwh: FloatArray
    prices: RowPrices
    limit_prices: LimitPrices
    least: float
    value: float
    store: float
    unit: FloatArray
    own: float


@dataclass(frozen=True, slots=True)
class Branching:
    """Up to a number of units in a part of the sky, or more: what follows each, a branching (>= 0) or case -1 - that."""

    part: Part
    number: int
    fewer: int
    more: int


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Case:
    """A case that was not branched, and its proof.

    least            what no design of it costs less than
    proof            what proves it, of the facings listed
    worth_anywhere   what no unit of any facing is worth more than at its prices; None: of those listed
    """

    least: float
    proof: Limited
    worth_anywhere: float | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Branched:
    """All cases and what leads to them: first branching 0, or none.

    facings, light_kwh   that were priced one by one; (rows, facings) of one unit each
    fillings         (lines,)  of `Terms`, where whole units are told by them
    rate             proven cost of a delivered kWh, where that is asked for, and what each facing delivers, (facings,)
    """

    branchings: tuple[Branching, ...]
    cases: tuple[Case, ...]
    facings: Facings
    light_kwh: FloatArray
    fillings: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    rate: float = 0.0
    delivered_kwh: FloatArray | None = None

    @property
    def least(self) -> float:
        """What no design costs less than."""
        return min(one.least for one in self.cases)

    @property
    def by_fillings(self) -> bool:
        """Whether any case counts how often units fill the store."""
        return any(one.proof.prices.fillings.any() for one in self.cases)


def unbranched(split: Relaxed) -> Branched:
    """The one case of all designs."""
    proof = Limited(
        limits=(),
        units=split.units,
        capacity_kwh=split.capacity_kwh,
        blocks=split.blocks,
        stored_kwh=split.stored_kwh,
        prices=split.prices,
        limit_prices=LimitPrices((), np.zeros(0), np.zeros(0)),
        least=split.proof.least,
        value=split.proof.value,
        store=split.proof.store,
        unit=split.proof.unit,
        own=0.0,
    )
    case = Case(least=split.least, proof=proof, worth_anywhere=split.worth_anywhere)
    return Branched(branchings=(), cases=(case,), facings=split.facings, light_kwh=split.light_kwh)


class _Kept:
    """A programme that the solver keeps, and the parts of the sky whose units it counts."""

    def __init__(self) -> None:
        self.master: Master | None = None
        self.parts: list[Part] = []


class Pool:
    """Facings whose light is known, and the programmes over them: two, so that two cases are solved side by side.

    rate   what a delivered kWh takes off the cost
    """

    def __init__(
        self, facings: Facings, light_kwh: FloatArray, terms: Terms, objective: Prices, blocks: Blocks, lit: Flags,
        dear: float, delivered_kwh: FloatArray | None = None,
    ) -> None:  # fmt: skip
        """light_kwh (rows, facings) of one unit of each; dear: about what a design costs; delivered_kwh (facings,) over the run."""
        self.delivered_kwh = np.zeros(facings.count) if delivered_kwh is None else delivered_kwh
        self.rate = 0.0
        self.facings, self.light_kwh = facings, light_kwh
        self.terms, self.objective, self.lit = terms, objective, lit
        self._beyond_kwh = terms.spells.beyond_kwh(light_kwh)
        self._dear, self._raised = dear, 1.0
        self._merge(blocks)

    def _merge(self, blocks: Blocks) -> None:
        self.blocks = blocks
        self._by_block, self._spare = self._sums(self.light_kwh)
        self._lit_blocks = blocks.sums(np.asarray(self.lit, dtype=np.float64)) > 0.0
        self._kept = (_Kept(), _Kept())

    def again(self) -> Pool:
        """Another that begins with the same."""
        other = Pool(
            self.facings, self.light_kwh, self.terms, self.objective, self.blocks, self.lit, self._dear, self.delivered_kwh
        )  # fmt: skip
        other.rate = self.rate
        return other

    def with_those_of(self, other: Pool, begun: int, found: Limited) -> Limited:
        """A solution of one that began with the first `begun` of these, with its other facings and its blocks taken in here."""
        own, more = self.facings.count, np.arange(begun, other.facings.count)
        self.add(other.facings.take(more), other.light_kwh[:, more], other.delivered_kwh[more])
        self._merge(self.blocks.split(other.blocks.first))
        units = np.zeros(self.facings.count)
        units[:begun], units[own : own + len(found.units) - begun] = found.units[:begun], found.units[begun:]
        return replace(found, units=units, unit=self.worth(found))

    def _sums(self, light_kwh: FloatArray) -> tuple[FloatArray, FloatArray]:
        return self.blocks.sums(light_kwh), self.blocks.sums(self.terms.spare_kwh(light_kwh))

    def cut(self, found: Limited, most: int) -> bool:
        """Cut blocks that a solution gains by, as `column_generation` does for that of all designs; whether there are any.

        most   blocks there may be
        """
        units, light_kwh = float(found.units.sum()), self.light_kwh[:, : len(found.units)] @ found.units
        gaining = gaining_blocks(
            light_kwh, self.terms, found.blocks, units, found.capacity_kwh, found.stored_kwh
        )
        at = turning_points(light_kwh, self.terms, units)
        blocks = self.blocks.split(at[np.repeat(gaining, found.blocks.length)[at]])
        if not len(self.blocks.first) < len(blocks.first) <= most:
            return False
        self._merge(blocks)
        return True

    def add(self, some: Facings, light_kwh: FloatArray, delivered_kwh: FloatArray | None = None) -> None:
        """Further facings."""
        more = np.zeros(some.count) if delivered_kwh is None else delivered_kwh
        self.delivered_kwh = np.append(self.delivered_kwh, more)
        self.facings = together(self.facings, some)
        self.light_kwh = np.concatenate([self.light_kwh, light_kwh], axis=1)
        self._beyond_kwh = np.append(self._beyond_kwh, self.terms.spells.beyond_kwh(light_kwh), axis=1)
        light, spare = self._sums(light_kwh)
        self._by_block = np.concatenate([self._by_block, light], axis=1)
        self._spare = np.concatenate([self._spare, spare], axis=1)
        told = spare.any(axis=1) & self._lit_blocks
        for one in self._kept:
            if one.master is not None and not one.master.tells(told):
                one.master = None

    def solved(self, limits: tuple[UnitLimit, ...], start: NDArray[np.int64], which: int = 0) -> Limited:
        """The least cost within limits.

        start   facings to begin with
        which   of the two programmes, 0 or 1: one is solved by one thread at a time
        """
        active = start
        for _ in range(MOST_ROUNDS):
            active, own_units, answer, prices = self._answer(limits, active, self._kept[which])
            units = np.zeros(self.facings.count)
            units[active] = own_units
            found = self._proven(limits, units, answer, prices)
            dear = max(float(found.unit[active].max()), 1e-300)
            better = np.flatnonzero(found.unit > dear * (1.0 + WORTH_MORE))
            if len(better) == 0:
                break
            best = better[np.argsort(-found.unit[better], kind="stable")[:MORE_FACINGS]]
            active = np.union1d(active, best)
        return found

    def breaks(self, found: Limited) -> bool:
        """Whether a solution pays for breaking one of its limits: by a small part of a unit that is not too dear."""
        some = self.facings.take(np.arange(len(found.units)))
        counts = [float(found.units[one.part.holds(some)].sum()) for one in found.limits]
        return any(
            count < one.least - WHOLE or count > one.most + WHOLE
            for count, one in zip(counts, found.limits, strict=True)
        )

    def dearer(self) -> bool:
        """Raise what limits and shortfall cost; whether that can be done still."""
        if self._raised >= DEAREST:
            return False
        self._raised, self._kept = DEARER * self._raised, (_Kept(), _Kept())
        return True

    def split(self, found: Limited) -> Relaxed:
        """A solution as one to begin searches of whole units from."""
        units = np.append(found.units, np.zeros(self.facings.count - len(found.units)))
        unit = np.append(found.unit, np.zeros(self.facings.count - len(found.unit)))
        need = parts(found.prices, self.terms)[0]
        proof = Bound(least=found.least, value=found.value, store=found.store, unit=unit, need=need)
        return Relaxed(
            facings=self.facings,
            light_kwh=self.light_kwh,
            units=units,
            capacity_kwh=found.capacity_kwh,
            stored_kwh=found.stored_kwh,
            cost=found.least,
            prices=found.prices,
            proof=proof,
            blocks=found.blocks,
        )

    def lowered(self, found: Limited, share: float) -> Limited:
        """The proof of a share of all prices, without limits."""
        old, state = found.prices, share * found.prices.state
        light = share * old.light
        if not np.isfinite(self.terms.enter_kwh):
            light = np.maximum(light, self.terms.take_in * state)
        prices = RowPrices(
            light=light,
            direct=share * old.direct,
            state=state,
            leave=share * old.leave,
            short=share * old.short,
        )
        _, value, store = parts(prices, self.terms)
        own = share * found.own
        unit = self._worth(prices, own, found.limit_prices)
        return replace(found, prices=prices, value=value, store=store, own=own, unit=unit)

    def worth(self, found: Limited) -> FloatArray:
        """Of one unit of each facing at the prices of a solution, (facings,)."""
        return self._worth(found.prices, found.own, found.limit_prices)

    def _worth(self, prices: RowPrices, own: float, limit_prices: LimitPrices) -> FloatArray:
        worth = light_worth(prices, self.terms, self.light_kwh, self._beyond_kwh)
        worth += own + limit_prices.offset(self.facings)
        return np.asarray(worth + self.rate * self.delivered_kwh)

    def promising(self, found: Limited) -> NDArray[np.int64]:
        """Facings in use, and those nearly worth their price."""
        known = (found.unit > NEARLY_WORTH_IT * found.unit.max()) | (found.units > 0.0)
        return np.flatnonzero(known)

    def _answer(
        self, limits: tuple[UnitLimit, ...], active: NDArray[np.int64], kept: _Kept
    ) -> tuple[NDArray[np.int64], FloatArray, Solved, LimitPrices]:
        """Facings the programme has, their units, the solution, and what limits are worth."""
        master = kept.master
        if master is None:
            told = self._spare.any(axis=1) & self._lit_blocks
            dear = TOO_DEAR * self._dear * self._raised
            master = Master(self._lit_blocks, self.terms, self.blocks, self.objective, told, dear)
            kept.master, kept.parts = master, []
        new = np.setdiff1d(active, master.places)
        if len(new):
            some = self.facings.take(new)
            counts = np.array([part.holds(some) for part in kept.parts], dtype=np.float64)
            counts = counts.reshape(len(kept.parts), len(new))
            master.admit(new, self._by_block[:, new], self._spare[:, new], counts, self._beyond_kwh[:, new])
        if self.rate > 0.0:
            master.charge(self.objective.per_unit - self.rate * self.delivered_kwh[master.places])
        asked = {one.part: one for one in limits}
        known = self.facings.take(master.places)
        for part in asked:
            if part not in kept.parts:
                kept.parts.append(part)
                master.limit(part.holds(known).astype(np.float64))
        if len(self.terms.fillings):
            whole = asked.get(WHOLE_SKY)
            master.fill(np.inf if whole is None else whole.most)
        for place, part in enumerate(kept.parts):
            one = asked.get(part)
            least = -np.inf if one is None or one.least <= 0 else float(one.least)
            master.bound(place, least, np.inf if one is None else one.most)
        found = master.answer()
        assert found is not None
        answer, price = found
        own = price[[kept.parts.index(one.part) for one in limits]]
        # a solver's price is exact to its tolerance alone: a side that has no limit has none
        at_least = np.where([one.least > 0 for one in limits], np.maximum(-own, 0.0), 0.0)
        at_most = np.where([np.isfinite(one.most) for one in limits], np.maximum(own, 0.0), 0.0)
        return master.places, answer.units, answer, LimitPrices(limits, at_least, at_most)

    def _proven(
        self, limits: tuple[UnitLimit, ...], units: FloatArray, answer: Solved, limit_prices: LimitPrices
    ) -> Limited:
        terms = self.terms
        most = next((one.most for one in limits if one.part == WHOLE_SKY), np.inf)
        prices = row_prices(answer.prices, terms, self.blocks, self.lit)
        if not np.isfinite(most):
            # a solver's price is exact to its tolerance alone
            prices = replace(prices, fillings=np.zeros(len(terms.fillings)))
        need, value, store = parts(prices, terms)
        own = float(unit_worth(prices, need, terms, np.zeros((terms.rows, 1)))[0])
        value, store = value + limit_prices.constant, store + filled(prices, terms, most)
        unit = self._worth(prices, own, limit_prices)
        return Limited(
            limits=limits,
            units=units,
            capacity_kwh=answer.capacity_kwh,
            blocks=self.blocks,
            stored_kwh=answer.stored_kwh,
            prices=prices,
            limit_prices=limit_prices,
            least=scaled(value, float(unit.max()), store, self.objective),
            value=value,
            store=store,
            unit=unit,
            own=own,
        )
