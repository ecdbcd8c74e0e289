"""Delivered light against loads and a store, row by row: who is served, what is stored, what is left over.

In every row, in this order:

1. essential loads take light; what they still lack comes out of the store;
2. light fills the store up to its reserve;
3. deferrable loads take light for all they have waiting, then sheddable loads;
4. deferrable loads whose time is up, then sheddable loads, draw on what the store holds above its reserve;
5. light fills the rest of the store; what is left is curtailed.

Loads of one priority are served by `serving_order`, whatever their order in the file.

Powers are constant within a row of h hours, and the store loses a fixed share k of itself per hour:

    dE/dt = F / h - k E,   E(h) = E(0) exp(-k h) + F (1 - exp(-k h)) / (k h)

solved exactly, so that a night is the same in one row or in a thousand. Standing loss goes on below the least
state, which only ends the drawing. F is what enters after charging
losses less what leaves before discharging losses. The capacity is

    new capacity * (1 - fade_per_year years - fade_per_cycle cycles)

a cycle being a new capacity's worth drawn; what no longer fits is lost.

No row charges and discharges: who lacks anything has already taken all the light. For one load this serves as
much as any dispatch could, unless the way through the store is more efficient than the direct one; for several,
`planning.habitat.foresight` says how much smaller a store could be.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import DAYS_PER_YEAR, HOURS_PER_DAY
from yieldsim.base.load_model import PRIORITIES, Load, Storage
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.photometry import LightFigures
from yieldsim.planning.habitat.load_profile import Rows, need_power_w, storage_efficiency
from yieldsim.planning.habitat.serving_order import Turns, hand_round, turns_of

ESSENTIAL, DEFERRABLE, SHEDDABLE = range(len(PRIORITIES))
SLACK = 1e-12
"""A shortfall below this share of what was asked, or light left over below this share of a row's, is rounding."""


class Needs(NamedTuple):
    """Loads as arrays, energies in kWh where they are used.

    asked_kwh            (rows, loads)
    gathered_kwh         (rows + 1, loads)  sums of asked_kwh before each row
    direct_efficiency    (loads,)  useful per delivered light
    store_efficiency     (loads,)  useful per energy out of the store; 0: not served by it
    rank                 (loads,)  ESSENTIAL, DEFERRABLE or SHEDDABLE
    window_rows          (loads,)  rows that a deferrable load can wait after the one that asked
    most_kwh             (loads,)  most served in a row; infinite: no limit
    file_rank            (loads,)  who of one priority goes first, lower before higher
    turns                who is served in which turn
    """

    asked_kwh: FloatArray
    gathered_kwh: FloatArray
    direct_efficiency: FloatArray
    store_efficiency: FloatArray
    rank: NDArray[np.int64]
    window_rows: NDArray[np.int64]
    most_kwh: FloatArray
    file_rank: NDArray[np.int64]
    turns: Turns


class Store(NamedTuple):
    """A store as numbers, energies in kWh, for rows of equal length.

    keep           exp(-k h); fill: (1 - exp(-k h)) / (k h), both 1 without standing loss
    take_in        stored per light; enter: entering per light (before charging loss); hand_out: out per drawn
    enter_kwh, leave_kwh   most that may enter and leave in a row
    least, reserve         shares of the capacity
    """

    capacity_kwh: float
    start_kwh: float
    keep: float
    fill: float
    take_in: float
    enter: float
    hand_out: float
    enter_kwh: float
    leave_kwh: float
    least: float
    reserve: float
    fade_per_row: float
    fade_per_kwh: float


class Flows(NamedTuple):
    """What happened, energies in kWh.

    direct, from_store, unserved   (rows, loads)  useful energy; a deferrable load's shortfall stands in the
                                   row where its time was up, or in the last row
    charging      (rows,)  light that went into charging
    drawn         (rows,)  energy that left the store, after discharging loss
    curtailed     (rows,)  light left over
    lost          (rows,)  standing loss, and what a fading store could no longer hold
    stored        (rows,)  state at the end of the row
    capacity      (rows,)  capacity in the row
    """

    direct: FloatArray
    from_store: FloatArray
    unserved: FloatArray
    charging: FloatArray
    drawn: FloatArray
    curtailed: FloatArray
    lost: FloatArray
    stored: FloatArray
    capacity: FloatArray


def needs_of(loads: tuple[Load, ...], rows: Rows, figures: LightFigures) -> Needs:
    """Loads over the rows of an estimate. Raises DataMissing when a load's series doesn't cover them."""
    asked = np.stack([need_power_w(load, rows, figures) for load in loads], axis=1) * rows.hours / 1000.0
    limits = [
        math.inf if load.most_power_w is None else load.most_power_w * rows.hours / 1000.0 for load in loads
    ]
    return needs_from(
        asked,
        np.array([load.direct_efficiency for load in loads]),
        np.array([storage_efficiency(load, figures) for load in loads]),
        np.array([PRIORITIES.index(load.priority) for load in loads]),
        np.array([math.floor(load.window_hours / rows.hours + 1e-9) for load in loads]),
        np.array(limits),
        np.array([load.rank for load in loads]),
    )


def needs_from(
    asked_kwh: FloatArray,
    direct_efficiency: FloatArray,
    store_efficiency: FloatArray,
    rank: NDArray[np.int64],
    window_rows: NDArray[np.int64] | None = None,
    most_kwh: FloatArray | None = None,
    file_rank: NDArray[np.int64] | None = None,
) -> Needs:
    """Loads from plain arrays, see Needs; without windows nothing waits, without ranks none goes first."""
    count = asked_kwh.shape[1]
    direct, stored = np.asarray(direct_efficiency, np.float64), np.asarray(store_efficiency, np.float64)
    priority = np.asarray(rank, dtype=np.int64)
    windows = np.zeros(count, np.int64) if window_rows is None else np.asarray(window_rows, np.int64)
    places = np.ones(count, np.int64) if file_rank is None else np.asarray(file_rank, np.int64)
    return Needs(
        asked_kwh=np.ascontiguousarray(asked_kwh),
        gathered_kwh=_gathered(asked_kwh),
        direct_efficiency=direct,
        store_efficiency=stored,
        rank=priority,
        window_rows=windows,
        most_kwh=np.full(count, np.inf) if most_kwh is None else np.asarray(most_kwh, dtype=np.float64),
        file_rank=places,
        turns=turns_of(priority, places, direct, stored, windows),
    )


def asking(needs: Needs, asked_kwh: FloatArray) -> Needs:
    """The same loads asking something else, (rows, loads); limits of catching up stay."""
    return needs._replace(asked_kwh=np.ascontiguousarray(asked_kwh), gathered_kwh=_gathered(asked_kwh))


def _gathered(asked_kwh: FloatArray) -> FloatArray:
    """Sums before each row, (rows + 1, loads)."""
    sums = np.cumsum(asked_kwh, axis=0)
    return np.ascontiguousarray(np.concatenate([np.zeros((1, sums.shape[1])), sums]))


def some_of(needs: Needs, which: NDArray[np.bool_] | NDArray[np.int64]) -> Needs:
    """Some of the loads, (loads,) flags or places."""
    return needs_from(
        needs.asked_kwh[:, which],
        needs.direct_efficiency[which],
        needs.store_efficiency[which],
        needs.rank[which],
        needs.window_rows[which],
        needs.most_kwh[which],
        needs.file_rank[which],
    )


def alike_together(needs: Needs) -> Needs:
    """Loads that nothing waits for, with those of the same turns added up: they lack together what they lacked."""
    turns = np.empty((len(needs.rank), 2), np.int64)
    turns[needs.turns.light_order, 0] = needs.turns.light_turn
    turns[needs.turns.store_order, 1] = needs.turns.store_turn
    _, firsts, of = np.unique(turns, axis=0, return_index=True, return_inverse=True)
    asked = [needs.asked_kwh[:, of.ravel() == kind].sum(axis=1) for kind in range(len(firsts))]
    return asking(some_of(needs, firsts), np.stack(asked, axis=1))


def store_of(storage: Storage | None, row_hours: float, capacity_kwh: float | None = None) -> Store:
    """The store as numbers; `capacity_kwh` takes the place of its own. No storage: a store of nothing."""
    storage = storage or Storage(capacity_kwh=0.0)
    capacity = storage.capacity_kwh if capacity_kwh is None else capacity_kwh
    decay = -math.log1p(-storage.standing_loss_per_day) / HOURS_PER_DAY * row_hours

    def limit_kwh(power_w: float | None) -> float:
        return math.inf if power_w is None else power_w * row_hours / 1000.0

    return Store(
        capacity_kwh=capacity,
        start_kwh=storage.initial_fraction * capacity,
        keep=math.exp(-decay),
        fill=-math.expm1(-decay) / decay if decay > 0.0 else 1.0,
        take_in=storage.converter_efficiency * storage.charge_efficiency,
        enter=storage.converter_efficiency,
        hand_out=storage.discharge_efficiency,
        enter_kwh=limit_kwh(storage.charge_power_w),
        leave_kwh=limit_kwh(storage.discharge_power_w),
        least=storage.least_fraction,
        reserve=storage.reserve_fraction,
        fade_per_row=storage.fade_per_year * row_hours / (HOURS_PER_DAY * DAYS_PER_YEAR),
        fade_per_kwh=storage.fade_per_cycle / capacity if capacity > 0.0 else 0.0,
    )


def dispatch(light_kwh: FloatArray, needs: Needs, store: Store) -> Flows:
    """Follow light, loads and store through all rows.

    light_kwh   (rows,)  delivered light, >= 0
    """
    rows, loads = needs.asked_kwh.shape
    by_load = np.zeros((3, rows, loads))
    by_row = np.zeros((6, rows))
    run(np.ascontiguousarray(light_kwh), *needs[:-2], *needs.turns, *store, np.inf, True, by_load, by_row)
    return Flows(*by_load, *by_row)


@njit(cache=True)
def run(
    light_kwh: FloatArray,
    asked: FloatArray,
    gathered: FloatArray,
    direct_efficiency: FloatArray,
    store_efficiency: FloatArray,
    rank: NDArray[np.int64],
    window_rows: NDArray[np.int64],
    most: FloatArray,
    light_order: NDArray[np.int64],
    light_turn: NDArray[np.int64],
    store_order: NDArray[np.int64],
    store_turn: NDArray[np.int64],
    new_capacity: float,
    start: float,
    keep: float,
    fill: float,
    take_in: float,
    enter: float,
    hand_out: float,
    enter_limit: float,
    leave_limit: float,
    least: float,
    reserve: float,
    fade_per_row: float,
    fade_per_kwh: float,
    most_unserved: float,
    record: bool,
    by_load: FloatArray,
    by_row: FloatArray,
) -> tuple[float, int, float, int]:
    """Kernel of `dispatch` and of `shortfall.tally`; arguments as in Needs and Store.

    most_unserved   kWh when >= 0, rows when negative: more ends the run
    by_load         (3, rows, loads) and by_row (6, rows) in the order of Flows, filled when `record`
    """
    rows, loads = asked.shape
    counted = ESSENTIAL
    if not np.any(rank == ESSENTIAL):
        counted = -1
    others = bool(np.any(rank != ESSENTIAL))
    settled = np.zeros(loads)
    lack = np.zeros(loads)
    took = np.zeros(loads)
    drew = np.zeros(loads)
    wants = np.zeros(loads)
    per_drawn = hand_out * store_efficiency
    stored, cycled_kwh = start, 0.0
    total_unserved, unserved_rows = 0.0, 0
    for t in range(rows):
        light = light_kwh[t]
        capacity = new_capacity * max(1.0 - fade_per_row * t - fade_per_kwh * cycled_kwh, 0.0)
        kept = min(stored * keep, capacity)
        # most that may leave and enter within the row, as energy in the store
        floor, hold = least * capacity, reserve * capacity
        leaving = min(max(kept - floor, 0.0) / fill, leave_limit / hand_out)
        spare = max(kept - hold, 0.0) / fill
        entering = min(max(capacity - kept, 0.0) / fill, enter_limit / enter * take_in)
        filling = min(max(hold - kept, 0.0) / fill, entering)
        drawn, charged = 0.0, 0.0

        for j in range(loads):
            took[j] = 0.0
            drew[j] = 0.0
            wants[j] = asked[t, j]
        used = hand_round(light, wants, direct_efficiency, light_order, light_turn, rank, ESSENTIAL, took)
        light = max(light - used, 0.0)
        for j in range(loads):
            lack[j] = asked[t, j] - took[j] if rank[j] == ESSENTIAL else 0.0
        drawn = hand_round(leaving, lack, per_drawn, store_order, store_turn, rank, ESSENTIAL, drew)
        for j in range(loads):
            lack[j] -= drew[j]

        if drawn == 0.0:
            charged = min(filling, light * take_in)
            light = max(light - charged / take_in, 0.0)

        if others:
            for j in range(loads):
                if rank[j] == DEFERRABLE:
                    wants[j] = max(min(gathered[t + 1, j] - settled[j], most[j]), 0.0)
            for wanted in (DEFERRABLE, SHEDDABLE):
                used = hand_round(
                    light, wants, direct_efficiency, light_order, light_turn, rank, wanted, took
                )
                light = max(light - used, 0.0)

            for wanted in (DEFERRABLE, SHEDDABLE):
                for j in range(loads):
                    if rank[j] != wanted:
                        continue
                    settled[j] += took[j]
                    if wanted == SHEDDABLE:
                        lack[j] = asked[t, j] - took[j]
                        wants[j] = lack[j]
                    else:
                        last = t + 1 - window_rows[j] if t + 1 < rows else rows
                        due = max(gathered[max(last, 0), j] - settled[j], 0.0)
                        # a rounding of the sums must not open the store and keep it from charging
                        if due <= SLACK * gathered[rows, j]:
                            due = 0.0
                        lack[j] = due
                        wants[j] = min(due, max(most[j] - took[j], 0.0))
                above = max(min(spare, leaving) - drawn, 0.0)
                drawn += hand_round(above, wants, per_drawn, store_order, store_turn, rank, wanted, drew)
                for j in range(loads):
                    if rank[j] == wanted:
                        lack[j] -= drew[j]
                        # what was served and what is past its time no longer waits
                        settled[j] += drew[j] + lack[j]

        if drawn == 0.0:
            more = min(entering - charged, light * take_in)
            charged += more
            light = max(light - more / take_in, 0.0)

        if light < SLACK * light_kwh[t]:
            light = 0.0
        # an emptied store ends at zero, not at minus a rounding
        after = max(kept + (charged - drawn) * fill, 0.0)
        lost = stored + charged - drawn - after
        cycled_kwh += drawn
        missing = 0.0
        for j in range(loads):
            if lack[j] <= SLACK * gathered[rows, j]:
                lack[j] = 0.0
            if counted < 0 or rank[j] == counted:
                missing += lack[j]
        total_unserved += missing
        unserved_rows += missing > 0.0
        if record:
            for j in range(loads):
                by_load[0, t, j] = took[j]
                by_load[1, t, j] = drew[j]
                by_load[2, t, j] = lack[j]
            by_row[0, t] = charged / take_in
            by_row[1, t] = drawn * hand_out
            by_row[2, t] = light
            by_row[3, t] = lost
            by_row[4, t] = after
            by_row[5, t] = capacity
        stored = after
        if (most_unserved >= 0.0 and total_unserved > most_unserved) or (
            most_unserved < 0.0 and unserved_rows > -most_unserved
        ):
            return total_unserved, unserved_rows, stored, t + 1
    return total_unserved, unserved_rows, stored, rows
