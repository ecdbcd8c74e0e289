"""The best places of a map, spaced apart: the best cell, then the best that is far enough from all before it.

The map comes in tiles, of which only the best cell of each is known at first. A tile is looked into when its best cell turns out
to lie too near to a chosen one, and its next best cells are kept then: so the answer is that of the whole map, and beside a few
cells of each no more than a tile is ever held.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray

Cell = tuple[float, int, int]
"""Value, row and column of a cell on the whole map."""
CORNERS_WITHIN = 0.9
FIRST_KEPT = 1024
"""Cells of a tile that are kept when it is looked into: few lie near a chosen one. Where all of them do, four times as many."""
FIRST_PLACED = 4
"""Of those so many are placed at first, then four times as many, as long as all lie too near."""
FEW = 32
"""So many chosen places are compared with all cells, without looking which are near."""
LEAST_SIDE_M = 1e-3
Cube = tuple[int, int, int]
AROUND: tuple[Cube, ...] = tuple((i, j, k) for i, j, k in product((-1, 0, 1), repeat=3))


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
    taken = _Taken(spacing_m, place_xyz_m)
    tiles: dict[int, _Tile] = {}
    while queue and len(chosen) < count:
        least, row, column, k = heapq.heappop(queue)
        if taken.apart(np.array([row]), np.array([column]))[0]:
            chosen.append((row, column))
            taken.add(row, column)
        if k not in tiles:
            tiles[k] = _Tile(areas[k], taken, (-least, row, column))
        after = tiles[k].next_cell(values)
        if after is not None:
            heapq.heappush(queue, (-after[0], after[1], after[2], k))
    return chosen


class _Taken:
    """The chosen places, found by cubes of space as wide as the spacing: whatever lies nearer lies in one of 27."""

    def __init__(self, spacing_m: float, place_xyz_m: Callable[[FloatArray, FloatArray], FloatArray]) -> None:
        self.spacing_m, self._place_xyz_m = spacing_m, place_xyz_m
        # a little wider, so that rounding never puts a neighbour two cubes away
        self._side_m = max(spacing_m * (1.0 + 1e-9), LEAST_SIDE_M)
        self._cubes: dict[Cube, list[FloatArray]] = {}
        self._first: list[FloatArray] = []
        """The first chosen places, one more than a few at most."""

    def placed(self, row: NDArray[np.int64], column: NDArray[np.int64]) -> FloatArray:
        """Where cells of the map lie."""
        return self._place_xyz_m(row.astype(np.float64), column.astype(np.float64))

    def add(self, row: int, column: int) -> None:
        """A place is chosen."""
        if self.spacing_m > 0.0:
            here = self.placed(np.array([row]), np.array([column]))[0]
            x, y, z = self._cubes_of(here).tolist()
            self._cubes.setdefault((x, y, z), []).append(here)
            if len(self._first) <= FEW:
                self._first.append(here)

    def apart(self, row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which cells are far enough from all chosen places."""
        found = np.ones(row.shape, dtype=bool)
        if not self._cubes:
            return found
        here = self.placed(row, column)
        if len(self._first) <= FEW:
            for other in self._first:
                found &= np.linalg.norm(here - other, axis=1) >= self.spacing_m
            return found
        held: dict[Cube, list[int]] = {}
        for number, (x, y, z) in enumerate(self._cubes_of(here).tolist()):
            held.setdefault((x, y, z), []).append(number)
        for cube, some in held.items():
            near = self._near(cube)
            if near:
                away_m = np.linalg.norm(here[some][:, None] - np.array(near), axis=2)
                found[some] = (away_m >= self.spacing_m).all(axis=1)
        return found

    def around(self, here: FloatArray) -> FloatArray:
        """The chosen places that may lie nearer to one than the spacing."""
        x, y, z = self._cubes_of(here).tolist()
        return np.array(self._near((x, y, z))).reshape(-1, 3)

    def _near(self, cube: Cube) -> list[FloatArray]:
        x, y, z = cube
        known = self._cubes.get
        return [one for i, j, k in AROUND for one in known((x + i, y + j, z + k), ())]

    def _cubes_of(self, here: FloatArray) -> NDArray[np.int64]:
        return np.floor(here / self._side_m).astype(np.int64)


class _Tile:
    """A tile that is looked into: its cells from the best on, in order, those too near to a chosen place left out.

    Cells that were passed were chosen or lie too near, and no choice to come takes them farther away.
    """

    def __init__(self, area: Area, taken: _Taken, last: Cell) -> None:
        self._area, self._taken = area, taken
        self._last = last[0], (last[1] - area.row) * area.columns + last[2] - area.column
        self._value: FloatArray = np.empty(0)
        self._place: NDArray[np.int64] = np.empty(0, dtype=np.int64)
        self._is_all = False
        self._corners = self._close_corners()

    def next_cell(self, values: Callable[[Area], FloatArray]) -> Cell | None:
        """The best cell behind the last one told that is far enough from all that are chosen."""
        if self._is_within():
            self._keep_from(self._value.size)
            self._is_all = True
        some, keep, at = FIRST_PLACED, FIRST_KEPT, 0
        while at < self._value.size or not self._is_all:
            if at == self._value.size:
                self._read(values(self._area).ravel(), keep)
                keep, at = 4 * keep, 0
                continue
            row, column = np.divmod(self._place[at : at + some], self._area.columns)
            apart = self._taken.apart(self._area.row + row, self._area.column + column)
            if apart.any():
                at += int(np.argmax(apart))
                down, across = divmod(int(self._place[at]), self._area.columns)
                found = float(self._value[at]), self._area.row + down, self._area.column + across
                self._keep_from(at + 1)
                return found
            at += apart.size
            some *= 4
        self._keep_from(at)
        return None

    def _read(self, flat: FloatArray, keep: int) -> None:
        """Keep so many of the best cells behind the last one that was kept, ties in reading order."""
        value, passed = self._last
        left = np.flatnonzero(flat <= value)
        left = left[(flat[left] < value) | (left > passed)]
        self._is_all = left.size <= keep
        if not self._is_all:
            left = left[flat[left] >= np.partition(flat[left], -keep)[-keep]]
        kept = left[np.argsort(-flat[left], kind="stable")[:keep]]
        self._hold(flat[kept], kept)

    def _keep_from(self, at: int) -> None:
        """Let go of the cells before, and of most of them after a long search: they are read again where they are asked for."""
        if self._value.size - at > FIRST_KEPT:
            self._is_all = False
        ahead = slice(at, at + FIRST_KEPT)
        self._hold(self._value[ahead].copy(), self._place[ahead].copy())

    def _hold(self, value: FloatArray, place: NDArray[np.int64]) -> None:
        self._value, self._place = value, place
        if value.size:
            self._last = float(value[-1]), int(place[-1])

    def _close_corners(self) -> FloatArray | None:
        """Places of the corners of a tile that a single chosen place may take up; None of one that is too large."""
        if self._taken.spacing_m <= 0.0:
            return None
        down, across = self._area.rows - 1, self._area.columns - 1
        corners = self._taken.placed(
            self._area.row + np.array([0, 0, down, down]), self._area.column + np.array([0, across] * 2)
        )
        return corners if np.linalg.norm(corners[0] - corners[3]) < self._taken.spacing_m else None

    def _is_within(self) -> bool:
        """Whether the tile lies within the spacing of a chosen place: a piece of ground does whose corners lie well within a
        ball."""
        if self._corners is None:
            return False
        near = self._taken.around(self._corners[0])
        away_m = np.linalg.norm(self._corners - near[:, None], axis=2)
        return bool((away_m.max(axis=1, initial=0.0) < CORNERS_WITHIN * self._taken.spacing_m).any())
