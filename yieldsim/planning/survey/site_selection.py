"""The best places of a map, spaced apart: the best cell, then the best that is far enough from all before it.

The map comes in tiles, of which only the best cell of each is known at first. A tile is looked into when its best cell turns out
to lie too near to a chosen one: so the answer is that of the whole map, and no more than a tile is ever held.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray

Cell = tuple[float, int, int]
"""Value, row and column of a cell on the whole map."""
CORNERS_WITHIN = 0.9
FIRST_LOOKED_AT = 1024
"""Cells of a tile that are placed at first: few lie near a chosen one."""


class Area(NamedTuple):
    """Cells of a map, row by row: the place of the first, and how many."""

    row: int
    column: int
    rows: int
    columns: int


def best_cell(value: FloatArray, area: Area) -> Cell | None:
    """The largest of an area's values, the first of equals in reading order; None where all are NaN.

    >>> best_cell(np.array([[np.nan, 3.0], [3.0, 1.0]]), Area(10, 20, 2, 2))
    (3.0, 10, 21)
    """
    known = np.isfinite(value)
    if not known.any():
        return None
    row, column = divmod(int(np.argmax(np.where(known, value, -np.inf))), value.shape[1])
    return float(value[row, column]), area.row + row, area.column + column


def best_places(
    areas: Sequence[Area],
    best: Sequence[Cell | None],
    values: Callable[[Area], FloatArray],
    place_xyz_m: Callable[[FloatArray, FloatArray], FloatArray],
    spacing_m: float,
    count: int,
) -> list[tuple[int, int]]:
    """(row, column) of up to `count` cells of largest value, each at least `spacing_m` in a straight line from the others.

    areas, best   the tiles, and the best cell of each
    values        of a tile's cells (rows, columns); NaN values are never chosen, ties go to the first cell in reading order
    place_xyz_m   rows, columns -> places in space (..., 3)
    """
    queue = [(-cell[0], cell[1], cell[2], k) for k, cell in enumerate(best) if cell is not None]
    heapq.heapify(queue)
    chosen: list[tuple[int, int]] = []
    at: list[FloatArray] = []

    def is_apart(row: FloatArray, column: FloatArray) -> NDArray[np.bool_]:
        here = place_xyz_m(row, column)
        apart = [np.linalg.norm(here - other, axis=1) >= spacing_m for other in at]
        return np.logical_and.reduce(apart, axis=0) if apart else np.ones(row.shape, dtype=bool)

    while queue and len(chosen) < count:
        least, row, column, k = heapq.heappop(queue)
        where = np.array([float(row)]), np.array([float(column)])
        if is_apart(*where)[0]:
            chosen.append((row, column))
            at.append(place_xyz_m(*where)[0])
        if not _is_within(areas[k], place_xyz_m, at, spacing_m):
            after = _next_cell(values(areas[k]), areas[k], (-least, row, column), is_apart)
            if after is not None:
                heapq.heappush(queue, (-after[0], after[1], after[2], k))
    return chosen


def _is_within(
    area: Area,
    place_xyz_m: Callable[[FloatArray, FloatArray], FloatArray],
    at: Sequence[FloatArray],
    spacing_m: float,
) -> bool:
    """Whether a tile lies within the spacing of one that is chosen: a piece of ground does whose corners lie well within a ball."""
    ends = np.array([0.0, 0.0, area.rows - 1.0, area.rows - 1.0]), np.array([0.0, area.columns - 1.0] * 2)
    corners = place_xyz_m(area.row + ends[0], area.column + ends[1])
    return bool(
        np.linalg.norm(corners[0] - corners[3]) < spacing_m
        and any(np.linalg.norm(corners - other, axis=1).max() < CORNERS_WITHIN * spacing_m for other in at)
    )


def _next_cell(
    value: FloatArray, area: Area, last: Cell, is_apart: Callable[[FloatArray, FloatArray], NDArray[np.bool_]]
) -> Cell | None:
    """The best cell of a tile behind the last one looked at that is far enough from all that are chosen.

    Those before it were chosen or lie too near, and no choice to come takes them farther away.
    """
    flat = value.ravel()
    place = np.arange(flat.size)
    passed = (last[1] - area.row) * area.columns + last[2] - area.column
    left = np.flatnonzero((flat < last[0]) | ((flat == last[0]) & (place > passed)))
    some = FIRST_LOOKED_AT
    while left.size:
        # all that are no worse than the least of so many, ties with it too
        least = np.partition(flat[left], -some)[-some] if some < left.size else -np.inf
        looked_at = left[flat[left] >= least]
        row, column = np.divmod(looked_at, area.columns)
        apart = is_apart(area.row + row.astype(np.float64), area.column + column.astype(np.float64))
        if apart.any():
            best = looked_at[apart][np.argmax(flat[looked_at[apart]])]
            return (
                float(flat[best]),
                area.row + int(best) // area.columns,
                area.column + int(best) % area.columns,
            )
        left = left[flat[left] < least]
        some *= 4
    return None
