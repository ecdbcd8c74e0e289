"""Height grids, and several of them nested: the finest that knows a place answers, and meets the next without a step.

Heights are metres above the body's reference ellipsoid, NaN where unknown. Bilinear between pixel centres. Inside a finer grid its
heights stand as they are; outside, along its edge and in its holes, a fringe carries on what it differs by from the coarser grids
and lets that fade to nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.base.numerics.height_grid import EDGE_PIXELS, Float32Array, HeightGrid
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.lattice import Lattice, column_weights, line_at

FRINGE_COARSE_PIXELS = 2.0
"""Width of the fringe in pixels of the next coarser grid: a mismatch of 40 m fades over 480 m outside a 10 m grid in a 240 m one."""
SPARE_PIXELS = 2
Indices = NDArray[np.intp]
Heights = Callable[[FloatArray, FloatArray], FloatArray]
"""(planetocentric latitude, longitude in degrees) -> metres above the ellipsoid, NaN where unknown."""


def heights_over(heights: Heights, lattice: Lattice) -> FloatArray:
    """Heights (rows, columns) on a lattice: from surfaces made for it by their `over`, from others place by place."""
    over = getattr(heights, "over", None)
    return np.asarray(heights(*lattice.places()) if over is None else over(lattice))


class NestedTerrain:
    """Height grids, finest first, answering as one surface."""

    def __init__(self, grids: Sequence[HeightGrid]) -> None:
        """Give every grid but the last its fringe, coarsest first."""
        made: list[HeightGrid] = []
        for grid in reversed(grids):
            made.insert(0, _with_fringe(grid, made) if made else grid)
        self.grids = tuple(made)

    @property
    def highest_m(self) -> float:
        """Highest ground of all grids."""
        tops = [float(np.nanmax(grid.heights_m)) for grid in self.grids if np.isfinite(grid.heights_m).any()]
        return max(tops, default=float("nan"))

    def heights_m(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> FloatArray:
        """Heights at places of any shape, each from the first grid that knows it; NaN where none does."""
        latitude, longitude = np.broadcast_arrays(
            np.asarray(latitude_deg, dtype=np.float64), np.asarray(longitude_deg, dtype=np.float64)
        )
        return _first_known(self.grids, latitude.ravel(), longitude.ravel()).reshape(latitude.shape)

    __call__ = heights_m

    def over(self, lattice: Lattice) -> FloatArray:
        """Heights (rows, columns) on a lattice of places, found on each grid by `Lattice.knots`."""
        found = np.full((lattice.u.size, lattice.v.size), np.nan)
        for grid in self.grids:
            left = np.isnan(found)
            if not left.any():
                break
            knots = lattice.knots(grid.to_pixel, grid.heights_m.shape)
            if knots is None:
                row, column = grid.to_pixel(*(at[left] for at in lattice.places()))
                found[left] = bilinear(grid.heights_m, row, column, grid.wrapped)
            else:
                _fill(found, grid.heights_m, grid.wrapped, *knots, lattice.u, lattice.v)
        return found


def _first_known(
    grids: Sequence[HeightGrid], latitude_deg: FloatArray, longitude_deg: FloatArray
) -> FloatArray:
    found = np.full(latitude_deg.size, np.nan)
    left = np.arange(latitude_deg.size)
    for grid in grids:
        if left.size == 0:
            break
        row, column = grid.to_pixel(latitude_deg[left], longitude_deg[left])
        found[left] = bilinear(grid.heights_m, row, column, grid.wrapped)
        left = left[np.isnan(found[left])]
    return found


def _with_fringe(grid: HeightGrid, coarser: Sequence[HeightGrid]) -> HeightGrid:
    """The grid with a fringe around what it knows.

    fringe = coarser grids there + (1 - distance / width) (grid - coarser grids at the nearest known pixel)
    """
    width = max(FRINGE_COARSE_PIXELS * coarser[0].pixel_m / grid.pixel_m, 2.0)
    # no wider than a quarter of the grid: a sliver of fine terrain must not shape all around it
    width = min(width, max(0.25 * min(grid.heights_m.shape), 2.0))
    pad = int(np.ceil(width)) + SPARE_PIXELS
    aside = 0 if grid.wrapped else pad
    heights = np.pad(grid.heights_m, ((pad, pad), (aside, aside)), constant_values=np.nan)
    row, column, near_row, near_column, distance = _around(heights, width + SPARE_PIXELS)
    if row.size:

        def beyond(at_row: Indices, at_column: Indices) -> FloatArray:
            place = grid.to_place((at_row - pad).astype(np.float64), (at_column - aside).astype(np.float64))
            return _first_known(coarser, *place)

        # many pixels share their nearest known one
        nearest = np.zeros(heights.shape, dtype=bool)
        nearest[near_row, near_column] = True
        edge_row, edge_column = np.nonzero(nearest)
        differs = np.zeros(heights.shape)
        differs[edge_row, edge_column] = heights[edge_row, edge_column] - beyond(edge_row, edge_column)
        differs = differs[near_row, near_column]
        share = np.maximum(1.0 - distance / width, 0.0)
        heights[row, column] = beyond(row, column) + share * np.where(np.isfinite(differs), differs, 0.0)
    to_pixel, to_place = grid.to_pixel, grid.to_place

    def padded_pixel(latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
        at_row, at_column = to_pixel(latitude_deg, longitude_deg)
        return at_row + pad, at_column + aside

    return replace(
        grid,
        heights_m=heights,
        to_pixel=padded_pixel,
        to_place=lambda at_row, at_column: to_place(at_row - pad, at_column - aside),
    )


def _around(heights: Float32Array, width: float) -> tuple[Indices, Indices, Indices, Indices, FloatArray]:
    """Unknown pixels within `width` of a known one: row, column, row and column of the nearest known one, distance."""
    known = np.isfinite(heights)
    if not known.any():
        none = np.empty(0, dtype=np.intp)
        return none, none, none, none, np.empty(0)
    rows, columns = np.flatnonzero(known.any(axis=1)), np.flatnonzero(known.any(axis=0))
    top, bottom, left, right = rows[0], rows[-1], columns[0], columns[-1]
    if known[top : bottom + 1, left : right + 1].all():
        # a full rectangle, the common case: the nearest known pixel is the place held to it
        row, column = np.nonzero(~known)
        near_row, near_column = np.clip(row, top, bottom), np.clip(column, left, right)
        distance = np.hypot(row - near_row, column - near_column)
    else:
        from scipy.ndimage import distance_transform_edt

        far, nearest = distance_transform_edt(~known, return_indices=True)
        row, column = np.nonzero(~known & (far <= width))
        near_row, near_column, distance = nearest[0][row, column], nearest[1][row, column], far[row, column]
    inside = distance <= width
    return row[inside], column[inside], near_row[inside], near_column[inside], distance[inside]


@njit(cache=True)
def bilinear(heights: Float32Array, row: FloatArray, column: FloatArray, wrapped: bool) -> FloatArray:
    """Heights between pixel centres; NaN outside and where a corner of the pixel square that counts is unknown.

    row, column   (places,); with `wrapped` the columns close on themselves
    """
    found = np.empty(row.shape[0])
    for k in range(row.shape[0]):
        found[k] = _height_at(heights, row[k], column[k], wrapped)
    return found


@njit(cache=True)
def _fill(
    found: FloatArray,
    heights: Float32Array,
    wrapped: bool,
    u: FloatArray,
    v: FloatArray,
    pixels: FloatArray,
    at_u: FloatArray,
    at_v: FloatArray,
) -> None:
    """Write the heights where `found` (at_u, at_v) is unknown, at the rows and columns that `pixels` (2, u, v) tells of."""
    first, across = column_weights(v, at_v)
    lines = np.empty((2, v.shape[0]))
    count, (rows, columns) = at_v.shape[0], heights.shape
    for i in range(at_u.shape[0]):
        line_at(u, at_u[i], pixels, lines)
        stop = 0
        while stop < count:
            start, k = stop, first[stop]
            while stop < count and first[stop] == k:
                stop += 1
            if not (_may_meet(lines[0], k, rows) and (wrapped or _may_meet(lines[1], k, columns))):
                continue
            r0, r1, r2, r3 = lines[0, k], lines[0, k + 1], lines[0, k + 2], lines[0, k + 3]
            c0, c1, c2, c3 = lines[1, k], lines[1, k + 1], lines[1, k + 2], lines[1, k + 3]
            for j in range(start, stop):
                if np.isnan(found[i, j]):
                    w0, w1, w2, w3 = across[j, 0], across[j, 1], across[j, 2], across[j, 3]
                    row = w0 * r0 + w1 * r1 + w2 * r2 + w3 * r3
                    column = w0 * c0 + w1 * c1 + w2 * c2 + w3 * c3
                    found[i, j] = _height_at(heights, row, column, wrapped)


@njit(cache=True)
def _height_at(heights: Float32Array, r: float, c: float, wrapped: bool) -> float:
    """The height between four pixel centres."""
    rows, columns = heights.shape
    if wrapped:
        c = c % columns
    low, high = -EDGE_PIXELS, EDGE_PIXELS
    if not (low <= r <= rows - 1.0 + high and low <= c and (wrapped or c <= columns - 1.0 + high)):
        return np.nan
    r, c = min(max(r, 0.0), rows - 1.0), max(c, 0.0)
    if not wrapped:
        c = min(c, columns - 1.0)
    i = min(int(r), rows - 2)
    u = r - i
    if wrapped:
        j = min(int(c), columns - 1)
        j1 = (j + 1) % columns
    else:
        j = min(int(c), columns - 2)
        j1 = j + 1
    v = c - j
    h00, h01 = np.float64(heights[i, j]), np.float64(heights[i, j1])
    h10, h11 = np.float64(heights[i + 1, j]), np.float64(heights[i + 1, j1])
    height: float = (h00 * (1.0 - v) + h01 * v) * (1.0 - u) + (h10 * (1.0 - v) + h11 * v) * u
    if np.isnan(height):
        # a pixel is known at its centre, whatever its neighbours are: places are rounded to less than EDGE_PIXELS
        height = _between(_between(h00, h01, v), _between(h10, h11, v), u)
    return height


@njit(cache=True)
def _between(first: float, second: float, share: float) -> float:
    """Between two heights; one of them alone where the place is on it."""
    if share <= EDGE_PIXELS:
        return first
    return second if share >= 1.0 - EDGE_PIXELS else first * (1.0 - share) + second * share


@njit(cache=True)
def _may_meet(line: FloatArray, k: int, count: int) -> bool:
    """Whether a cubic through four points of a line may come within 0 to count - 1 between any of them.

    Its values pass theirs by less than a third of their spread: the weights' sizes add up to at most 1.64.
    """
    low = min(min(line[k], line[k + 1]), min(line[k + 2], line[k + 3]))
    high = max(max(line[k], line[k + 1]), max(line[k + 2], line[k + 3]))
    spare = 0.5 * (high - low) + EDGE_PIXELS
    return bool(low - spare <= count - 1.0 and high + spare >= 0.0)
