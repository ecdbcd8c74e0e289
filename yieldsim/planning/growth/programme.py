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

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.phases import Landing, Lights, Phase
from yieldsim.planning.system.dual_bound import RowPrices, light_worth, parts, row_prices, unit_worth
from yieldsim.planning.system.linear_programme import Programme, block_prices, by_solver, programme
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


def solved(
    phases: Sequence[Phase],
    lights_kwh: Sequence[Lights],
    blocks: Sequence[Blocks],
    landing: Landing,
) -> Answer | None:
    """The least cost with units of some facings; None where nothing serves all phases within the limits.

    lights_kwh   by phase and flight (rows, facings)  of one new unit of each
    Raises CannotCompute where the solver gives up.
    """
    facings = lights_kwh[0][0].shape[1]
    made = [of_phase(*given) for given in zip(phases, lights_kwh, blocks, strict=True)]
    matrix, most, cost, upper = together(made, phases, landing, facings)
    found = by_solver(cost, matrix, most, upper)
    if found is None:
        return None
    price = np.maximum(found.price, 0.0)
    flights = landing.flights
    prices, first = [], 0
    for one, phase, cut in zip(made, phases, blocks, strict=True):
        own = price[first : first + len(one.most)]
        first += len(one.most)
        lit = cut.sums(np.asarray(phase.lit, dtype=np.float64)) > 0.0
        prices.append(row_prices(block_prices(one, own, lit), phase.terms, cut, phase.lit))
    rest = price[first:]
    return Answer(
        cost=found.cost + float(landing.weights @ landing.once_kg),
        units=np.asarray(found.x[: flights * facings]).reshape(flights, facings),
        capacity_kwh=np.asarray(found.x[flights * facings : flights * (facings + 1)]),
        prices=tuple(prices),
        flight_prices=_flight_prices(rest, landing),
    )


def of_phase(phase: Phase, lights_kwh: Lights, blocks: Blocks) -> Programme:
    """The rows of one phase: columns of units by flight and facing, one of its capacity, then its dispatch."""
    aged = [left * light for left, light in zip(phase.units_left, lights_kwh, strict=True)]
    kwh = np.concatenate([blocks.sums(light) for light in aged], axis=1)
    spare = np.concatenate([blocks.sums(phase.terms.spare_kwh(light)) for light in aged], axis=1)
    lit = blocks.sums(np.asarray(phase.lit, dtype=np.float64)) > 0.0
    return programme(kwh, lit, phase.terms, blocks, FREE, spare)


def together(
    made: Sequence[Programme], phases: Sequence[Phase], landing: Landing, facings: int
) -> tuple[Any, FloatArray, FloatArray, FloatArray]:
    """Matrix, right sides, cost and upper limits: units by flight and facing, stores by flight, the largest flight, units over
    most_until, dispatches."""
    from scipy.sparse import csr_array, hstack, vstack

    flights = landing.flights
    units, head = flights * facings, flights * (facings + 1) + 2
    widths = [one.cost.size - phase.flights * facings - 1 for one, phase in zip(made, phases, strict=True)]
    width = head + sum(widths)
    rows, first = [], head
    for one, phase, own_width in zip(made, phases, widths, strict=True):
        own = one.matrix.tocsc()
        columns, count = phase.flights * facings, len(one.most)
        stores = csr_array(phase.store_left[None, :] / one.scale_kwh)
        parts = [
            own[:, :columns],
            csr_array((count, units - columns)),
            own[:, [columns]] @ stores,
            csr_array((count, first - units - phase.flights)),
            own[:, columns + 1 :],
            csr_array((count, width - first - own_width)),
        ]
        rows.append(hstack(parts))
        first += own_width
    limits, allowed = _limits(landing)
    flown = np.concatenate([np.repeat(limits[:, :flights], facings, axis=1), limits[:, flights:]], axis=1)
    rows.append(hstack([csr_array(flown), csr_array((len(limits), width - head))]))
    matrix = vstack(rows).tocsr()
    cost = np.zeros(width)
    cost[:units] = landing.per_unit_kg * np.repeat(landing.weights, facings)
    cost[units : head - 2] = landing.per_kwh_kg * landing.weights
    elastic = np.isfinite(landing.over_kg)
    cost[head - 2 : head] = float(landing.largest), landing.over_kg if elastic else 0.0
    upper = np.full(width, np.inf)
    upper[head - 1] = np.inf if elastic else 0.0
    upper[head:] = np.concatenate(
        [one.upper[phase.flights * facings + 1 :] for one, phase in zip(made, phases, strict=True)]
    )
    return matrix, np.concatenate([*(one.most for one in made), allowed]), cost, upper


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
