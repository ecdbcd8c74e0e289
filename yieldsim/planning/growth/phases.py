"""What a growing system is made of: phases that must be served, flights that land units and stores, and what landing costs.

Each phase begins with a flight. Units stay where they face and age; stores fade:

    light in phase p  =  sum over flights k <= p  left[k,p] sum over facings  units[k,facing] light[p,facing]
    store in phase p  =  sum over flights k <= p  store_left[k,p] capacity[k]
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.system.pricing import Sunlight, SurplusRows
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Terms

Lights = tuple[FloatArray, ...]
"""By flight (rows, facings)."""
TIE = 1e-3
"""Where the largest flight counts, all that is landed counts so much too: of equal plans the lighter one is taken."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Phase:
    """One phase.

    sunlight     of its own dates, for a new unit
    serving      its loads
    units_left   (flights,)  of each flight until now, its own the last: share of a new unit's light that its units still deliver
    store_left   (flights,)  and of the capacity that its stores had when new
    elsewhere    sunlight of another site, at which all flights but the first land: two sites joined are such a phase
    surplus      by flight, rows in which one of its units may give more light than loads can take directly; None: none, or they
                 cannot be priced over the sky
    """

    sunlight: Sunlight
    serving: Serving
    units_left: FloatArray
    store_left: FloatArray
    elsewhere: Sunlight | None = None
    terms: Terms = field(init=False)
    surplus: tuple[SurplusRows | None, ...] = field(init=False)
    lit: Flags = field(init=False)

    def __post_init__(self) -> None:
        """The terms of the phase as a run that goes on: of whole units where what they serve can be priced."""
        terms = self.serving.terms(repeats=True)
        needed_kwh, given = terms.needed_kwh(0.0), self.sunlight.step_deg == 0.0
        surplus = tuple(
            # light of a unit that has aged passes what is asked where a new one's passes that much more
            None if given else SurplusRows.of(self.sunlight_of(flight).prospect, needed_kwh / left)
            for flight, left in enumerate(np.maximum(self.units_left, 1e-9).tolist())
        )
        if given or any(one is not None for one in surplus):
            terms = terms.of_whole_units()
        object.__setattr__(self, "terms", terms)
        object.__setattr__(self, "surplus", surplus)
        lit = self.sunlight.lit if self.elsewhere is None else self.sunlight.lit | self.elsewhere.lit
        object.__setattr__(self, "lit", lit[: terms.rows])

    @property
    def flights(self) -> int:
        """How many have landed."""
        return len(self.units_left)

    def sunlight_of(self, flight: int) -> Sunlight:
        """Where a flight lands."""
        return self.sunlight if flight == 0 or self.elsewhere is None else self.elsewhere

    def lights_kwh(self, some: Facings, *, whole_days: bool = True) -> Lights:
        """By flight, light (rows, facings) of one new unit of each facing; the same array where flights land at one site.

        whole_days   the rows of the programme alone
        """
        rows = self.terms.rows if whole_days else None
        here = np.ascontiguousarray(self.sunlight.light_kwh(some)[:rows])
        if self.elsewhere is None:
            return (here,) * self.flights
        there = np.ascontiguousarray(self.elsewhere.light_kwh(some)[:rows])
        return (here,) + (there,) * (self.flights - 1)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Landing:
    """What units and stores weigh, and what a kilogram counts with each flight.

    once_kg    (flights,)  beside units and stores
    weight     (flights,)  of a kilogram landed; nothing but TIE where the largest flight counts
    most_kg    (flights,)  what a flight may land in all; infinite: no limit
    largest    the mass of the largest flight is minimised, not the sum
    least_until, most_until   (flights,)  units landed by each flight and those before it; None: any number up to most_units
    over_kg    what a unit beyond most_until costs: infinite where none may be
    choices_kwh   capacities that a store may have, of which a flight lands any number; empty: any capacity
    """

    per_unit_kg: float
    per_kwh_kg: float
    once_kg: FloatArray
    weight: FloatArray
    most_kg: FloatArray
    largest: bool = False
    most_units: float = math.inf
    most_kwh: float = math.inf
    choices_kwh: tuple[float, ...] = ()
    least_until: FloatArray | None = None
    most_until: FloatArray | None = None
    over_kg: float = math.inf

    @property
    def flights(self) -> int:
        """How many."""
        return len(self.weight)

    @property
    def weights(self) -> FloatArray:
        """Of a kilogram of each flight in the sum."""
        return TIE * self.weight if self.largest else self.weight

    @property
    def units_until(self) -> tuple[FloatArray, FloatArray]:
        """The least and the most units that are landed by each flight and those before it, (flights,) each."""
        least = np.zeros(self.flights) if self.least_until is None else self.least_until
        most = np.full(self.flights, np.inf) if self.most_until is None else self.most_until
        return least, np.minimum(most, self.most_units)

    def limits(self) -> tuple[FloatArray, FloatArray]:
        """What limits flights: rows (3 flights + 1, 2 flights) over their units and kWh, at most so much (infinite: no limit).

        The mass of each flight; the most, then the least units until each; all stores.
        """
        each, until, none = np.eye(self.flights), np.tri(self.flights), np.zeros((self.flights, self.flights))
        least, most = self.units_until
        rows = np.block(
            [
                [self.per_unit_kg * each, self.per_kwh_kg * each],
                [until, none],
                [-until, none],
                [none[:1], np.ones((1, self.flights))],
            ]
        )
        needed = np.where(least > 0.0, -least, np.inf)
        return rows, np.concatenate([self.most_kg - self.once_kg, most, needed, [self.most_kwh]])

    def mass_kg(self, units: FloatArray, capacity_kwh: FloatArray) -> FloatArray:
        """Of each flight, (flights,), from its units and its stores."""
        return np.asarray(self.once_kg + self.per_unit_kg * units + self.per_kwh_kg * capacity_kwh)

    def cost(self, mass_kg: FloatArray) -> float:
        """Of flights of such masses, (flights,)."""
        summed = float(self.weights @ mass_kg)
        return summed + float(mass_kg.max()) if self.largest else summed
