"""Dust shields that are a load: what they don't get in electricity, they don't clean.

A cycle runs when all that it draws is served, of several cycles in one row as many as the served share pays
for; the others take off no dust. A load that can wait runs its cycle late, by its window at most: that delay
is neglected. Less cleaning is less light, which may leave further cycles without electricity: rounds are
repeated, and a cycle once missed stays missed, until none is added.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.model import Shield
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy import soiling
from yieldsim.energy.degradation import CleanLight, LightByRate, light_by_rate
from yieldsim.energy.soiling import removals
from yieldsim.planning.habitat.dispatch import Flows, Needs, Store, dispatch

Flags = NDArray[np.bool_]
Events = tuple[tuple[float, float], ...]
SERVED = 1e-9
"""A cycle that lacks less than this share of its electricity runs."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cycles:
    """Where the shield's cycles stand among the rows.

    row      (cycles,)  row in which a cycle begins to draw
    last     (cycles,)  row in which it ends
    number   (cycles,)  its number among those that begin in its row, from 1
    in_row   (cycles,)  how many begin there
    loads    places of the loads that are the shields'
    """

    row: NDArray[np.int64]
    last: NDArray[np.int64]
    number: NDArray[np.int64]
    in_row: NDArray[np.int64]
    loads: tuple[int, ...]


def cycles_of(shield: Shield, rows: int, row_hours: float, loads: tuple[int, ...]) -> Cycles:
    """The cycles of a run of so many rows."""
    row_s = row_hours * SECONDS_PER_HOUR
    ends = soiling.cycle_ends_tdb_s(shield, 0.0, rows * row_s)
    row = np.floor((ends - shield.duty_minutes * 60.0) / row_s + 1e-9).astype(np.int64)
    row = np.clip(row, 0, rows - 1)
    last = np.clip(np.ceil(ends / row_s - 1e-9).astype(np.int64) - 1, row, rows - 1)
    first = np.searchsorted(row, row, side="left")
    return Cycles(
        row=row,
        last=last,
        number=np.arange(len(row)) - first + 1,
        in_row=np.searchsorted(row, row, side="right") - first,
        loads=loads,
    )


def cycles_run(cycles: Cycles, needs: Needs, flows: Flows) -> Flags:
    """Which cycles have their electricity, (cycles,)."""
    places = list(cycles.loads)
    asked = needs.asked_kwh[:, places].sum(axis=1)
    missed = sum(_missed(needs, flows, place) for place in places)
    share = 1.0 - np.divide(missed, asked, out=np.zeros_like(asked), where=asked > 0.0)
    paid = cycles.number <= share[cycles.row] * cycles.in_row + SERVED
    return np.asarray(paid & ((cycles.last == cycles.row) | (share[cycles.last] >= 1.0 - SERVED)))


def _missed(needs: Needs, flows: Flows, load: int) -> FloatArray:
    """What a load lacked, (rows,), in the rows that asked for it rather than those in which its time was up."""
    lacked, asked = flows.unserved[:, load], needs.asked_kwh[:, load]
    window = int(needs.window_rows[load])
    if window == 0:
        return lacked
    missed = np.zeros_like(lacked)
    missed[: max(len(lacked) - 1 - window, 0)] = lacked[window:-1]
    # at the end the latest requests are those that still wait
    after = np.cumsum(asked[::-1])[::-1] - asked
    return np.asarray(np.maximum(missed, np.clip(lacked[-1] - after, 0.0, asked)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ShieldService:
    """The light of a run by which cycles run.

    by_rate   the clean light
    """

    light: CleanLight
    by_rate: LightByRate
    cycles: Cycles
    events: Events = ()

    def light_kwh(self, runs: Flags, rows: int) -> FloatArray:
        """Delivered light of the first rows, (rows,), when only some cycles run."""
        shield, end_s = self.light.collector.shield, float(self.light.edge_s[-1])
        return self.by_rate.dusty_kwh(removals(shield, end_s, self.events, runs=runs), rows)

    def settled(
        self, light_kwh: FloatArray, needs: Needs, store: Store, ratio: float = 1.0
    ) -> tuple[FloatArray, Flows, Flags]:
        """Light, flows and which cycles run, of a run whose shields clean only when they are served.

        light_kwh   (rows,)  with every cycle run
        ratio       units over those of the clean light
        """
        rows = len(light_kwh)

        def light_of(runs: Flags) -> FloatArray:
            return self.light_kwh(runs, rows) * ratio

        return settle(light_kwh, light_of, self.cycles, needs, store)


def settle(
    light_kwh: FloatArray,
    light_of: Callable[[Flags], FloatArray],
    cycles: Cycles,
    needs: Needs,
    store: Store,
) -> tuple[FloatArray, Flows, Flags]:
    """Repeat a run without the cycles that had no electricity until no further one is missed.

    light_kwh   (rows,)  with every cycle run
    light_of    light (rows,) by which cycles run
    """
    runs = np.ones(len(cycles.row), dtype=bool)
    within = cycles.last < len(light_kwh)
    some = Cycles(
        row=cycles.row[within],
        last=cycles.last[within],
        number=cycles.number[within],
        in_row=cycles.in_row[within],
        loads=cycles.loads,
    )
    while True:
        flows = dispatch(light_kwh, needs, store)
        more = runs.copy()
        more[within] &= cycles_run(some, needs, flows)
        if (more == runs).all():
            return light_kwh, flows, runs
        runs = more
        light_kwh = light_of(runs)


def shield_service(light: CleanLight, loads: tuple[int, ...], events: Events = ()) -> ShieldService | None:
    """The shields of a collector as a load; None where they clean nothing or no load is theirs."""
    shield = light.collector.shield
    if shield is None or not shield.cleans or not loads or light.dust is None:
        return None
    return ShieldService(
        light=light,
        by_rate=light_by_rate(light),
        cycles=cycles_of(shield, len(light.power_w), light.row_hours, loads),
        events=events,
    )
