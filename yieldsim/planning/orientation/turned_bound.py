"""An energy that no facing and no roll of two-angle optics exceeds.

All ways to stand are cut into patches: leans of a facing up to `lean` from its middle with nothing rolling, and rolls of up to
`roll` about each of those normals. Within a patch the Sun moves against the optics by no more than

    d = lean + roll sin(incidence + lean)

so a patch is bounded by reading the sky through an acceptance that at every direction is at least all of those within d
(`widened_grid`). Patches that can't beat the best are dropped, of the others the lean or the roll is cut, whichever moves the
Sun more. Where a facing is cut in four, rolls of the parts are counted from their own middles: between carrying optics from the
old middle and from the new one lies the area of a triangle on the sphere, at most lean^2 / 2, which is added to the roll.
"""

from __future__ import annotations

import math

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_interpolator import widened_grid
from yieldsim.planning.orientation.mount_frames import (
    Facings,
    axes_enu_xyz,
    carried,
    facings,
    facings_of_axes,
)
from yieldsim.planning.orientation.objectives import Prospect
from yieldsim.planning.orientation.optimise import Added

FIRST_HALF_DEG = 4.0
MOST_PATCHES = 80_000
"""About so many patches may be read, times the effort."""
SETTLED = 1e-3


def turned_bound(
    prospect: Prospect, best_kwh: float, effort: float = 1.0, added: Added | None = None
) -> float:
    """An energy, kWh a year, that no facing at any roll exceeds.

    best_kwh   of the best facing known
    effort     so many times as many patches may be looked at
    added      what facings are worth beside their energy

    The bound of the compression to cells, at the facing with the highest bound, is added to it. Where light is taken from nearly
    a whole half sky nothing less is known than that of optics that always see the Sun at their best.
    """
    sky, ready = prospect.year, prospect.year.ready
    rate_of = sky.sky.dust.rate_of_tilt
    half = math.radians(FIRST_HALF_DEG)
    middles = _middles(half)
    roll = min(half * math.sqrt(2.0) / max(math.sin(ready.reach_rad), 0.1), 0.5 * math.pi)
    # a table that is the same on both sides of both angles is the same after half a turn
    whole = math.pi if ready.fold_t and ready.fold_l else 2.0 * math.pi
    count = math.ceil(0.5 * whole / roll)
    roll = 0.5 * whole / count
    at = (np.arange(count) + 0.5) * 2.0 * roll
    axes = _rolled(np.repeat(axes_enu_xyz(middles), count, axis=0), np.tile(at, middles.count))
    all_kwh = float(sky.sky.sums[..., 3].sum(axis=1).max())
    kept = all_kwh * float(ready.grid.max()) / prospect.years
    if added is not None:
        everywhere = np.full(1, 180.0)
        kept += float(added(np.full(1, 90.0), everywhere, everywhere, everywhere)[0])
    bound, settled, spent = np.full(len(axes), kept), best_kwh * (1.0 + SETTLED), 0
    while True:
        lean = half * math.sqrt(2.0)
        wide = widened_grid(ready, lean, roll)
        if wide is not None:
            tilt = np.degrees(np.arccos(np.clip(axes[:, 2, 2], -1.0, 1.0)))
            # the cleanest rate of dust within a patch is that of one of its ends
            side = math.degrees(lean)
            rate = np.minimum(*(rate_of(np.clip(tilt + off, 0.0, 180.0)) for off in (-side, side)))
            bound = sky.with_lookup(wide).period_kwh(axes, tilt, rate).sum(axis=1) / prospect.years
            if added is not None:
                bound = bound + _added_about(added, axes, tilt, side)
            spent += len(axes)
            kept = min(kept, max(float(bound.max(initial=0.0)), settled))
            axes, bound = axes[bound > settled], bound[bound > settled]
        by_lean = lean >= roll * math.sin(min(ready.reach_rad + lean, 0.5 * math.pi))
        if len(axes) == 0 or spent + (4 if by_lean else 2) * len(axes) > MOST_PATCHES * effort:
            break
        if by_lean:
            axes = _quartered(axes, 0.5 * half)
            # quarters of a square on the sphere are no squares quite
            half *= 0.5 * (1.0 + 2.0 * half * half)
            roll += 0.5 * lean * lean
        else:
            roll /= 2.0
            axes = _rolled(np.repeat(axes, 2, axis=0), np.tile([-roll, roll], len(axes)))
    highest = facings_of_axes(axes[[int(bound.argmax())]]) if len(axes) else middles.take([0])
    error = float(sky.cell_error_kwh(axes_enu_xyz(highest), highest.tilt_deg)[0]) / prospect.years
    return kept + error


def _added_about(added: Added, axes: FloatArray, tilt_deg: FloatArray, lean_deg: float) -> FloatArray:
    """The most added within so many degrees of normals, (n,)."""
    azimuth = np.degrees(np.arctan2(axes[:, 2, 0], axes[:, 2, 1])) % 360.0
    off_pole = np.minimum(tilt_deg, 180.0 - tilt_deg)
    with np.errstate(divide="ignore"):
        sine = math.sin(math.radians(lean_deg)) / np.sin(np.radians(tilt_deg))
    aside = np.where(off_pole > lean_deg, np.degrees(np.arcsin(np.clip(sine, 0.0, 1.0))), 180.0)
    return added(tilt_deg, np.full(len(tilt_deg), lean_deg), azimuth, aside)


def _middles(half: float) -> Facings:
    """Facings whose squares of a half side, radians, cover the sphere."""
    rows = math.ceil(0.5 * math.pi / half)
    parts = []
    for middle in (np.arange(rows) + 0.5) * math.pi / rows:
        widest = math.sin(min(max(0.5 * math.pi, middle - half), middle + half))
        count = math.ceil(math.pi * widest / half)
        parts.append((np.full(count, middle), (np.arange(count) + 0.5) * 2.0 * math.pi / count))
    tilt, azimuth = (np.degrees(np.concatenate(column)) for column in zip(*parts, strict=True))
    return facings(tilt, azimuth)


def _rolled(axes: FloatArray, by_rad: FloatArray) -> FloatArray:
    """Mount axes (n, 3, 3), each turned about its normal by (n,)."""
    cos, sin = np.cos(by_rad)[:, None], np.sin(by_rad)[:, None]
    return np.stack(
        [cos * axes[:, 0] + sin * axes[:, 1], cos * axes[:, 1] - sin * axes[:, 0], axes[:, 2]], axis=1
    )


def _quartered(axes: FloatArray, half: float) -> FloatArray:
    """Four facings of each, this far aside and up, radians; nothing rolls on the way."""
    off = math.atan(half * math.sqrt(2.0))
    found = []
    for across, up in ((-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0)):
        way = (across * axes[:, 0] + up * axes[:, 1]) / math.sqrt(2.0)
        found.append(carried(axes, math.cos(off) * axes[:, 2] + math.sin(off) * way))
    return np.concatenate(found)
