"""Height grids, and several of them nested: the finest that knows a place answers, and meets the next without a step.

Heights are metres above the body's reference ellipsoid, NaN where unknown. Bilinear between pixel centres. Inside a finer grid its
heights stand as they are; outside, along its edge and in its holes, a fringe carries on what it differs by from the coarser grids
and lets that fade to nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.numerics.height_grid import EDGE_PIXELS, Float32Array, HeightGrid
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.lattice import Lattice

FRINGE_COARSE_PIXELS = 2.0
"""Width of the fringe in pixels of the next coarser grid: a mismatch of 40 m fades over 480 m outside a 10 m grid in a 240 m one."""
SPARE_PIXELS = 2
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
        """Heights (rows, columns) on a lattice of places, found on each grid as `Lattice.pixels` finds them."""
        found = np.full(lattice.u.size * lattice.v.size, np.nan)
        left = np.arange(found.size)
        for grid in self.grids:
            if left.size == 0:
                break
            row, column = (at.ravel() for at in lattice.pixels(grid.to_pixel, grid.heights_m.shape))
            if left.size < found.size:
                row, column = row[left], column[left]
            found[left] = bilinear(grid.heights_m, row, column, grid.wrapped)
            left = left[np.isnan(found[left])]
        return found.reshape(lattice.u.size, lattice.v.size)


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
        at = _first_known(coarser, *grid.to_place(row - pad, column - aside))
        at_known = _first_known(coarser, *grid.to_place(near_row - pad, near_column - aside))
        differs = heights[near_row.astype(int), near_column.astype(int)] - at_known
        share = np.maximum(1.0 - distance / width, 0.0)
        heights[row.astype(int), column.astype(int)] = at + share * np.where(
            np.isfinite(differs), differs, 0.0
        )
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


def _around(
    heights: Float32Array, width: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Unknown pixels within `width` of a known one: row, column, row and column of the nearest known one, distance."""
    known = np.isfinite(heights)
    nothing = np.empty(0)
    if not known.any():
        return nothing, nothing, nothing, nothing, nothing
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
    return tuple(
        np.asarray(a[inside], dtype=np.float64) for a in (row, column, near_row, near_column, distance)
    )  # type: ignore[return-value]


@njit(cache=True)
def bilinear(heights: Float32Array, row: FloatArray, column: FloatArray, wrapped: bool) -> FloatArray:
    """Heights between pixel centres; NaN outside and where a corner of the pixel square is unknown.

    row, column   (places,); with `wrapped` the columns close on themselves
    """
    rows, columns = heights.shape
    found = np.full(row.shape[0], np.nan)
    for k in range(row.shape[0]):
        r, c = row[k], column[k]
        if wrapped:
            c = c % columns
        low, high = -EDGE_PIXELS, EDGE_PIXELS
        if not (low <= r <= rows - 1.0 + high and low <= c and (wrapped or c <= columns - 1.0 + high)):
            continue
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
        found[k] = (h00 * (1.0 - v) + h01 * v) * (1.0 - u) + (h10 * (1.0 - v) + h11 * v) * u
    return found
