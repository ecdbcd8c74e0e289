"""Planes above a two-angle acceptance: how much light optics may get at most when they are turned a little.

Turned by a small rotation w, optics see the Sun at q' instead of q. About each direction q of a grid there are a height F and a slope
p, square to q, such that at every q' within a distance d

    acceptance(q') cosine(q')  <=  F + p . (q' - q)

the slope by least squares over the directions around, the height by the largest remainder there. q' - q is -w x q, but for

    tangential part of  w x (w x q) / 2    at most  |w . q| |w x q| / 2
    all of higher order                    at most  (lean + roll)^2 exp(lean + roll) d / 6

which the height takes on. So over a whole sky the light is at most  sum F + w . sum p x q:  the first order in w cancels where light
is gained on one side and lost on the other. Between the nodes of the grid, F and p x q are interpolated: a mean of planes lies above
what each lies above, once for the mean of directions and of slopes together a quarter of the product of their ranges is added
(a covariance is at most that: T. Popoviciu, Mathematica 9, 129, 1935).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import prange

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_interpolator import Lookup


class Planes(NamedTuple):
    """Heights and slopes on a grid of tan(angle / 2), for optics turned by up to `lean_rad` and rolled by up to `roll_rad`.

    values     (classes, rows, columns, 4)  F, cosine included, and p x q in the optics' axes
    sides      (4,)  nothing beyond these projected angles, radians: transverse from and to, longitudinal from and to
    reach_rad  nor further off the normal
    """

    values: FloatArray
    first_t: float
    step_t: float
    fold_t: bool
    first_l: float
    step_l: float
    fold_l: bool
    sides: FloatArray
    reach_rad: float


STEPS_WITHIN = 4
"""The further directions may move, the wider is the grid of planes: so many of its steps at least lie within."""


def planes_above(ready: Lookup, lean_rad: float, roll_rad: float) -> Planes:
    """Those of a lookup of two angles. Directions move by up to lean + roll sin(incidence + lean), and stay before the horizon."""
    steps = (ready.step_t, ready.step_l)
    mesh = 2.0 * sum(math.atan(step) for step in steps)
    turn = lean_rad + roll_rad * math.sin(min(ready.reach_rad + lean_rad, 0.5 * math.pi)) + 2.0 * mesh
    every = max(1, int(lean_rad / (STEPS_WITHIN * 0.5 * mesh)))
    # no projected angle is more than the incidence
    outer = [min(_outer(ready, axis, turn), ready.reach_rad + turn) for axis in (0, 1)]
    pads, firsts = [], []
    for axis, (first, step, fold) in enumerate(
        ((ready.first_t, ready.step_t, ready.fold_t), (ready.first_l, ready.step_l, ready.fold_l))
    ):
        last = first + step * (ready.grid.shape[1 + axis] - 1)
        most = math.tan(0.5 * outer[axis]) + 2.0 * every * step
        above = max(math.ceil((most - last) / step), 0)
        below = 0 if fold else max(math.ceil((first + most) / step), 0)
        above += -(ready.grid.shape[1 + axis] + above + below - 1) % every
        pads.append((below, above))
        firsts.append(first - below * step)
    grid = np.ascontiguousarray(np.pad(ready.grid, ((0, 0), *pads)))
    u, v = (firsts[k] + steps[k] * np.arange(grid.shape[1 + k]) for k in (0, 1))
    tan_t, tan_l = 2.0 * u / (1.0 - u * u), 2.0 * v / (1.0 - v * v)
    up = 1.0 / np.sqrt(1.0 + tan_t[:, None] ** 2 + tan_l[None, :] ** 2)
    seen = np.ascontiguousarray(np.stack([tan_t[:, None] * up, tan_l[None, :] * up, up], axis=2))
    # between nodes acceptance times cosine is above the mean of theirs by no more
    light = grid * up + np.where(_most(grid) > 0.0, 0.25 * _range(grid) * _range(up[None]) + mesh * mesh, 0.0)
    height, slope = _planes(light, seen, ready.fold_t, ready.fold_l, lean_rad, roll_rad, mesh, every)
    coarse = seen[::every, ::every]
    # a mean of planes at the mean of their places; the sphere lies off the mean of nodes by less than the square of their mesh
    aside = sum(_range(slope[..., k]) * _range(coarse[None, ..., k]) for k in range(3))
    steepest = _most(np.sqrt((slope**2).sum(axis=3)))
    added = (
        0.25 * (1.0 + lean_rad + roll_rad) * aside
        + (every * mesh) ** 2 * (1.0 + lean_rad + roll_rad) * steepest
    )
    height += np.where(_most(height) > 0.0, added, 0.0)
    return Planes(
        values=np.concatenate([height[..., None], np.cross(slope, coarse[None])], axis=3),
        first_t=firsts[0],
        step_t=every * ready.step_t,
        fold_t=ready.fold_t,
        first_l=firsts[1],
        step_l=every * ready.step_l,
        fold_l=ready.fold_l,
        sides=np.array([-outer[0], outer[0], -outer[1], outer[1]]),
        reach_rad=min(ready.reach_rad + turn, 0.5 * math.pi),
    )


def _most(of: FloatArray) -> FloatArray:
    """Largest of each node (classes, rows, columns) and those beside it."""
    from scipy.ndimage import maximum_filter

    return np.asarray(maximum_filter(of, (1, 3, 3), mode="nearest"))


def _range(of: FloatArray) -> FloatArray:
    """Largest less smallest of each node and those beside it."""
    return np.asarray(_most(of) + _most(-of))


def _outer(ready: Lookup, axis: int, turn_rad: float) -> float:
    """The largest projected angle of light that has turned by so much."""
    end, other = (float(np.abs(ready.sides[2 * k : 2 * k + 2]).max()) for k in (axis, 1 - axis))
    return end + math.asin(min(math.sin(turn_rad) / math.cos(min(other + turn_rad, 1.5)), 1.0))


@njit(cache=True, inline="always")
def _direction(seen: FloatArray, m: int, n: int) -> tuple[float, float, float]:
    """Of a node, mirrored where its number is below 0."""
    x, y = seen[abs(m), abs(n), 0], seen[abs(m), abs(n), 1]
    return (x if m >= 0 else -x), (y if n >= 0 else -y), seen[abs(m), abs(n), 2]


@njit(cache=True, inline="always")
def _cosine(seen: FloatArray, m: int, n: int, x: float, y: float, z: float) -> float:
    qx, qy, qz = _direction(seen, m, n)
    return x * qx + y * qy + z * qz


@njit(cache=True, parallel=True)
def _planes(
    light: FloatArray, seen: FloatArray, fold_t: bool, fold_l: bool, lean: float, roll: float, mesh: float, every: int
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Heights (classes, rows, columns) and slopes (classes, rows, columns, 3) of light, cosine included, at every so manieth of the
    directions seen."""
    classes, rows, columns = light.shape
    wide, long = (rows - 1) // every + 1, (columns - 1) // every + 1
    height, slope = np.zeros((classes, wide, long)), np.zeros((classes, wide, long, 3))
    higher = (lean + roll) ** 2 * math.exp(lean + roll) / 6.0
    low_t, low_l = (1 - rows if fold_t else 0), (1 - columns if fold_l else 0)
    for place in prange(classes * wide):
        k, i = place // wide, place % wide * every
        for j in range(0, columns, every):
            x, y, z = seen[i, j, 0], seen[i, j, 1], seen[i, j, 2]
            incidence = math.acos(min(z, 1.0))
            sine = math.sin(min(incidence + lean, 0.5 * math.pi))
            move = lean + roll * sine
            near = math.cos(min(move + 2.0 * mesh, math.pi))
            # two axes square to the direction
            across = math.hypot(x, z)
            ax, az = z / across, -x / across
            bx, by, bz = -x * y / across, across, -y * z / across
            saa, sab, sbb, sa, sb, count, fa, fb, f, most = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
            slope_a, slope_b, found = 0.0, 0.0, 0.0
            for again in range(2):
                for way in range(2):
                    m, nearest = (i, j) if way == 0 else (i - 1, j)
                    while low_t <= m < rows:
                        # along a line of the grid, a great circle, directions come nearer up to one place
                        while nearest + 1 < columns and _cosine(seen, m, nearest + 1, x, y, z) > _cosine(
                            seen, m, nearest, x, y, z
                        ):
                            nearest += 1
                        while nearest > low_l and _cosine(seen, m, nearest - 1, x, y, z) > _cosine(
                            seen, m, nearest, x, y, z
                        ):
                            nearest -= 1
                        if _cosine(seen, m, nearest, x, y, z) < near:
                            break
                        for side in range(2):
                            n = nearest - side
                            while low_l <= n < columns and _cosine(seen, m, n, x, y, z) >= near:
                                qx, qy, qz = _direction(seen, m, n)
                                a, b = ax * qx + az * qz, bx * qx + by * qy + bz * qz
                                value = light[k, abs(m), abs(n)]
                                if again == 0:
                                    saa += a * a
                                    sab += a * b
                                    sbb += b * b
                                    sa += a
                                    sb += b
                                    fa += a * value
                                    fb += b * value
                                    f += value
                                    count += 1.0
                                    most = max(most, value)
                                else:
                                    found = max(found, value - slope_a * a - slope_b * b)
                                n += 1 - 2 * side
                        m += 1 - 2 * way
                if most == 0.0:
                    break
                if again == 0:
                    saa -= sa * sa / count
                    sbb -= sb * sb / count
                    sab -= sa * sb / count
                    fa -= sa * f / count
                    fb -= sb * f / count
                    square = saa * sbb - sab * sab
                    if square > 0.0:
                        slope_a, slope_b = (fa * sbb - fb * sab) / square, (fb * saa - fa * sab) / square
            steep = math.hypot(slope_a, slope_b)
            along = lean * math.sin(incidence) + roll * z
            found += steep * move * (0.5 * along + higher)
            at = (k, i // every, j // every)
            height[at] = found
            slope[at[0], at[1], at[2], 0] = slope_a * ax + slope_b * bx
            slope[at[0], at[1], at[2], 1] = slope_b * by
            slope[at[0], at[1], at[2], 2] = slope_a * az + slope_b * bz
    return height, slope


@njit(cache=True, inline="always")
def highest(
    values: FloatArray, first_t: float, step_t: float, fold_t: bool, first_l: float, step_l: float, fold_l: bool,
    x: float, y: float, z: float,
) -> tuple[float, float, float, float]:  # fmt: skip
    """F and p x q of planes' values (rows, columns, 4) at a direction z > 0 in the optics' axes; 0 beyond the grid."""
    sign_x, sign_y = 1.0, 1.0
    if fold_t and x < 0.0:
        x, sign_x = -x, -1.0
    if fold_l and y < 0.0:
        y, sign_y = -y, -1.0
    u = (x / (z + math.sqrt(x * x + z * z)) - first_t) / step_t
    v = (y / (z + math.sqrt(y * y + z * z)) - first_l) / step_l
    if u < 0.0 or v < 0.0:
        return 0.0, 0.0, 0.0, 0.0
    i, j = int(u), int(v)
    if i >= values.shape[0] - 1 or j >= values.shape[1] - 1:
        return 0.0, 0.0, 0.0, 0.0
    u -= i
    v -= j
    a, b, c, d = (1.0 - u) * (1.0 - v), (1.0 - u) * v, u * (1.0 - v), u * v
    # mirrored optics turn the other way about the axes in the mirror
    return (
        a * values[i, j, 0] + b * values[i, j + 1, 0] + c * values[i + 1, j, 0] + d * values[i + 1, j + 1, 0],
        (
            a * values[i, j, 1]
            + b * values[i, j + 1, 1]
            + c * values[i + 1, j, 1]
            + d * values[i + 1, j + 1, 1]
        )
        * sign_y,
        (
            a * values[i, j, 2]
            + b * values[i, j + 1, 2]
            + c * values[i + 1, j, 2]
            + d * values[i + 1, j + 1, 2]
        )
        * sign_x,
        (
            a * values[i, j, 3]
            + b * values[i, j + 1, 3]
            + c * values[i + 1, j, 3]
            + d * values[i + 1, j + 1, 3]
        )
        * (sign_x * sign_y),
    )
