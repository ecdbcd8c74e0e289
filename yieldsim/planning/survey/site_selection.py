"""The best places of a map, spaced apart: the best cell, then the best that is far enough from all before it.

The map comes in tiles, of which only the best cell of each is known at first. A tile is looked into when its best cell turns out
to lie too near to a chosen one: so the answer is that of the whole map, and no more than a tile is ever held.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray

Cell = tuple[float, int, int]
"""Value, row and column of a cell on the whole map."""
CORNERS_WITHIN = 0.9


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
    while queue and len(chosen) < count:
        _, row, column, k = heapq.heappop(queue)
        here = place_xyz_m(np.array([float(row)]), np.array([float(column)]))[0]
        if all(np.linalg.norm(here - other) >= spacing_m for other in at):
            chosen.append((row, column))
            at.append(here)
        left = _left_of(areas[k], values, place_xyz_m, at, chosen, spacing_m)
        if left is not None:
            heapq.heappush(queue, (-left[0], left[1], left[2], k))
    return chosen


def _left_of(
    area: Area,
    values: Callable[[Area], FloatArray],
    place_xyz_m: Callable[[FloatArray, FloatArray], FloatArray],
    at: Sequence[FloatArray],
    chosen: Sequence[tuple[int, int]],
    spacing_m: float,
) -> Cell | None:
    """The best cell of a tile that is far enough from all that are chosen."""
    ends = np.array([0.0, 0.0, area.rows - 1.0, area.rows - 1.0]), np.array([0.0, area.columns - 1.0] * 2)
    corners = place_xyz_m(area.row + ends[0], area.column + ends[1])
    if np.linalg.norm(corners[0] - corners[3]) < spacing_m and any(
        np.linalg.norm(corners - other, axis=1).max() < CORNERS_WITHIN * spacing_m for other in at
    ):
        # a piece of ground whose corners lie well within a ball lies in it
        return None
    row, column = np.meshgrid(
        area.row + np.arange(area.rows, dtype=np.float64),
        area.column + np.arange(area.columns, dtype=np.float64),
        indexing="ij",
    )
    place = place_xyz_m(row.ravel(), column.ravel())
    near = np.zeros(area.rows * area.columns, dtype=bool)
    for other in at:
        near |= np.linalg.norm(place - other, axis=1) < spacing_m
    for r, c in chosen:
        if 0 <= r - area.row < area.rows and 0 <= c - area.column < area.columns:
            near[(r - area.row) * area.columns + c - area.column] = True
    if near.all():
        return None
    return best_cell(np.where(near.reshape(area.rows, area.columns), np.nan, values(area)), area)
