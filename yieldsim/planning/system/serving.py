"""Whether whole units and a store serve the loads, by the dispatch of a budget: this is what a design must do.

It serves them as reliably as asked in the run itself, from the store's first filling, and when the run's whole solar days repeat
(`planning.habitat.sizing`). Dust shields that are a load run all their cycles here; what those miss is found out by the budget of
the design that is chosen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.load_model import ReliabilityMeasure, Storage
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat import sizing
from yieldsim.planning.habitat.dispatch import Needs, asking, store_of
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.habitat.shortfall import tally
from yieldsim.planning.system.terms import Terms, terms_of

CLOSE = 1e-4
"""The smallest capacity is found to this share of it."""
WIDEN = 1.08
LEAST_KWH = 1e-9


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Serving:
    """What must be served, and by which kind of store.

    needs        of the loads beside one unit
    by_units     (loads,)  which grow with the units
    solar_time_hours   (rows,)  at the rows' middles
    choices_kwh  capacities there are, increasing; empty: any
    most_kwh     the largest capacity allowed
    """

    needs: Needs
    by_units: Flags
    storage: Storage | None
    solar_time_hours: FloatArray
    row_hours: float
    reliability: float
    measure: ReliabilityMeasure
    choices_kwh: tuple[float, ...] = ()
    most_kwh: float = math.inf

    def needs_of(self, units: int) -> Needs:
        """The loads beside so many units."""
        if not self.by_units.any() or units == 1:
            return self.needs
        return asking(self.needs, self.needs.asked_kwh * np.where(self.by_units, float(units), 1.0))

    def demanding(self, multiplier: float) -> Serving:
        """The same with loads that ask so many times as much."""
        return replace(self, needs=asking(self.needs, self.needs.asked_kwh * multiplier))

    @property
    def repeating_rows(self) -> int:
        """Rows of the whole solar days, from the first."""
        return sizing.whole_days_rows(self.solar_time_hours, self.row_hours)

    def terms(self, *, repeats: bool) -> Terms:
        """For the linear programme: of the whole solar days over and over, or of the run from the first filling."""
        rows = self.repeating_rows if repeats else len(self.solar_time_hours)
        return terms_of(
            asking(self.needs, self.needs.asked_kwh[:rows]),
            self.by_units,
            self.storage,
            self.row_hours,
            self.reliability,
            self.measure,
            repeats=repeats,
        )

    def case(self, light_kwh: FloatArray, units: int) -> sizing.Case:
        """The repeating case of so many units with this light in all, (rows,)."""
        return sizing.case_of(
            light_kwh,
            units,
            self.needs_of(units),
            self.storage,
            self.solar_time_hours,
            self.row_hours,
            self.reliability,
            self.measure,
        )

    def holds(self, case: sizing.Case, light_kwh: FloatArray, units: int, capacity_kwh: float) -> bool:
        """Whether a capacity serves, repeated and in the run itself."""
        if not sizing.holds(case, units, capacity_kwh):
            return False
        needs = self.needs_of(units)
        store = store_of(self.storage, self.row_hours, capacity_kwh)
        by_rows = self.measure == "hours"
        allowed = replace(case, needs=needs).allowed(needs)
        found = tally(light_kwh, needs, store, allowed, by_rows)
        return (found.unserved_rows if by_rows else found.unserved_kwh) <= allowed

    def capacity_kwh(
        self,
        light_kwh: FloatArray,
        units: int,
        near_kwh: float | None = None,
        at_most_kwh: float | None = None,
    ) -> float | None:
        """The smallest capacity of those allowed that serves; None if none does.

        near_kwh      where to begin looking
        at_most_kwh   larger ones are of no use
        """
        case = self.case(light_kwh, units)
        most = self.most_kwh if at_most_kwh is None else min(self.most_kwh, at_most_kwh)

        def serves(capacity: float) -> bool:
            return self.holds(case, light_kwh, units, capacity)

        if self.storage is None:
            return 0.0 if serves(0.0) else None
        if self.choices_kwh:
            return next((one for one in self.choices_kwh if one <= most and serves(one)), None)
        if serves(0.0):
            return 0.0
        # more than all the light can't be stored
        most = min(most, 2.0 * float(light_kwh.sum()))
        high, step = (
            min(near_kwh or float(case.needs.asked_kwh.sum(axis=1).max()), most),
            WIDEN if near_kwh else 2.0,
        )
        low = 0.0
        if serves(high):
            while high > LEAST_KWH and serves(high / step):
                high, step = high / step, step * step
            low = high / step
        else:
            # a store may be too large as well: what keeps it from emptying, it loses standing
            while True:
                if high >= most:
                    return None
                low, high, step = high, min(high * step, most), min(step * step, 2.0)
                if serves(high):
                    break
        while high - low > CLOSE * high and high > LEAST_KWH:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if serves(middle) else (middle, high)
        # in whole ten-thousandths of the leading digit, as a file tells it
        return self._rounded_up(high, serves)

    @staticmethod
    def _rounded_up(capacity: float, serves: object) -> float:
        if capacity <= LEAST_KWH:
            return 0.0 if serves(0.0) else capacity  # type: ignore[operator]
        unit = 10.0 ** (math.floor(math.log10(capacity)) - 4)
        rounded = float(f"{math.ceil(capacity / unit - 1e-9) * unit:.6g}")
        return rounded if serves(rounded) else capacity  # type: ignore[operator]
