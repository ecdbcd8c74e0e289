"""An energy that no facing and no roll of two-angle optics exceeds.

All ways to stand are cut into patches: leans of a facing up to `lean` from its middle with nothing rolling, and rolls of up to
`roll` about each of those normals. Within a patch the Sun moves against the optics by no more than

    d = lean + roll sin(incidence + lean)

so a patch is bounded by reading the sky through planes above the acceptance within d (`optics.acceptance_planes`), or, while d is
large, through an acceptance that at every direction is at least all of those within d (`widened_grid`). Patches that can't beat the
best are dropped, of the others the lean or the roll is cut, whichever moves the Sun more. Where a facing is cut in four, rolls of the
parts are counted from their own middles: between carrying optics from the old middle and from the new one lies the area of a triangle
on the sphere, at most lean^2 / 2, which is added to the roll.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_envelopes import widened_grid
from yieldsim.optics.acceptance_interpolator import Lookup
from yieldsim.optics.acceptance_planes import Planes, highest, planes_above
from yieldsim.planning.orientation.best_facing import Added
from yieldsim.planning.orientation.mount_frames import Facings, carried, facings, facings_of_axes
from yieldsim.planning.orientation.objectives import Prospect
from yieldsim.planning.orientation.smeared_levels import whole_turn_deg
from yieldsim.planning.sunlight.facing_energy_kernels import kept_rates, light_of

FIRST_HALF_DEG = 4.0
MOST_PATCHES = 40_000
"""About so many patches may be read, times the root of the effort: the bound closes with the square of their width."""
SETTLED = 1e-3
MET = 256
"""So many of the most promising patches are read at their middles, too."""
PLANES_FROM_DEG = 3.0
"""Where directions move by no more, planes are taken."""


class _Optics:
    """A lookup by which widened ones and planes are kept: they are the same for every sky."""

    def __init__(self, ready: Lookup) -> None:
        self.ready = ready

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Optics) and self.ready.grid is other.ready.grid

    def __hash__(self) -> int:
        return id(self.ready.grid)


@lru_cache(maxsize=64)
def _above(optics: _Optics, lean: float, roll: float) -> Planes | Lookup | None:
    """What patches are read through; None where that reaches to the plane of the aperture."""
    most = lean + roll * math.sin(min(optics.ready.reach_rad + lean, 0.5 * math.pi))
    if most > math.radians(PLANES_FROM_DEG):
        return widened_grid(optics.ready, lean, roll)
    return planes_above(optics.ready, lean, roll)


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
    whole = math.radians(whole_turn_deg(sky))
    count = math.ceil(0.5 * whole / roll)
    roll = 0.5 * whole / count
    at = (np.arange(count) + 0.5) * 2.0 * roll
    axes = _rolled(np.repeat(middles.axes_enu_xyz, count, axis=0), np.tile(at, middles.count))
    all_kwh = float(sky.sky.sums[..., 3].sum(axis=1).max())
    kept = all_kwh * float(ready.grid.max()) / prospect.years
    if added is not None:
        everywhere = np.full(1, 180.0)
        kept += float(added(np.full(1, 90.0), everywhere, everywhere, everywhere)[0])
    bound, settled, spent = np.full(len(axes), kept), best_kwh * (1.0 + SETTLED), 0
    while True:
        lean = half * math.sqrt(2.0)
        above = _above(_Optics(ready), lean, roll)
        if above is not None:
            tilt = np.degrees(np.arccos(np.clip(axes[:, 2, 2], -1.0, 1.0)))
            # the cleanest rate of dust within a patch is that of one of its ends
            side = math.degrees(lean)
            rate = np.minimum(*(rate_of(np.clip(tilt + off, 0.0, 180.0)) for off in (-side, side)))
            if isinstance(above, Lookup):
                bound = sky.with_lookup(above).period_kwh(axes, tilt, rate).sum(axis=1)
            else:
                shares = np.ascontiguousarray(sky.sky.dust.shares(rate))
                bands = sky.bands
                of = np.repeat(bands.radius_class, bands.first[:, -1] - bands.first[:, 0])
                bound = _most_kwh(
                    np.ascontiguousarray(axes), shares, bands.block, bands.cell, bands.cells_of, of, bands.block_rad,
                    *above, lean, roll,
                )  # fmt: skip
            bound = bound / prospect.years
            if added is not None:
                bound = bound + _added_about(added, axes, tilt, side)
            spent += len(axes)
            # a better facing met on the way leaves fewer to look at
            first = axes[np.argsort(-bound, kind="stable")[:MET]]
            middle = facings_of_axes(first)
            met = prospect.annual_kwh(middle)
            if added is not None:
                still = np.zeros(middle.count)
                met = met + added(middle.tilt_deg, still, middle.azimuth_deg, still)
            settled = max(settled, float(met.max()) * (1.0 + SETTLED))
            kept = min(kept, max(float(bound.max(initial=0.0)), settled))
            axes, bound = axes[bound > settled], bound[bound > settled]
        by_lean = lean >= roll * math.sin(min(ready.reach_rad + lean, 0.5 * math.pi))
        if len(axes) == 0 or spent + (4 if by_lean else 2) * len(axes) > MOST_PATCHES * math.sqrt(effort):
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
    error = float(sky.cell_error_kwh(highest.axes_enu_xyz, highest.tilt_deg)[0]) / prospect.years
    return kept + error


def _added_about(added: Added, axes: FloatArray, tilt_deg: FloatArray, lean_deg: float) -> FloatArray:
    """The most added within so many degrees of normals, (n,)."""
    azimuth = np.degrees(np.arctan2(axes[:, 2, 0], axes[:, 2, 1])) % 360.0
    off_pole = np.minimum(tilt_deg, 180.0 - tilt_deg)
    with np.errstate(divide="ignore"):
        sine = math.sin(math.radians(lean_deg)) / np.sin(np.radians(tilt_deg))
    aside = np.where(off_pole > lean_deg, np.degrees(np.arcsin(np.clip(sine, 0.0, 1.0))), 180.0)
    return added(tilt_deg, np.full(len(tilt_deg), lean_deg), azimuth, aside)


@njit(cache=True, parallel=True)
def _most_kwh(
    axes: FloatArray, shares: FloatArray, block: FloatArray, cell: FloatArray, cells_of: NDArray[np.int64],
    class_of: NDArray[np.int64], margin: float, values: FloatArray, first_t: float, step_t: float, fold_t: bool,
    first_l: float, step_l: float, fold_l: bool, sides: FloatArray, reach: float, lean: float, roll: float,
) -> FloatArray:  # fmt: skip
    """The most light within a lean and a roll of axes (n, 3, 3), (n,), through planes.

    shares     (n, rates)  of the dust rates
    class_of   (blocks,)  of the disc's radius; blocks reach `margin` beyond their directions
    """
    found = np.zeros(axes.shape[0])
    cos_reach, aside = math.cos(min(reach + margin, 0.5 * math.pi)), math.sin(margin)
    sines, cosines = np.sin(sides), np.cos(sides)
    for i in prange(axes.shape[0]):
        ax, ay, az = axes[i, 0, 0], axes[i, 0, 1], axes[i, 0, 2]
        bx, by, bz = axes[i, 1, 0], axes[i, 1, 1], axes[i, 1, 2]
        nx, ny, nz = axes[i, 2, 0], axes[i, 2, 1], axes[i, 2, 2]
        own, total, about_x, about_y, about_z = shares[i], 0.0, 0.0, 0.0, 0.0
        begin, until = kept_rates(own)
        for k in range(block.shape[0]):
            east, north, up, kwh = light_of(block, k, own, begin, until)
            z = nx * east + ny * north + nz * up
            if z < cos_reach:
                continue
            x, y = ax * east + ay * north + az * up, bx * east + by * north + bz * up
            if (
                x * cosines[0] - z * sines[0] < -aside
                or x * cosines[1] - z * sines[1] > aside
                or y * cosines[2] - z * sines[2] < -aside
                or y * cosines[3] - z * sines[3] > aside
            ):
                continue
            table = values[class_of[k]]
            for c in range(cells_of[k], cells_of[k + 1]):
                east, north, up, kwh = light_of(cell, c, own, begin, until)
                z = nx * east + ny * north + nz * up
                if z <= 0.0:
                    continue
                x, y = ax * east + ay * north + az * up, bx * east + by * north + bz * up
                height, by_x, by_y, by_z = highest(
                    table, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z
                )
                total += kwh * height
                about_x += kwh * by_x
                about_y += kwh * by_y
                about_z += kwh * by_z
        found[i] = total + lean * math.hypot(about_x, about_y) + roll * abs(about_z)
    return found


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
