"""Dust on the aperture: steady deposition, cleaning events, and a shield that removes a fraction each cycle.

The dust load D is counted in days of full deposition on a level aperture. Between removals it grows at cos(tilt)^exponent days a
day; a removal of fraction f leaves (1 - f) D. The light that passes is

    exponential   (1 - loss_per_day)^D        compound loss, Beer's law in the areal mass
    linear        1 - loss_per_day * D

and never less than the floor, beneath which dust goes on settling (a cleaning takes its share of all of it). Steady
cycles of T days that remove f leave, before the n-th removal, T (1 - (1-f)^n) / f: the load climbs to T / f and the
residue to T (1 - f) / f (geometric series; the tests hold the code to it). Where removal goes by grain size, each size has a load of
its own and D is their mean (`energy.grain_removal`).

Landis & Jenkins 2000, J. Geophys. Res. 105, 1855 report 0.28 % a sol on Mars; cells see loss of global light, a concentrator loses
the scattered light too, so such rates are lower bounds for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.constants import SECONDS_PER_DAY, SECONDS_PER_HOUR
from yieldsim.base.model import Dust, Shield
from yieldsim.base.numerics.frozen_table import frozen_array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.grain_removal import removals_by_class


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DustHistory:
    """Removal times of one aperture and the load it starts each stretch with.

    start_tdb_s      (n,)  start of each stretch: the run's start, then every removal
    load_days        (n,)  load at those times, just after the removal
    days_per_day     rate of growth, 0..1
    """

    start_tdb_s: FloatArray
    load_days: FloatArray
    days_per_day: float


def deposition_rate(tilt_deg: float, tilt_exponent: float) -> float:
    """Deposition relative to a level aperture: cos(tilt)^exponent, 0 past 90 degrees; exponent 0: 1 at any tilt."""
    if tilt_exponent == 0.0:
        return 1.0
    level = np.cos(np.radians(tilt_deg))
    # cos(90 deg) is 6e-17, which a small exponent would lift
    return float(level**tilt_exponent) if level > 1e-12 else 0.0


def cycle_ends_tdb_s(shield: Shield | None, start_tdb_s: float, end_tdb_s: float) -> FloatArray:
    """Ends of the shield's cycles within a run, TDB seconds: it runs in the last minutes of each and cleans at the end."""
    if shield is None or shield.cycle_hours is None:
        return np.empty(0)
    cycle_s = shield.cycle_hours * SECONDS_PER_HOUR
    count = int(np.floor((end_tdb_s - start_tdb_s) / cycle_s + 1e-9))
    return np.asarray(start_tdb_s + cycle_s * np.arange(1, count + 1), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Removals:
    """Moments at which dust goes, seconds (n,) in order, and what stays then of each size (classes, n); clean at `start_s`.

    share   (classes,)  of the dust that settles, by size
    """

    start_s: float
    at_s: FloatArray
    kept: FloatArray
    share: FloatArray


def cleaning_events(dust: Dust) -> tuple[tuple[float, float], ...]:
    """Dated cleaning events: seconds of TDB, share removed."""
    return tuple((float(tdb_seconds(np.datetime64(e.time_utc, "ns"))), e.removes) for e in dust.events)


def removals(
    shield: Shield | None,
    end_s: float,
    events: tuple[tuple[float, float], ...] = (),
    outages_s: tuple[tuple[float, float], ...] = (),
    runs: NDArray[np.bool_] | None = None,
    *,
    start_s: float = 0.0,
) -> Removals:
    """Every removal of a run from its start to end_s: the shield's cycles outside its outages, and events (time, removes).

    runs   (cycles,)  which cycles run at all, of those that end by end_s; None: all
    """
    cycles = cycle_ends_tdb_s(shield, start_s, end_s)
    if runs is not None:
        cycles = cycles[runs]
    for fails, repaired in outages_s:
        cycles = cycles[(cycles < fails) | (cycles >= repaired)]
    other = [(at, removes) for at, removes in events if start_s <= at <= end_s]
    at_s = np.concatenate([cycles, [at for at, _ in other]])
    removes = np.array([share for _, share in other], dtype=np.float64)
    sizes = removals_by_class(shield)
    kept = 1.0 - by_class(cycles, sizes.removal, removes)
    order = np.argsort(at_s, kind="stable")
    return Removals(start_s, at_s[order], kept[:, order], sizes.share)


def history_of(found: Removals, days_per_day: float) -> DustHistory:
    """The load of an aperture that is clean at the start and gains `days_per_day` days of deposition a day."""
    starts = np.concatenate([[found.start_s], found.at_s])
    loads = mean_loads_after(np.diff(starts) / SECONDS_PER_DAY * days_per_day, found)
    return DustHistory(
        start_tdb_s=frozen_array(starts), load_days=frozen_array(loads), days_per_day=days_per_day
    )


def dust_history(
    dust: Dust, shield: Shield | None, tilt_deg: float, start_tdb_s: float, end_tdb_s: float
) -> DustHistory:
    """Follow the load of an aperture that is clean at the start through every removal of a run."""
    found = removals(shield, end_tdb_s, cleaning_events(dust), start_s=start_tdb_s)
    return history_of(found, deposition_rate(tilt_deg, dust.tilt_exponent))


def by_class(cycles: FloatArray, removal: FloatArray, removes: FloatArray) -> FloatArray:
    """Share removed by each cycle and then each event, (classes, cycles + events): events take all sizes alike."""
    of_cycles = np.repeat(removal[:, None], len(cycles), axis=1)
    return np.concatenate([of_cycles, np.repeat(removes[None, :], len(removal), axis=0)], axis=1)


def mean_loads_after(grown_days: FloatArray, found: Removals) -> FloatArray:
    """Load after each removal (n + 1,), the mean of all sizes by their shares: each is followed alone."""
    each = [loads_after(grown_days, kept) for kept in np.ascontiguousarray(found.kept)]
    return each[0] if len(each) == 1 else np.asarray((found.share[:, None] * np.array(each)).sum(axis=0))


@njit(cache=True)
def loads_after(grown_days: FloatArray, kept_fraction: FloatArray) -> FloatArray:
    """Load after each removal (n + 1,), from clean: x[k] = (x[k-1] + grown[k]) * kept[k]."""
    loads = np.zeros(grown_days.shape[0] + 1)
    for k in range(grown_days.shape[0]):
        loads[k + 1] = (loads[k] + grown_days[k]) * kept_fraction[k]
    return loads


def load_at(history: DustHistory, tdb_s: FloatArray) -> FloatArray:
    """Dust load (time,), days of full deposition."""
    stretch = np.maximum(np.searchsorted(history.start_tdb_s, tdb_s, side="right") - 1, 0)
    since_days = (tdb_s - history.start_tdb_s[stretch]) / SECONDS_PER_DAY
    return np.asarray(history.load_days[stretch] + since_days * history.days_per_day)


def clean_fraction(dust: Dust, load_days: FloatArray) -> FloatArray:
    """Share of the light that a dust load lets through.

    >>> dust = Dust(loss_per_day=0.0028)
    >>> clean_fraction(dust, np.array([30.0, 90.0])).round(4)
    array([0.9193, 0.777 ])
    """
    linear = dust.model == "linear"
    passed = 1.0 - dust.loss_per_day * load_days if linear else (1.0 - dust.loss_per_day) ** load_days
    return np.maximum(passed, dust.floor)


def shield_duty_fraction(
    shield: Shield | None, edge_tdb_s: FloatArray, start_tdb_s: float, end_tdb_s: float
) -> FloatArray:
    """Share of each interval between edges (n + 1,) that the shield runs, (n,).

    From the running time up to t: whole cycles times the duty, plus what of the present cycle's last minutes has passed.
    """
    if shield is None or shield.cycle_hours is None or shield.duty_minutes == 0.0:
        return np.zeros(len(edge_tdb_s) - 1)
    cycle_s, duty_s = shield.cycle_hours * SECONDS_PER_HOUR, shield.duty_minutes * 60.0
    since = np.clip(edge_tdb_s, start_tdb_s, end_tdb_s) - start_tdb_s
    whole = np.floor(since / cycle_s + 1e-12)
    ran = whole * duty_s + np.clip(since - whole * cycle_s - (cycle_s - duty_s), 0.0, duty_s)
    return np.diff(ran) / np.diff(edge_tdb_s)
