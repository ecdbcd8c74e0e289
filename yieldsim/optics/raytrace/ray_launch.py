"""Compiled loops over rays: launch each from the lattice, walk it, keep one ledger per block.

A block is one chunk of one shift of one direction; it writes only its own row, so the threads that share
the blocks out can't change a digit of the result.
"""

from __future__ import annotations

import math

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.ray_steps import RAY_LENGTH, Ray
from yieldsim.optics.raytrace.ray_through_collector import SEEN_LENGTH, Parts, Random, walk

CHUNK = 1024
"""Rays in a block."""

IntArray = NDArray[np.int64]


@njit(cache=True)
def _fraction(index: int, generator: int, points: int, shift: float) -> float:
    value = float((index * generator) % points) / points + shift
    return value - 1.0 if value >= 1.0 else value


@njit(cache=True)
def normal_deviate(share: float) -> float:
    """Standard normal deviate below which a share of all lie: the inverse of the normal distribution, to
    1e-8.

    Rational approximations in the middle and in the tails. Source: P. J. Acklam, "An algorithm for
    computing the inverse normal cumulative distribution function", 2003 (from memory; a test compares with
    scipy).
    """
    if share <= 0.0:
        return -8.0
    q = share - 0.5
    if abs(q) <= 0.47575:
        r = q * q
        top = -3.969683028665376e1 * r + 2.209460984245205e2
        top = ((top * r - 2.759285104469687e2) * r + 1.383577518672690e2) * r - 3.066479806614716e1
        top = (top * r + 2.506628277459239) * q
        low = -5.447609879822406e1 * r + 1.615858368580409e2
        low = ((low * r - 1.556989798598866e2) * r + 6.680131188771972e1) * r - 1.328068155288572e1
        return top / (low * r + 1.0)
    tail = share if q < 0.0 else 1.0 - share
    r = math.sqrt(-2.0 * math.log(max(tail, 1e-16)))
    top = ((-7.784894002430293e-3 * r - 3.223964580411365e-1) * r - 2.400758277161838) * r - 2.549732539343734
    top = (top * r + 4.374664141464968) * r + 2.938163982698783
    low = ((7.784695709041462e-3 * r + 3.224671290700398e-1) * r + 2.445134137142996) * r + 3.754408661907416
    value = top / (low * r + 1.0)
    return value if q < 0.0 else -value


@njit(cache=True)
def _launch(
    parts: Parts,
    media: FloatArray,
    disc_table: FloatArray,
    sun: FloatArray,
    disc_radius: float,
    spin: bool,
    generator: IntArray,
    shift: FloatArray,
    points: int,
    index: int,
    ray: Ray,
) -> tuple[int, float, float, float]:
    """Set up ray number `index` of the lattice; its wavelength bin and its unit's funnel shifts."""
    station = parts.station[0]
    u = _fraction(index, generator[0], points, shift[0])
    v = _fraction(index, generator[1], points, shift[1])
    if station.aperture_round:
        r, turn = station.aperture_x * math.sqrt(u), 2.0 * math.pi * v
        ray[0], ray[1] = r * math.cos(turn), r * math.sin(turn)
    else:
        ray[0], ray[1] = station.aperture_x * (2.0 * u - 1.0), station.aperture_y * (2.0 * v - 1.0)
    ray[2] = station.aperture_depth
    sx, sy, sz = sun[0], sun[1], sun[2]
    if disc_radius > 0.0:
        u = _fraction(index, generator[2], points, shift[2]) * (disc_table.shape[0] - 1)
        cell = int(u)
        r = disc_radius * (disc_table[cell] + (u - cell) * (disc_table[cell + 1] - disc_table[cell]))
        turn = 2.0 * math.pi * _fraction(index, generator[3], points, shift[3])
        # two directions across the line to the disc's centre
        if abs(sx) > 0.9:
            ax, ay, az = -sz, 0.0, sx
        else:
            ax, ay, az = 0.0, sz, -sy
        long = math.sqrt(ax * ax + ay * ay + az * az)
        ax, ay, az = ax / long, ay / long, az / long
        bx, by, bz = sy * az - sz * ay, sz * ax - sx * az, sx * ay - sy * ax
        p, q = math.tan(r) * math.cos(turn), math.tan(r) * math.sin(turn)
        sx, sy, sz = sx + p * ax + q * bx, sy + p * ay + q * by, sz + p * az + q * bz
        long = math.sqrt(sx * sx + sy * sy + sz * sz)
        sx, sy, sz = sx / long, sy / long, sz / long
    if spin:
        turn = 2.0 * math.pi * _fraction(index, generator[5], points, shift[5])
        c, s = math.cos(turn), math.sin(turn)
        sx, sy = c * sx - s * sy, s * sx + c * sy
    ray[3], ray[4], ray[5] = -sx, -sy, sz
    ray[6] = 1.0
    colour = int(_fraction(index, generator[4], points, shift[4]) * media.shape[0])
    for column in range(5):
        ray[7 + column] = media[colour, column]
    ray[12], ray[13] = 0.0, 0.0
    slope_error = parts.lens[0].slope_error
    if slope_error > 0.0:
        ray[12] = slope_error * normal_deviate(_fraction(index, generator[10], points, shift[10]))
        ray[13] = slope_error * normal_deviate(_fraction(index, generator[11], points, shift[11]))
    shift_x, shift_y, shift_depth = 0.0, 0.0, 0.0
    if station.lateral > 0.0:
        shift_x = station.lateral * normal_deviate(_fraction(index, generator[6], points, shift[6]))
        shift_y = station.lateral * normal_deviate(_fraction(index, generator[7], points, shift[7]))
    if station.axial > 0.0:
        shift_depth = station.axial * normal_deviate(_fraction(index, generator[8], points, shift[8]))
    return colour, shift_x, shift_y, shift_depth


@njit(cache=True, parallel=True)
def trace_blocks(
    parts: Parts,
    media: FloatArray,
    disc_table: FloatArray,
    directions: FloatArray,
    disc_radius: float,
    spin: bool,
    generator: IntArray,
    shifts: FloatArray,
    points: int,
    chunk: int,
    seed: np.uint64,
) -> FloatArray:
    """Summed ledgers (blocks, causes) of a lattice of `points`.

    directions   (n, 3) to the Sun's centre, mount axes; disc_radius in radians, 0 for a point
    Blocks run over directions, then shifts, then chunks.
    """
    chunks = (points + chunk - 1) // chunk
    shift_count = shifts.shape[0]
    blocks = directions.shape[0] * shift_count * chunks
    out = np.zeros((blocks, loss_causes.COUNT))
    for block in prange(blocks):
        at = block // (shift_count * chunks)
        which = (block // chunks) % shift_count
        start = (block % chunks) * chunk
        ray = np.zeros(RAY_LENGTH)
        ledger = np.zeros(loss_causes.COUNT)
        seen = np.zeros(SEEN_LENGTH)
        path = np.zeros((0, 3))
        random: Random = np.zeros(1, np.uint64)
        random[0] = seed + np.uint64(block) * np.uint64(0xD1B54A32D192ED03)
        for k in range(start, min(points, start + chunk)):
            _, shift_x, shift_y, shift_depth = _launch(
                parts,
                media,
                disc_table,
                directions[at],
                disc_radius,
                spin,
                generator,
                shifts[which],
                points,
                k,
                ray,
            )
            walk(parts, ray, ledger, shift_x, shift_y, shift_depth, seen, path, random)
        out[block] = ledger
    return out


@njit(cache=True, parallel=True)
def trace_seen(
    parts: Parts,
    media: FloatArray,
    disc_table: FloatArray,
    direction: FloatArray,
    disc_radius: float,
    spin: bool,
    generator: IntArray,
    shift: FloatArray,
    points: int,
    chunk: int,
    seed: np.uint64,
) -> tuple[FloatArray, IntArray, FloatArray]:
    """One direction, one shift, all `points`: what each ray leaves (points, SEEN_LENGTH), its wavelength,
    ledgers."""
    seen = np.zeros((points, SEEN_LENGTH))
    bins = np.zeros(points, np.int64)
    chunks = (points + chunk - 1) // chunk
    out = np.zeros((chunks, loss_causes.COUNT))
    for block in prange(chunks):
        ray = np.zeros(RAY_LENGTH)
        ledger = np.zeros(loss_causes.COUNT)
        path = np.zeros((0, 3))
        random: Random = np.zeros(1, np.uint64)
        random[0] = seed + np.uint64(block) * np.uint64(0xD1B54A32D192ED03)
        for k in range(block * chunk, min(points, (block + 1) * chunk)):
            bins[k], shift_x, shift_y, shift_depth = _launch(
                parts, media, disc_table, direction, disc_radius, spin, generator, shift, points, k, ray
            )
            walk(parts, ray, ledger, shift_x, shift_y, shift_depth, seen[k], path, random)
        out[block] = ledger
    return seen, bins, out
