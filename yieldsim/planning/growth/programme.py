"""The linear programme of all phases together: units by flight and facing, stores by flight, the dispatch of every phase.

Each phase brings the rows of `system.linear_programme`; its units are those of all flights until then, as they have aged, its
capacity the sum of what is left of their stores. Flights add

    per_unit_kg sum_j units[k,j] + per_kwh_kg capacity[k] + once_kg[k]  <=  most_kg[k]                  price  full[k]
                                                                        <=  z, the largest flight       price  largest[k]

and limits on all units and all stores theirs. By weak duality, with the worths of `system.dual_bound` for the prices of each phase,

    value       = sum over phases of their values
    unit[k,j]   = sum over phases p >= k of  left[k,p] (light worth of j in p) + own[p]
    store[k]    = sum over phases p >= k of  store_left[k,p] store[p]

and with  dear[k] = weight[k] + largest[k] + full[k]  for a kilogram of flight k, units worth at most  factor (per_unit_kg dear[k] +
units' limit)  and stores at most  factor (per_kwh_kg dear[k] + stores' limit),  no plan costs less than

    value / factor + sum (weight + largest) once_kg - sum full (most_kg - once_kg) - limits times their prices
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from yieldsim.base.errors import CannotCompute
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.phases import Landing, Lights, Phase
from yieldsim.planning.system.dual_bound import RowPrices, parts, row_prices, unit_worth
from yieldsim.planning.system.linear_programme import INFEASIBLE, WAYS, Programme, Solved, programme
from yieldsim.planning.system.row_aggregation import Blocks
from yieldsim.planning.system.terms import Prices

FREE = Prices(per_unit=0.0, per_kwh=0.0)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FlightPrices:
    """Prices of what limits flights: (flights,) each, and one each of all units and all stores.

    full      of a flight's most mass
    largest   of each flight in the largest; they add up to 1 at most
    """

    full: FloatArray
    largest: FloatArray
    units: float = 0.0
    stores: float = 0.0


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
    """

    least: float
    value: float
    unit: FloatArray
    own: FloatArray
    store: FloatArray


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
    from scipy.optimize import linprog

    facings = lights_kwh[0][0].shape[1]
    made = [of_phase(*given) for given in zip(phases, lights_kwh, blocks, strict=True)]
    matrix, most, cost, upper = together(made, phases, landing, facings)
    for method, presolve in WAYS:
        found = linprog(
            cost, A_ub=matrix, b_ub=most, bounds=np.stack([np.zeros(len(upper)), upper], axis=1), method=method,
            options={"presolve": presolve},
        )  # fmt: skip
        if found.status == INFEASIBLE:
            return None
        if found.status == 0:
            break
    else:
        raise CannotCompute(f"the linear programme of the phases was not solved: {found.message}")
    price = np.maximum(-np.asarray(found.ineqlin.marginals), 0.0)
    flights = landing.flights
    prices, first = [], 0
    for one, phase, cut in zip(made, phases, blocks, strict=True):
        own = price[first : first + len(one.most)]
        first += len(one.most)
        lit = cut.sums(np.asarray(phase.lit, dtype=np.float64)) > 0.0
        light = np.full(len(cut.first), np.inf)
        light[lit] = own[one.light] / one.scale_kwh
        answer = Solved(
            cost=0.0,
            units=np.zeros(0),
            capacity_kwh=0.0,
            stored_kwh=np.zeros(0),
            light=light,
            state=own[one.state] / one.scale_kwh,
            short=float(own[one.target][0]) / one.scale_kwh,
        )
        prices.append(row_prices(answer, phase.terms, cut, phase.lit))
    rest = price[first:]
    return Answer(
        cost=float(found.fun) + float(landing.weights @ landing.once_kg),
        units=np.asarray(found.x[: flights * facings]).reshape(flights, facings),
        capacity_kwh=np.asarray(found.x[flights * facings : flights * (facings + 1)]),
        prices=tuple(prices),
        flight_prices=_flight_prices(rest, landing),
    )


def of_phase(phase: Phase, lights_kwh: Lights, blocks: Blocks) -> Programme:
    """The rows of one phase: columns of units by flight and facing, one of its capacity, then its dispatch."""
    aged = np.concatenate(
        [left * blocks.sums(light) for left, light in zip(phase.units_left, lights_kwh, strict=True)], axis=1
    )
    lit = blocks.sums(np.asarray(phase.lit, dtype=np.float64)) > 0.0
    return programme(aged, lit, phase.terms, blocks, FREE)


def together(
    made: Sequence[Programme], phases: Sequence[Phase], landing: Landing, facings: int
) -> tuple[Any, FloatArray, FloatArray, FloatArray]:
    """Matrix, right sides, cost and upper limits: units by flight and facing, stores by flight, the largest flight, dispatches."""
    from scipy.sparse import coo_array, csr_array, hstack, vstack

    flights = landing.flights
    units, head = flights * facings, flights * (facings + 1) + 1
    grid: list[list[Any]] = []
    for place, (one, phase) in enumerate(zip(made, phases, strict=True)):
        own = one.matrix.tocsc()
        columns = phase.flights * facings
        capacity = own[:, [columns]]
        stores = csr_array(phase.store_left[None, :] / one.scale_kwh)
        shared = hstack(
            [
                own[:, :columns],
                csr_array((len(one.most), units - columns)),
                capacity @ stores,
                csr_array((len(one.most), flights - phase.flights + 1)),
            ]
        )
        row: list[Any] = [None] * (1 + len(made))
        row[0], row[1 + place] = shared, own[:, columns + 1 :]
        grid.append(row)
    limits, most = _limits(landing, facings, head)
    blocks = [
        hstack([part if part is not None else csr_array((row[0].shape[0], made[k - 1].cost.size - phases[k - 1].flights * facings - 1))
                for k, part in enumerate(row)])
        for row in grid
    ]  # fmt: skip
    width = blocks[0].shape[1]
    rows = [*blocks]
    if len(most):
        places, columns_of, values = limits
        rows.append(coo_array((values, (places, columns_of)), shape=(len(most), width)))
    matrix = vstack(rows).tocsr()
    per_flight = np.repeat(landing.weights, facings)
    cost = np.zeros(width)
    cost[:units] = landing.per_unit_kg * per_flight
    cost[units : head - 1] = landing.per_kwh_kg * landing.weights
    cost[head - 1] = 1.0 if landing.largest else 0.0
    upper = np.concatenate(
        [np.full(head, np.inf)]
        + [one.upper[phase.flights * facings + 1 :] for one, phase in zip(made, phases, strict=True)]
    )
    return matrix, np.concatenate([*(one.most for one in made), most]), cost, upper


def _limits(landing: Landing, facings: int, head: int) -> tuple[tuple[Any, Any, Any], FloatArray]:
    """Rows of what limits flights: entries (rows, columns, values) and right sides, in the order that `_flight_prices` reads."""
    flights = landing.flights
    units = flights * facings
    rows: list[tuple[list[int], list[float], float]] = []

    def of_flight(k: int) -> tuple[list[int], list[float]]:
        columns = [*range(k * facings, (k + 1) * facings), units + k]
        return columns, [landing.per_unit_kg] * facings + [landing.per_kwh_kg]

    for k in range(flights):
        if np.isfinite(landing.most_kg[k]):
            rows.append((*of_flight(k), float(landing.most_kg[k] - landing.once_kg[k])))
    if landing.largest:
        for k in range(flights):
            columns, values = of_flight(k)
            rows.append(([*columns, head - 1], [*values, -1.0], -float(landing.once_kg[k])))
    if np.isfinite(landing.most_units):
        rows.append((list(range(units)), [1.0] * units, landing.most_units))
    if np.isfinite(landing.most_kwh):
        rows.append((list(range(units, units + flights)), [1.0] * flights, landing.most_kwh))
    at = [np.full(len(columns), place) for place, (columns, _, _) in enumerate(rows)]
    entries = (
        np.concatenate(at) if at else np.zeros(0, np.int64),
        np.array([column for columns, _, _ in rows for column in columns], dtype=np.int64),
        np.array([value for _, values, _ in rows for value in values], dtype=np.float64),
    )
    return entries, np.array([most for _, _, most in rows], dtype=np.float64)


def _flight_prices(price: FloatArray, landing: Landing) -> FlightPrices:
    """The prices of the rows of `_limits`."""
    flights = landing.flights
    full, largest = np.zeros(flights), np.zeros(flights)
    limited = np.flatnonzero(np.isfinite(landing.most_kg))
    full[limited] = price[: len(limited)]
    rest = price[len(limited) :]
    if landing.largest:
        largest, rest = rest[:flights] / max(float(rest[:flights].sum()), 1.0), rest[flights:]
    units = stores = 0.0
    if np.isfinite(landing.most_units):
        units, rest = float(rest[0]), rest[1:]
    if np.isfinite(landing.most_kwh):
        stores = float(rest[0])
    return FlightPrices(full=full, largest=largest, units=units, stores=stores)


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
            unit[k] += phase.units_left[k] * (prices.light @ lights[k]) + shields
            own[k] += shields
            store[k] += phase.store_left[k] * per_kwh
    least = least_cost(value, unit.max(axis=1), store, answer.flight_prices, landing)
    return Proof(least=least, value=value, unit=unit, own=own, store=store)


def prices_of_mass(prices: FlightPrices, landing: Landing) -> tuple[FloatArray, FloatArray]:
    """What one unit, and one kWh, costs with each flight at the prices, (flights,) each."""
    dear = landing.weights + prices.largest + prices.full
    return landing.per_unit_kg * dear + prices.units, landing.per_kwh_kg * dear + prices.stores


def least_cost(
    value: float, unit: FloatArray, store: FloatArray, prices: FlightPrices, landing: Landing
) -> float:
    """The bound from the worth of the best unit, and of a kWh, of each flight, (flights,) each."""
    per_unit, per_kwh = prices_of_mass(prices, landing)
    factor = max(
        float(np.divide(worth, price, out=np.full_like(worth, np.inf), where=price > 0.0)[worth > 0.0].max(initial=0.0))
        for worth, price in ((unit, per_unit), (store, per_kwh))
    )  # fmt: skip
    if not 0.0 < factor < np.inf:
        return 0.0
    found = value / factor + float((landing.weights + prices.largest) @ landing.once_kg)
    room = np.where(np.isfinite(landing.most_kg), landing.most_kg, 0.0) - landing.once_kg
    found -= float(prices.full @ np.where(np.isfinite(landing.most_kg), room, 0.0))
    for price, most in ((prices.units, landing.most_units), (prices.stores, landing.most_kwh)):
        found -= price * most if price > 0.0 else 0.0
    return max(found, 0.0)
