"""Whether unknown places are holes in known ground, and a surface on which they stand as high as ground can."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.height_grid import HeightGrid
from yieldsim.base.numerics.vectors import FloatArray

Heights = Callable[[FloatArray, FloatArray], FloatArray]


def in_holes(
    grids: Sequence[HeightGrid], latitude_deg: FloatArray, longitude_deg: FloatArray
) -> NDArray[np.bool_]:
    """Whether places (places,) stand in or beside a hole of any grid: one of the four pixels around them is in it."""
    found = np.zeros(latitude_deg.shape, dtype=bool)
    for grid in grids:
        if grid.holes is None:
            continue
        row, column = grid.to_pixel(latitude_deg, longitude_deg)
        rows, columns = grid.holes.shape
        on_map = np.isfinite(row) & np.isfinite(column)
        inside = (
            on_map
            & (row >= 0)
            & (row <= rows - 1)
            & (grid.wrapped | ((column >= 0) & (column <= columns - 1)))
        )
        at = np.flatnonzero(inside & ~found)
        i, j = np.floor(row[at]).astype(np.int64), np.floor(column[at]).astype(np.int64)
        for down in (0, 1):
            for across in (0, 1):
                c = (j + across) % columns if grid.wrapped else np.minimum(j + across, columns - 1)
                found[at] |= grid.holes[np.minimum(i + down, rows - 1), c]
    return found


def raised(heights: Heights, grids: Sequence[HeightGrid], ceiling_m: float) -> Heights:
    """The surface with its holes at `ceiling_m`; what lies beyond the data stays unknown."""

    def of(latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
        latitude, longitude = np.broadcast_arrays(latitude_deg, longitude_deg)
        found = np.array(heights(latitude, longitude))
        unknown = np.isnan(found)
        if unknown.any():
            hole = in_holes(grids, latitude[unknown], longitude[unknown])
            found[unknown] = np.where(hole, ceiling_m, np.nan)
        return found

    return of
