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
from typing import Any

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
        shares = np.ascontiguousarray(self.sky.dust.shares(rate))
        bands, ready, rough = self.bands, self.ready, self.rough
        asked: tuple[Any, ...] = (
            axes,
            shares,
            interleaved(len(axes)),
            bands.block,
            bands.cell,
            bands.cells_of,
            bands.rate,
            bands.period,
            bands.radius_class,
            bands.ends,
            bands.first,
            min(ready.reach_rad + bands.block_rad, math.pi),
        )
        periods = len(self.sky.period_utc)
        if ready.is_round:
            asked += (ready.curve, rough.curve, ready.chord_step, periods)
            return np.asarray(round_kwh(*asked))
        asked += (ready.grid, ready.first_t, ready.step_t, ready.fold_t, ready.first_l, ready.step_l)
        asked += (ready.fold_l, ready.cosine_pad, rough.grid, rough.step, periods)
        return np.asarray(grid_kwh(*asked))

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


@njit(cache=True, inline="always")
def half_stretch(
    cos_reach: float,
    sin_n: float,
    cos_n: float,
    sin_low: float,
    cos_low: float,
    sin_high: float,
    cos_high: float,
) -> float:
    """Widest half stretch of azimuth, radians, that a cone about a normal covers between two elevations; below 0:
    none. All by sines and cosines: of the normal's elevation, of the band's ends.
    """
    # at a pole every azimuth or none is inside; the smallest float keeps the division finite
    smallest = min(
        (cos_reach - sin_n * sin_low - 1e-12) / max(cos_n * cos_low, 1e-300),
        (cos_reach - sin_n * sin_high - 1e-12) / max(cos_n * cos_high, 1e-300),
    )
    # between them the stretch is widest where the cone's rim runs along a meridian: sin e = sin n / cos reach,
    # and there cos(half stretch) = sqrt(cos^2 reach - sin^2 n) / cos n
    if cos_reach > abs(sin_n) and sin_low * cos_reach < sin_n < sin_high * cos_reach:
        smallest = min(smallest, math.sqrt(cos_reach * cos_reach - sin_n * sin_n) / max(cos_n, 1e-300))
    if sin_low <= sin_n <= sin_high:
        smallest = min(smallest, (cos_reach - sin_n * sin_n) / max(cos_n * cos_n, 1e-300))
    if smallest >= 1.0:
        return -1.0
    return math.acos(max(smallest, -1.0))


@njit(cache=True, inline="always")
def bins_of(half: float, azimuth: float) -> tuple[int, int]:
    """Bins of azimuth within a half stretch of an azimuth: from and until, from in [0, AZIMUTH_BINS)."""
    per_rad = AZIMUTH_BINS / (2.0 * math.pi)
    begin = math.floor((azimuth - half) * per_rad - 1e-6)
    until = math.floor((azimuth + half) * per_rad + 1e-6) + 1
    if until - begin >= AZIMUTH_BINS:
        return 0, AZIMUTH_BINS
    turns = math.floor(begin / AZIMUTH_BINS) * AZIMUTH_BINS
    return begin - turns, until - turns


# The two kernels below take arrays one by one: handing on a tuple of arrays costs more than a whole band.


@njit(cache=True, parallel=True, fastmath=True)
def round_kwh(
    axes: FloatArray,
    shares: FloatArray,
    order: NDArray[np.int64],
    block: FloatArray,
    cell: FloatArray,
    cells_of: NDArray[np.int64],
    rate: NDArray[np.int64],
    period: NDArray[np.int64],
    classes: NDArray[np.int64],
    ends: FloatArray,
    first: NDArray[np.int64],
    reach: float,
    curve: FloatArray,
    flags: NDArray[np.uint8],
    chord_step: float,
    periods: int,
) -> FloatArray:
    """Energy of each facing in each period, (n, periods), through round curves; shares (n, rates) of the dust rates."""
    found = np.zeros((axes.shape[0], periods))
    cos_reach, per_chord = math.cos(reach), 1.0 / chord_step
    end, end_flag = curve.shape[1] - 1, flags.shape[1] - 1
    for k in prange(axes.shape[0]):
        i = order[k]
        nx, ny, nz = axes[i, 2, 0], axes[i, 2, 1], axes[i, 2, 2]
        level = math.hypot(nx, ny)
        elevation, azimuth = math.atan2(nz, level), math.atan2(nx, ny)
        for b in range(ends.shape[0]):
            share = shares[i, rate[b]]
            if share == 0.0 or ends[b, 0] - elevation > reach or elevation - ends[b, 1] > reach:
                continue
            half = half_stretch(cos_reach, nz, level, ends[b, 2], ends[b, 3], ends[b, 4], ends[b, 5])
            if half < 0.0:
                continue
            begin, until = bins_of(half, azimuth)
            number, light = classes[b], 0.0
            # a stretch across north is two
            for part in range(2):
                from_bin = begin if part == 0 else 0
                to_bin = min(until, AZIMUTH_BINS) if part == 0 else until - AZIMUTH_BINS
                if to_bin <= from_bin:
                    continue
                for j in range(first[b, from_bin], first[b, to_bin]):
                    cosine = nx * block[j, 0] + ny * block[j, 1] + nz * block[j, 2]
                    at = math.sqrt(max(2.0 - 2.0 * cosine, 0.0)) * per_chord
                    m = int(at)
                    flag = flags[number, min(m, end_flag)]
                    if flag == 0:
                        continue
                    if flag == 1:
                        if m < end:
                            value = curve[number, m]
                            light += block[j, 3] * (value + (at - m) * (curve[number, m + 1] - value))
                        continue
                    for c in range(cells_of[j], cells_of[j + 1]):
                        cosine = nx * cell[c, 0] + ny * cell[c, 1] + nz * cell[c, 2]
                        at = math.sqrt(max(2.0 - 2.0 * cosine, 0.0)) * per_chord
                        m = int(at)
                        if m < end:
                            value = curve[number, m]
                            light += cell[c, 3] * (value + (at - m) * (curve[number, m + 1] - value))
            found[i, period[b]] += share * light
    return found


@njit(cache=True, parallel=True, fastmath=True)
def grid_kwh(
    axes: FloatArray,
    shares: FloatArray,
    order: NDArray[np.int64],
    block: FloatArray,
    cell: FloatArray,
    cells_of: NDArray[np.int64],
    rate: NDArray[np.int64],
    period: NDArray[np.int64],
    classes: NDArray[np.int64],
    ends: FloatArray,
    first: NDArray[np.int64],
    reach: float,
    grid: FloatArray,
    first_t: float,
    step_t: float,
    fold_t: bool,
    first_l: float,
    step_l: float,
    fold_l: bool,
    cosine_pad: float,
    flags: NDArray[np.uint8],
    flag_step: float,
    periods: int,
) -> FloatArray:
    """The same through grids of two angles."""
    found = np.zeros((axes.shape[0], periods))
    cos_reach = math.cos(reach)
    for k in prange(axes.shape[0]):
        i = order[k]
        ax, ay, az = axes[i, 0, 0], axes[i, 0, 1], axes[i, 0, 2]
        bx, by, bz = axes[i, 1, 0], axes[i, 1, 1], axes[i, 1, 2]
        nx, ny, nz = axes[i, 2, 0], axes[i, 2, 1], axes[i, 2, 2]
        level = math.hypot(nx, ny)
        elevation, azimuth = math.atan2(nz, level), math.atan2(nx, ny)
        for b in range(ends.shape[0]):
            share = shares[i, rate[b]]
            if share == 0.0 or ends[b, 0] - elevation > reach or elevation - ends[b, 1] > reach:
                continue
            half = half_stretch(cos_reach, nz, level, ends[b, 2], ends[b, 3], ends[b, 4], ends[b, 5])
            if half < 0.0:
                continue
            begin, until = bins_of(half, azimuth)
            own, own_flags, light = grid[classes[b]], flags[classes[b]], 0.0
            for part in range(2):
                from_bin = begin if part == 0 else 0
                to_bin = min(until, AZIMUTH_BINS) if part == 0 else until - AZIMUTH_BINS
                if to_bin <= from_bin:
                    continue
                for j in range(first[b, from_bin], first[b, to_bin]):
                    z = nx * block[j, 0] + ny * block[j, 1] + nz * block[j, 2]
                    if z < cos_reach:
                        continue
                    x = ax * block[j, 0] + ay * block[j, 1] + az * block[j, 2]
                    y = bx * block[j, 0] + by * block[j, 1] + bz * block[j, 2]
                    flag = grid_flag(own_flags, flag_step, x, y, z)
                    if flag == 0:
                        continue
                    # read once: the block itself; each: its cells
                    low, high = (j, j + 1) if flag == 1 else (cells_of[j], cells_of[j + 1])
                    rows = block if flag == 1 else cell
                    for c in range(low, high):
                        z = nx * rows[c, 0] + ny * rows[c, 1] + nz * rows[c, 2]
                        cosine = z + cosine_pad
                        if cosine <= 0.0:
                            continue
                        x = ax * rows[c, 0] + ay * rows[c, 1] + az * rows[c, 2]
                        y = bx * rows[c, 0] + by * rows[c, 1] + bz * rows[c, 2]
                        value = grid_light(
                            own, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, max(z, 1e-9)
                        )
                        light += rows[c, 3] * cosine * value
            found[i, period[b]] += share * light
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
        for b in range(bands.ends.shape[0]):
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
        return int(grid_flag(rough.grid[radius_class], rough.step, x, y, z))
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
