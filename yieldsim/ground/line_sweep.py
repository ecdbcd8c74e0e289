"""Horizons of every cell of a tile at once: straight lines of sight swept over a gnomonic grid with a convex hull per line.

On the gnomonic plane great circles are straight lines, so all cells share families of parallel lines. In the plane of one line and
the body's centre the ground is a row of points (X, Z): the body's curvature is in their places, and lines of sight are straight.
What a cell sees along its line is the tangent from its eye to the upper convex hull of the points ahead. The hull of all points
from a column on is a chain: each point links to the next vertex of the hull that begins at it. The chains of a line are built once,
from its far end, in one pass; every cell then walks its own. The cost doesn't grow with reach beyond the few coarser samples that
far ground needs.

Ground within NEAR_PIXELS of a cell is looked at along the cell's own line, from the cell's own height; farther ground along the
nearest of the shared lines, at most half a pixel aside. Against lines of sight through the cell that errs by 0.04 deg (19 of 20
azimuths, on a rough lunar ridge at 10 m a pixel) and by under 0.001 deg in the mean.

Where known ground ends, unknown ground is taken to lie no lower than the lowest known: no horizon is below that sphere's dip.

Angles are measured against the horizontal at the tile's centre, not at the cell: the Sun is in the same direction for the whole
tile, so one table of its path serves every cell.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from yieldsim.base.relief import Float32Array
from yieldsim.base.vectors import FloatArray
from yieldsim.ground.line_points import (
    FULL_DETAIL_PIXELS,
    KNOWN_M,
    MISSING_M,
    SHARED_LEVEL,
    SHARING_LINES,
    Direction,
    Levels,
    LinePoints,
    add_points,
    empty_line,
    start_from_hull,
    tangent,
)

NEAR_PIXELS = 32
LEVEL_SLOPE = 1e-9
"""Lines that stray less than this from a row run along it: they cross into the next row nowhere within reach."""
ANGLE_UNIT_DEG = 0.002
"""Horizons are stored as whole multiples of this, 16 bits each: up to 65.5 deg."""
LOWEST, HIGHEST, NO_CELL = -32767, 32767, -32768


class Cells(NamedTuple):
    """The tile's cells, and native pixels around them for the near ground.

    near_m   (rows + 2 margin, columns + 2 margin) heights of native pixels, margin NEAR_PIXELS + 1; MISSING_M where unknown
    row, column   (rows, columns) gnomonic places of the cells in pixel coordinates: nearly their own indices
    """

    near_m: Float32Array
    row: Float32Array
    column: Float32Array


def transposed(levels: Levels, cells: Cells) -> tuple[Levels, Cells]:
    """Both with rows and columns exchanged, for lines that run along rows rather than columns."""
    pieces = [
        levels.heights_m[s : s + r * c].reshape(r, c).T.ravel()
        for s, r, c in zip(levels.start, levels.rows, levels.columns, strict=True)
    ]
    turned = Levels(
        np.concatenate(pieces),
        levels.start,
        levels.columns,
        levels.rows,
        levels.first_column,
        levels.first_row,
    )
    return turned, Cells(*(np.ascontiguousarray(a.T) for a in (cells.near_m, cells.column, cells.row)))


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
    for turned in (False, True):
        chosen = np.flatnonzero(upright == turned)
        if chosen.size == 0:
            continue
        a, b = transposed(levels, cells) if turned else (levels, cells)
        matrix = to_gnomonic[:, [1, 0, 2]] if turned else to_gnomonic
        step = index[chosen][:, ::-1] if turned else index[chosen]
        _sweep_azimuths(
            a,
            b,
            np.ascontiguousarray(matrix),
            radius_m,
            ground_m,
            lowest_m,
            mast_height_m,
            np.ascontiguousarray(step),
            chosen,
            stride,
            turned,
            out,
        )
    return out


@njit(cache=True, parallel=True)
def _sweep_azimuths(
    levels: Levels,
    cells: Cells,
    to_gnomonic: FloatArray,
    radius_m: float,
    ground_m: float,
    lowest_m: float,
    mast_m: float,
    steps: FloatArray,
    chosen: NDArray[np.int64],
    stride: int,
    turned: bool,
    out: NDArray[np.int16],
) -> None:
    rows, columns = cells.row.shape
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
        near = lowest_slopes(cells.near_m, rows, columns, lowest_m, radius_m, mast_m, stride)
        near_slopes(near, cells.near_m, columns, line, step * (radius_m + ground_m), radius_m, mast_m, stride)
        horizon = np.empty(near.shape)
        _far_slopes(levels, cells, to_gnomonic, radius_m, mast_m, line, stride, near, horizon)
        quantized = _angles(horizon)
        out[chosen[a]] = quantized.T if turned else quantized


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
    """Slope (rows / stride, columns / stride) of the horizon of a sphere at `lowest_m`: its dip is acos of the radii's ratio."""
    margin = NEAR_PIXELS + 1
    best = np.empty((-(-rows // stride), -(-columns // stride)), dtype=np.float32)
    for j in range(best.shape[0]):
        for i in range(best.shape[1]):
            own = np.float64(near_m[j * stride + margin, i * stride + margin])
            ratio = (radius_m + lowest_m) / (radius_m + own + mast_m)
            best[j, i] = -math.sqrt(1.0 - ratio * ratio) / ratio if own > KNOWN_M and ratio < 1.0 else 0.0
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


@njit(cache=True)
def _far_slopes(
    levels: Levels,
    cells: Cells,
    to_gnomonic: FloatArray,
    radius_m: float,
    mast_m: float,
    line: Direction,
    stride: int,
    near: Float32Array,
    horizon: FloatArray,
) -> None:
    """One azimuth: the tile's lines in groups that share their farthest ground, and the cells between neighbouring lines."""
    rows, columns = cells.row.shape
    low, high = line.origin, line.origin + columns - 1
    fall = -line.slope * (columns - 1)
    first_line = math.floor(min(0.0, fall)) - 1
    last_line = math.ceil(rows - 1 + max(0.0, fall)) + 1
    depth = levels.start.shape[0]
    room = columns + 2 * FULL_DETAIL_PIXELS * (1 + depth) + 8
    shared, points = empty_line(room), empty_line(room)
    eyes = np.empty((4, columns))
    for number in range(first_line, last_line + 1):
        # columns where the group's lines run through the tile
        group = number - (number - first_line) % SHARING_LINES
        enter, leave = low, high
        if line.slope != 0.0:
            crossings = (
                line.origin + (-1.0 - group) / line.slope,
                line.origin + (-1.0 - group - SHARING_LINES) / line.slope,
                line.origin + (rows - group) / line.slope,
                line.origin + (rows - group - SHARING_LINES) / line.slope,
            )
            enter = max(low, math.floor(min(crossings)))
            leave = min(high, math.ceil(max(crossings)))
        if enter > leave:
            continue
        if number == group:
            shared.count[0] = 0
            middle = group + 0.5 * (SHARING_LINES - 1)
            add_points(levels, SHARED_LEVEL, depth, middle, enter, leave, to_gnomonic, radius_m, line, shared)
        start_from_hull(shared, points)
        add_points(
            levels,
            0,
            min(SHARED_LEVEL, depth),
            float(number),
            enter,
            leave,
            to_gnomonic,
            radius_m,
            line,
            points,
        )
        _look_along(
            cells,
            to_gnomonic,
            radius_m,
            mast_m,
            line,
            number,
            enter,
            leave,
            stride,
            points,
            eyes,
            near,
            horizon,
        )


@njit(cache=True)
def _look_along(
    cells: Cells,
    to_gnomonic: FloatArray,
    radius_m: float,
    mast_m: float,
    line: Direction,
    number: int,
    enter: int,
    leave: int,
    stride: int,
    points: LinePoints,
    eyes: FloatArray,
    near: Float32Array,
    horizon: FloatArray,
) -> None:
    """Slopes, against the tile's horizontal, seen by the cells nearest to a line: one cell a column.

    The line 1 = A depth + slope along / up through eye and vertex, solved for its slope:

        slope = up (eye depth - depth) / (along eye depth - eye along depth)
    """
    rows = cells.row.shape[0]
    margin = NEAR_PIXELS + 1
    along, depth = points.along, points.depth
    up = math.sqrt(points.up2[0])
    count = 0
    # three passes: the first and the last don't wait for the branches of the middle one
    for p in range(enter, leave + 1):
        i = line.sign * p
        j = math.floor(number + line.slope * (p - line.origin) + 0.5)
        if j < 0 or j >= rows or (stride > 1 and (i % stride != 0 or j % stride != 0)):
            continue
        row, column = np.float64(cells.row[j, i]), np.float64(cells.column[j, i])
        at_east = to_gnomonic[0, 0] * column + to_gnomonic[0, 1] * row + to_gnomonic[0, 2]
        at_north = to_gnomonic[1, 0] * column + to_gnomonic[1, 1] * row + to_gnomonic[1, 2]
        own = at_east * line.east + at_north * line.north
        height = np.float64(cells.near_m[j + margin, i + margin])
        eyes[0, count], eyes[3, count] = own, p
        eyes[1, count] = math.sqrt(points.up2[0] + own * own) * radius_m / (radius_m + height + mast_m)
        count += 1
    for k in range(count):
        start = points.nearest_at[int(eyes[3, k]) + margin - line.origin]
        eyes[2, k] = tangent(points, start, eyes[0, k], eyes[1, k]) if start >= 0 else -1
    for k in range(count):
        p, own, eye, vertex = int(eyes[3, k]), eyes[0, k], eyes[1, k], int(eyes[2, k])
        i = line.sign * p
        j = math.floor(number + line.slope * (p - line.origin) + 0.5)
        if cells.near_m[j + margin, i + margin] < KNOWN_M:
            horizon[j // stride, i // stride] = np.nan
            continue
        far = np.float64(MISSING_M)
        if vertex >= 0:
            far = up * (eye - depth[vertex]) / (along[vertex] * eye - own * depth[vertex])
        # the cell's horizontal leans by its angle from the tile's centre, whose tangent is `own` to 1e-6 of itself
        close = np.float64(near[j // stride, i // stride])
        horizon[j // stride, i // stride] = max(far, (close - own) / (1.0 + close * own))


@njit(cache=True)
def _angles(slope: FloatArray) -> NDArray[np.int16]:
    """Slopes as whole multiples of ANGLE_UNIT_DEG; NO_CELL for NaN."""
    out = np.empty(slope.shape, dtype=np.int16)
    for j in range(slope.shape[0]):
        for i in range(slope.shape[1]):
            if np.isnan(slope[j, i]):
                out[j, i] = NO_CELL
            else:
                angle = math.degrees(math.atan(slope[j, i])) / ANGLE_UNIT_DEG
                out[j, i] = min(max(round(angle), LOWEST), HIGHEST)
    return out
