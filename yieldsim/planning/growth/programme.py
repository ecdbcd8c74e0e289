"""The linear programme of all phases together: units by flight and facing, stores by flight, the dispatch of every phase.

Each phase brings the rows of `system.linear_programme`; its units are those of all flights until then, as they have aged, its
capacity the sum of what is left of their stores. Flights add

    per_unit_kg sum_j units[k,j] + per_kwh_kg capacity[k] + once_kg[k]  <=  most_kg[k]                  price  full[k]
                                                                        <=  z, the largest flight       price  largest[k]

and `Landing.limits` are rows over units and stores of flights with prices of their own. By weak duality, with the worths of
`system.dual_bound` for the prices of each phase,

    value       = sum over phases of their values
    unit[k,j]   = sum over phases p >= k of  worth in p of the light left[k,p] light_kwh[p,j] + own[p]
    store[k]    = sum over phases p >= k of  store_left[k,p] store[p]

and where a unit of flight k costs  unit_price[k] = per_unit_kg (weight[k] + largest[k]) + limits' prices times their rows,  a kWh
store_price[k]  alike, no less than  scale  times what they are worth, no plan costs less than

    scale value + sum (weight + largest) once_kg - limits' prices times what they allow

for any prices >= 0 whose largest[k] add up to 1 at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from yieldsim.base.numerics.linear_solver import Model, Places
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.phases import Landing, Lights, Phase
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.system.dual_bound import RowPrices, light_worth, parts, row_prices, unit_worth
from yieldsim.planning.system.linear_programme import Programme, block_prices, programme
from yieldsim.planning.system.row_aggregation import Blocks
from yieldsim.planning.system.terms import Prices

FREE = Prices(per_unit=0.0, per_kwh=0.0)
LITTLE, MOST_SCALE = 1e-5, 2.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FlightPrices:
    """Prices of what limits flights.

    limits    (3 flights + 1,)  of `Landing.limits`
    largest   (flights,)  of each flight in the largest; they add up to 1 at most
    """

    limits: FloatArray
    largest: FloatArray

    @property
    def full(self) -> FloatArray:
        """Of a flight's most mass, (flights,)."""
        return self.limits[: len(self.largest)]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Answer:
    """A solution with units that may be split.

    units         (flights, facings)
    capacity_kwh  (flights,)  landed
    prices        of the rows of each phase
    """

    cost: float
    units: FloatArray
    capacity_kwh: FloatArray
    prices: tuple[RowPrices, ...]
    flight_prices: FlightPrices


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Proof:
    """What prices prove for the facings that were priced.

    least    no plan costs less
    value    of all phases, before it is scaled
    unit     (flights, facings)  worth of one unit
    own      (flights,)  the part of it that is no light: what a unit's shield asks
    store    (flights,)  worth of a kWh
    flight_prices   that prove it
    """

    least: float
    value: float
    unit: FloatArray
    own: FloatArray
    store: FloatArray
    flight_prices: FlightPrices


class Master:
    """Column generation's restricted master: the programme of the facings admitted so far, kept by the solver while others come in.

    places   (admitted,)  of the facings among those listed
    """

    def __init__(
        self, phases: Sequence[Phase], blocks: Sequence[Blocks], landing: Landing, told: Sequence[Flags]
    ) -> None:
        """Without facings yet. told, by phase (blocks,), those in which facings that may come in have light to spare."""
        self._phases, self._blocks, self._landing, self._told = phases, blocks, landing, told
        self._made = self._of_phases([(np.zeros((one.terms.rows, 0)),) * one.flights for one in phases])
        matrix, most, cost, upper = others(self._made, phases, landing)
        self._model = Model(cost, matrix, most, upper)
        self._columns = np.zeros((landing.flights, 0), np.int64)
        self.places = np.zeros(0, np.int64)

    def _of_phases(self, lights_kwh: Sequence[Lights]) -> list[Programme]:
        given = zip(self._phases, lights_kwh, self._blocks, self._told, strict=True)
        return [of_phase(*one) for one in given]

    def tells(self, told: Sequence[Flags]) -> bool:
        """Whether facings with light to spare in these blocks may come in."""
        return not any((one & ~known).any() for one, known in zip(told, self._told, strict=True))

    def admit(self, places: Places, lights_kwh: Sequence[Lights]) -> None:
        """Let facings in, (new,); lights_kwh by phase and flight (rows, new) of one new unit of each."""
        flights, new = self._landing.flights, len(places)
        matrix = unit_columns(self._of_phases(lights_kwh), self._phases, self._landing, new)
        columns = self._model.admit(unit_costs(self._landing, new), matrix)
        self._columns = np.concatenate([self._columns, columns.reshape(flights, new)], axis=1)
        self.places = np.append(self.places, places)

    def answer(self) -> Answer | None:
        """The least cost with units of the facings admitted; None where nothing serves all phases within the limits.

        Raises CannotCompute where the solver gives up.
        """
        found = self._model.answer()
        if found is None:
            return None
        price, first, prices = np.maximum(found.price, 0.0), 0, []
        for made, phase, cut in zip(self._made, self._phases, self._blocks, strict=True):
            own = price[first : first + len(made.most)]
            first += len(made.most)
            lit = cut.sums(np.asarray(phase.lit, dtype=np.float64)) > 0.0
            prices.append(row_prices(block_prices(made, own, lit), phase.terms, cut, phase.lit))
        landing = self._landing
        return Answer(
            cost=found.cost + float(landing.weights @ landing.once_kg),
            units=found.x[self._columns],
            capacity_kwh=np.asarray(found.x[: landing.flights]),
            prices=tuple(prices),
            flight_prices=_flight_prices(price[first:], landing),
        )


def of_phase(phase: Phase, lights_kwh: Lights, blocks: Blocks, told: Flags | None = None) -> Programme:
    """The rows of one phase: columns of units by flight and facing, one of its capacity, then its dispatch.

    told   as for `linear_programme.programme`
    """
    aged = [left * light for left, light in zip(phase.units_left, lights_kwh, strict=True)]
    kwh = np.concatenate([blocks.sums(light) for light in aged], axis=1)
    spare = np.concatenate([blocks.sums(phase.terms.spare_kwh(light)) for light in aged], axis=1)
    lit = blocks.sums(np.asarray(phase.lit, dtype=np.float64)) > 0.0
    return programme(kwh, lit, phase.terms, blocks, FREE, spare, told)


def told_blocks(phase: Phase, lights_kwh: Lights, blocks: Blocks) -> Flags:
    """Blocks (n,) in which a unit of some facing has light to spare."""
    aged = [left * light.max(axis=1) for left, light in zip(phase.units_left, lights_kwh, strict=True)]
    return blocks.sums((np.max(aged, axis=0) > phase.terms.unit_serves_kwh).astype(np.float64)) > 0.0


def unit_costs(landing: Landing, facings: int) -> FloatArray:
    """Of units by flight and facing, (flights * facings,)."""
    return landing.per_unit_kg * np.repeat(landing.weights, facings)


def unit_columns(made: Sequence[Programme], phases: Sequence[Phase], landing: Landing, facings: int) -> Any:
    """The columns of units by flight and facing; `made` has those of the flights of each phase."""
    from scipy.sparse import csr_array, hstack, vstack

    units, parts = landing.flights * facings, []
    for one, phase in zip(made, phases, strict=True):
        own = one.matrix.tocsc()[:, : phase.flights * facings]
        parts.append(hstack([own, csr_array((len(one.most), units - own.shape[1]))]))
    limits, _ = _limits(landing)
    parts.append(csr_array(np.repeat(limits[:, : landing.flights], facings, axis=1)))
    return vstack(parts).tocsc()


def others(
    made: Sequence[Programme], phases: Sequence[Phase], landing: Landing
) -> tuple[Any, FloatArray, FloatArray, FloatArray]:
    """Matrix, right sides, cost and upper limits of all columns but units': stores by flight, the largest flight, units over
    most_until, dispatches. `made` may have units of any facings."""
    from scipy.sparse import csr_array, hstack, vstack

    head = landing.flights + 2
    widths = [one.cost.size - one.facings - 1 for one in made]
    width = head + sum(widths)
    rows, first = [], head
    for one, phase, own_width in zip(made, phases, widths, strict=True):
        own, count = one.matrix.tocsc(), len(one.most)
        stores = csr_array(phase.store_left[None, :] / one.scale_kwh)
        parts = [
            own[:, [one.facings]] @ stores,
            csr_array((count, first - phase.flights)),
            own[:, one.facings + 1 :],
            csr_array((count, width - first - own_width)),
        ]
        rows.append(hstack(parts))
        first += own_width
    limits, allowed = _limits(landing)
    rows.append(hstack([csr_array(limits[:, landing.flights :]), csr_array((len(limits), width - head))]))
    cost = np.zeros(width)
    cost[: landing.flights] = landing.per_kwh_kg * landing.weights
    elastic = np.isfinite(landing.over_kg)
    cost[head - 2 : head] = float(landing.largest), landing.over_kg if elastic else 0.0
    upper = np.full(width, np.inf)
    upper[head - 1] = np.inf if elastic else 0.0
    upper[head:] = np.concatenate([one.upper[one.facings + 1 :] for one in made])
    return vstack(rows).tocsr(), np.concatenate([*(one.most for one in made), allowed]), cost, upper


def _limits(landing: Landing) -> tuple[FloatArray, FloatArray]:
    """Rows of what limits flights over their units, stores, the largest flight and units over, and what they allow: the finite
    ones, then those of the largest flight."""
    flights = landing.flights
    rows, most = landing.limits()
    over = np.zeros((len(rows), 2))
    over[flights : 2 * flights, 1] = -1.0
    finite = np.isfinite(most)
    rows, most = np.concatenate([rows, over], axis=1)[finite], most[finite]
    if not landing.largest:
        return rows, most
    masses = np.concatenate([landing.limits()[0][:flights], np.tile([-1.0, 0.0], (flights, 1))], axis=1)
    return np.concatenate([rows, masses]), np.concatenate([most, -landing.once_kg])


def _flight_prices(price: FloatArray, landing: Landing) -> FlightPrices:
    """The prices of the rows of `_limits`."""
    limits = np.zeros(3 * landing.flights + 1)
    finite = np.isfinite(landing.limits()[1])
    limits[finite] = price[: finite.sum()]
    largest = price[finite.sum() :] if landing.largest else np.zeros(landing.flights)
    return FlightPrices(limits=limits, largest=largest / max(float(largest.sum()), 1.0))


def proven(answer: Answer, phases: Sequence[Phase], lights_kwh: Sequence[Lights], landing: Landing) -> Proof:
    """What the prices of an answer prove for units of some facings, by phase and flight (rows, facings)."""
    flights, facings = landing.flights, lights_kwh[0][0].shape[1]
    unit, own, store = np.zeros((flights, facings)), np.zeros(flights), np.zeros(flights)
    value = 0.0
    for phase, prices, lights in zip(phases, answer.prices, lights_kwh, strict=True):
        need, worth, per_kwh = parts(prices, phase.terms)
        shields = float(unit_worth(prices, need, phase.terms, np.zeros((phase.terms.rows, 1)))[0])
        value += worth
        for k in range(phase.flights):
            unit[k] += light_worth(prices, phase.terms, phase.units_left[k] * lights[k]) + shields
            own[k] += shields
            store[k] += phase.store_left[k] * per_kwh
    prices_of_flights = dearest(value, unit.max(axis=1), store, landing)
    least = least_cost(value, unit.max(axis=1), store, prices_of_flights, landing)
    return Proof(least=least, value=value, unit=unit, own=own, store=store, flight_prices=prices_of_flights)


def prices_of_mass(prices: FlightPrices, landing: Landing) -> tuple[FloatArray, FloatArray]:
    """What one unit, and one kWh, costs with each flight at the prices, (flights,) each."""
    dear = landing.weights + prices.largest
    of_limits = prices.limits @ landing.limits()[0]
    flights = landing.flights
    return landing.per_unit_kg * dear + of_limits[:flights], landing.per_kwh_kg * dear + of_limits[flights:]


def dearest(value: float, unit: FloatArray, store: FloatArray, landing: Landing) -> FlightPrices:
    """The prices of flights that prove most, from the worth of the best unit, and of a kWh, of each flight, (flights,) each.

    They are a small linear programme: of scale, prices of limits and of the largest flight.
    """
    from scipy.optimize import linprog

    flights = landing.flights
    rows, most = landing.limits()
    finite = np.isfinite(most)
    # what is worth next to nothing keeps a price: the scale is a quotient of both
    worth = np.concatenate([np.maximum(one, LITTLE * max(float(one.max()), 0.0)) for one in (unit, store)])
    own = np.repeat([landing.per_unit_kg, landing.per_kwh_kg], flights)
    size = np.maximum(np.maximum(own, worth), 1e-300)[:, None]
    largest = -own[:, None] * np.tile(np.eye(flights), (2, 1))
    columns = np.concatenate([worth[:, None], -rows[finite].T, largest], axis=1)
    gain = np.concatenate([[value], -most[finite], landing.once_kg])
    some = np.concatenate([np.zeros(1 + finite.sum()), np.ones(flights)])
    found = linprog(
        -gain,
        A_ub=np.concatenate([columns / size, some[None, :]]),
        b_ub=np.append(own * np.tile(landing.weights, 2) / size[:, 0], 1.0),
        bounds=[(0.0, MOST_SCALE)]
        + [(0.0, None)] * int(finite.sum())
        + [(0.0, float(landing.largest))] * flights,
    )
    price = np.zeros(len(gain)) if found.x is None else np.maximum(found.x, 0.0)
    return _flight_prices(price[1:], landing)


def least_cost(
    value: float, unit: FloatArray, store: FloatArray, prices: FlightPrices, landing: Landing
) -> float:
    """The bound from the worth of the best unit, and of a kWh, of each flight, (flights,) each."""
    worth, price = np.concatenate([unit, store]), np.concatenate(prices_of_mass(prices, landing))
    some = worth > 0.0
    if (price < 0.0).any() or not some.any():
        return 0.0
    scale = float((price[some] / worth[some]).min())
    most = landing.limits()[1]
    priced = prices.limits > 0.0
    found = scale * value + float((landing.weights + prices.largest) @ landing.once_kg)
    return max(found - float(prices.limits[priced] @ most[priced]), 0.0)
