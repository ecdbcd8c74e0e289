"""Far ground as cells see it that lie far apart: each along its own line, and only where it may rise above what is in sight before.

A walked line of the tile serves all cells near it, and costs what its points do: with a cell every RAY_STRIDE pixels there are too few
on each. Points are as dense as along walked lines. They are looked at BLOCK columns at a time: the highest ground of a block of nodes,
at its nearest, says whether any of it can matter.
"""

from __future__ import annotations

import math

import numpy as np

from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.line_points import NEAR_PIXELS, Direction, Levels, along_by_index, reach_pixels

RAY_STRIDE = 12
"""From this stride on rays cost less than walked lines."""
BLOCK = 16
MOST_SPARE = 256
"""Pixels by which every level reaches farther within the tile: half a tile of walked lines, whose levels begin where they leave it."""
SPARE_SLOPE = 1e-5
"""What is in sight before is taken to be so much lower: it is compared in 32 bits afterwards."""


@njit(cache=True)
def highest_of_blocks(nodes: Float32Array, levels: Levels) -> Levels:
    """Least sinks of blocks of BLOCK x BLOCK nodes of every level, in place of heights."""
    depth = levels.start.shape[0]
    rows, columns = (levels.rows + BLOCK - 1) // BLOCK, (levels.columns + BLOCK - 1) // BLOCK
    start = np.zeros(depth, dtype=np.int64)
    for level in range(1, depth):
        start[level] = start[level - 1] + rows[level - 1] * columns[level - 1]
    least = np.full(start[depth - 1] + rows[depth - 1] * columns[depth - 1], np.float32(np.inf))
    for level in range(depth):
        for r in range(levels.rows[level]):
            for c in range(levels.columns[level]):
                value = nodes[levels.start[level] + r * levels.columns[level] + c]
                at = start[level] + (r // BLOCK) * columns[level] + c // BLOCK
                least[at] = value if value < least[at] else least[at]
    return Levels(least, start, rows, columns, levels.first_row, levels.first_column)


@njit(cache=True, error_model="numpy")
def ray_slopes(
    nodes: Float32Array,
    levels: Levels,
    blocks: Levels,
    near: Float32Array,
    eye_row: Float32Array,
    eye_column: Float32Array,
    eye_sink: Float32Array,
    to_gnomonic: FloatArray,
    line: Direction,
    stride: int,
    far: Float32Array,
) -> None:
    """Slopes of far ground (columns, rows) of one azimuth for every stride-th cell, as `far_slopes` tells them, where they exceed
    those of the ground nearby.

    nodes    sinks of the levels' nodes, row by row: a ray meets neighbours in memory
    blocks   of `highest_of_blocks`
    near     (rows, columns) slopes against the cells' own horizontals
    """
    by_column, by_row, constant = along_by_index(to_gnomonic, line)
    for column in range(0, eye_sink.shape[0], stride):
        for row in range(0, eye_sink.shape[1], stride):
            eye, before = np.float64(eye_sink[column, row]), np.float64(near[row // stride, column // stride])
            if not (eye < np.inf and before > -np.inf):
                continue
            at_row = row + np.float64(eye_row[column, row])
            at_column = column + np.float64(eye_column[column, row])
            own = constant + by_column * at_column + by_row * at_row
            bent = by_column * (at_column - column) + by_row * (at_row - row)
            # of the line beside the tile's centre
            east = to_gnomonic[0, 0] * at_column + to_gnomonic[0, 1] * at_row + to_gnomonic[0, 2]
            north = to_gnomonic[1, 0] * at_column + to_gnomonic[1, 1] * at_row + to_gnomonic[1, 2]
            up = math.hypot(1.0, east * line.north - north * line.east)
            best: float = ((before - own) / (1.0 + before * own) - SPARE_SLOPE) / up
            here = line.sign * column
            spare = min(_pixels_left(row, column, eye_sink.shape[1], eye_sink.shape[0], line), MOST_SPARE)
            # from far to near: crests far away hide much of what is before them
            for level in range(levels.start.shape[0] - 1, -1, -1):
                size = 1 << level
                begin = here + (reach_pixels(level - 1) + spare if level > 0 else NEAR_PIXELS) + 1
                first = -(-begin // size) * size
                best = _raised(
                    nodes,
                    levels,
                    blocks,
                    level,
                    line.sign,
                    (line.sign * first - levels.first_column[level]) // size,
                    (row + line.slope * (first - here) - levels.first_row[level]) / size,
                    line.slope,
                    (here + reach_pixels(level) + spare - first) // size + 1,
                    eye,
                    own,
                    line.step * (first - here) - bent,
                    line.step * size,
                    best,
                )
            far[column // stride, row // stride] = best * up


@njit(cache=True)
def _pixels_left(row: int, column: int, rows: int, columns: int, line: Direction) -> int:
    """Columns from a cell to where its line leaves the tile: every level's nodes reach as far as the level does from there."""
    left = columns - 1 - column if line.sign > 0 else column
    across = rows - 1 - row if line.slope > 0.0 else row
    return left if abs(line.slope) * left <= across else int(across / abs(line.slope))


@njit(cache=True, error_model="numpy")
def _raised(
    nodes: Float32Array,
    levels: Levels,
    blocks: Levels,
    level: int,
    sign: int,
    column: int,
    row: float,
    slope: float,
    count: int,
    eye: float,
    own: float,
    ahead: float,
    step: float,
    best: float,
) -> float:
    """The larger of a slope and those of `count` points of a level along a ray, from a node's column and a place among its rows.

    ahead, step   gnomonic distance of the first point from the eye, and from point to point

    The slope of the line through eye and point against the tile's horizontal, over `up` of `far_slopes`, with the distance between
    the two in place of the point's own place:

        slope = (eye sink - sink) / ((along - eye along) (1 + eye sink) + eye along (eye sink - sink))

    It grows with the rise; ground above the eye counts for most at its nearest, ground below at its farthest.
    """
    rows, columns = levels.rows[level], levels.columns[level]
    n = 0
    while n < count:
        i = column + sign * n
        # the samples in this block of columns
        room = BLOCK - i % BLOCK if sign > 0 else i % BLOCK + 1
        end = min(n + room, count)
        low, high = row + slope * n, row + slope * (end - 1)
        low, high = min(low, high), max(low, high)
        if i < 0 or i >= columns or high < 0.0 or low >= rows - 1.0:
            n = end
            continue
        least = np.float32(np.inf)
        block = blocks.start[level] + i // BLOCK
        for j in range(max(int(low), 0) // BLOCK, min(int(high) + 1, rows - 1) // BLOCK + 1):
            value = blocks.heights_m[block + j * blocks.columns[level]]
            least = value if value < least else least
        rise = eye - least
        run = ahead + step * (n if rise > 0.0 else end - 1)
        if rise > best * (run * (1.0 + eye) + own * rise):
            here = levels.start[level] + i
            for k in range(n, end):
                place = row + slope * k
                j = math.floor(place)
                if 0 <= j < rows - 1:
                    at = np.uintp(here + j * columns)
                    lower, upper = nodes[at], nodes[at + np.uintp(columns)]
                    rise = eye - (lower + (upper - lower) * np.float32(place - j))
                    run = (ahead + step * k) * (1.0 + eye) + own * rise
                    if rise > best * run and rise > -np.inf:
                        best = rise / run
                here += sign
        n = end
    return best
