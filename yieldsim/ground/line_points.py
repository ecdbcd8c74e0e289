"""The ground along one straight line of a gnomonic grid: its points, and the upper convex hull that begins at each of them.

The hull of all points from one on is a chain: each point links to the next vertex of the hull that begins at it. The chains of a
line are built in one pass from its far end, each point taking away the vertices that it hides: a constant number of steps a point,
however far the line goes.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from yieldsim.base.relief import Float32Array
from yieldsim.base.vectors import FloatArray

FULL_DETAIL_PIXELS = 192
"""Ground is sampled at every pixel out to this distance ahead of the cells, at every second out to twice that, and so on."""
SHARED_LEVEL, SHARING_LINES = 3, 4
"""From this level on (768 pixels ahead) so many neighbouring lines share one line's ground, 0.1 deg of azimuth at most; being
cheap, it is sampled twice as densely: crests hundreds of kilometres away make a polar horizon."""
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


class LinePoints(NamedTuple):
    """Points of one line, far to near, as (along, depth): the plane's projective image in which straight stays straight.

    For a point at distance r from the centre and (X, Z) along and up from it: along = up X / Z, the even gnomonic coordinate, and
    depth = up R / Z, which falls as the ground rises; up = sqrt(1 + beside^2) for a line `beside` the tile's centre.

    count       (1,) how many points
    link        (points,) next vertex of the upper hull that begins at each; -1 at its end
    nearest_at  (columns,) nearest point at or past each column p - origin
    up2         (1,) up squared
    """

    count: NDArray[np.int64]  # type: ignore[assignment]
    along: FloatArray
    depth: FloatArray
    link: NDArray[np.int32]
    nearest_at: NDArray[np.int32]
    up2: FloatArray


@njit(cache=True)
def reach_pixels(level: int) -> int:
    """How far ahead of the cells a level is used."""
    return FULL_DETAIL_PIXELS << (level + 1 if level >= SHARED_LEVEL else level)


@njit(cache=True)
def empty_line(room: int) -> LinePoints:
    """A line with room for so many points."""
    return LinePoints(
        np.zeros(1, dtype=np.int64),
        np.empty(room),
        np.empty(room),
        np.empty(room, dtype=np.int32),
        np.full(room, -1, dtype=np.int32),
        np.zeros(1),
    )


@njit(cache=True)
def start_from_hull(shared: LinePoints, points: LinePoints) -> None:
    """Begin a line with the hull of the ground that its group shares: nothing else of that ground can be seen."""
    count = 0
    vertex = np.int32(shared.count[0] - 1)
    while vertex >= 0:
        count += 1
        vertex = shared.link[vertex]
    points.count[0] = count
    vertex = np.int32(shared.count[0] - 1)
    while vertex >= 0:
        count -= 1
        points.along[count], points.depth[count] = shared.along[vertex], shared.depth[vertex]
        points.link[count] = count - 1
        vertex = shared.link[vertex]


@njit(cache=True)
def add_points(
    levels: Levels,
    level_from: int,
    level_to: int,
    number: float,
    first: int,
    last: int,
    to_gnomonic: FloatArray,
    radius_m: float,
    line: Direction,
    points: LinePoints,
) -> None:
    """Add the points of some levels to a line, far to near, with their hull links.

    Level 0 from column `first` on, each further level from where the one before it ends: `reach_pixels` past `last`.
    """
    along, depth, link, nearest_at = points.along, points.depth, points.link, points.nearest_at
    base = line.sign * line.origin
    base_east = to_gnomonic[0, 0] * base + to_gnomonic[0, 1] * number + to_gnomonic[0, 2]
    base_north = to_gnomonic[1, 0] * base + to_gnomonic[1, 1] * number + to_gnomonic[1, 2]
    along_0 = base_east * line.east + base_north * line.north
    beside = base_east * line.north - base_north * line.east
    points.up2[0] = 1.0 + beside * beside
    up, inverse_up2, inverse_radius = math.sqrt(points.up2[0]), 1.0 / points.up2[0], 1.0 / radius_m
    count = points.count[0]
    for level in range(level_to - 1, level_from - 1, -1):
        size = 1 << level
        end = last + reach_pixels(level)
        begin = first if level == 0 else last + reach_pixels(level - 1) + 1
        columns, rows, start = levels.columns[level], levels.rows[level], levels.start[level]
        heights = levels.heights_m[start : start + rows * columns]
        p = (end // size) * size
        i = (line.sign * p - levels.first_column[level]) // size
        place = (number + line.slope * (p - line.origin) - levels.first_row[level]) / size
        a = along_0 + line.step * (p - line.origin)
        while p >= begin:
            j = math.floor(place)
            if 0 <= i < columns and 0 <= j < rows - 1:
                share = place - j
                node = j * columns + i
                lower, upper = np.float64(heights[node]), np.float64(heights[node + columns])
                if lower > KNOWN_M and upper > KNOWN_M:
                    d = _depth(up, inverse_up2, a, (lower * (1.0 - share) + upper * share) * inverse_radius)
                    nearest = count - 1
                    while nearest >= 0:
                        after = link[nearest]
                        # a vertex goes when the one after it stands as high or higher, seen from here
                        if after < 0 or (depth[after] - d) * (along[nearest] - a) > (depth[nearest] - d) * (
                            along[after] - a
                        ):
                            break
                        nearest = after
                    along[count], depth[count], link[count] = a, d, nearest
                    count += 1
            if level == 0:
                nearest_at[p - line.origin] = count - 1
            p -= size
            i -= line.sign
            place -= line.slope
            a = along_0 + line.step * (p - line.origin)
    points.count[0] = count


@njit(cache=True)
def _depth(up: float, inverse_up2: float, along: float, rise: float) -> float:
    """sqrt(up^2 + along^2) / (1 + rise) without a root or a division, which cost more than all the rest of a point.

    By series: 5e-9 of the value at along 0.2 (350 km on the Moon) and rise 0.006, 2 cm of height on the Moon; root beyond.
    """
    t = along * along * inverse_up2
    series = 1.0 + t * (0.5 - t * (0.125 - t * (0.0625 - t * 0.0390625)))
    length = series if t <= 0.04 else math.sqrt(1.0 + t)
    return up * length * (1.0 - rise * (1.0 - rise * (1.0 - rise)))


@njit(cache=True)
def tangent(points: LinePoints, start: int, eye_along: float, eye_depth: float) -> int:
    """Hull vertex that an eye sees highest on the hull beginning at `start`: slopes rise along it, then fall."""
    along, depth, link = points.along, points.depth, points.link
    best = start
    rise, run = eye_depth - depth[best], along[best] - eye_along
    after = link[best]
    while after >= 0:
        next_rise, next_run = eye_depth - depth[after], along[after] - eye_along
        if next_rise * run <= rise * next_run:
            break
        best, rise, run = after, next_rise, next_run
        after = link[best]
    return best
