"""The ground along one straight line of a gnomonic grid: the upper convex hull that begins at each of its points.

A line is walked from its far end towards the tile. What has been passed of it is kept as its upper convex hull, a stack with the
nearest vertex on top: each new point takes away the vertices that it hides, and lies on top itself. So the hull of all ground from
a column on stands ready when the walk gets there, at a constant number of steps a point, however far the line goes.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

FULL_DETAIL_PIXELS = 192
"""Ground is sampled at every pixel out to this distance ahead of the cells, at every second out to twice that, and so on."""
NEAR_PIXELS = 32
"""Ground within so many pixels of a cell is looked at along the cell's own line."""
LINES = 64
"""Neighbouring lines whose ground is read together."""
LONGEST_CHORD = NEAR_PIXELS
"""Half-length, in a level's points, of the longest chord that hides points below it; others are half as long, and so on."""
DENSE_LEVEL = 3
"""From this level on (768 pixels ahead) ground is sampled twice as densely: crests hundreds of kilometres away make
a polar horizon."""
MISSING_M = -1.0e9
"""Height of an unknown node: it rises above nothing."""
KNOWN_M = -1.0e8


class Levels(NamedTuple):
    """Heights on nested gnomonic grids in the tile's pixel coordinates: level l has a node at every 2^l-th pixel.

    heights_m   every level's (rows, columns) nodes, one after the other; MISSING_M where unknown
    start       (levels,) where each begins
    rows, columns, first_row, first_column   (levels,) extent in nodes, and the pixel coordinates of the first node
    """

    heights_m: Float32Array
    start: NDArray[np.int64]
    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    first_row: NDArray[np.int64]
    first_column: NDArray[np.int64]


class Direction(NamedTuple):
    """Lines of one azimuth: row = number + slope (p - origin) with p = sign * column, counting forward.

    origin       smallest p of the tile
    step         gnomonic length of one p
    east, north  the lines' direction in the gnomonic plane
    """

    sign: int
    slope: float
    origin: int
    step: float
    east: float
    north: float


@njit(cache=True)
def along_by_index(to_gnomonic: FloatArray, line: Direction) -> tuple[float, float, float]:
    """Gnomonic coordinate along the lines of a place, by its column, by its row, and of (0, 0)."""
    return (
        to_gnomonic[0, 0] * line.east + to_gnomonic[1, 0] * line.north,
        to_gnomonic[0, 1] * line.east + to_gnomonic[1, 1] * line.north,
        to_gnomonic[0, 2] * line.east + to_gnomonic[1, 2] * line.north,
    )


@njit(cache=True)
def reach_pixels(level: int) -> int:
    """How far ahead of the cells a level is used."""
    return FULL_DETAIL_PIXELS << (level + 1 if level >= DENSE_LEVEL else level)


@njit(cache=True)
def sharing_lines(level: int) -> int:
    """How many neighbouring lines share a level's ground along the middle of them: as many as make half the spacing of its nodes, a
    quarter of it where ground is sampled densely all the way."""
    return min(1 << max(level - 2 if level > DENSE_LEVEL else level - 1, 0), LINES)


@njit(cache=True)
def begin_pixels(level: int) -> int:
    """How far ahead of the cells a level begins: past the level before, whose lines run up to an eighth of its own sharing aside."""
    return reach_pixels(level - 1) + 1 + sharing_lines(level) // 8


@njit(cache=True, error_model="numpy")
def sink_below_tangent(east: float, north: float, height_m: float, radius_m: float) -> float:
    """Projective depth of a place less 1: sqrt(1 + east^2 + north^2) / (1 + height / radius) - 1.

    (along, depth) of the points of a line, with the gnomonic coordinate along it, is a projective image of the line's plane through
    the body's centre, in which straight stays straight; depth falls as the ground rises. Less 1, it keeps its digits in 32 bits: 2 mm
    of height at 350 km on the Moon.
    """
    return math.sqrt(1.0 + east * east + north * north) / (1.0 + height_m / radius_m) - 1.0


@njit(cache=True)
def sinks(levels: Levels, to_gnomonic: FloatArray, radius_m: float) -> Float32Array:
    """`sink_below_tangent` of every node of every level, one after the other; infinite where unknown."""
    out = np.empty(levels.heights_m.shape, dtype=np.float32)
    for level in range(levels.start.shape[0]):
        size, columns = 1 << level, levels.columns[level]
        for r in range(levels.rows[level]):
            row = levels.first_row[level] + r * size
            for c in range(columns):
                column = levels.first_column[level] + c * size
                node = levels.start[level] + r * columns + c
                height = np.float64(levels.heights_m[node])
                east = to_gnomonic[0, 0] * column + to_gnomonic[0, 1] * row + to_gnomonic[0, 2]
                north = to_gnomonic[1, 0] * column + to_gnomonic[1, 1] * row + to_gnomonic[1, 2]
                known = height > KNOWN_M
                out[node] = sink_below_tangent(east, north, height, radius_m) if known else np.inf
    return out


def levels_over(nodes: Float32Array, levels: Levels) -> Float32Array:
    """Values of the levels' nodes, each (rows, columns), with columns first."""
    pieces = [
        nodes[s : s + r * c].reshape(r, c).T.ravel()
        for s, r, c in zip(levels.start, levels.rows, levels.columns, strict=True)
    ]
    return np.concatenate(pieces)


@njit(cache=True)
def fill_points(
    nodes: Float32Array,
    start: int,
    rows: int,
    columns: int,
    first_row: int,
    first_column: int,
    size: int,
    sign: int,
    slope: float,
    origin: int,
    number: float,
    spacing: int,
    lines: int,
    begin: int,
    end: int,
    points: Float32Array,
    at: int,
) -> None:
    """Sinks of neighbouring lines at every size-th column from `begin` to `end`, into `points` from `at` on: column by column, the
    lines side by side in the order of `line_order`; infinite where unknown.

    nodes             those of a level from `start` on, column by column: at one column neighbouring lines meet neighbouring rows
    number, spacing   of the first line, and from line to line

    Places in memory are told as unsigned: the compiler then looks for none before the beginning, and takes several at a time.
    """
    period = line_period(size, spacing, lines)
    count, i = lines // period, (sign * begin - first_column) // size
    for p in range(begin, end + 1, size):
        crossing = number + slope * (p - origin) - first_row
        for phase in range(period):
            across = (crossing + phase * spacing) / size
            j = math.floor(across)
            share = np.float32(across - j)
            here = start + i * rows + j
            if 0 <= i < columns and j >= 0 and j + count < rows:
                for k in range(np.uintp(count)):
                    lower, upper = nodes[np.uintp(here) + k], nodes[np.uintp(here + 1) + k]
                    value = lower + (upper - lower) * share
                    # between two that are unknown it would be no number
                    points[np.uintp(at) + k] = value if value < np.inf else np.float32(np.inf)
            else:
                for k in range(count):
                    value = np.float32(np.inf)
                    if 0 <= i < columns and 0 <= j + k < rows - 1:
                        lower, upper = nodes[here + k], nodes[here + k + 1]
                        value = lower + (upper - lower) * share
                    points[at + k] = value if value < np.inf else np.float32(np.inf)
            at += count
        i += sign


@njit(cache=True)
def line_period(size: int, spacing: int, lines: int) -> int:
    """So many lines on, lines meet the next row of nodes at the same share of the way to the one after."""
    return min(max(size // spacing, 1), lines)


@njit(cache=True)
def line_order(line: int, size: int, spacing: int, lines: int) -> int:
    """Where a line stands among the points of one column: those a period apart side by side."""
    period = line_period(size, spacing, lines)
    return (line % period) * (lines // period) + line // period


@njit(cache=True)
def leave_out_hidden(points: Float32Array, at: int, lines: int, count: int, kept: Float32Array) -> None:
    """A level's points but those below a chord from a point to one as far beyond, which no cell sees above both: infinite.

    points, kept   `lines` side by side, `count` columns of them, from `at` on

    A cell sees the nearer end of each chord, LONGEST_CHORD at most away, in the level itself or among its near ground; there it lies
    up to half a pixel aside, and beyond where the line takes up the next level the farther end is sampled anew: where a sheer rim
    runs at a slant to the line and its top is hollow, a few cells see degrees less.
    """
    n = 0
    while n < count:
        room = min(n, count - 1 - n)
        # where all chords have room on both sides, as many columns as there are at once
        columns = count - 2 * LONGEST_CHORD if room == LONGEST_CHORD and n < count // 2 else 1
        here = np.uintp(at + n * lines)
        c1, c2, c3 = (
            np.uintp(min(room, 1) * lines),
            np.uintp(min(room, 2) * lines),
            np.uintp(min(room, 4) * lines),
        )
        c4, c5 = np.uintp(min(room, 8) * lines), np.uintp(min(room, 16) * lines)
        c6 = np.uintp(min(room, LONGEST_CHORD) * lines)
        # an end has no chord: none hides it
        is_end = np.float32(1.0) if room == 0 else np.float32(0.0)
        for k in range(np.uintp(columns * lines)):
            i = here + k
            v1, v2 = points[i - c1] + points[i + c1], points[i - c2] + points[i + c2]
            v3, v4 = points[i - c3] + points[i + c3], points[i - c4] + points[i + c4]
            v5, v6 = points[i - c5] + points[i + c5], points[i - c6] + points[i + c6]
            v1, v3, v5 = v1 if v1 < v2 else v2, v3 if v3 < v4 else v4, v5 if v5 < v6 else v6
            v1 = v1 if v1 < v3 else v3
            v1 = v1 if v1 < v5 else v5
            sink = points[i]
            kept[i] = sink if sink + sink < v1 + is_end else np.float32(np.inf)
        n += columns


@njit(cache=True)
def push_points(
    points: Float32Array,
    at: int,
    lines: int,
    first: int,
    size: int,
    begin: int,
    end: int,
    along_0: float,
    step: float,
    along: FloatArray,
    sink: FloatArray,
    hull_at: int,
    count: int,
) -> int:
    """Put a level's points of one line, from column `end` down to `begin`, on top of its hull; the new count of vertices.

    along, sink   the hull's vertices from `hull_at` on, nearest last
    points        every lines-th from `at` on, for every size-th column from `first` on
    along_0       gnomonic coordinate along the line of column 0
    """
    for n in range((end - first) // size, -((first - begin) // size) - 1, -1):
        s = np.float64(points[np.uintp(at + n * lines)])
        if s < np.inf:
            a = along_0 + step * (first + n * size)
            while count >= 2:
                near, after = np.uintp(hull_at + count - 1), np.uintp(hull_at + count - 2)
                # a vertex goes when the one after it stands as high or higher, seen from here
                if (sink[after] - s) * (along[near] - a) > (sink[near] - s) * (along[after] - a):
                    break
                count -= 1
            along[np.uintp(hull_at + count)], sink[np.uintp(hull_at + count)] = a, s
            count += 1
    return count
