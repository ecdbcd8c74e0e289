"""A terrain raster, described: where its pixels lie on the body, what they hold."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

from yieldsim.base.numerics.height_grid import EDGE_PIXELS
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.terrain.projection import from_map, to_map
from yieldsim.files.terrain.raster_metadata import Coding
from yieldsim.files.terrain.remote import Address

if TYPE_CHECKING:
    from pyproj import CRS

Holds = Literal["auto", "height", "radius"]
HOLDS: tuple[Holds, ...] = get_args(Holds)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Raster:
    """One terrain file, described and checked but not read.

    files           what lies on the disk, a label and its image being two; the address of a remote one
    columns         one turn of longitude at most: columns that a map repeats at its end are left out
    pixel_m         size of a pixel on the ground: true scale in the middle of a projected file
    period_columns  columns to a whole turn of longitude; None where columns don't follow longitude
    lowest_m, highest_m   heights above the ellipsoid that the body's ground may have
    radius_offset_m  what to add to values that are radii: 0, or the radius that they are counted from
    transform       (a, b, c, d, e, f): x = a col + b row + c, y = d col + e row + f, corners at whole numbers
    """

    path: Path | Address
    files: tuple[Path | Address, ...]
    rows: int
    columns: int
    coding: Coding
    transform: tuple[float, float, float, float, float, float]
    crs: CRS
    equatorial_m: float
    polar_m: float
    sphere_m: float | None
    holds: Holds
    pixel_m: float
    period_columns: float | None
    lowest_m: float
    highest_m: float
    radius_offset_m: float = 0.0
    warnings: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """File name."""
        return self.path.name

    @property
    def is_whole_turn(self) -> bool:
        """Whether the columns go once around the body and close on themselves."""
        return self.period_columns is not None and abs(self.period_columns - self.columns) < 0.5

    def to_pixel(self, latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(row, column) of planetocentric places, whole numbers at pixel centres; infinite where not on the map."""
        x, y = to_map(self.crs, latitude_deg, longitude_deg)
        a, b, c, d, e, f = self.transform
        det = a * e - b * d
        column = (e * (x - c) - b * (y - f)) / det - 0.5
        row = (a * (y - f) - d * (x - c)) / det - 0.5
        if self.period_columns is not None:
            column = (column + 0.5) % self.period_columns - 0.5
        return row, column

    def to_place(self, row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Planetocentric latitude and longitude of pixels, whole numbers at pixel centres."""
        x, y = self.to_xy(row, column)
        return from_map(self.crs, x, y)

    def to_xy(self, row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Map coordinates of pixels, whole numbers at pixel centres."""
        a, b, c, d, e, f = self.transform
        return a * (column + 0.5) + b * (row + 0.5) + c, d * (column + 0.5) + e * (row + 0.5) + f

    def covers(self, latitude_deg: float, longitude_deg: float) -> bool:
        """Whether a place lies between this file's outermost pixel centres, or beyond them at a pole."""
        row, column = self.to_pixel(np.array([latitude_deg]), np.array([longitude_deg]))
        edge, (north, south) = EDGE_PIXELS, self.ends_at_pole
        return bool(
            -edge - 0.5 * north <= row[0] <= self.rows - 1 + edge + 0.5 * south
            and (self.is_whole_turn or -edge <= column[0] <= self.columns - 1 + edge)
        )

    @property
    def ends_at_pole(self) -> tuple[bool, bool]:
        """Whether the map goes once around the body and its first, its last row of pixels ends at a pole."""
        if not self.is_whole_turn:
            return False, False
        latitude, _ = self.to_place(np.array([-0.5, self.rows - 0.5]), np.zeros(2))
        first, last = np.abs(np.abs(latitude) - 90.0) < 1e-3
        return bool(first), bool(last)
