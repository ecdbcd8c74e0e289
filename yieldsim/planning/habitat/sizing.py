"""How large a store, how many units: the smallest that keep the essential loads served as reliably as asked.

A store that begins full can carry a short run on its first filling alone. Sizes are therefore judged on a run
that can go on: the whole solar days of the estimate, repeated from a full store until its state comes round
to where it began. (Whole solar days, so that no night is joined to half of another.) The store is new; fade
is left to `life`.

A fuller start never serves less, so the state falls from full to the highest one that repeats, and a size
that fails on the way fails. With that, reliability grows with the units, and with the capacity unless the
part of the store below its least state loses much; the sizes found are always checked ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.load_model import ReliabilityMeasure, Storage
from yieldsim.base.vectors import FloatArray
from yieldsim.planning.habitat.dispatch import ESSENTIAL, Needs, Store, needs_from, store_of, tally
from yieldsim.planning.habitat.load_profile import solar_hours_at_edges
from yieldsim.planning.habitat.reliability import counted

PASSES = 40
"""A state still falling after so many repetitions is taken as running out."""
STEADY = 1e-7
"""Two states closer than this share of the capacity are the same."""
CLOSE, CLOSE_ON_CURVE = 1e-6, 1e-3
"""The smallest capacity is found to this share; those of the trade curve to the second."""
MOST_UNITS = 10_000_000
CURVE_STEPS = (1.0, 1.1, 1.25, 1.5, 1.8, 2.2, 2.8, 3.6, 5.0, 8.0)
"""Units of the trade curve over the fewest that any store makes do."""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What is to be sized: light of the units there are, loads, the store, the target.

    light_kwh   (rows,)  delivered light of all units
    units       how many they are
    """

    light_kwh: FloatArray
    units: int
    needs: Needs
    storage: Storage
    row_hours: float
    reliability: float = 1.0
    measure: ReliabilityMeasure = "energy"

    def allowed(self) -> float:
        """Most that the counted loads may lack: kWh or rows."""
        asked = self.needs.asked_kwh[:, counted(self.needs)].sum(axis=1)
        if self.measure == "hours":
            return float(math.floor((1.0 - self.reliability) * np.count_nonzero(asked) + 1e-9))
        return (1.0 - self.reliability) * float(asked.sum())


def case_of(
    light_kwh: FloatArray,
    units: int,
    needs: Needs,
    storage: Storage | None,
    solar_time_hours: FloatArray,
    row_hours: float,
    reliability: float,
    measure: ReliabilityMeasure,
) -> Case:
    """The case over the run's whole solar days; loads that can't touch the essential ones are left out."""
    rows = whole_days_rows(solar_time_hours, row_hours)
    storage = replace(storage or Storage(capacity_kwh=0.0), fade_per_cycle=0.0, fade_per_year=0.0)
    keep = counted(needs)
    if not (needs.rank[keep] == ESSENTIAL).all() or storage.reserve_fraction < 1.0:
        keep = np.ones_like(keep)
    return Case(
        light_kwh=np.ascontiguousarray(light_kwh[:rows]),
        units=units,
        needs=needs_from(
            needs.asked_kwh[:rows, keep],
            needs.direct_efficiency[keep],
            needs.store_efficiency[keep],
            needs.rank[keep],
            needs.window_rows[keep],
            needs.most_kwh[keep],
        ),
        storage=storage,
        row_hours=row_hours,
        reliability=reliability,
        measure=measure,
    )


def whole_days_rows(solar_time_hours: FloatArray, row_hours: float) -> int:
    """Rows of the whole solar days from the start of a run; all rows of a run shorter than one."""
    edges = solar_hours_at_edges(solar_time_hours, row_hours)
    turned = np.maximum.accumulate(edges - edges[0])
    days = math.floor(turned[-1] / 24.0 + 1e-3)
    if days < 1:
        return len(solar_time_hours)
    return int(np.argmin(np.abs(turned - 24.0 * days)))


def holds(case: Case, units: int, capacity_kwh: float) -> bool:
    """Whether so many units and so large a store serve as reliably as asked, and can go on doing so."""
    light_kwh = case.light_kwh * (units / case.units)
    store = store_of(case.storage, case.row_hours, capacity_kwh)
    allowed, by_rows = case.allowed(), case.measure == "hours"
    start = capacity_kwh
    for _ in range(PASSES):
        result = tally(light_kwh, case.needs, store._replace(start_kwh=start), allowed, by_rows)
        lacking = result.unserved_rows if by_rows else result.unserved_kwh
        if lacking > allowed:
            return False
        if result.end_kwh >= start - STEADY * capacity_kwh:
            return True
        start = result.end_kwh
    return False


def smallest_storage_kwh(
    case: Case, units: int, near_kwh: float | None = None, close: float = CLOSE
) -> float | None:
    """The smallest capacity that holds with so many units; None if none does.

    near_kwh   where to begin looking
    close      how closely it is found, as a share of it
    """
    if holds(case, units, 0.0):
        return 0.0
    light = float(case.light_kwh.sum()) * units / case.units
    # more than all the light can't be stored; the rest pays for the part that is never drawn
    most = 2.0 * light * store_of(case.storage, case.row_hours).take_in / (1.0 - case.storage.least_fraction)
    asked = case.needs.asked_kwh.sum(axis=1)
    low, high = 0.0, near_kwh or max(float(asked.max()), 1e-9)
    while not holds(case, units, high):
        low, high = high, 2.0 * high
        if low > most:
            return None
    if low == 0.0:
        while high > 1e-9 and holds(case, units, high / 2.0):
            high /= 2.0
        low = high / 2.0
    while high - low > close * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if holds(case, units, middle) else (middle, high)
    return high


def smallest_units(case: Case, capacity_kwh: float) -> int | None:
    """The fewest units, in the estimate's mix of mounts, that hold with a store of this capacity; None if none do."""
    high = 1
    while not holds(case, high, capacity_kwh):
        high *= 2
        if high > MOST_UNITS:
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(case, middle, capacity_kwh) else (middle, high)
    return high


@dataclass(frozen=True, slots=True)
class TradePoint:
    """Units and the smallest store that goes with them; mass in kg where both masses are known."""

    units: int
    storage_kwh: float
    mass_kg: float | None


def trade_curve(case: Case, unit_mass_kg: float | None, known_kwh: float | None = None) -> list[TradePoint]:
    """Units against storage, from the fewest units that any store makes do to where more of them help little.

    known_kwh   the smallest storage at the case's own units, where it has been found already
    Empty where no number of units and no store are enough: the dark is then longer than what light can fill.
    """
    fewest = _fewest_units(case)
    if fewest is None:
        return []
    steps = {max(math.ceil(fewest * step), fewest + place) for place, step in enumerate(CURVE_STEPS)}
    per_kwh = case.storage.mass_kg_per_kwh
    points: list[TradePoint] = []
    near: float | None = None
    for units in sorted(steps | ({case.units} if case.units >= fewest else set())):
        capacity = known_kwh if units == case.units else None
        if capacity is None:
            capacity = smallest_storage_kwh(case, units, near, CLOSE_ON_CURVE)
        if capacity is None:
            continue
        known = unit_mass_kg is not None and per_kwh is not None
        mass = units * (unit_mass_kg or 0.0) + capacity * (per_kwh or 0.0) if known else None
        points.append(TradePoint(units, capacity, mass))
        near = capacity or None
    return points


def _fewest_units(case: Case) -> int | None:
    """The fewest units that hold with the best of stores: as large as the light of the run, with no least state."""
    ideal = replace(case, storage=replace(case.storage, least_fraction=0.0))

    def enough(units: int) -> bool:
        light = float(case.light_kwh.sum()) * units / case.units
        return holds(ideal, units, 2.0 * light * store_of(case.storage, case.row_hours).take_in)

    high = 1
    while not enough(high):
        high *= 2
        if high > MOST_UNITS:
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def autonomy_hours(needs: Needs, store: Store, row_hours: float, *, peak: bool = False) -> float | None:
    """How long a full new store carries the counted loads without any light; at their mean, or at their highest row.

        t = ln((E + q / k) / (least E + q / k)) / k,   q: drawn per hour, k: standing loss per hour

    None where nothing is drawn from the store. Limits on the discharge power are left out of account.
    """
    which = counted(needs) & (needs.store_efficiency > 0.0)
    drawn = (
        (needs.asked_kwh[:, which] / needs.store_efficiency[which]).sum(axis=1) / store.hand_out / row_hours
    )
    rate = float(drawn.max() if peak else drawn.mean()) if len(drawn) else 0.0
    if rate <= 0.0:
        return None
    full, least = store.capacity_kwh, store.least * store.capacity_kwh
    decay = -math.log(store.keep) / row_hours
    if decay == 0.0:
        return (full - least) / rate
    return math.log((full + rate / decay) / (least + rate / decay)) / decay
