"""How large a store, how many units: the smallest that keep the essential loads served as reliably as asked.

A store that begins full can carry a short run on its first filling alone. Sizes are therefore judged on a run
that can go on: the whole solar days of the estimate, repeated from a full store until its state comes round
to where it began. (Whole solar days, so that no night is joined to half of another.) The store is new; fade
is left to `life`.

What grows with the units (light, and what the dust shields draw) is that of the number tried, and dust that
shields without electricity leave takes its light, so that a size holds when it is set and the budget run again.

A fuller start never serves less, so the state falls from full to the highest one that repeats, and a size
that fails on the way fails. With that, reliability grows with the units unless shields draw on the store, and
with the capacity unless the part of the store below its least state loses much. Where it need not grow, sizes
are tried in steps of STEP, with the one that is there among them; what is found is always a checked size whose
next smaller fails.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.load_model import ReliabilityMeasure, Storage
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.dispatch import ESSENTIAL, Needs, Store, asking, some_of, store_of
from yieldsim.planning.habitat.load_profile import solar_hours_at_edges
from yieldsim.planning.habitat.reliability import Flags, counted
from yieldsim.planning.habitat.shield_service import ShieldService
from yieldsim.planning.habitat.shortfall import tally

PASSES = 40
"""A state still falling after so many repetitions is taken as running out."""
STEADY = 1e-7
"""Two states closer than this share of the capacity are the same."""
CLOSE, CLOSE_ON_CURVE = 1e-6, 1e-3
"""The smallest capacity is found to this share; those of the trade curve to the second."""
MANY_UNITS, MANY_TIMES = 1000, 100
"""More units than the first, and than so many times those that there are, are no practical design."""
STEP = 1.05
"""Ratio between sizes tried where more may serve less."""
CURVE_STEPS = (1.0, 1.1, 1.25, 1.5, 1.8, 2.2, 2.8, 3.6, 5.0, 8.0)
"""Units of the trade curve over the fewest that any store makes do."""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What is to be sized: light of the units there are, loads, the store, the target.

    light_kwh   (rows,)  delivered light of all units
    units       how many they are
    by_units    (loads,)  loads that grow with the units; None: none does
    service     the dust shields as a load, where what they miss costs light
    """

    light_kwh: FloatArray
    units: int
    needs: Needs
    storage: Storage
    row_hours: float
    reliability: float = 1.0
    measure: ReliabilityMeasure = "energy"
    by_units: Flags | None = None
    service: ShieldService | None = None

    def needs_of(self, units: int) -> Needs:
        """The loads beside so many units."""
        if self.by_units is None or units == self.units or not self.by_units.any():
            return self.needs
        return asking(self.needs, self.needs.asked_kwh * np.where(self.by_units, units / self.units, 1.0))

    def allowed(self, needs: Needs) -> float:
        """Most that the counted loads may lack: kWh or rows."""
        asked = needs.asked_kwh[:, counted(needs)].sum(axis=1)
        if self.measure == "hours":
            return float(math.floor((1.0 - self.reliability) * np.count_nonzero(asked) + 1e-9))
        return (1.0 - self.reliability) * float(asked.sum())

    @property
    def most_units(self) -> int:
        """Where practical designs end."""
        return max(MANY_UNITS, MANY_TIMES * self.units)


def case_of(
    light_kwh: FloatArray,
    units: int,
    needs: Needs,
    storage: Storage | None,
    solar_time_hours: FloatArray,
    row_hours: float,
    reliability: float,
    measure: ReliabilityMeasure,
    by_units: Flags | None = None,
    service: ShieldService | None = None,
) -> Case:
    """The case over the run's whole solar days; loads that can't touch the essential ones are left out."""
    rows = whole_days_rows(solar_time_hours, row_hours)
    storage = replace(storage or Storage(capacity_kwh=0.0), fade_per_cycle=0.0, fade_per_year=0.0)
    keep = counted(needs)
    if not (needs.rank[keep] == ESSENTIAL).all() or storage.reserve_fraction < 1.0 or service is not None:
        keep = np.ones_like(keep)
    kept = some_of(needs, keep)
    return Case(
        light_kwh=np.ascontiguousarray(light_kwh[:rows]),
        units=units,
        needs=asking(kept, kept.asked_kwh[:rows]),
        storage=storage,
        row_hours=row_hours,
        reliability=reliability,
        measure=measure,
        by_units=None if by_units is None else by_units[keep],
        service=service,
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
    ratio = units / case.units
    light_kwh, needs = case.light_kwh * ratio, case.needs_of(units)
    store = store_of(case.storage, case.row_hours, capacity_kwh)
    allowed, by_rows = case.allowed(needs), case.measure == "hours"
    start = capacity_kwh
    for _ in range(PASSES):
        begun = store._replace(start_kwh=start)
        # with every cycle of the shields run there is no less light than without some
        result = tally(light_kwh, needs, begun, allowed, by_rows)
        end, lacking = result.end_kwh, result.unserved_rows if by_rows else result.unserved_kwh
        if lacking <= allowed and case.service is not None:
            _, flows, _ = case.service.settled(light_kwh, needs, begun, ratio)
            short = flows.unserved[:, counted(needs)].sum(axis=1)
            end, lacking = float(flows.stored[-1]), float(np.count_nonzero(short) if by_rows else short.sum())
        if lacking > allowed:
            return False
        if end >= start - STEADY * capacity_kwh:
            return True
        start = end
    return False


def smallest_storage_kwh(
    case: Case,
    units: int,
    near_kwh: float | None = None,
    close: float = CLOSE,
    there_kwh: float | None = None,
) -> float | None:
    """The smallest capacity that holds with so many units; None if none does.

    near_kwh    where to begin looking
    close       how closely it is found, as a share of it
    there_kwh   a capacity to try among the others
    """
    if holds(case, units, 0.0):
        return 0.0
    light = float(case.light_kwh.sum()) * units / case.units
    # more than all the light can't be stored; the rest pays for the part that is never drawn
    most = 2.0 * light * store_of(case.storage, case.row_hours).take_in / (1.0 - case.storage.least_fraction)
    asked = case.needs_of(units).asked_kwh.sum(axis=1)
    falls = case.storage.least_fraction > 0.0 and case.storage.standing_loss_per_day > 0.0
    first = max(float(asked.max()), 1e-9)
    if falls:
        tried = first * STEP ** np.arange(
            max(math.ceil(math.log(max(most / first, 1.0)) / math.log(STEP)), 0) + 2
        )
        sizes = np.unique(np.append(tried, [there_kwh] if there_kwh else []))
        found = next((place for place, size in enumerate(sizes) if holds(case, units, float(size))), None)
        if found is None:
            return None
        low, high = float(sizes[found - 1]) if found else 0.0, float(sizes[found])
    else:
        low, high = 0.0, near_kwh or first
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
    """The fewest units, in the estimate's mix of mounts, that hold with a store of this capacity; None if none do
    among practical numbers.
    """
    return _fewest(case, lambda units: holds(case, units, capacity_kwh))


def _fewest(case: Case, enough: Callable[[int], bool]) -> int | None:
    """The fewest of practical numbers of units that are enough; one less is not."""
    most = case.most_units
    grows = case.by_units is None or not case.by_units.any()
    numbers: set[int] = {min(1 << power, most) for power in range(most.bit_length() + 1)}
    if not grows:
        steps = math.ceil(math.log(most) / math.log(STEP)) + 1
        numbers |= {min(math.ceil(STEP**step), most) for step in range(steps)} | {case.units}
    low = 0
    for high in sorted(numbers):
        if enough(high):
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (low, middle) if enough(middle) else (middle, high)
            return high
        low = high
    return None


def why_no_units(case: Case, capacity_kwh: float) -> str:
    """Why no practical number of units holds with a store of this capacity."""
    dark = _longest_dark_rows(case.light_kwh) * case.row_hours
    if not case.light_kwh.any():
        return "no light is delivered"
    if not holds(replace(case, by_units=None, service=None), 10**12, capacity_kwh):
        return (
            f"the store does not carry the loads through {dark:.4g} hours without light, however much light there is "
            "before and after"
        )
    if not holds(replace(case, by_units=None, service=None), case.most_units, capacity_kwh):
        return f"in the dimmest hours even {case.most_units} units deliver too little"
    return f"what the dust shields of more units draw in {dark:.4g} hours without light empties the store"


def why_no_storage(case: Case, units: int) -> str:
    """Why no capacity holds with so many units."""
    if not case.light_kwh.any():
        return "no light is delivered"
    whole = holds(
        replace(case, storage=replace(case.storage, least_fraction=0.0, standing_loss_per_day=0.0)),
        units,
        1e15,
    )
    if whole:
        return (
            "what keeps a larger store from emptying, it loses standing: a store that loses less "
            "(standing_loss_per_day, least_fraction) would do"
        )
    return f"the light of {units} units is less in all than what loads and losses of the store take, or charges it too slowly"


def _longest_dark_rows(light_kwh: FloatArray) -> int:
    """The longest stretch of rows without light, of a run that repeats."""
    lit = np.flatnonzero(light_kwh > 0.0)
    if len(lit) == 0:
        return len(light_kwh)
    return int(np.diff(np.append(lit, lit[0] + len(light_kwh))).max()) - 1


@dataclass(frozen=True, slots=True)
class TradePoint:
    """Units and the smallest store that goes with them; mass in kg where both masses are known."""

    units: int
    storage_kwh: float
    mass_kg: float | None


def trade_curve(
    case: Case, unit_mass_kg: float | None, known_kwh: float | None = None, there_kwh: float | None = None
) -> list[TradePoint]:
    """Units against storage, from the fewest units that any store makes do to where more of them help little.

    known_kwh   the smallest storage at the case's own units, where it has been found already
    there_kwh   a capacity to try among the others
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
            capacity = smallest_storage_kwh(case, units, near, CLOSE_ON_CURVE, there_kwh)
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

    return _fewest(case, enough)


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
