"""How often one unit can fill a store: a limit that only whole units have.

In a row in which one unit alone serves all loads nothing leaves the store. In a spell without such rows it hands out what all loads
ask at most, and no more than what it held when the spell began, its usable capacity at most, and what light too weak to serve alone
stored meanwhile. A spell of all units begins with one of the unit whose light ended last, and is no longer. So for any k

    what leaves the store  <=  units k usable capacity + sum over units of beyond[k]

with beyond[k] what a unit's weak light stores in k of its spells, those that makes the least of, and all that is asked in the others.
Split units have no such limit: of a tenth of a unit at each of ten facings there is always one in the light.

In a patch of facings beyond[k] is at most what the least and the most light of any of them say: rows in which each serves alone end
spells, and in rows in which some may, all that is asked is drawn, or stored.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.sunlit import LitSteps, Rows
from yieldsim.optics.acceptance_envelopes import narrowed, widened
from yieldsim.optics.acceptance_interpolator import Lookup, curve_light
from yieldsim.planning.orientation.mount_frames import Facings, facings

MOST_LINES, AT_ONCE = 40, 32
"""So many numbers k are told, and so many patches are looked at by a thread before it takes more."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Spells:
    """What loads ask in each row of a run that repeats, and the numbers k.

    needed_kwh   (rows,)  light that serves all of them directly
    drawn_kwh    (rows,)  taken off the store's state where it serves all of them
    take_in      stored for each kWh of light
    fillings     (lines,)
    """

    needed_kwh: FloatArray
    drawn_kwh: FloatArray
    take_in: float
    fillings: NDArray[np.int64]

    def numbers(self, light_kwh: FloatArray) -> NDArray[np.int64]:
        """Numbers k worth a limit, up to the most spells of any facing; light_kwh (rows, facings) of one unit of each."""
        alone = (light_kwh >= self.needed_kwh[:, None]) & (light_kwh > 0.0)
        most = int((alone & ~np.roll(alone, -1, axis=0)).sum(axis=0).max(initial=0))
        return np.unique(np.rint(np.geomspace(1.0, max(most, 1), MOST_LINES)).astype(np.int64))[:most]

    def beyond_kwh(self, light_kwh: FloatArray) -> FloatArray:
        """beyond[k] of a unit of each facing, (lines, facings); light_kwh (rows, facings)."""
        found = np.zeros((len(self.fillings), light_kwh.shape[1]))
        for place, own in enumerate(np.ascontiguousarray(light_kwh.T) if len(found) else ()):
            found[:, place] = _beyond(own, own, self.needed_kwh, self.drawn_kwh, self.take_in, self.fillings)
        return found

    def most_beyond(
        self, track: LitSteps, ready: Lookup, tilt_deg: FloatArray, azimuth_deg: FloatArray, half_deg: float
    ) -> FloatArray:
        """What beyond[k] of round optics is at most in patches, (patches, lines).

        tilt_deg, azimuth_deg   (patches,)  of their middles
        half_deg    half their height, and no less than half their width
        """
        by_rad = math.radians(half_deg * math.sqrt(2.0))
        least, most = (narrowed(ready, by_rad), widened(ready, by_rad)) if half_deg > 0.0 else (ready, ready)
        normals = np.ascontiguousarray(facings(tilt_deg, azimuth_deg, 0.0).axes_enu_xyz[:, 2])
        found = np.zeros((len(tilt_deg), len(self.fillings)))

        def put(some: NDArray[np.int64], low_w: FloatArray, high_w: FloatArray) -> None:
            found[some] = _of_patches(
                track.rows, low_w, high_w, least.curve, most.curve, most.chord_step, most.reach_rad, track.fastest_rad,
                track.steps_per_interval, track.step_hours / 1000.0, normals[some],
                self.needed_kwh, self.drawn_kwh, self.take_in, self.fillings,
            )  # fmt: skip

        # the compiled loop lets go of the interpreter
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            for one in [pool.submit(put, *part) for part in _alike(track, tilt_deg, half_deg)]:
                one.result()
        return found


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PricedSpells:
    """What units of round optics are worth by how they fill the store; price (lines,) of a kWh more of each beyond[k]."""

    spells: Spells
    price: FloatArray
    track: LitSteps
    ready: Lookup

    def worth(self, some: Facings) -> FloatArray:
        """Of each facing, (facings,)."""
        return self._most(np.asarray(some.tilt_deg), np.asarray(some.azimuth_deg), 0.0)

    def most_within(
        self, tilt_deg: FloatArray, half_tilt: FloatArray, azimuth_deg: FloatArray, _: FloatArray
    ) -> FloatArray:  # fmt: skip
        """The most within half tilts, and as far in azimuth, of some facings, (n,)."""
        return self._most(tilt_deg, azimuth_deg, float(half_tilt.max(initial=0.0)))

    def _most(self, tilt_deg: FloatArray, azimuth_deg: FloatArray, half_deg: float) -> FloatArray:
        most = self.spells.most_beyond(self.track, self.ready, tilt_deg, azimuth_deg, half_deg)
        return np.asarray(most @ self.price)


def _alike(
    track: LitSteps, tilt_deg: FloatArray, half_deg: float
) -> Iterator[tuple[NDArray[np.int64], FloatArray, FloatArray]]:
    """Some patches at a time, with the least and the most light of each step on an aperture square to the Sun, (n,) W, in them."""
    by_tilt = track.load_days.size > 0
    for tilt in np.unique(tilt_deg).tolist() if by_tilt else [None]:
        # dust settles most, and least, at one of the ends
        ends = [
            track.cleaned_power_w(0.0 if tilt is None else min(max(tilt + side, 0.0), 180.0))
            for side in (-half_deg, half_deg)
        ]
        low_w, high_w = np.minimum(*ends), np.maximum(*ends)
        own = np.flatnonzero(tilt_deg == tilt) if by_tilt else np.arange(len(tilt_deg))
        for first in range(0, len(own), AT_ONCE):
            yield own[first : first + AT_ONCE], low_w, high_w


@njit(cache=True)
def _of_patches(
    rows: Rows, low_w: FloatArray, high_w: FloatArray, least: FloatArray, most: FloatArray, chord_step: float, reach_rad: float,
    fastest: float, per_row: int, step_kh: float, normals: FloatArray,
    needed_kwh: FloatArray, drawn_kwh: FloatArray, take_in: float, fillings: NDArray[np.int64],
) -> FloatArray:  # fmt: skip
    """beyond[k] in patches about facings (patches, 3), (patches, lines), from the least and the most light in them: `_alike`, and
    curves (classes, nodes)."""
    sun, radius_class, step, run_last = rows.sun, rows.radius_class, rows.step, rows.run_last
    count, lit, closest = needed_kwh.shape[0], step.shape[0], math.cos(min(reach_rad, math.pi))
    intervals = max(count, step[-1] // per_row + 1 if lit else 0)
    low, high = np.zeros(intervals), np.zeros(intervals)
    found = np.zeros((normals.shape[0], fillings.shape[0]))
    for patch in range(normals.shape[0]):
        low[:], high[:] = 0.0, 0.0
        nx, ny, nz = normals[patch, 0], normals[patch, 1], normals[patch, 2]
        i = 0
        while i < lit:
            cosine = nx * sun[i, 0] + ny * sun[i, 1] + nz * sun[i, 2]
            away = closest - cosine
            if away < 0.0:
                own, row = radius_class[i], step[i] // per_row
                high[row] += high_w[i] * curve_light(most[own], chord_step, cosine)
                low[row] += low_w[i] * curve_light(least[own], chord_step, cosine)
            # dark for as long as the Sun needs to come near, if it stays up
            i = min(i + int(max(away, 0.0) / fastest), run_last[i]) + 1
        found[patch] = _beyond(
            low[:count] * step_kh, high[:count] * step_kh, needed_kwh, drawn_kwh, take_in, fillings
        )
    return found


@njit(cache=True)
def _beyond(
    low_kwh: FloatArray, high_kwh: FloatArray, needed_kwh: FloatArray, drawn_kwh: FloatArray, take_in: float,
    fillings: NDArray[np.int64],
) -> FloatArray:  # fmt: skip
    """beyond[k] for each k, of a unit whose light in each row is between two."""
    rows = needed_kwh.shape[0]
    start, beyond = -1, 0.0
    for t in range(rows):
        if high_kwh[t] < needed_kwh[t] or high_kwh[t] <= 0.0:
            continue
        start = t
        if low_kwh[t] < needed_kwh[t] or low_kwh[t] <= 0.0:
            beyond += max(drawn_kwh[t], take_in * needed_kwh[t])
    if start < 0:
        # never alone in the light, it begins no spell
        return np.full(fillings.shape[0], take_in * high_kwh.sum())
    # spells between rows in which it serves alone, or may: by how much less they are with a filling each
    less, count, drawn, stored = np.zeros(rows), 0, 0.0, 0.0
    for t in range(start + 1, start + 1 + rows):
        place = t % rows
        if high_kwh[place] < needed_kwh[place] or high_kwh[place] <= 0.0:
            drawn, stored = drawn + drawn_kwh[place], stored + take_in * high_kwh[place]
        elif drawn > 0.0 or stored > 0.0:
            less[count] = max(drawn - stored, 0.0)
            beyond, count, drawn, stored = beyond + max(drawn, stored), count + 1, 0.0, 0.0
    ordered = np.sort(less[:count])
    found = np.full(fillings.shape[0], beyond)
    for line in range(fillings.shape[0]):
        found[line] -= ordered[max(count - fillings[line], 0) :].sum()
    return found
