"""Height grids, and several of them nested: the finest that covers a place answers, blended into the next without a step.

Heights are metres above the body's reference ellipsoid, NaN where unknown. Bilinear between pixel centres.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import distance_transform_edt

from yieldsim.base.relief import Float32Array, HeightGrid
from yieldsim.base.vectors import FloatArray

BLEND_COARSE_PIXELS = 4.0
"""A seam is blended over this many pixels of the coarser grid, so that a mismatch becomes a slope gentler than relief."""
LAST_RESORT = 1e-6
"""Weight of the outermost valid pixels: too small to matter beside another grid, enough to answer alone."""


def blend_weight(grid: HeightGrid, width_pixels: float) -> Float32Array:
    """Weight 0..1 of a grid's pixels: rises from its edges and holes over `width_pixels`; 0 on a hole.

    From edges by counting pixels; from holes by Euclidean distance.
    """
    rows, columns = grid.heights_m.shape
    row, column = np.arange(rows, dtype=np.float32), np.arange(columns, dtype=np.float32)
    down = np.minimum(row, rows - 1 - row)
    across = np.full(columns, rows, np.float32) if grid.wrapped else np.minimum(column, columns - 1 - column)
    distance = np.minimum(down[:, None], across[None, :])
    valid = np.isfinite(grid.heights_m)
    if not valid.all():
        distance = np.minimum(distance, distance_transform_edt(valid) - 1.0)
    weight = np.minimum(distance / max(width_pixels, 1.0) + LAST_RESORT, 1.0)
    return np.where(valid, weight, 0.0).astype(np.float32)


class NestedTerrain:
    """Height grids, finest first, answering as one surface."""

    def __init__(self, grids: Sequence[HeightGrid]) -> None:
        """Prepare the blending weights: each seam as wide as the next coarser grid asks, at most an eighth of the finer grid."""
        self.grids = tuple(grids)
        self.weights: list[Float32Array] = []
        for place, grid in enumerate(self.grids):
            if place + 1 == len(self.grids):
                self.weights.append(np.isfinite(grid.heights_m).astype(np.float32))
                continue
            width = BLEND_COARSE_PIXELS * max(self.grids[place + 1].pixel_m / grid.pixel_m, 1.0)
            self.weights.append(blend_weight(grid, min(width, min(grid.heights_m.shape) / 8.0)))

    @property
    def highest_m(self) -> float:
        """Highest ground of all grids."""
        tops = [float(np.nanmax(grid.heights_m)) for grid in self.grids if np.isfinite(grid.heights_m).any()]
        return max(tops, default=float("nan"))

    def heights_m(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> FloatArray:
        """Heights at places of any shape; NaN where no grid knows.

            height = sum_k w_k h_k prod_{j<k} (1 - w_j) / the same sum without h_k

        over the grids, finest first. A grid with a hole at a corner of the pixel square has w = 0 there.
        """
        latitude, longitude = np.broadcast_arrays(
            np.asarray(latitude_deg, dtype=np.float64), np.asarray(longitude_deg, dtype=np.float64)
        )
        shape = latitude.shape
        latitude, longitude = latitude.ravel(), longitude.ravel()
        total, share, left = np.zeros(latitude.size), np.zeros(latitude.size), np.ones(latitude.size)
        open_places = np.arange(latitude.size)
        for grid, weight in zip(self.grids, self.weights, strict=True):
            if open_places.size == 0:
                break
            row, column = grid.to_pixel(latitude[open_places], longitude[open_places])
            add_bilinear(grid.heights_m, weight, row, column, grid.wrapped, open_places, total, share, left)
            open_places = open_places[left[open_places] > 0.0]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(share > 0.0, total / share, np.nan).reshape(shape)


@njit(cache=True)
def add_bilinear(
    heights: Float32Array,
    weights: Float32Array,
    row: FloatArray,
    column: FloatArray,
    wrapped: bool,
    places: NDArray[np.int64],
    total: FloatArray,
    share: FloatArray,
    left: FloatArray,
) -> None:
    """Add one grid's bilinear heights into total and share, using up `left`, at the given places."""
    rows, columns = heights.shape
    for k in range(places.shape[0]):
        r, c = row[k], column[k]
        if wrapped:
            c = c % columns
        if not (r >= 0.0 and r <= rows - 1.0 and c >= 0.0 and (wrapped or c <= columns - 1.0)):
            continue
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
        # a corner of weight 0 in the sum (u or v exactly 0) still counts as a hole
        height = (h00 * (1.0 - v) + h01 * v) * (1.0 - u) + (h10 * (1.0 - v) + h11 * v) * u
        if np.isnan(height):
            continue
        w = (weights[i, j] * (1.0 - v) + weights[i, j1] * v) * (1.0 - u) + (
            weights[i + 1, j] * (1.0 - v) + weights[i + 1, j1] * v
        ) * u
        p = places[k]
        total[p] += left[p] * w * height
        share[p] += left[p] * w
        left[p] = left[p] * (1.0 - w)
