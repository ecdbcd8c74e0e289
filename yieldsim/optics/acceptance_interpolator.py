"""Acceptance made ready for millions of directions: averaged over the Sun's disc beforehand, read by
interpolation.

Round optics become a curve over the chord 2 sin(incidence / 2), which needs one square root from the scalar
product of Sun and normal and keeps its digits near the normal. Two-angle optics become a grid over
tan(projected angle / 2), for each angle one square root and one division from the Sun in mount axes; lines of
constant projected angle stay lines of the grid.

The disc's radius follows the Sun's distance; directions carry a class of radius, and each class has its own
curve or grid, made for the mean radius of the class.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance import grid_value, table_value

CLEARANCE_STEP, CLEARANCE_HALF = 0.005, 210
"""Nodes of the map of clearances and how many stand on each side of its middle: a little past the plane of
the aperture."""


class Lookup(NamedTuple):
    """Acceptance over the disc, times the cosine of incidence, by class of the disc's radius.

    curve        (classes, n)             round: acceptance times cosine at chords i * chord_step, 0 at the
        end
    grid         (classes, rows, columns) two angles: acceptance (no cosine) at tan(angle / 2) = first + i *
        step, 0 around
    fold_t, fold_l   the table holds the positive side of that angle only
    sides        (4,)  two angles: projected angles between which there is light, radians: transverse from and to,
        longitudinal from and to
    reach_rad    no light from further off the normal
    edge_rad     (classes,)  round and solid: light from anywhere nearer than this
    solid        round and above 0 everywhere inside its edge
    table_x, table_y, table   the point-source table, radians; round: table_y empty, table (1, n)
    clearance_rad   (m, m)  where the edge is no plain cone: a turn that surely keeps light (above 0) or its
        absence (below 0), at
                 x / (1 + z), y / (1 + z) = (i - m // 2) * CLEARANCE_STEP
    disc_xy      (points, 2)  places on the unit disc at which `optics.acceptance` reads the table
    radius_rad   (classes,)
    """

    is_round: bool
    curve: FloatArray
    chord_step: float
    grid: FloatArray
    first_t: float
    step_t: float
    fold_t: bool
    first_l: float
    step_l: float
    fold_l: bool
    sides: FloatArray
    reach_rad: float
    edge_rad: FloatArray
    solid: bool
    table_x: FloatArray
    table_y: FloatArray
    table: FloatArray
    clearance_rad: FloatArray
    disc_xy: FloatArray
    radius_rad: FloatArray


# ---------------------------------------------------------------- kernels


@njit(cache=True, inline="always")
def curve_light(curve: FloatArray, chord_step: float, cosine: float) -> float:
    """Acceptance times cosine of a round curve (n,) at the scalar product of Sun and normal."""
    at = math.sqrt(max(2.0 - 2.0 * cosine, 0.0)) / chord_step
    i = int(at)
    if i >= curve.shape[0] - 1:
        return 0.0
    return float(curve[i] + (at - i) * (curve[i + 1] - curve[i]))


@njit(cache=True, inline="always")
def grid_light(
    grid: FloatArray,
    first_t: float,
    step_t: float,
    fold_t: bool,
    first_l: float,
    step_l: float,
    fold_l: bool,
    x: float,
    y: float,
    z: float,
) -> float:
    """Acceptance (no cosine) of a grid (rows, columns) for the Sun at x, y, z > 0 in mount axes."""
    if fold_t:
        x = abs(x)
    if fold_l:
        y = abs(y)
    u = (x / (z + math.sqrt(x * x + z * z)) - first_t) / step_t
    v = (y / (z + math.sqrt(y * y + z * z)) - first_l) / step_l
    if u < 0.0 or v < 0.0:
        return 0.0
    i, j = int(u), int(v)
    if i >= grid.shape[0] - 1 or j >= grid.shape[1] - 1:
        return 0.0
    u -= i
    v -= j
    low = grid[i, j] + v * (grid[i, j + 1] - grid[i, j])
    high = grid[i + 1, j] + v * (grid[i + 1, j + 1] - grid[i + 1, j])
    return float(low + u * (high - low))


@njit(cache=True, inline="always")
def light_at(
    is_round: bool,
    curve: FloatArray,
    chord_step: float,
    grid: FloatArray,
    first_t: float,
    step_t: float,
    fold_t: bool,
    first_l: float,
    step_l: float,
    fold_l: bool,
    x: float,
    y: float,
    z: float,
) -> float:
    """Acceptance times cosine for the Sun at x, y, z in mount axes.

    curve, grid   those of one class; a lookup's columns one by one, for a lookup is dear to hand on
    """
    if is_round:
        return curve_light(curve, chord_step, z)
    if z <= 0.0:
        return 0.0
    return z * grid_light(grid, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z)


@njit(cache=True)
def light(ready: Lookup, radius_class: int, x: float, y: float, z: float) -> float:
    """Acceptance times cosine for the Sun at x, y, z in mount axes."""
    curve, grid = ready.curve, ready.grid
    return light_at(
        ready.is_round, curve[min(radius_class, len(curve) - 1)], ready.chord_step,
        grid[min(radius_class, len(grid) - 1)], ready.first_t, ready.step_t, ready.fold_t,
        ready.first_l, ready.step_l, ready.fold_l, x, y, z,
    )  # fmt: skip


@njit(cache=True)
def lit_nodes(ready: Lookup) -> NDArray[np.uint8]:
    """For each node of the map of clearances the number of classes of radius that give light there, (m,
    m)."""
    size = 2 * CLEARANCE_HALF + 1
    found = np.zeros((size, size), dtype=np.uint8)
    for i in range(size):
        for j in range(size):
            across, up = (i - CLEARANCE_HALF) * CLEARANCE_STEP, (j - CLEARANCE_HALF) * CLEARANCE_STEP
            square = across * across + up * up
            x, y, z = (
                2.0 * across / (1.0 + square),
                2.0 * up / (1.0 + square),
                (1.0 - square) / (1.0 + square),
            )
            for number in range(ready.radius_rad.shape[0]):
                if z > 0.0 and light(ready, number, x, y, z) > 0.0:
                    found[i, j] += 1
    return found


@njit(cache=True, inline="always")
def clearance(clearance_rad: FloatArray, x: float, y: float, z: float) -> float:
    """The clearance at a direction in mount axes; 0 where the map ends: nothing is sure there."""
    if z <= -0.05:
        return 0.0
    i = int(x / (1.0 + z) / CLEARANCE_STEP + CLEARANCE_HALF + 0.5)
    j = int(y / (1.0 + z) / CLEARANCE_STEP + CLEARANCE_HALF + 0.5)
    if i < 0 or j < 0 or i >= clearance_rad.shape[0] or j >= clearance_rad.shape[1]:
        return 0.0
    return float(clearance_rad[i, j])


@njit(cache=True, inline="always")
def any_light(
    is_round: bool,
    grid: FloatArray,
    first_t: float,
    step_t: float,
    fold_t: bool,
    first_l: float,
    step_l: float,
    fold_l: bool,
    table_x: FloatArray,
    table_y: FloatArray,
    table: FloatArray,
    disc_xy: FloatArray,
    radius: float,
    x: float,
    y: float,
    z: float,
) -> bool:
    """Whether any point of the disc at which the table is read is accepted: what "delivering" means in an estimate.

    grid, radius   those of one class; a lookup's columns one by one, for a lookup is dear to hand on
    disc_xy        empty: any light at all in the grid will do, which is quicker and good to a mesh of it
    """
    if z <= 0.0:
        return False
    if not is_round and grid_light(grid, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z) == 0.0:
        return False
    if len(disc_xy) == 0:
        return True
    if abs(z) < 0.9:
        length = math.hypot(x, y)
        ax, ay, az = -y / length, x / length, 0.0
    else:
        length = math.hypot(y, z)
        ax, ay, az = 0.0, z / length, -y / length
    bx, by, bz = y * az - z * ay, z * ax - x * az, x * ay - y * ax
    for k in range(disc_xy.shape[0] - 1, -1, -1):
        u, v = disc_xy[k, 0] * radius, disc_xy[k, 1] * radius
        px, py, pz = x + u * ax + v * bx, y + u * ay + v * by, z + u * az + v * bz
        if is_round:
            if table_value(math.atan2(math.hypot(px, py), pz), table_x, table[0]) > 0.0:
                return True
        elif pz > 0.0 and grid_value(math.atan2(px, pz), math.atan2(py, pz), table_x, table_y, table) > 0.0:
            return True
    return False
