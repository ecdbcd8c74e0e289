"""Horizons of every cell of a tile at once: straight lines of sight swept over a gnomonic grid with a convex hull per line.

On the gnomonic plane great circles are straight lines, so all cells share families of parallel lines. In the plane of one line and
the body's centre the ground is a row of points (X, Z): the body's curvature is in their places, and lines of sight are straight.
What a cell sees along its line is the tangent from its eye to the upper convex hull of the points ahead. A line is walked once, from
its far end, with the hull of what has been passed at hand; every cell on the way takes its tangent. The cost doesn't grow with reach
beyond the few coarser samples that far ground needs.

Ground within NEAR_PIXELS of a cell is looked at along the cell's own line, from the cell's own height; farther ground along the
nearest of the shared lines, at most half a pixel aside. Against lines of sight through the cell that errs by 0.04 deg (19 of 20
azimuths, on a rough lunar ridge at 10 m a pixel) and by 0.003 deg in the mean, too low: crests between samples are missed.

Where known ground ends, unknown ground is taken to lie no lower than the lowest known: no horizon is below that sphere's dip.

Angles are measured against the horizontal at the tile's centre, not at the cell: the Sun is in the same direction for the whole
tile, so one table of its path serves every cell.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.atan2 import arctangent2
from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.far_slopes import Eyes, along_by_index, far_slopes
from yieldsim.ground.line_points import (
    KNOWN_M,
    NEAR_PIXELS,
    Direction,
    Levels,
    sink_below_tangent,
    sinks,
)

LEVEL_SLOPE = 1e-9
"""Lines that stray less than this from a row run along it: they cross into the next row nowhere within reach."""
ANGLE_UNIT_DEG = 0.002
"""Horizons are stored as whole multiples of this, 16 bits each: up to 65.5 deg."""
LOWEST, HIGHEST, NO_CELL = -32767, 32767, -32768
PATCH = 32
"""Side of the patches in which maps are turned over in memory."""


class Cells(NamedTuple):
    """The tile's cells, and native pixels around them for the near ground.

    near_m   (rows + 2 margin, columns + 2 margin) heights of native pixels, margin NEAR_PIXELS + 1; MISSING_M where unknown
    row, column   (rows, columns) gnomonic places of the cells in pixel coordinates: nearly their own indices
    """

    near_m: Float32Array
    row: Float32Array
    column: Float32Array


def sweep(
    levels: Levels,
    cells: Cells,
    to_gnomonic: FloatArray,
    radius_m: float,
    ground_m: float,
    mast_height_m: float,
    azimuth_deg: FloatArray,
    stride: int = 1,
) -> NDArray[np.int16]:
    """Horizons (azimuth, rows / stride, columns / stride) of every stride-th cell, in ANGLE_UNIT_DEG; NO_CELL where unknown.

    to_gnomonic   (2, 3) rows east, north: gnomonic = to_gnomonic @ (column, row, 1), in sphere radii
    ground_m      typical ground height, for the scale of near distances
    azimuth_deg   at the tile's centre
    """
    rows, columns = cells.row.shape
    shape = (azimuth_deg.size, -(-rows // stride), -(-columns // stride))
    out = np.empty(shape, dtype=np.int16)
    azimuth = np.radians(azimuth_deg)
    towards = np.stack([np.sin(azimuth), np.cos(azimuth)], axis=1)
    index = np.linalg.solve(to_gnomonic[:, :2], towards.T).T
    upright = np.abs(index[:, 1]) > np.abs(index[:, 0])
    known = levels.heights_m > KNOWN_M
    lowest_m = float(np.min(levels.heights_m, where=known, initial=np.inf)) if known.any() else ground_m
    least = lowest_slopes(cells.near_m, rows, columns, lowest_m, radius_m, mast_height_m, stride)
    nodes = sinks(levels, to_gnomonic, radius_m)
    eyes = eyes_of(cells, to_gnomonic, radius_m, mast_height_m)
    # lines run along rows, or along columns: then rows and columns change places
    for turned in (False, True):
        chosen = np.flatnonzero(upright == turned)
        if chosen.size == 0:
            continue
        matrix, step = to_gnomonic, index[chosen]
        if turned:
            matrix, step = to_gnomonic[:, [1, 0, 2]], index[chosen][:, ::-1]
            levels = levels._replace(
                rows=levels.columns,
                columns=levels.rows,
                first_row=levels.first_column,
                first_column=levels.first_row,
            )
            eyes = Eyes(eyes.column, eyes.row, eyes.sink)
        lines_eyes = eyes if turned else Eyes(*(_over(a) for a in eyes))
        thin = slice(None, None, stride)
        _sweep_azimuths(
            nodes if turned else _levels_over(nodes, levels),
            levels,
            _over(cells.near_m) if turned else cells.near_m,
            _over(least) if turned else least,
            lines_eyes,
            (
                np.ascontiguousarray(lines_eyes.row[thin, thin]),
                np.ascontiguousarray(lines_eyes.column[thin, thin]),
            ),
            np.ascontiguousarray(matrix),
            radius_m,
            ground_m,
            mast_height_m,
            np.ascontiguousarray(step),
            chosen,
            stride,
            turned,
            out,
        )
    return out


def _over(values: NDArray[Any]) -> NDArray[Any]:
    return np.ascontiguousarray(values.T)


def _levels_over(nodes: Float32Array, levels: Levels) -> Float32Array:
    """Values of the levels' nodes, each (rows, columns), with columns first."""
    pieces = [
        nodes[s : s + r * c].reshape(r, c).T.ravel()
        for s, r, c in zip(levels.start, levels.rows, levels.columns, strict=True)
    ]
    return np.concatenate(pieces)


@njit(cache=True)
def eyes_of(cells: Cells, to_gnomonic: FloatArray, radius_m: float, mast_m: float) -> Eyes:
    """Where the cells' eyes are, (rows, columns) each."""
    shape = cells.row.shape
    eyes = Eyes(np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.float32))
    margin = NEAR_PIXELS + 1
    for j in range(shape[0]):
        for i in range(shape[1]):
            row, column = np.float64(cells.row[j, i]), np.float64(cells.column[j, i])
            east = to_gnomonic[0, 0] * column + to_gnomonic[0, 1] * row + to_gnomonic[0, 2]
            north = to_gnomonic[1, 0] * column + to_gnomonic[1, 1] * row + to_gnomonic[1, 2]
            height = np.float64(cells.near_m[j + margin, i + margin])
            eyes.row[j, i], eyes.column[j, i] = row - j, column - i
            known = height > KNOWN_M
            eyes.sink[j, i] = sink_below_tangent(east, north, height + mast_m, radius_m) if known else np.nan
    return eyes


@njit(cache=True, parallel=True)
def _sweep_azimuths(
    nodes: Float32Array,
    levels: Levels,
    near_m: Float32Array,
    least: Float32Array,
    eyes: Eyes,
    of_map: tuple[Float32Array, Float32Array],
    to_gnomonic: FloatArray,
    radius_m: float,
    ground_m: float,
    mast_m: float,
    steps: FloatArray,
    chosen: NDArray[np.int64],
    stride: int,
    turned: bool,
    out: NDArray[np.int16],
) -> None:
    columns = eyes.sink.shape[0]
    for a in prange(chosen.shape[0]):
        sign = 1 if steps[a, 0] > 0.0 else -1
        slope = steps[a, 1] / abs(steps[a, 0])
        if abs(slope) < LEVEL_SLOPE:
            slope = 0.0
        # gnomonic step of one column along the line: its length and direction
        east = sign * to_gnomonic[0, 0] + slope * to_gnomonic[0, 1]
        north = sign * to_gnomonic[1, 0] + slope * to_gnomonic[1, 1]
        step = math.hypot(east, north)
        line = Direction(sign, slope, 0 if sign > 0 else 1 - columns, step, east / step, north / step)
        near = least.copy()
        near_slopes(near, near_m, columns, line, step * (radius_m + ground_m), radius_m, mast_m, stride)
        far = np.full((near.shape[1], near.shape[0]), np.float32(-np.inf))
        far_slopes(nodes, levels, eyes.row, eyes.column, eyes.sink, to_gnomonic, line, stride, far)
        indexed = along_by_index(to_gnomonic, line)
        _angles(near, far, of_map[0], of_map[1], indexed, stride, turned, out[chosen[a]])


@njit(cache=True)
def lowest_slopes(
    near_m: Float32Array,
    rows: int,
    columns: int,
    lowest_m: float,
    radius_m: float,
    mast_m: float,
    stride: int,
) -> Float32Array:
    """Slope (rows / stride, columns / stride) of the horizon of a sphere at `lowest_m`, whose dip is acos of the radii's ratio.

    NaN where the ground is unknown.
    """
    margin = NEAR_PIXELS + 1
    best = np.empty((-(-rows // stride), -(-columns // stride)), dtype=np.float32)
    for j in range(best.shape[0]):
        for i in range(best.shape[1]):
            own = np.float64(near_m[j * stride + margin, i * stride + margin])
            ratio = (radius_m + lowest_m) / (radius_m + own + mast_m)
            least = -math.sqrt(max(1.0 - ratio * ratio, 0.0)) / ratio if ratio < 1.0 else 0.0
            best[j, i] = least if own > KNOWN_M else np.nan
    return best


@njit(cache=True)
def near_slopes(
    best: Float32Array,
    near_m: Float32Array,
    columns: int,
    line: Direction,
    step_m: float,
    radius_m: float,
    mast_m: float,
    stride: int,
) -> None:
    """Raise slopes (rows / stride, columns / stride) to those of the ground within NEAR_PIXELS ahead.

    (h - h0 - mast) / d - d / 2R, against each cell's own horizontal, with heights between two rows of a column.
    """
    margin = NEAR_PIXELS + 1
    mast = np.float32(mast_m)
    for j in range(best.shape[0]):
        row = j * stride + margin
        own = near_m[row, margin : margin + columns]
        for m in range(1, NEAR_PIXELS + 1):
            over = m * line.slope
            shift = math.floor(over)
            upper = np.float32(over - shift)
            inverse = np.float32(1.0 / (m * step_m))
            drop = np.float32(m * step_m / (2.0 * radius_m))
            begin = margin + line.sign * m
            ahead = near_m[row + shift, begin : begin + columns]
            beside = near_m[row + shift + 1, begin : begin + columns]
            if stride == 1:
                _raise_slopes(best[j], own, ahead, beside, upper, mast, inverse, drop)
            else:
                _raise_slopes(
                    best[j], own[::stride], ahead[::stride], beside[::stride], upper, mast, inverse, drop
                )


@njit(cache=True)
def _raise_slopes(
    best: Float32Array,
    own: Float32Array,
    ahead: Float32Array,
    beside: Float32Array,
    upper: np.float32,
    mast: np.float32,
    inverse: np.float32,
    drop: np.float32,
) -> None:
    """One step of a row: plain loops over rows of numbers, which the compiler turns into vector instructions."""
    lower = np.float32(1.0) - upper
    for i in range(best.shape[0]):
        value = (lower * ahead[i] + upper * beside[i] - own[i] - mast) * inverse - drop
        best[i] = value if value > best[i] else best[i]


@njit(cache=True, error_model="numpy")
def _angles(
    near: Float32Array,
    far: Float32Array,
    eye_row: Float32Array,
    eye_column: Float32Array,
    indexed: tuple[float, float, float],
    stride: int,
    turned: bool,
    out: NDArray[np.int16],
) -> None:
    """The larger of near (rows, columns) and far slopes (columns, rows), as multiples of ANGLE_UNIT_DEG; NO_CELL for NaN.

    eye_row, eye_column   (columns, rows) of the map's cells, as in `Eyes`
    Near slopes are against the cell's own horizontal. That leans by the cell's angle from the tile's centre, whose tangent is the
    cell's place along the line to 1e-6 of itself.
    """
    rows, columns = near.shape
    by_column, by_row, constant = indexed
    unit = math.degrees(1.0) / ANGLE_UNIT_DEG
    patch, told = np.empty((PATCH, PATCH), dtype=np.float32), np.empty((PATCH, PATCH), dtype=np.int16)
    for top in range(0, rows, PATCH):
        tall = min(PATCH, rows - top)
        for left in range(0, columns, PATCH):
            wide = min(PATCH, columns - left)
            for j in range(tall):
                for i in range(wide):
                    patch[i, j] = near[np.uintp(top + j), np.uintp(left + i)]
            for i in range(wide):
                start, x = constant + by_column * stride * (left + i), np.uintp(left + i)
                for j in range(tall):
                    y = np.uintp(top + j)
                    own = start + by_column * eye_column[x, y] + by_row * (stride * (top + j) + eye_row[x, y])
                    slope, seen = np.float64(patch[i, j]), np.float64(far[x, y])
                    leaning = (slope - own) / (1.0 + slope * own)
                    leaning = seen if seen > leaning else leaning
                    angle = min(max(np.rint(arctangent2(leaning, 1.0) * unit), LOWEST), HIGHEST)
                    told[i, j] = np.int16(angle) if leaning == leaning else np.int16(NO_CELL)
            if turned:
                for i in range(wide):
                    for j in range(tall):
                        out[np.uintp(left + i), np.uintp(top + j)] = told[i, j]
            else:
                for j in range(tall):
                    for i in range(wide):
                        out[np.uintp(top + j), np.uintp(left + i)] = told[i, j]
