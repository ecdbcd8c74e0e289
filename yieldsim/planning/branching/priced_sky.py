"""What the prices of a case say of every facing: which are worth most, and what none is worth more than.

The sky of prices tells what a unit's light is worth. Limits on parts of the sky add a price to it, and so does, where it is told, how
a unit fills the store (`orientation.dark_spells`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.branching.branch_programme import Limited
from yieldsim.planning.branching.sky_parts import WHOLE_SKY
from yieldsim.planning.orientation.dark_spells import PricedSpells
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.orientation.pattern_search import search_turned
from yieldsim.planning.system.column_generation import BOUND_EFFORT
from yieldsim.planning.system.dual_bound import light_worth, scaled
from yieldsim.planning.system.pricing import CLOSE_TOLERANCE, Sunlight, climbed, peaks, priced, worth_bound
from yieldsim.planning.system.terms import Prices, Terms

FILLED_EFFORT, FILLED_TOLERANCE = 16.0, 1e-3
"""Of a bound on all facings where it counts how they fill the store, too: each patch takes some 10 times as long then."""
FILLING, FINEST_FILLING_DEG = 10, 0.1
"""So many of the best facings are turned by what they are worth with how they fill the store, so finely."""
KNOWN_SHARE = 1.002
"""What facings may be worth for a bound that is wanted is left off by such a factor: the search of the sky ends no closer."""


class Turned(NamedTuple):
    """Facings, the light of a unit of each, (rows, facings) kWh, and its worth, (facings,)."""

    facings: Facings
    light_kwh: FloatArray
    worth: FloatArray


class Everywhere(NamedTuple):
    """What no unit of any facing is worth more than, and a facing that is worth more than those known, if one was met."""

    worth: float
    met: tuple[Facings, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PricedSky:
    """The sky of a place under the prices of cases."""

    sunlight: Sunlight
    terms: Terms
    objective: Prices

    def turned(self, found: Limited, used: Facings, met: tuple[Facings, ...] = ()) -> Turned:
        """Where facings in use, those beside limits and peaks come to at the prices of a case, and what was met before."""
        at_prices = priced(self.sunlight, found.prices.light, found.prices.direct)
        edges = [one.part.edges(used) for one in found.limits if one.part != WHOLE_SKY]
        # the number of all units alone moves prices all over the sky
        starts = together(used, *(edges or [peaks(self.sunlight, at_prices, used)]))
        step_deg = 0.25 * self.sunlight.step_deg
        some = climbed(self.sunlight, at_prices, starts, step_deg, found.limit_prices.offset)
        some, filling = together(*met, some), self._filling(found)
        if filling is not None:
            some = together(some, peaks(self.sunlight, at_prices, used, filling.worth))
        light = self.light_kwh(some)
        worth = self._worth(found, some, light)
        if filling is None:
            return Turned(some, light, worth)
        # the sky of prices does not tell how they fill the store
        best = np.argsort(-worth, kind="stable")[:FILLING]
        closer, _ = search_turned(
            lambda some, _: self._worth(found, some, self.light_kwh(some))[:, None], lambda worth: worth[:, 0],
            some.take(best), 0.5 * step_deg, finest_deg=FINEST_FILLING_DEG, patience=1, survivors=FILLING, rolls=False,
        )  # fmt: skip
        more = self.light_kwh(closer)
        worth = np.append(worth, self._worth(found, closer, more))
        return Turned(together(some, closer), np.concatenate([light, more], axis=1), worth)

    def everywhere(self, found: Limited, wanted: float) -> Everywhere:
        """What no facing is worth more than at the prices of a case: as close as a bound that is wanted takes, if it can be."""
        best = float(found.unit.max())
        # what a unit may be worth for that bound
        low, high = best, 2.0 * best
        for _ in range(30):
            middle = 0.5 * (low + high)
            enough = scaled(found.value, middle, found.store, self.objective) >= wanted
            low, high = (middle, high) if enough else (low, middle)
        at_prices, filling = (
            priced(self.sunlight, found.prices.light, found.prices.direct),
            self._filling(found),
        )

        def beside(*about: FloatArray) -> FloatArray:
            most = found.limit_prices.most_within(*about)
            return most if filling is None else most + filling.most_within(*about)

        effort, tolerance = (
            (BOUND_EFFORT, CLOSE_TOLERANCE) if filling is None else (FILLED_EFFORT, FILLED_TOLERANCE)
        )
        known = max((low - found.own) / KNOWN_SHARE, best - found.own)
        worth, met = worth_bound(at_prices, known, effort, beside, tolerance)
        return Everywhere(max(worth + found.own, best), met)

    def light_kwh(self, some: Facings) -> FloatArray:
        """Of a unit of each, (rows, facings)."""
        return self.sunlight.light_kwh(some)[: self.terms.rows]

    def _worth(self, found: Limited, some: Facings, light_kwh: FloatArray) -> FloatArray:
        return light_worth(found.prices, self.terms, light_kwh) + found.own + found.limit_prices.offset(some)

    def _filling(self, found: Limited) -> PricedSpells | None:
        """What units are worth by how they fill the store; None where that has no price."""
        price, prospect = found.prices.fillings, self.sunlight.prospect
        if not price.any():
            return None
        return PricedSpells(
            spells=self.terms.spells, price=price, track=prospect.track, ready=prospect.year.ready
        )
