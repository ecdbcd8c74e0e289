"""Far ground as a tile's cells see it along one azimuth: lines walked from their far ends, a tangent for every cell on the way."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.line_points import (
    FULL_DETAIL_PIXELS,
    LINES,
    NEAR_PIXELS,
    Direction,
    Levels,
    along_by_index,
    begin_pixels,
    fill_points,
    leave_out_hidden,
    line_order,
    push_points,
    reach_pixels,
    sharing_lines,
)


class Eyes(NamedTuple):
    """The cells' eyes, (columns, rows) each.

    row, column   how far their gnomonic places stray from the cells' own indices
    sink          projective sink; NaN where the ground is unknown
    """

    row: Float32Array
    column: Float32Array
    sink: Float32Array


@njit(cache=True)
def far_slopes(
    nodes: Float32Array,
    levels: Levels,
    eye_row: Float32Array,
    eye_column: Float32Array,
    eye_sink: Float32Array,
    to_gnomonic: FloatArray,
    line: Direction,
    stride: int,
    far: Float32Array,
) -> None:
    """Slopes of far ground (columns, rows) of one azimuth, from LINES of the tile's lines at a time; far ones are shared."""
    columns, rows = eye_sink.shape
    margin = NEAR_PIXELS + 1
    low, high = line.origin, line.origin + columns - 1
    fall = -line.slope * (columns - 1)
    first_line = math.floor(min(0.0, fall)) - 1
    last_line = math.ceil(rows - 1 + max(0.0, fall)) + 1
    depth = levels.start.shape[0]
    # a hull for every level, of its ground and all beyond, one after the other
    room = columns + 2 * FULL_DETAIL_PIXELS * (1 + depth) + 8
    along, sink = np.empty((depth + 1) * room), np.empty((depth + 1) * room)
    counts, leaves = np.zeros((2, depth + 1), dtype=np.int64)
    # every level's points side by side: where each level's begin, in memory and on the lines
    starts, firsts = np.zeros(depth + 1, dtype=np.int64), np.zeros(depth, dtype=np.int64)
    for level in range(depth):
        before = 0 if level == 0 else reach_pixels(level - 1)
        most = (reach_pixels(level) - before + columns) // (1 << level) + 2
        starts[level + 1] = starts[level] + most * (LINES // sharing_lines(level))
    points, kept = np.empty(starts[depth], dtype=np.float32), np.empty(starts[depth], dtype=np.float32)
    own, eye = np.empty(columns * LINES), np.empty(columns * LINES)
    # of the hull that a line's cells see: its edges; of the line: the columns of its points
    edge_at, edge_by = np.empty(room), np.empty(room)
    left = np.empty(columns + FULL_DETAIL_PIXELS + 2 * margin, dtype=np.int64)
    indexed = along_by_index(to_gnomonic, line)
    # a cell's line: its row less what the lines have crossed at its column, to the nearest
    crossed = np.empty(columns, dtype=np.int64)
    for q in range(columns):
        crossed[q] = math.floor(line.slope * q + 0.5)
    wanted = _lines_of_cells(crossed, rows, stride, line, first_line, last_line)
    for first in range(first_line, last_line + 1, LINES):
        if stride > 1 and not wanted[first - first_line : first - first_line + LINES].any():
            continue
        begin, end = _span(first, LINES, rows, low, high, line.slope, line.origin)
        if begin > end:
            continue
        for level in range(depth):
            size, shared = 1 << level, sharing_lines(level)
            least = min(
                _leave(first, shared, rows, begin, end, line),
                _leave(first + LINES - shared, shared, rows, begin, end, line),
            )
            firsts[level] = begin + margin if level == 0 else -(-(least + begin_pixels(level)) // size) * size
            fill_points(
                nodes,
                levels.start[level],
                levels.rows[level],
                levels.columns[level],
                levels.first_row[level],
                levels.first_column[level],
                size,
                line.sign,
                line.slope,
                line.origin,
                first + 0.5 * (shared - 1),
                shared,
                LINES // shared,
                firsts[level],
                end + reach_pixels(level),
                points,
                starts[level],
            )
            count = (end + reach_pixels(level) - firsts[level]) // size + 1
            leave_out_hidden(points, starts[level], LINES // shared, count, kept)
        _fill_eyes(
            eye_row,
            eye_column,
            eye_sink,
            indexed,
            line.sign,
            line.origin,
            crossed,
            first,
            begin,
            end,
            own,
            eye,
        )
        leaves[depth] = end
        for k in range(min(LINES, last_line + 1 - first)):
            for level in range(depth - 1, 0, -1):
                size, shared = 1 << level, sharing_lines(level)
                at = first - first_line + k
                if k % shared != 0 or (stride > 1 and not wanted[at : at + shared].any()):
                    continue
                leaves[level] = _leave(first + k, shared, rows, begin, end, line)
                count = _handed_down(along, sink, level, room, counts[level + 1])
                place, _ = _line_place(to_gnomonic, line, first + k + 0.5 * (shared - 1))
                counts[level] = push_points(
                    kept,
                    starts[level] + line_order(k // shared, size, shared, LINES // shared),
                    LINES // shared,
                    firsts[level],
                    size,
                    leaves[level] + begin_pixels(level),
                    leaves[level + 1] + reach_pixels(level),
                    place,
                    line.step,
                    along,
                    sink,
                    level * room,
                    count,
                )
            enter, leave = _span(first + k, 1, rows, low, high, line.slope, line.origin)
            if enter > leave or not wanted[first - first_line + k]:
                continue
            place, up = _line_place(to_gnomonic, line, float(first + k))
            _look_along(
                kept,
                k - firsts[0] * LINES,
                own,
                eye,
                k - begin * LINES,
                crossed,
                line.sign,
                line.origin,
                place,
                line.step,
                up,
                first + k,
                rows,
                enter,
                leave,
                leaves[1] + FULL_DETAIL_PIXELS,
                along,
                sink,
                _handed_down(along, sink, 0, room, counts[1]),
                edge_at,
                edge_by,
                left,
            )
        _tell(eye, crossed, line.sign, line.origin, first, begin, end, rows, stride, far)


@njit(cache=True)
def _lines_of_cells(
    crossed: NDArray[np.int64], rows: int, stride: int, line: Direction, first_line: int, last_line: int
) -> NDArray[np.bool_]:
    """Which lines from the first to the last are looked along: with a stride, the few that are nearest to a cell."""
    wanted = np.full(last_line + 1 - first_line, stride == 1)
    if stride == 1:
        return wanted
    for column in range(0, crossed.shape[0], stride):
        number = -crossed[line.sign * column - line.origin] - first_line
        for row in range(0, rows, stride):
            wanted[number + row] = True
    return wanted


@njit(cache=True)
def _leave(first: int, lines: int, rows: int, begin: int, end: int, line: Direction) -> int:
    """Where the last of neighbouring lines leaves the tile, within the columns of all that are read together."""
    _, leave = _span(first, lines, rows, begin, end, line.slope, line.origin)
    return max(leave, begin)


@njit(cache=True)
def _handed_down(along: FloatArray, sink: FloatArray, level: int, room: int, count: int) -> int:
    """The hull of the next level's ground, copied to begin that of a level's own; its count of vertices."""
    here, beyond = np.uintp(level * room), np.uintp((level + 1) * room)
    for v in range(np.uintp(count)):
        along[here + v], sink[here + v] = along[beyond + v], sink[beyond + v]
    return count


@njit(cache=True)
def _span(
    first: int, lines: int, rows: int, low: int, high: int, slope: float, origin: int
) -> tuple[int, int]:
    """Columns where neighbouring lines run through the tile; none where the first is beyond the last."""
    if slope == 0.0:
        return low, high
    crossings = (
        origin + (-1.0 - first) / slope,
        origin + (-1.0 - first - lines) / slope,
        origin + (rows - first) / slope,
        origin + (rows - first - lines) / slope,
    )
    return max(low, math.floor(min(crossings))), min(high, math.ceil(max(crossings)))


@njit(cache=True)
def _line_place(to_gnomonic: FloatArray, line: Direction, number: float) -> tuple[float, float]:
    """Gnomonic coordinate along a line where p = 0, and sqrt(1 + beside^2) of a line that runs `beside` the tile's centre."""
    base = line.sign * line.origin
    east = to_gnomonic[0, 0] * base + to_gnomonic[0, 1] * number + to_gnomonic[0, 2]
    north = to_gnomonic[1, 0] * base + to_gnomonic[1, 1] * number + to_gnomonic[1, 2]
    beside = east * line.north - north * line.east
    along = east * line.east + north * line.north - line.step * line.origin
    return along, math.sqrt(1.0 + beside * beside)


@njit(cache=True)
def _fill_eyes(
    eye_row: Float32Array,
    eye_column: Float32Array,
    eye_sink: Float32Array,
    indexed: tuple[float, float, float],
    sign: int,
    origin: int,
    crossed: NDArray[np.int64],
    number: int,
    begin: int,
    end: int,
    own: FloatArray,
    eye: FloatArray,
) -> None:
    """Places along the lines, and sinks, of the cells nearest to LINES neighbouring lines, column by column.

    indexed   see `along_by_index`
    """
    rows = eye_sink.shape[1]
    by_column, by_row, constant = indexed
    for q in range(begin, end + 1):
        i, j, at = sign * q, number + crossed[q - origin], (q - begin) * LINES
        start = constant + by_column * i + by_row * j
        for k in range(max(-j, 0), min(LINES, rows - j)):
            row = np.uintp(j + k)
            bent = by_column * eye_column[i, row] + by_row * eye_row[i, row]
            own[np.uintp(at + k)] = start + by_row * k + bent
            eye[np.uintp(at + k)] = eye_sink[i, row]


@njit(cache=True, error_model="numpy")
def _look_along(
    points: Float32Array,
    points_at: int,
    own: FloatArray,
    eye: FloatArray,
    eyes_at: int,
    crossed: NDArray[np.int64],
    sign: int,
    origin: int,
    along_0: float,
    step: float,
    up: float,
    number: int,
    rows: int,
    enter: int,
    leave: int,
    farthest: int,
    along: FloatArray,
    sink: FloatArray,
    count: int,
    edge_at: FloatArray,
    edge_by: FloatArray,
    left: NDArray[np.int64],
) -> None:
    """The last stretch of a line, through the tile: its pixels pushed one by one, and the tangents of the cells nearest to it.

    The line 1 = A depth + slope along / up through eye and vertex, solved for its slope against the tile's horizontal, with depths
    1 + sink:

        slope = up (eye sink - sink) / (along - eye along + along eye sink - eye along sink)

    takes the place of the cell's sink in `eye`. Slopes rise along a hull, then fall: the tangent's vertex is looked for from that of
    the cell before, either way. Few cells have another: it is one as long as eyes lie between the hull's edges from it, prolonged.

    edge_at, edge_by, left   room for the hull's edges, from each vertex to the one beyond, as `_edge` tells them, and for columns

    All in one function: to hand arrays to another costs more, in counts of who holds them, than the work itself.
    """
    margin = NEAR_PIXELS + 1
    while enter <= leave and not 0 <= number + crossed[enter - origin] < rows:
        enter += 1
    while enter <= leave and not 0 <= number + crossed[leave - origin] < rows:
        leave -= 1
    # every column is written, and those of points left out are written over
    points_left = 0
    for p in range(farthest, enter + margin - 1, -1):
        left[np.uintp(points_left)] = p
        points_left += int(points[np.uintp(points_at + p * LINES)] < np.inf)
    left[np.uintp(points_left)] = enter - 1 + margin
    for v in range(1, count):
        edge_at[v], edge_by[v] = _edge(along[v], sink[v], along[v - 1], sink[v - 1])
    # all eyes lie this side of what is beyond the farthest, and that side of what is before the nearest
    edge_at[np.uintp(count)], edge_by[np.uintp(count)] = np.inf, 0.0
    edge_at[0], edge_by[0] = -np.inf, 0.0
    q, v = leave, count
    for n in range(points_left + 1):
        p = left[np.uintp(n)]
        while count == 0 and q > p - margin:
            eye[np.uintp(eyes_at + q * LINES)] = -np.inf
            q -= 1
        v = min(v, count - 1)
        while q > p - margin:
            cell, here, before = np.uintp(eyes_at + q * LINES), np.uintp(v), np.uintp(v + 1)
            o, e = own[cell], eye[cell]
            if e < edge_at[here] + edge_by[here] * o:
                v -= 1
            elif e >= edge_at[before] + edge_by[before] * o:
                v += 1
            else:
                a, s = along[here], sink[here]
                eye[cell] = up * (e - s) / (a - o + a * e - o * s)
                q -= 1
        if n == points_left:
            break
        s, a = np.float64(points[np.uintp(points_at + p * LINES)]), along_0 + step * p
        while count >= 2:
            near, after = np.uintp(count - 1), np.uintp(count - 2)
            if (sink[after] - s) * (along[near] - a) > (sink[near] - s) * (along[after] - a):
                break
            count -= 1
        here, before = np.uintp(count), np.uintp(count + 1)
        along[here], sink[here], edge_at[before], edge_by[before] = a, s, np.inf, 0.0
        if count > 0:
            edge_at[here], edge_by[here] = _edge(a, s, along[np.uintp(count - 1)], sink[np.uintp(count - 1)])
        count += 1
        v = max(v, 0)


@njit(cache=True, error_model="numpy")
def _edge(near_along: float, near_sink: float, along: float, sink: float) -> tuple[float, float]:
    """The line through two vertices: sink where along is 0, and by how much it grows along."""
    by = (sink - near_sink) / (along - near_along)
    return near_sink - by * near_along, by


@njit(cache=True)
def _tell(
    slopes: FloatArray,
    crossed: NDArray[np.int64],
    sign: int,
    origin: int,
    number: int,
    begin: int,
    end: int,
    rows: int,
    stride: int,
    far: Float32Array,
) -> None:
    """Slopes of the cells nearest to LINES neighbouring lines, column by column as from `_fill_eyes`, into their places."""
    for q in range(begin, end + 1):
        i, j, at = sign * q, number + crossed[q - origin], (q - begin) * LINES
        low, high = max(-j, 0), min(LINES, rows - j)
        if stride == 1:
            for k in range(np.uintp(max(high - low, 0))):
                far[i, np.uintp(j + low) + k] = slopes[np.uintp(at + low) + k]
        elif i % stride == 0:
            for k in range(low + -(j + low) % stride, high, stride):
                far[i // stride, (j + k) // stride] = slopes[at + k]
