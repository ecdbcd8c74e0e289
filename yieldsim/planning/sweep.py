"""Energy of many facings from one weighted sky, at a cost that follows the light accepted.

Cells are grouped into blocks, blocks kept in bands of elevation, each sorted by azimuth. A facing asks only
the bands that its cone of acceptance reaches, and in each only the stretch of azimuth inside the cone,

    cos(half stretch) = (cos reach - sin n sin e) / (cos n cos e)

with n the elevation of the normal and e that elevation of the band where the stretch is widest. Where the
acceptance is smooth across a block, the block is read once, at the mean direction of its light; near an edge
or a kink each of its cells is read. A reading costs one scalar product and one interpolation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from yieldsim.base.nouns import Acceptance
from yieldsim.base.vectors import FloatArray
from yieldsim.planning.acceptance_lookup import Lookup, grid_light
from yieldsim.planning.lit_steps import interleaved
from yieldsim.planning.lookup_making import lookup
from yieldsim.planning.roughness import Roughness, grid_flag, ring_remainder, roughness
from yieldsim.planning.sky_bands import AZIMUTH_BINS, CELLS_ACROSS_BLOCK, Bands, banded
from yieldsim.planning.weighted_sky import WeightedSky


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sweep:
    """A weighted sky and an acceptance, ready to be asked for the energy of any facing."""

    sky: WeightedSky
    ready: Lookup
    rough: Roughness
    bands: Bands

    @classmethod
    def of(cls, sky: WeightedSky, acceptance: Acceptance) -> Sweep:
        """Make ready: a sort of the cells and, for two angles, an average of the table over the disc."""
        ready = lookup(acceptance, sky.class_radius_deg)
        bands = banded(sky, math.degrees(ready.reach_rad))
        return cls(sky=sky, ready=ready, rough=roughness(ready, bands.block_rad), bands=bands)

    def with_lookup(self, ready: Lookup) -> Sweep:
        """The same sky read through another lookup for the same classes of radius."""
        return Sweep(
            sky=self.sky, ready=ready, rough=roughness(ready, self.bands.block_rad), bands=self.bands
        )

    def with_sky(self, sky: WeightedSky) -> Sweep:
        """Another sky of the same classes of radius, read through the same lookup."""
        bands = banded(sky, math.degrees(self.ready.reach_rad))
        return Sweep(sky=sky, ready=self.ready, rough=roughness(self.ready, bands.block_rad), bands=bands)

    def period_kwh(
        self, axes_enu_xyz: FloatArray, tilt_deg: FloatArray, dust_rate: FloatArray | None = None
    ) -> FloatArray:
        """Delivered energy of one unit by facing and period, (n, periods), kWh.

        axes_enu_xyz   (n, 3, 3)  mount axes as `base.vectors.mount_axes_enu_xyz` gives them
        tilt_deg       (n,)  decides the dust, unless dust_rate (n,) does
        """
        axes = np.ascontiguousarray(axes_enu_xyz)
        rate = self.sky.dust.rate_of_tilt(tilt_deg) if dust_rate is None else dust_rate
        found = facing_kwh(
            axes,
            np.ascontiguousarray(self.sky.dust.shares(rate)),
            interleaved(len(axes)),
            self.bands,
            self.ready,
            self.rough,
            len(self.sky.period_utc),
        )
        return np.asarray(found)

    def kwh(self, axes_enu_xyz: FloatArray, tilt_deg: FloatArray) -> FloatArray:
        """Delivered energy of one unit by facing over the run, (n,)."""
        return np.asarray(self.period_kwh(axes_enu_xyz, tilt_deg).sum(axis=1))

    def cell_error_kwh(self, axes_enu_xyz: FloatArray, tilt_deg: FloatArray) -> FloatArray:
        """Bound on what the compression to cells can have changed in `kwh`, (n,): remainders of all cells, as
        if none cancelled.

        Dear (some 20 readings a cell): for the facings that matter, not for a grid.
        """
        axes = np.ascontiguousarray(axes_enu_xyz)
        shares = np.abs(self.sky.dust.shares(self.sky.dust.rate_of_tilt(tilt_deg)))
        found = remainder_kwh(axes, np.ascontiguousarray(shares), self.bands, self.ready, self.rough)
        return np.asarray(found + self.sky.dust.error * self.kwh(axes, tilt_deg))


# ---------------------------------------------------------------- kernels


@njit(cache=True)
def half_stretch(cos_reach: float, normal_elevation: float, low: float, high: float) -> float:
    """Widest half stretch of azimuth, radians, that a cone about a normal covers between two elevations;
    below 0: none."""
    sin_n, cos_n = math.sin(normal_elevation), math.cos(normal_elevation)
    smallest = 2.0
    for e in (low, high):
        # at a pole every azimuth or none is inside; the smallest float keeps the division finite
        rest = cos_reach - sin_n * math.sin(e) - 1e-12
        smallest = min(smallest, rest / max(cos_n * math.cos(e), 1e-300))
    # between them the stretch is widest where the cone's rim runs along a meridian
    if cos_reach > abs(sin_n):
        widest = math.asin(sin_n / cos_reach)
        if low < widest < high:
            smallest = min(smallest, (cos_reach - sin_n * math.sin(widest)) / (cos_n * math.cos(widest)))
    if low <= normal_elevation <= high:
        smallest = min(smallest, (cos_reach - sin_n * sin_n) / max(cos_n * cos_n, 1e-18))
    if smallest >= 1.0:
        return -1.0
    return math.acos(max(smallest, -1.0))


@njit(cache=True, fastmath=True)
def _round_part(
    first: int,
    last: int,
    nx: float,
    ny: float,
    nz: float,
    bands: Bands,
    curve: FloatArray,
    flags: NDArray[np.uint8],
    chord_step: float,
) -> float:
    """Light of the blocks first..last-1 through a round curve."""
    total, end = 0.0, curve.shape[0] - 1
    block, cell = bands.block, bands.cell
    for b in range(first, last):
        at = (
            math.sqrt(max(2.0 - 2.0 * (nx * block[b, 0] + ny * block[b, 1] + nz * block[b, 2]), 0.0))
            / chord_step
        )
        i = int(at)
        flag = flags[min(i, flags.shape[0] - 1)]
        if flag == 0:
            continue
        begin, until = bands.cells_of[b], bands.cells_of[b + 1]
        if flag == 1 or until - begin == 1:
            if i < end:
                total += block[b, 3] * (curve[i] + (at - i) * (curve[i + 1] - curve[i]))
            continue
        for c in range(begin, until):
            at = (
                math.sqrt(max(2.0 - 2.0 * (nx * cell[c, 0] + ny * cell[c, 1] + nz * cell[c, 2]), 0.0))
                / chord_step
            )
            i = int(at)
            if i < end:
                total += cell[c, 3] * (curve[i] + (at - i) * (curve[i + 1] - curve[i]))
    return total


@njit(cache=True, fastmath=True)
def _grid_reading(row: FloatArray, axes: FloatArray, ready: Lookup, radius_class: int) -> float:
    x = axes[0, 0] * row[0] + axes[0, 1] * row[1] + axes[0, 2] * row[2]
    y = axes[1, 0] * row[0] + axes[1, 1] * row[1] + axes[1, 2] * row[2]
    z = axes[2, 0] * row[0] + axes[2, 1] * row[1] + axes[2, 2] * row[2]
    cosine = z + ready.cosine_pad
    if cosine <= 0.0:
        return 0.0
    value = grid_light(
        ready.grid[radius_class],
        ready.first_t,
        ready.step_t,
        ready.fold_t,
        ready.first_l,
        ready.step_l,
        ready.fold_l,
        x,
        y,
        max(z, 1e-9),
    )
    return float(cosine * value)


@njit(cache=True, fastmath=True)
def _grid_part(
    first: int,
    last: int,
    axes: FloatArray,
    bands: Bands,
    ready: Lookup,
    rough: Roughness,
    radius_class: int,
    cos_reach: float,
) -> float:
    """Light of the blocks first..last-1 through a grid of two angles."""
    total = 0.0
    block, cell = bands.block, bands.cell
    for b in range(first, last):
        z = axes[2, 0] * block[b, 0] + axes[2, 1] * block[b, 1] + axes[2, 2] * block[b, 2]
        if z < cos_reach:
            continue
        x = axes[0, 0] * block[b, 0] + axes[0, 1] * block[b, 1] + axes[0, 2] * block[b, 2]
        y = axes[1, 0] * block[b, 0] + axes[1, 1] * block[b, 1] + axes[1, 2] * block[b, 2]
        flag = grid_flag(rough, radius_class, x, y, z)
        if flag == 0:
            continue
        begin, until = bands.cells_of[b], bands.cells_of[b + 1]
        if flag == 1 or until - begin == 1:
            total += block[b, 3] * _grid_reading(block[b], axes, ready, radius_class)
            continue
        for c in range(begin, until):
            total += cell[c, 3] * _grid_reading(cell[c], axes, ready, radius_class)
    return total


@njit(cache=True, parallel=True)
def facing_kwh(
    axes: FloatArray,
    shares: FloatArray,
    order: NDArray[np.int64],
    bands: Bands,
    ready: Lookup,
    rough: Roughness,
    periods: int,
) -> FloatArray:
    """Energy of each facing in each period, (n, periods); shares (n, rates) of the dust rates in each
    facing's."""
    found = np.zeros((axes.shape[0], periods))
    reach = min(ready.reach_rad + bands.block_rad, math.pi)
    cos_reach = math.cos(reach)
    per_rad = AZIMUTH_BINS / (2.0 * math.pi)
    for k in prange(axes.shape[0]):
        i = order[k]
        nx, ny, nz = axes[i, 2, 0], axes[i, 2, 1], axes[i, 2, 2]
        elevation = math.atan2(nz, math.hypot(nx, ny))
        azimuth = math.atan2(nx, ny)
        for b in range(bands.low.shape[0]):
            share = shares[i, bands.rate[b]]
            if share == 0.0 or bands.low[b] - elevation > reach or elevation - bands.high[b] > reach:
                continue
            half = half_stretch(cos_reach, elevation, bands.low[b], bands.high[b])
            if half < 0.0:
                continue
            low = math.floor((azimuth - half) * per_rad - 1e-6)
            high = math.floor((azimuth + half) * per_rad + 1e-6) + 1
            if high - low >= AZIMUTH_BINS:
                low, high = 0, AZIMUTH_BINS
            turns = math.floor(low / AZIMUTH_BINS) * AZIMUTH_BINS
            low, high = low - turns, high - turns
            radius_class, part_kwh = bands.radius_class[b], 0.0
            # a stretch across north is two
            for part in range(2):
                if part == 0:
                    begin, until = bands.first[b, low], bands.first[b, min(high, AZIMUTH_BINS)]
                elif high > AZIMUTH_BINS:
                    begin, until = bands.first[b, 0], bands.first[b, high - AZIMUTH_BINS]
                else:
                    break
                if ready.is_round:
                    curve, flags = ready.curve[radius_class], rough.curve[radius_class]
                    part_kwh += _round_part(begin, until, nx, ny, nz, bands, curve, flags, ready.chord_step)
                else:
                    part_kwh += _grid_part(
                        begin, until, axes[i], bands, ready, rough, radius_class, cos_reach
                    )
            found[i, bands.period[b]] += share * part_kwh
    return found


@njit(cache=True, parallel=True)
def remainder_kwh(
    axes: FloatArray, shares: FloatArray, bands: Bands, ready: Lookup, rough: Roughness
) -> FloatArray:
    """Sum of light times the largest remainder over what is read at one direction, (n,).

    The mean square distance of the light from its mean direction m is 1 - |m|^2; the remainder over the
    square of the distance is taken on two rings about m, as wide as the block or cell and half of that.
    """
    found = np.zeros(axes.shape[0])
    cell_rad = bands.block_rad / CELLS_ACROSS_BLOCK
    for i in prange(axes.shape[0]):
        total = 0.0
        for b in range(bands.low.shape[0]):
            radius_class, share = bands.radius_class[b], shares[i, bands.rate[b]]
            if share == 0.0:
                continue
            for k in range(bands.first[b, 0], bands.first[b, AZIMUTH_BINS]):
                flag = _flag(bands.block[k], axes[i], ready, rough, radius_class)
                if flag == 1:
                    total += share * _remainder(bands.block[k], axes[i], ready, radius_class, bands.block_rad)
                elif flag == 2:
                    for c in range(bands.cells_of[k], bands.cells_of[k + 1]):
                        total += share * _remainder(bands.cell[c], axes[i], ready, radius_class, cell_rad)
        found[i] = total
    return found


@njit(cache=True)
def _flag(row: FloatArray, axes: FloatArray, ready: Lookup, rough: Roughness, radius_class: int) -> int:
    x = axes[0, 0] * row[0] + axes[0, 1] * row[1] + axes[0, 2] * row[2]
    y = axes[1, 0] * row[0] + axes[1, 1] * row[1] + axes[1, 2] * row[2]
    z = axes[2, 0] * row[0] + axes[2, 1] * row[1] + axes[2, 2] * row[2]
    if not ready.is_round:
        return int(grid_flag(rough, radius_class, x, y, z))
    at = int(math.sqrt(max(2.0 - 2.0 * z, 0.0)) / ready.chord_step)
    return int(rough.curve[radius_class, min(at, rough.curve.shape[1] - 1)])


@njit(cache=True)
def _remainder(row: FloatArray, axes: FloatArray, ready: Lookup, radius_class: int, ring: float) -> float:
    spread = 1.0 - (row[0] * row[0] + row[1] * row[1] + row[2] * row[2])
    if spread <= 0.0:
        return 0.0
    x = axes[0, 0] * row[0] + axes[0, 1] * row[1] + axes[0, 2] * row[2]
    y = axes[1, 0] * row[0] + axes[1, 1] * row[1] + axes[1, 2] * row[2]
    z = axes[2, 0] * row[0] + axes[2, 1] * row[1] + axes[2, 2] * row[2]
    wide, _ = ring_remainder(ready, radius_class, x, y, z, ring, 8)
    narrow, _ = ring_remainder(ready, radius_class, x, y, z, 0.5 * ring, 8)
    return float(row[3] * spread * max(wide / (ring * ring), narrow / (0.25 * ring * ring)))
