"""Whether unknown places are holes in known ground, and a surface on which they stand as high as ground can."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.height_grid import HeightGrid
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.lattice import Lattice
from yieldsim.ground.terrain import NestedTerrain


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


@dataclass(frozen=True, slots=True, eq=False)
class Raised:
    """A surface with its holes at `ceiling_m`; what lies beyond the data stays unknown."""

    surface: NestedTerrain
    grids: Sequence[HeightGrid]
    ceiling_m: float

    def __call__(self, latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
        """Heights at places."""
        latitude, longitude = np.broadcast_arrays(latitude_deg, longitude_deg)
        return self._with_holes(self.surface(latitude, longitude), latitude, longitude)

    def over(self, lattice: Lattice) -> FloatArray:
        """Heights (rows, columns) on a lattice of places."""
        return self._with_holes(self.surface.over(lattice), *lattice.places())

    def _with_holes(self, found: FloatArray, latitude: FloatArray, longitude: FloatArray) -> FloatArray:
        unknown = np.isnan(found)
        if unknown.any():
            hole = in_holes(self.grids, latitude[unknown], longitude[unknown])
            found[unknown] = np.where(hole, self.ceiling_m, np.nan)
        return found
