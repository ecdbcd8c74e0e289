"""Acceptance tables read at the Sun: linear between rows, zero outside, averaged over the actual disc for point-source tables.

A table for a point source answers for one direction; the Sun is a disc whose radius follows the distance, so the table is averaged
over limb-darkened sample points of that disc at each time. A table made with the disc is used as it stands.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numba import prange
from numpy.typing import ArrayLike

from yieldsim.base.model import Acceptance, BiaxialAcceptance, RoundAcceptance
from yieldsim.base.numerics.interpolation import falls_to_deg
from yieldsim.base.numerics.jit import njit, of_plain_arrays
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.sun_disc import even_points, sample_points

STEEP = 0.4
"""A table that changes by so much within half the disc's radius is averaged over more points of it."""


def acceptance_at(
    acceptance: Acceptance,
    sun_mount_xyz: FloatArray,
    sun_radius_deg: ArrayLike,
    sampled_as: Acceptance | None = None,
) -> FloatArray:
    """Acceptance (time,) for Sun directions (time, 3) in mount axes (transverse, longitudinal, normal).

    sun_radius_deg   (time,) or one number: angular radius of the disc; ignored for a table made with the disc
    sampled_as   the table by which points of the disc are chosen, so that two tables of the same angles are read alike
    A Sun behind the aperture gets 0. The cosine of incidence is not part of it.
    Averages over 96 points of the disc, or 512 where the table has an edge: it is then good to 0.7 % of its
    height at one instant, far better over a run.
    """
    sun = np.ascontiguousarray(sun_mount_xyz, dtype=np.float64).reshape(-1, 3)
    radius_rad = np.broadcast_to(np.radians(np.asarray(sun_radius_deg, dtype=np.float64)), (len(sun),))
    if acceptance.source == "disc":
        points, weights = np.zeros((1, 2)), np.ones(1)
    elif len(sun) and _is_steep(
        sampled_as or acceptance, math.ceil(50.0 * math.degrees(radius_rad.max())) / 100.0
    ):
        points, weights = even_points()
    else:
        points, weights = sample_points()
    if isinstance(acceptance, RoundAcceptance):
        table_x, table_y = np.radians(acceptance.incidence_deg), acceptance.acceptance_fraction
        return np.asarray(round_over_disc(sun, radius_rad, table_x, table_y, points, weights))
    transverse, longitudinal, grid = full_grid(acceptance)
    return np.asarray(
        biaxial_over_disc(
            sun, radius_rad, np.radians(transverse), np.radians(longitudinal), grid, points, weights
        )
    )


def normal_acceptance(acceptance: Acceptance, sun_radius_deg: ArrayLike) -> FloatArray:
    """Acceptance with the disc's centre on the aperture's normal, for each disc radius: that of a Sun-following aperture."""
    radius = np.atleast_1d(np.asarray(sun_radius_deg, dtype=np.float64))
    return acceptance_at(acceptance, np.broadcast_to([0.0, 0.0, 1.0], (len(radius), 3)), radius)


@lru_cache(maxsize=64)  # tables are frozen; a run asks block by block
def _is_steep(acceptance: Acceptance, width_deg: float) -> bool:
    """Whether a table changes by STEEP between two angles so far apart, along its rows or columns; beyond its ends it is 0."""
    if isinstance(acceptance, RoundAcceptance):
        tables = [(acceptance.incidence_deg, acceptance.acceptance_fraction[:, None])]
    else:
        transverse, longitudinal, grid = full_grid(acceptance)
        tables = [(transverse, grid), (longitudinal, grid.T)]
    for angle, values in tables:
        for value in values.T:
            beyond = np.interp(angle + width_deg, angle, value, right=0.0)
            before = np.interp(angle - width_deg, angle, value, left=value[0] if angle[0] == 0.0 else 0.0)
            if max(np.abs(beyond - value).max(), np.abs(before - value).max()) > STEEP:
                return True
    return False


def full_grid(acceptance: BiaxialAcceptance) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Angles and grid with the mirrored halves of a table that starts at 0 filled in."""
    transverse, longitudinal = acceptance.transverse_deg, acceptance.longitudinal_deg
    grid = acceptance.acceptance_fraction
    if transverse[0] == 0.0:
        transverse = np.concatenate([-transverse[:0:-1], transverse])
        grid = np.concatenate([grid[:0:-1], grid], axis=0)
    if longitudinal[0] == 0.0:
        longitudinal = np.concatenate([-longitudinal[:0:-1], longitudinal])
        grid = np.concatenate([grid[:, :0:-1], grid], axis=1)
    return transverse, longitudinal, np.ascontiguousarray(grid)


def half_width_deg(acceptance: Acceptance, level: float = 0.5) -> float:
    """The narrower of `half_widths_deg`; to the end of the table where acceptance never falls that far."""
    ends = (float(angle[-1]) for angle, _ in cuts(acceptance))
    widths = zip(half_widths_deg(acceptance, level), ends, strict=True)
    return min(end if math.isnan(width) else width for width, end in widths)


def half_widths_deg(acceptance: Acceptance, level: float = 0.5) -> tuple[float, ...]:
    """Half-width at half-maximum, of the table as it is: one angle, or the transverse and the longitudinal one.

    The angle from the normal at which acceptance first falls, beyond its peak, to `level` of the peak;
    along each axis the cut with the other angle 0, linear between rows, NaN where it never falls so far.
    """
    return tuple(falls_to_deg(angle, value, level) for angle, value in cuts(acceptance))


def cuts(acceptance: Acceptance) -> list[tuple[FloatArray, FloatArray]]:
    """Angles from 0 outwards and acceptance there: one cut, or the transverse and the longitudinal one."""
    if isinstance(acceptance, RoundAcceptance):
        return [(acceptance.incidence_deg, acceptance.acceptance_fraction)]
    transverse, longitudinal, grid = full_grid(acceptance)
    at_t = int(np.argmin(np.abs(transverse)))
    at_l = int(np.argmin(np.abs(longitudinal)))
    return [(transverse[at_t:], grid[at_t:, at_l]), (longitudinal[at_l:], grid[at_t, at_l:])]


@njit(cache=True)
def table_value(x: float, table_x: FloatArray, table_y: FloatArray) -> float:
    """Linear between rows, 0 outside."""
    last = table_x.shape[0] - 1
    if x < table_x[0] or x > table_x[last]:
        return 0.0
    row = min(max(np.searchsorted(table_x, x) - 1, 0), last - 1)
    share = (x - table_x[row]) / (table_x[row + 1] - table_x[row])
    return float(table_y[row] * (1.0 - share) + table_y[row + 1] * share)


@njit(cache=True)
def grid_value(x: float, y: float, grid_x: FloatArray, grid_y: FloatArray, grid: FloatArray) -> float:
    """Bilinear inside the grid, 0 outside."""
    last_x, last_y = grid_x.shape[0] - 1, grid_y.shape[0] - 1
    if x < grid_x[0] or x > grid_x[last_x] or y < grid_y[0] or y > grid_y[last_y]:
        return 0.0
    i = min(max(np.searchsorted(grid_x, x) - 1, 0), last_x - 1)
    j = min(max(np.searchsorted(grid_y, y) - 1, 0), last_y - 1)
    u = (x - grid_x[i]) / (grid_x[i + 1] - grid_x[i])
    v = (y - grid_y[j]) / (grid_y[j + 1] - grid_y[j])
    return _cell_value(grid, i, j, u, v)


@njit(cache=True, inline="always")
def _cell_value(grid: FloatArray, i: int, j: int, u: float, v: float) -> float:
    low = grid[i, j] * (1.0 - v) + grid[i, j + 1] * v
    high = grid[i + 1, j] * (1.0 - v) + grid[i + 1, j + 1] * v
    return float(low * (1.0 - u) + high * u)


@njit(cache=True)
def _beyond(angle: float, table: FloatArray, way: float, sine: float) -> bool:
    """Whether no point of a disc about a projected angle lies between the ends of a table."""
    margin = way / sine + 1e-9
    return bool(way < sine and (angle + margin < table[0] or angle - margin > table[-1]))


@njit(cache=True)
def _across(x: float, y: float, z: float) -> tuple[float, float, float, float, float, float]:
    """Two unit vectors across a unit direction, for placing points of the disc."""
    if abs(z) < 0.9:
        length = math.hypot(x, y)
        ax, ay, az = -y / length, x / length, 0.0
    else:
        length = math.hypot(y, z)
        ax, ay, az = 0.0, z / length, -y / length
    return ax, ay, az, y * az - z * ay, z * ax - x * az, x * ay - y * ax


@of_plain_arrays
@njit(cache=True, parallel=True)
def round_over_disc(
    sun_xyz: FloatArray,
    radius_rad: FloatArray,
    table_x: FloatArray,
    table_y: FloatArray,
    points: FloatArray,
    weights: FloatArray,
) -> FloatArray:
    """Mean of a round table over the disc, (time,); incidence by atan2.

    A disc that lies within one row of the table, away from the normal, needs no points: the table is linear there, and the mean
    incidence over the disc is that of its centre plus half the mean square across the plane of incidence times its cotangent.
    """
    count = sun_xyz.shape[0]
    value = np.zeros(count)
    last = table_x.shape[0] - 1
    across_squared = 0.0
    for k in range(points.shape[0]):
        across_squared += weights[k] * 0.5 * (points[k, 0] ** 2 + points[k, 1] ** 2)
    for i in prange(count):
        x, y, z = sun_xyz[i, 0], sun_xyz[i, 1], sun_xyz[i, 2]
        incidence = math.atan2(math.hypot(x, y), z)
        radius = radius_rad[i]
        if incidence >= 0.5 * math.pi or incidence > table_x[last] + radius:
            continue
        row = np.searchsorted(table_x, incidence)
        inside = incidence > 4.0 * radius and 0 < row <= last
        if inside and table_x[row - 1] <= incidence - radius and incidence + radius <= table_x[row]:
            shift = 0.5 * across_squared * radius * radius / math.tan(incidence)
            value[i] = min(table_value(incidence + shift, table_x, table_y), 1.0)
            continue
        ax, ay, az, bx, by, bz = _across(x, y, z)
        total = 0.0
        for k in range(points.shape[0]):
            u, v = points[k, 0] * radius_rad[i], points[k, 1] * radius_rad[i]
            px, py, pz = x + u * ax + v * bx, y + u * ay + v * by, z + u * az + v * bz
            total += weights[k] * table_value(math.atan2(math.hypot(px, py), pz), table_x, table_y)
        value[i] = min(total, 1.0)
    return value


@njit(cache=True, inline="always")
def _turned_by(x: float, z: float, to_x: float, to_z: float) -> float:
    """How far (to_x, to_z) is turned from (x, z) towards x, radians: a series for small turns, good to 1e-16."""
    along = to_z * z + to_x * x
    tangent = (to_x * z - to_z * x) / along if along > 0.0 else 1.0
    if abs(tangent) > 0.02:
        return math.atan2(to_x, to_z) - math.atan2(x, z)
    square = tangent * tangent
    return tangent * (1.0 - square * (1.0 / 3.0 - square * (1.0 / 5.0 - square / 7.0)))


@njit(cache=True, inline="always")
def _row_from(row: int, x: float, table_x: FloatArray) -> int:
    """The row of a table whose stretch holds x, sought from another one that is near."""
    while row > 0 and x <= table_x[row]:
        row -= 1
    while row < table_x.shape[0] - 2 and x > table_x[row + 1]:
        row += 1
    return row


@of_plain_arrays
@njit(cache=True, parallel=True, error_model="numpy")
def biaxial_over_disc(
    sun_xyz: FloatArray,
    radius_rad: FloatArray,
    grid_x: FloatArray,
    grid_y: FloatArray,
    grid: FloatArray,
    points: FloatArray,
    weights: FloatArray,
) -> FloatArray:
    """Mean of a biaxial table over the disc, (time,).

    Transverse and longitudinal angles are those of the projections on the two planes through the normal: tan = x / z and
    y / z, as the solar-thermal test standards define them (ISO 9806, incidence-angle modifier).
    A disc beyond the table's ends is not looked through: seen from an axis at an angle b, a way r turns by asin(r / sin b) at most,
    which is below 1.58 r / sin b.
    """
    count = sun_xyz.shape[0]
    value = np.zeros(count)
    per_x, per_y = 1.0 / np.diff(grid_x), 1.0 / np.diff(grid_y)
    widest = 0.0
    for k in range(points.shape[0]):
        widest = max(widest, math.hypot(points[k, 0], points[k, 1]))
    for i in prange(count):
        x, y, z = sun_xyz[i, 0], sun_xyz[i, 1], sun_xyz[i, 2]
        if z <= 0.0:
            continue
        way = 1.58 * widest * radius_rad[i]
        middle_x, middle_y = math.atan2(x, z), math.atan2(y, z)
        if _beyond(middle_x, grid_x, way, math.hypot(x, z)) or _beyond(
            middle_y, grid_y, way, math.hypot(y, z)
        ):
            continue
        ax, ay, az, bx, by, bz = _across(x, y, z)
        total, m, n = 0.0, 0, 0
        for k in range(points.shape[0]):
            u, v = points[k, 0] * radius_rad[i], points[k, 1] * radius_rad[i]
            px, py, pz = x + u * ax + v * bx, y + u * ay + v * by, z + u * az + v * bz
            if pz <= 0.0:
                continue
            across, along = middle_x + _turned_by(x, z, px, pz), middle_y + _turned_by(y, z, py, pz)
            if across < grid_x[0] or across > grid_x[-1] or along < grid_y[0] or along > grid_y[-1]:
                continue
            # neighbouring points mostly lie in one cell of the table
            m, n = _row_from(m, across, grid_x), _row_from(n, along, grid_y)
            total += weights[k] * _cell_value(
                grid, m, n, (across - grid_x[m]) * per_x[m], (along - grid_y[n]) * per_y[n]
            )
        value[i] = min(total, 1.0)
    return value
