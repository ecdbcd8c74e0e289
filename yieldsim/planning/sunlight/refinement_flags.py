"""Where an acceptance lookup may be read once for a whole block of sky, where each cell counts, and where
nothing is accepted.

A reading at the mean direction of a block's light is off by the remainder of a straight-line reading, h(s) -
h(m) - slope . (s - m). Its size about a direction is measured by second differences across rings as wide as
the block.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_interpolator import Lookup, light_at

SMOOTH = 1.5e-3
"""Largest second difference, over the peak, across a block that is read once. Neighbouring blocks largely
cancel what it costs."""
NOTHING, ONCE, EACH = 0, 1, 2
DIRECTIONS = 12
NODES_PER_BLOCK = 4.0
NODE_MARGIN = 1.35
"""Rings about a node are wider by this, for blocks that lie between nodes."""


class Roughness(NamedTuple):
    """Flags NOTHING, ONCE or EACH for the place of a block's mean direction.

    curve   (classes, n)  round: at chords i * chord_step of the lookup; ends with NOTHING
    grid    (classes, rows, columns)  two angles: at tan(angle / 2) = (i - rows // 2) * step
    """

    curve: NDArray[np.uint8]
    grid: NDArray[np.uint8]
    step: float


def roughness(ready: Lookup, block_rad: float) -> Roughness:
    """The flags of a lookup for blocks with this half-diagonal, radians."""
    no_curve, no_grid = np.zeros((1, 1), dtype=np.uint8), np.zeros((1, 1, 1), dtype=np.uint8)
    if ready.is_round:
        count = min(
            ready.curve.shape[1] + math.ceil(block_rad / ready.chord_step) + 2,
            int(2.0 / ready.chord_step) + 1,
        )
        chord = ready.chord_step * np.arange(count)
        angle = 2.0 * np.arcsin(np.minimum(chord / 2.0, 1.0))
        nodes = np.stack([np.sin(angle), 0.0 * angle, np.cos(angle)], axis=1)
        flags = _flags_of(ready, nodes, block_rad, SMOOTH * float(ready.curve.max()))
        flags = np.concatenate([flags, np.zeros((len(flags), 1), dtype=np.uint8)], axis=1)
        return Roughness(curve=flags, grid=no_grid, step=1.0)
    step = block_rad / NODES_PER_BLOCK
    half = math.ceil(math.tan(min(0.5 * (0.5 * math.pi + 2.0 * block_rad), 1.2)) / step)
    lit_t = _lit_half(ready.first_t, ready.step_t, ready.grid.shape[1])
    lit_l = _lit_half(ready.first_l, ready.step_l, ready.grid.shape[2])
    rows = min(half, math.ceil(lit_t / step) + 8 * int(NODES_PER_BLOCK))
    columns = min(half, math.ceil(lit_l / step) + 8 * int(NODES_PER_BLOCK))
    # a side that a table holds for both is flagged once
    t = 2.0 * np.arctan(step * np.arange(0 if ready.fold_t else -rows, rows + 1))[:, None]
    el = 2.0 * np.arctan(step * np.arange(0 if ready.fold_l else -columns, columns + 1))[None, :]
    # directions whose projected angles are t and el; behind the plane z < 0 the tangents turn over together
    behind = (np.abs(t) > 0.5 * np.pi) | (np.abs(el) > 0.5 * np.pi)
    x, y = np.tan(t), np.tan(el)
    z = np.where(behind, -1.0, 1.0) / np.sqrt(1.0 + x**2 + y**2)
    nodes = np.stack(np.broadcast_arrays(x * z, y * z, z), axis=-1).reshape(-1, 3)
    flags = _flags_of(ready, nodes, NODE_MARGIN * block_rad, SMOOTH * float(ready.grid.max()))
    grid = flags.reshape(len(flags), t.size, el.size)
    if ready.fold_t:
        grid = np.concatenate([grid[:, :0:-1], grid], axis=1)
    if ready.fold_l:
        grid = np.concatenate([grid[:, :, :0:-1], grid], axis=2)
    return Roughness(curve=no_curve, grid=np.ascontiguousarray(grid), step=step)


def _lit_half(first: float, step: float, count: int) -> float:
    return max(abs(first), abs(first + step * (count - 1)))


@njit(cache=True, inline="always")
def grid_flag(flags: NDArray[np.uint8], step: float, x: float, y: float, z: float) -> int:
    """The flag at a direction in mount axes; flags (rows, columns) of one class."""
    rows, columns = flags.shape[0], flags.shape[1]
    i = int(x / (z + math.sqrt(x * x + z * z) + 1e-30) / step + 0.5 * rows)
    j = int(y / (z + math.sqrt(y * y + z * z) + 1e-30) / step + 0.5 * columns)
    if i < 0 or j < 0 or i >= rows or j >= columns:
        return 0
    return int(flags[i, j])


@njit(cache=True, inline="always")
def ring_remainder(
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
    ring: float,
    directions: int,
) -> tuple[float, float]:
    """Largest second difference over two across a ring about a direction in mount axes, and the largest
    reading on it; curve and grid of one class, as of `light_at`."""
    length = math.sqrt(x * x + y * y + z * z)
    x, y, z = x / length, y / length, z / length
    if abs(z) < 0.9:
        side = math.hypot(x, y)
        ax, ay, az = -y / side, x / side, 0.0
    else:
        side = math.hypot(y, z)
        ax, ay, az = 0.0, z / side, -y / side
    bx, by, bz = y * az - z * ay, z * ax - x * az, x * ay - y * ax
    lift = math.sqrt(1.0 - ring * ring)
    # two opposite points of the ring have their mean on the axis, a little inside the sphere: there a linear function is read exactly
    x, y, z = lift * x, lift * y, lift * z
    centre = light_at(
        is_round, curve, chord_step, grid, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z
    )
    worst, largest = 0.0, centre
    for k in range(directions // 2):
        angle = 2.0 * math.pi * k / directions
        u, v = ring * math.cos(angle), ring * math.sin(angle)
        ex, ey, ez = u * ax + v * bx, u * ay + v * by, u * az + v * bz
        after = light_at(
            is_round, curve, chord_step, grid, first_t, step_t, fold_t, first_l, step_l, fold_l,
            x + ex, y + ey, z + ez,
        )  # fmt: skip
        before = light_at(
            is_round, curve, chord_step, grid, first_t, step_t, fold_t, first_l, step_l, fold_l,
            x - ex, y - ey, z - ez,
        )  # fmt: skip
        worst = max(worst, 0.5 * abs(after + before - 2.0 * centre))
        largest = max(largest, after, before)
    return worst, largest


@njit(cache=True, parallel=True)
def _flags(
    is_round: bool,
    curves: FloatArray,
    chord_step: float,
    grids: FloatArray,
    first_t: float,
    step_t: float,
    fold_t: bool,
    first_l: float,
    step_l: float,
    fold_l: bool,
    nodes: FloatArray,
    ring: float,
    tolerance: float,
) -> NDArray[np.uint8]:
    """Flags (classes, nodes)."""
    classes = curves.shape[0] if is_round else grids.shape[0]
    flags = np.zeros((classes, nodes.shape[0]), dtype=np.uint8)
    for i in prange(nodes.shape[0]):
        x, y, z = nodes[i, 0], nodes[i, 1], nodes[i, 2]
        for c in range(classes):
            curve, grid = curves[c if is_round else 0], grids[0 if is_round else c]
            worst, largest = 0.0, 0.0
            # the widest ring first: it mostly decides
            for share in range(3, 0, -1):
                second, reading = ring_remainder(
                    is_round, curve, chord_step, grid, first_t, step_t, fold_t, first_l, step_l, fold_l,
                    x, y, z, share * ring / 3.0, DIRECTIONS,
                )  # fmt: skip
                worst, largest = max(worst, second), max(largest, reading)
                if worst > tolerance and largest > 0.0:
                    break
            if largest > 0.0:
                flags[c, i] = 1 if worst <= tolerance else 2
    return flags


def _flags_of(ready: Lookup, nodes: FloatArray, ring: float, tolerance: float) -> NDArray[np.uint8]:
    t, el = (ready.first_t, ready.step_t, ready.fold_t), (ready.first_l, ready.step_l, ready.fold_l)
    return np.asarray(
        _flags(ready.is_round, ready.curve, ready.chord_step, ready.grid, *t, *el, nodes, ring, tolerance)
    )
