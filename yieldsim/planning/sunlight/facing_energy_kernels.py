"""The compiled loops of `facing_energy`: cells that an acceptance reaches, read for each facing."""

from __future__ import annotations

import math

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_interpolator import grid_light
from yieldsim.planning.sunlight.refinement_flags import grid_flag
from yieldsim.planning.sunlight.spatial_index import AZIMUTH_BINS


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


@njit(cache=True, inline="always")
def kept_rates(shares: FloatArray) -> tuple[int, int]:
    """From and until which of the kept rates the shares (rates,) of an asked one are not 0."""
    begin, until = 0, shares.shape[0]
    while begin < until - 1 and shares[begin] == 0.0:
        begin += 1
    while until > begin + 1 and shares[until - 1] == 0.0:
        until -= 1
    return begin, until


@njit(cache=True, inline="always")
def light_of(
    rows: FloatArray, at: int, shares: FloatArray, begin: int, until: int
) -> tuple[float, float, float, float]:
    """Mean direction (east, north, up) and light of row `at` at an asked rate; light 0 or less: none."""
    if rows.shape[1] == 1:
        return rows[at, 0, 0], rows[at, 0, 1], rows[at, 0, 2], rows[at, 0, 3]
    east, north, up, kwh = 0.0, 0.0, 0.0, 0.0
    for r in range(begin, until):
        share = shares[r]
        east += share * rows[at, r, 0]
        north += share * rows[at, r, 1]
        up += share * rows[at, r, 2]
        kwh += share * rows[at, r, 3]
    per = 1.0 / max(kwh, 1e-300)
    return east * per, north * per, up * per, kwh


# The two kernels below take arrays one by one: handing on a tuple of arrays costs more than a whole band.


@njit(cache=True, parallel=True, error_model="numpy")
def round_kwh(
    axes: FloatArray,
    shares: FloatArray,
    order: NDArray[np.int64],
    block: FloatArray,
    cell: FloatArray,
    cells_of: NDArray[np.int64],
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
        own = shares[i]
        low_rate, end_rate = kept_rates(own)
        for b in range(ends.shape[0]):
            if ends[b, 0] - elevation > reach or elevation - ends[b, 1] > reach:
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
                    east, north, up, kwh = light_of(block, j, own, low_rate, end_rate)
                    cosine = nx * east + ny * north + nz * up
                    at = math.sqrt(max(2.0 - 2.0 * cosine, 0.0)) * per_chord
                    m = int(at)
                    flag = flags[number, min(m, end_flag)]
                    if flag == 0:
                        continue
                    if flag == 1:
                        if m < end:
                            value = curve[number, m]
                            light += kwh * (value + (at - m) * (curve[number, m + 1] - value))
                        continue
                    for c in range(cells_of[j], cells_of[j + 1]):
                        east, north, up, kwh = light_of(cell, c, own, low_rate, end_rate)
                        cosine = nx * east + ny * north + nz * up
                        at = math.sqrt(max(2.0 - 2.0 * cosine, 0.0)) * per_chord
                        m = int(at)
                        if m < end:
                            value = curve[number, m]
                            light += kwh * (value + (at - m) * (curve[number, m + 1] - value))
            found[i, period[b]] += light
    return found


@njit(cache=True, parallel=True, error_model="numpy")
def grid_kwh(
    axes: FloatArray,
    shares: FloatArray,
    order: NDArray[np.int64],
    block: FloatArray,
    cell: FloatArray,
    cells_of: NDArray[np.int64],
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
    sides: FloatArray,
    margin: float,
    flags: NDArray[np.uint8],
    flag_step: float,
    periods: int,
) -> FloatArray:
    """The same through grids of two angles; blocks reach `margin` beyond their directions."""
    found = np.zeros((axes.shape[0], periods))
    cos_reach, cos_side = math.cos(reach), -math.sin(margin)
    for k in prange(axes.shape[0]):
        i = order[k]
        ax, ay, az = axes[i, 0, 0], axes[i, 0, 1], axes[i, 0, 2]
        bx, by, bz = axes[i, 1, 0], axes[i, 1, 1], axes[i, 1, 2]
        nx, ny, nz = axes[i, 2, 0], axes[i, 2, 1], axes[i, 2, 2]
        level = math.hypot(nx, ny)
        elevation, azimuth = math.atan2(nz, level), math.atan2(nx, ny)
        # each side of the acceptance is a plane through the mount: half the sky, a cone a right angle wide about `side`
        side = np.empty((4, 3))
        for s in range(4):
            turn = math.cos(sides[s]) if s % 2 == 0 else -math.cos(sides[s])
            lean = -math.sin(sides[s]) if s % 2 == 0 else math.sin(sides[s])
            ex, ey, ez = axes[i, s // 2, 0], axes[i, s // 2, 1], axes[i, s // 2, 2]
            sx, sy = turn * ex + lean * nx, turn * ey + lean * ny
            side[s, 0], side[s, 1] = turn * ez + lean * nz, math.hypot(sx, sy)
            side[s, 2] = math.atan2(sx, sy)
        dust = shares[i]
        low_rate, end_rate = kept_rates(dust)
        for b in range(ends.shape[0]):
            if ends[b, 0] - elevation > reach or elevation - ends[b, 1] > reach:
                continue
            half = half_stretch(cos_reach, nz, level, ends[b, 2], ends[b, 3], ends[b, 4], ends[b, 5])
            low, high = azimuth - half, azimuth + half
            for s in range(4):
                if half < 0.0:
                    break
                across = half_stretch(
                    cos_side, side[s, 0], side[s, 1], ends[b, 2], ends[b, 3], ends[b, 4], ends[b, 5]
                )
                if across >= math.pi:
                    continue
                middle = side[s, 2]
                if across < 0.0:
                    half = -1.0
                    break
                turns = math.floor((middle - 0.5 * (low + high)) / (2.0 * math.pi) + 0.5)
                middle -= turns * 2.0 * math.pi
                # where the stretch reaches into this side from both ends it is left whole
                if middle - across + 2.0 * math.pi > high and middle + across - 2.0 * math.pi < low:
                    low, high = max(low, middle - across), min(high, middle + across)
                half = 0.5 * (high - low)
            if half < 0.0:
                continue
            begin, until = bins_of(half, 0.5 * (low + high))
            own, own_flags, light = grid[classes[b]], flags[classes[b]], 0.0
            for part in range(2):
                from_bin = begin if part == 0 else 0
                to_bin = min(until, AZIMUTH_BINS) if part == 0 else until - AZIMUTH_BINS
                if to_bin <= from_bin:
                    continue
                for j in range(first[b, from_bin], first[b, to_bin]):
                    east, north, up, kwh = light_of(block, j, dust, low_rate, end_rate)
                    z = nx * east + ny * north + nz * up
                    if z < cos_reach:
                        continue
                    x, y = ax * east + ay * north + az * up, bx * east + by * north + bz * up
                    flag = grid_flag(own_flags, flag_step, x, y, z)
                    if flag == 0:
                        continue
                    if flag == 1:
                        if z > 0.0:
                            value = grid_light(own, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z)
                            light += kwh * z * value
                        continue
                    for c in range(cells_of[j], cells_of[j + 1]):
                        east, north, up, kwh = light_of(cell, c, dust, low_rate, end_rate)
                        z = nx * east + ny * north + nz * up
                        if z <= 0.0:
                            continue
                        x, y = ax * east + ay * north + az * up, bx * east + by * north + bz * up
                        value = grid_light(own, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z)
                        light += kwh * z * value
            found[i, period[b]] += light
    return found
