"""What a linear programme of units and a store is made of: loads, the store's numbers, prices, limits.

It follows `planning.habitat.dispatch` from above: whatever units and store that dispatch serves the load with are a solution of
the programme. So its least cost is a lower bound, for this dispatch and any other. In particular

    least state     the state counts from least_fraction C up, e = max(E - least C, 0), with the standing loss of e alone:
                    e[t+1] <= keep e[t] + what enters - what leaves, as E itself goes on losing below it
    fade            by years alone; what cycles take off the least state is bounded by all that could be drawn (slack_kwh)
    other loads     left out: deferrable and sheddable loads only take from the essential ones
    dust shields    all their cycles run; what they draw grows with the units

Where units are whole, loads take no more of the light of one in a row directly than they all ask for: the rest is stored, at its loss,
or lost. And each fills the store only so often (`orientation.dark_spells`), which holds for that dispatch alone: a row in which one
unit serves all loads takes nothing out. Split units would be spread until nothing is left over, and the store is never empty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.load_model import ReliabilityMeasure, Storage
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.dispatch import Needs, store_of
from yieldsim.planning.habitat.reliability import Flags, counted
from yieldsim.planning.orientation.dark_spells import Spells


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What is minimised: so much a unit and a kWh of the store, within limits.

    per_unit, per_kwh   of the objective (kg, or 1 and next to nothing where units are counted)
    most_units, least_units   units there may be, and must be
    most_kwh            capacity there may be
    """

    per_unit: float
    per_kwh: float
    most_units: float = math.inf
    most_kwh: float = math.inf
    least_units: float = 0.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Terms:
    """The counted loads and the store over rows of equal length, energies in kWh.

    asked_kwh       (rows, kinds)  by kind of load: those of the same efficiencies together
    per_unit_kwh    (rows, kinds)  what one unit more asks: its dust shield
    direct, stored  (kinds,)  useful per delivered light, and per energy out of the store (0: not served by it)
    weight          (rows, kinds)  of a kWh unserved in `allowed`
    allowed         weighted shortfall allowed: kWh, or rows where reliability counts hours
    allowed_per_unit   the same grows so much with each unit
    keep            share of the state that standing loss leaves after a row
    take_in         stored at the end of a row per light that charges
    per_drawn       (kinds,)  taken off the state at the end of a row per useful energy; infinite: not served by the store
    enter_kwh, leave_kwh   most light that may charge, and most energy that may leave in a row
    usable          (rows,)  share of the capacity above the least state
    slack_kwh       what the state may exceed that by
    start_share     usable state at the start, share of the capacity; None: the run repeats, from where it comes round
    unit_serves_kwh   (rows,)  most light of one unit that serves loads directly, those of its own shield aside; infinite: not told
    fillings        (lines,)  numbers k of `spells`; none: not told
    """

    asked_kwh: FloatArray
    per_unit_kwh: FloatArray
    direct: FloatArray
    stored: FloatArray
    weight: FloatArray
    allowed: float
    allowed_per_unit: float
    keep: float
    take_in: float
    per_drawn: FloatArray
    enter_kwh: float
    leave_kwh: float
    usable: FloatArray
    slack_kwh: float
    start_share: float | None
    unit_serves_kwh: FloatArray
    fillings: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def rows(self) -> int:
        """How many."""
        return len(self.asked_kwh)

    def needed_kwh(self, units: float) -> FloatArray:
        """Light that serves all loads beside so many units directly, (rows,)."""
        return np.asarray(((self.asked_kwh + units * self.per_unit_kwh) / self.direct).sum(axis=1))

    @property
    def spells(self) -> Spells:
        """How often one whole unit fills the store."""
        able = self.stored > 0.0
        return Spells(
            needed_kwh=self.needed_kwh(0.0),
            drawn_kwh=(self.asked_kwh[:, able] * self.per_drawn[able]).sum(axis=1),
            take_in=self.take_in,
            fillings=self.fillings,
        )

    @property
    def fills(self) -> bool:
        """Whether that limits what leaves the store."""
        repeats = self.start_share is None and self.slack_kwh == 0.0
        return bool(repeats and self.stored.any() and not self.per_unit_kwh.any())

    def of_whole_units(self) -> Terms:
        """The same for units that are whole."""
        return replace(self, unit_serves_kwh=self.needed_kwh(0.0))

    def spare_kwh(self, light_kwh: FloatArray) -> FloatArray:
        """Light (rows, facings) of one unit beyond what serves loads directly."""
        return np.asarray(np.maximum(light_kwh - self.unit_serves_kwh[:, None], 0.0))

    def arrays(self) -> dict[str, FloatArray]:
        """By name, as a certificate holds them; a run that repeats has no start_share (NaN)."""
        held = {one.name: getattr(self, one.name) for one in fields(self)}
        return {name: np.array(np.nan if value is None else value) for name, value in held.items()}


def terms_of(
    needs: Needs,
    by_units: Flags,
    storage: Storage | None,
    row_hours: float,
    reliability: float,
    measure: ReliabilityMeasure,
    *,
    repeats: bool,
) -> Terms:
    """The terms of loads as one unit has them.

    needs      of a single unit
    by_units   (loads,)  which grow with the units
    repeats    the run over and over, with the store as new; or once, from the store's first filling, with its fade
    """
    which = counted(needs)
    asked, grows = needs.asked_kwh[:, which], by_units[which]
    pairs = np.stack([needs.direct_efficiency[which], needs.store_efficiency[which]], axis=1)
    kinds, of = np.unique(pairs, axis=0, return_inverse=True)
    of = of.ravel()
    if storage is None:
        # one of no capacity would still hand out in a row what it is given in it
        kinds[:, 1] = 0.0

    def by_kind(part: FloatArray) -> FloatArray:
        return np.stack([part[:, of == kind].sum(axis=1) for kind in range(len(kinds))], axis=1)

    storage = storage or Storage(capacity_kwh=0.0)
    if repeats:
        storage = replace(storage, fade_per_cycle=0.0, fade_per_year=0.0)
    store = store_of(storage, row_hours, 1.0)
    fixed, growing = by_kind(np.where(grows, 0.0, asked)), by_kind(np.where(grows, asked, 0.0))
    rows = len(asked)
    if measure == "hours":
        together = asked.sum(axis=1)
        # a row short by some of what it asks counts whole: less than its share bounds that from below
        most = np.divide(1.0, together, out=np.zeros(rows), where=together > 0.0)
        weight = np.repeat((most if not grows.any() else np.zeros(rows))[:, None], len(kinds), axis=1)
        allowed, more = float(math.floor((1.0 - reliability) * np.count_nonzero(together) + 1e-9)), 0.0
    else:
        weight = np.ones_like(fixed)
        allowed, more = (1.0 - reliability) * float(fixed.sum()), (1.0 - reliability) * float(growing.sum())
    faded = np.maximum(1.0 - store.fade_per_row * np.arange(rows), 0.0)
    floor = storage.least_fraction * float(faded[-1])
    out_of_store = np.where(kinds[:, 1] > 0.0, kinds[:, 1] * store.hand_out, 1.0)
    drawn_kwh = float((fixed / out_of_store).sum())
    return Terms(
        asked_kwh=fixed,
        per_unit_kwh=growing,
        direct=kinds[:, 0],
        stored=kinds[:, 1],
        weight=weight,
        allowed=float(allowed),
        allowed_per_unit=more,
        keep=store.keep,
        take_in=store.take_in * store.fill,
        per_drawn=np.where(kinds[:, 1] > 0.0, store.fill / out_of_store, np.inf),
        enter_kwh=store.enter_kwh / store.enter,
        leave_kwh=store.leave_kwh,
        usable=faded - floor,
        slack_kwh=storage.least_fraction * storage.fade_per_cycle * drawn_kwh,
        start_share=None if repeats else max(storage.initial_fraction - floor, 0.0),
        unit_serves_kwh=np.full(rows, np.inf),
    )
