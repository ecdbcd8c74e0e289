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


STEPS_IN_WIDENING, NODES_IN_BEND, MOST_PARTS = 16.0, 8.0, 16
"""A round lookup is widened, and its bends are spread, over so many steps; each of its own is parted for it, up to so often."""
STEEPEST_RAD = math.radians(86.0)
"""Two-angle lookups are widened up to so far off the normal, in each angle and in all."""


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


def widened(ready: Lookup, by_rad: float) -> Lookup:
    """The lookup of round optics whose value at a direction is at least every value within `by_rad` of it: for upper
    bounds over many facings.
    """
    from scipy.ndimage import maximum_filter1d

    # whole steps more than asked for are little of it
    parts = min(math.ceil(STEPS_IN_WIDENING * ready.chord_step / by_rad), MOST_PARTS)
    step, nodes = ready.chord_step / parts, np.arange(ready.curve.shape[1])
    curve = np.stack([np.interp(np.arange(parts * nodes[-1] + 1) / parts, nodes, one) for one in ready.curve])
    extra = math.ceil(by_rad / step) + 1
    longest = int(2.0 / step) + 2
    wide = np.pad(curve, ((0, 0), (0, extra)))[:, : longest + 1]
    mirrored = np.concatenate([wide[:, extra:0:-1], wide], axis=1)
    wide = maximum_filter1d(mirrored, 2 * extra + 1, axis=1, mode="constant")[:, extra:]
    wide[:, -1] = 0.0
    reach = min(ready.reach_rad + by_rad + 2.0 * step, math.pi)
    return ready._replace(
        curve=np.ascontiguousarray(wide), chord_step=step, reach_rad=reach, edge_rad=ready.edge_rad + by_rad
    )


def beyond_corners(ready: Lookup, by_rad: float) -> Lookup:
    """The lookup of round optics whose value at a direction is at least what they give a Sun there at any facing of a patch beyond
    their mean at the patch's corners, with weights that may differ from facing to facing but not with the Sun.

    by_rad   a small angle: directions are those off the patch's middle, its corners within so much of that

    Over -(cosine) a curve is a convex function and bends: each bend of -s at z, between ends l and h of what is met, lifts it above
    its lower hull by s (z - l) (h - z) / (h - l) at most, and the bends' hulls add up. So the value is of the second order in the
    angle, once many directions of the Sun are added up. A facing is a mean of the corners but for by_rad^2: within 20 degrees of
    the poles more.
    """
    from scipy.ndimage import maximum_filter1d

    parts = min(math.ceil(NODES_IN_BEND * ready.chord_step / by_rad), MOST_PARTS)
    step = ready.chord_step / parts
    # a node's stretch of the Sun and of its own bends are within two nodes more
    around = math.ceil(by_rad / step) + 2
    count = min(parts * (ready.curve.shape[1] - 1) + 1 + around, int(2.0 / step) + 1)
    nodes = step * np.arange(count)
    own = ready.chord_step * np.arange(ready.curve.shape[1])
    curve = np.stack([np.interp(nodes, own, one, right=0.0) for one in ready.curve])
    slope = np.diff(curve, axis=1) / step
    # bends over -(cosine) = chord^2 / 2, with those within rising stretches
    bend = np.zeros_like(curve)
    bend[:, 1:-1] = np.maximum(slope[:, :-1] - slope[:, 1:], 0.0) / nodes[1:-1]
    inner = np.maximum(slope[:, 1:], 0.0) * (1.0 / nodes[1:-1] - 1.0 / nodes[2:])
    bend[:, 1:-1] += inner
    bend[:, 2:] += inner
    squared = 0.5 * nodes**2
    low = 0.5 * np.maximum(nodes - around * step, 0.0) ** 2
    high = 0.5 * (nodes + around * step) ** 2
    found = np.zeros_like(curve)
    for off in range(-around, around + 1):
        to = np.arange(max(off, 0), min(count + off, count))
        at = to - off
        lift = (squared[to] - low[at]) * (high[at] - squared[to]) / (high[at] - low[at])
        found[:, at] += bend[:, to] * np.maximum(lift, 0.0)
    # what a facing may lie off the mean of the corners, times the steepest slope met
    off_mean = nodes - np.sqrt(np.maximum(nodes**2 - 2.0 * by_rad**2, 0.0)) + 2.0 * by_rad**2
    steep = np.pad(np.abs(slope), ((0, 0), (0, 1)))
    met = 2 * around + 1
    found += maximum_filter1d(steep, met, axis=1) * maximum_filter1d(off_mean, met)
    found[:, -1] = 0.0
    reach = 2.0 * math.asin(min(0.5 * nodes[-1], 1.0))
    return ready._replace(
        curve=np.ascontiguousarray(found), chord_step=step, reach_rad=reach, edge_rad=ready.edge_rad + by_rad
    )


def widened_grid(ready: Lookup, lean_rad: float, roll_rad: float) -> Lookup | None:
    """The lookup of two-angle optics whose acceptance times cosine at a direction is at least every one within
    lean + roll sin(incidence + lean) of it; None where that reaches to the plane of the aperture.

    Of two upper bounds the lower at each node: the largest of the nodes around, and the node itself with the steepest slope
    around times the turn. A turn d changes a projected angle by up to asin(sin d / cos(the other angle)).
    """
    steps = (ready.step_t, ready.step_l)
    mesh = 2.0 * sum(math.atan(step) for step in steps)
    ends = [float(np.abs(ready.sides[2 * axis : 2 * axis + 2]).max()) for axis in (0, 1)]
    turn = lean_rad + roll_rad * math.sin(min(ready.reach_rad + lean_rad, 0.5 * math.pi)) + mesh
    # no projected angle is larger than the incidence
    furthest = ready.reach_rad + turn
    if furthest > STEEPEST_RAD:
        return None
    outer = [min(end + float(_turned_rad(turn, furthest)), furthest) for end in ends]
    pads, firsts = [], []
    for axis, (first, step, fold) in enumerate(
        ((ready.first_t, ready.step_t, ready.fold_t), (ready.first_l, ready.step_l, ready.fold_l))
    ):
        last = first + step * (ready.grid.shape[1 + axis] - 1)
        most = math.tan(0.5 * outer[axis]) + 2.0 * step
        above = max(math.ceil((most - last) / step), 0)
        below = 0 if fold else max(math.ceil((first + most) / step), 0)
        pads.append((below, above))
        firsts.append(first - below * step)
    grid = np.pad(ready.grid, ((0, 0), *pads))
    t, el = (2.0 * np.arctan(firsts[k] + steps[k] * np.arange(grid.shape[1 + k])) for k in (0, 1))
    incidence = np.arctan(np.hypot(np.tan(t)[:, None], np.tan(el)[None, :]))
    own = lean_rad + roll_rad * np.sin(np.minimum(incidence + lean_rad + mesh, 0.5 * math.pi))
    by_t, by_l = (
        _turned_rad(own, np.minimum(np.abs(other) + _turned_rad(turn, spread), furthest))
        for other, spread in ((el[None, :], outer[0]), (t[:, None], outer[1]))
    )
    highest = grid
    highest = _most_around(highest, by_t.max(axis=0), t, 1, ready.fold_t)
    highest = _most_around(highest, by_l.max(axis=1), el, 2, ready.fold_l)
    slope_t, slope_l = (
        np.abs(np.diff(grid, axis=axis)) / mesh_of
        for axis, mesh_of in ((1, np.diff(t)[:, None]), (2, np.diff(el)))
    )
    steepest = []
    for slope, axis in ((slope_t, 1), (slope_l, 2)):
        edge = [(0, 0)] * 3
        edge[axis] = (0, 1)
        after = np.pad(slope, edge)
        edge[axis] = (1, 0)
        worst = np.maximum(after, np.pad(slope, edge))
        worst = _most_around(worst, by_t.max(axis=0), t, 1, ready.fold_t)
        steepest.append(_most_around(worst, by_l.max(axis=1), el, 2, ready.fold_l))
    straight = grid + steepest[0] * by_t + steepest[1] * by_l
    near = np.cos(np.maximum(incidence - own - mesh, 0.0)) / np.cos(np.minimum(incidence + mesh, 1.5))
    wide = np.where(highest > 0.0, np.minimum(highest, straight) * near, 0.0)
    sides = np.array([-outer[0], outer[0], -outer[1], outer[1]])
    return ready._replace(
        grid=np.ascontiguousarray(wide),
        first_t=firsts[0],
        first_l=firsts[1],
        sides=sides,
        reach_rad=min(ready.reach_rad + turn, 0.5 * math.pi),
    )


def _turned_rad(turn_rad: FloatArray | float, other_rad: FloatArray | float) -> FloatArray:
    """By how much a turn may change a projected angle where the other is at most so large."""
    return np.arcsin(np.minimum(np.sin(turn_rad) / np.cos(np.minimum(other_rad, STEEPEST_RAD)), 1.0))


def _most_around(
    grid: FloatArray, by_rad: FloatArray, nodes_rad: FloatArray, axis: int, fold: bool
) -> FloatArray:
    """Largest value (classes, rows, columns) within a stretch along an axis, one for each line along it, and a node more."""
    from scipy.ndimage import maximum_filter1d

    # nodes lie closest at the ends
    closest = float(np.diff(nodes_rad).min())
    count = np.ceil(by_rad / closest).astype(np.int64) + 1
    lines = np.moveaxis(grid, axis, 1)
    if fold:
        extra = min(int(count.max()), lines.shape[1] - 1)
        lines = np.concatenate([lines[:, extra:0:-1], lines], axis=1)
    found = np.empty_like(lines)
    for size in np.unique(count):
        own = count == size
        found[:, :, own] = maximum_filter1d(lines[:, :, own], 2 * int(size) + 1, axis=1, mode="constant")
    return np.moveaxis(found[:, extra:] if fold else found, 1, axis)


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
