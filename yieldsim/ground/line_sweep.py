"""Horizons of every cell of a tile at once: straight lines of sight swept over a gnomonic grid with a convex hull per line.

On the gnomonic plane great circles are straight lines, so all cells share families of parallel lines. In the plane of one line and
the body's centre the ground is a row of points (X, Z): the body's curvature is in their places, and lines of sight are straight.
What a cell sees along its line is the tangent from its eye to the upper convex hull of the points ahead. A line is walked once, from
its far end, with the hull of what has been passed at hand; every cell on the way takes its tangent. The cost doesn't grow with reach
beyond the few coarser samples that far ground needs.

Ground within NEAR_PIXELS of a cell is looked at along the cell's own line, from the cell's own height; farther ground along the
nearest of the shared lines, at most half a pixel aside, and from 384 pixels on along one line for several (`sharing_lines`).
Against lines of sight through the cell, in steps of 5 m, that errs by 0.004 deg in the median and by 0.02 to 0.06 deg at 19 of 20
azimuths, on a rough lunar ridge at 10 m a pixel from a mast of 2 m, by 0.002 deg in the mean: crests between samples are missed.

Far points below a chord between two of their line are left out, as what is seen above them is. Where the nearer is looked at aside
or the farther sampled anew, angles are lower: on lunar ridges 1 to 9 in 10,000, by 1e-5 deg in the mean of all, 0.2 deg at most.

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

from yieldsim.base.numerics.atan2 import arctangent_32
from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.cell_rays import RAY_STRIDE, highest_of_blocks, ray_slopes
from yieldsim.ground.far_slopes import Eyes, far_slopes
from yieldsim.ground.line_points import (
    KNOWN_M,
    NEAR_PIXELS,
    Direction,
    Levels,
    along_by_index,
    levels_over,
    sink_below_tangent,
    sinks,
)

LEVEL_SLOPE = 1e-9
"""Lines that stray less than this from a row run along it: they cross into the next row nowhere within reach."""
ANGLE_UNIT_DEG = 0.002
"""Horizons are stored as whole multiples of this, 16 bits each: up to 65.5 deg."""
LOWEST, HIGHEST, NO_CELL = -32767, 32767, -32768
STEPS_TOGETHER = 4
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
    by_row = sinks(levels, to_gnomonic, radius_m)
    by_column = levels_over(by_row, levels)
    eyes = eyes_of(cells, to_gnomonic, radius_m, mast_height_m)
    # lines run along rows, or along columns: then rows and columns change places; walked ones want nodes across them side by side
    walked = stride < RAY_STRIDE
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
        nodes = by_row if turned == walked else by_column
        lines_eyes = eyes if turned else Eyes(*(_over(a) for a in eyes))
        row, column = (
            np.ascontiguousarray(a[::stride, ::stride]) for a in (lines_eyes.row, lines_eyes.column)
        )
        of_map = row, column
        _sweep_azimuths(
            nodes, levels, levels if walked else highest_of_blocks(nodes, levels),
            _over(cells.near_m) if turned else cells.near_m, _over(least) if turned else least, lines_eyes,
            of_map, np.ascontiguousarray(matrix), radius_m, ground_m, mast_height_m,
            np.ascontiguousarray(step), chosen, stride, turned, out,
        )  # fmt: skip
    return out


def _over(values: NDArray[Any]) -> NDArray[Any]:
    return np.ascontiguousarray(values.T)


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
    blocks: Levels,
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
        if stride < RAY_STRIDE:
            far_slopes(nodes, levels, eyes.row, eyes.column, eyes.sink, to_gnomonic, line, stride, far)
        else:
            ray_slopes(
                nodes, levels, blocks, near, eyes.row, eyes.column, eyes.sink, to_gnomonic, line, stride, far
            )
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
    wide, mast = near_m.shape[1], np.float32(mast_m)
    flat_m, flat_best = near_m.reshape(-1), best.reshape(-1)
    # by step: places from a cell to the pixels ahead, and what their heights, the cell's own and the curvature weigh
    ahead = np.empty(NEAR_PIXELS, dtype=np.int64)
    lower, upper, own, drop = np.empty((4, NEAR_PIXELS), dtype=np.float32)
    for m in range(1, NEAR_PIXELS + 1):
        over = m * line.slope
        shift = math.floor(over)
        ahead[m - 1] = shift * wide + line.sign * m
        own[m - 1] = 1.0 / (m * step_m)
        lower[m - 1], upper[m - 1] = (1.0 - (over - shift)) / (m * step_m), (over - shift) / (m * step_m)
        drop[m - 1] = m * step_m / (2.0 * radius_m)
    for j in range(best.shape[0]):
        cell, at = (j * stride + margin) * wide + margin, j * best.shape[1]
        for m in range(0, NEAR_PIXELS, STEPS_TOGETHER):
            _raise_slopes(
                flat_best,
                at,
                best.shape[1],
                flat_m,
                cell,
                stride,
                wide,
                mast,
                ahead,
                lower,
                upper,
                own,
                drop,
                m,
            )


@njit(inline="always")
def _slope(
    flat_m: Float32Array,
    place: Any,
    wide: int,
    eye_m: np.float32,
    lower: np.float32,
    upper: np.float32,
    own: np.float32,
    drop: np.float32,
) -> np.float32:
    """One step's, every product and sum rounded: fused, they would be other bits on processors that fuse."""
    value: np.float32 = (
        flat_m[place] * lower + (flat_m[place + np.uintp(wide)] * upper - drop)
    ) - eye_m * own
    return value


@njit(cache=True)
def _raise_slopes(
    best: Float32Array,
    best_at: int,
    count: int,
    flat_m: Float32Array,
    cell: int,
    stride: int,
    wide: int,
    mast: np.float32,
    ahead: NDArray[np.int64],
    lower: Float32Array,
    upper: Float32Array,
    own: Float32Array,
    drop: Float32Array,
    m: int,
) -> None:
    """STEPS_TOGETHER steps of a row of cells: plain loops over rows of numbers, which the compiler turns into vector instructions.

    The slope before is taken in ahead of the last pair: as the last choice it would become a masked store, which takes longer than
    the steps on some processors.
    """
    l0, l1, l2, l3 = lower[m], lower[m + 1], lower[m + 2], lower[m + 3]
    u0, u1, u2, u3 = upper[m], upper[m + 1], upper[m + 2], upper[m + 3]
    o0, o1, o2, o3 = own[m], own[m + 1], own[m + 2], own[m + 3]
    d0, d1, d2, d3 = drop[m], drop[m + 1], drop[m + 2], drop[m + 3]
    a0, a1 = np.uintp(cell + ahead[m]), np.uintp(cell + ahead[m + 1])
    a2, a3 = np.uintp(cell + ahead[m + 2]), np.uintp(cell + ahead[m + 3])
    here, at = np.uintp(cell), np.uintp(best_at)
    if stride == 1:
        for i in range(np.uintp(count)):
            eye_m = flat_m[here + i] + mast
            v0, v1 = (
                _slope(flat_m, a0 + i, wide, eye_m, l0, u0, o0, d0),
                _slope(flat_m, a1 + i, wide, eye_m, l1, u1, o1, d1),
            )
            v2, v3 = (
                _slope(flat_m, a2 + i, wide, eye_m, l2, u2, o2, d2),
                _slope(flat_m, a3 + i, wide, eye_m, l3, u3, o3, d3),
            )
            v0, v2 = v0 if v0 > v1 else v1, v2 if v2 > v3 else v3
            before = best[at + i]
            v0 = v0 if v0 > before else before
            best[at + i] = v2 if v2 > v0 else v0
    else:
        for n in range(np.uintp(count)):
            i = n * np.uintp(stride)  # type: ignore[assignment]
            eye_m = flat_m[here + i] + mast
            v0, v1 = (
                _slope(flat_m, a0 + i, wide, eye_m, l0, u0, o0, d0),
                _slope(flat_m, a1 + i, wide, eye_m, l1, u1, o1, d1),
            )
            v2, v3 = (
                _slope(flat_m, a2 + i, wide, eye_m, l2, u2, o2, d2),
                _slope(flat_m, a3 + i, wide, eye_m, l3, u3, o3, d3),
            )
            v0, v2 = v0 if v0 > v1 else v1, v2 if v2 > v3 else v3
            before = best[at + n]
            v0 = v0 if v0 > before else before
            best[at + n] = v2 if v2 > v0 else v0


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
    column_32, row_32 = np.float32(by_column), np.float32(by_row)
    unit, one = np.float32(math.degrees(1.0) / ANGLE_UNIT_DEG), np.float32(1.0)
    least, most = np.float32(LOWEST), np.float32(HIGHEST)
    patch, told = np.empty((PATCH, PATCH), dtype=np.float32), np.empty((PATCH, PATCH), dtype=np.int16)
    for top in range(0, rows, PATCH):
        tall = min(PATCH, rows - top)
        for left in range(0, columns, PATCH):
            wide = min(PATCH, columns - left)
            for j in range(tall):
                for i in range(wide):
                    patch[i, j] = near[np.uintp(top + j), np.uintp(left + i)]
            for i in range(wide):
                x = np.uintp(left + i)
                start = constant + by_column * stride * (left + i)
                for j in range(tall):
                    y = np.uintp(top + j)
                    # the same bits for a cell whatever the stride
                    own = np.float32(start + by_row * (stride * (top + j)))
                    own += column_32 * eye_column[x, y] + row_32 * eye_row[x, y]
                    slope, seen = patch[i, j], far[x, y]
                    leaning = (slope - own) / (one + slope * own)
                    leaning = seen if seen > leaning else leaning
                    angle = min(max(np.rint(arctangent_32(leaning) * unit), least), most)
                    told[i, j] = np.int16(angle) if leaning == leaning else np.int16(NO_CELL)
            if turned:
                for i in range(wide):
                    for j in range(tall):
                        out[np.uintp(left + i), np.uintp(top + j)] = told[i, j]
            else:
                for j in range(tall):
                    for i in range(wide):
                        out[np.uintp(top + j), np.uintp(left + i)] = told[i, j]
