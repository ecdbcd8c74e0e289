"""A tile of a survey on the ground: its gnomonic frame, its cells in that frame, and the nested grids that its lines cross."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.lattice import Lattice
from yieldsim.ground.line_points import MISSING_M, NEAR_PIXELS, Levels, reach_pixels
from yieldsim.ground.line_sweep import Cells
from yieldsim.ground.local_sphere import LocalSphere
from yieldsim.ground.terrain import Heights, heights_over

ToPlace = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""(row, column) of the tile's pixels -> planetocentric latitude and longitude in degrees."""
FINEST_SHARE = 0.25
HALF_TURN = 1.57
"""A plane that touches the sphere sees no farther, radians."""
MOST_BEND_PIXELS, LEAST_ASPECT = 0.5, 0.7


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TileFrame:
    """Gnomonic plane of a tile, touching at the tile's centre.

    to_gnomonic   (2, 3) rows east, north: gnomonic = to_gnomonic @ (column, row, 1), in sphere radii
    pixel_m       ground size of a pixel: the longer side
    """

    sphere: LocalSphere
    rows: int
    columns: int
    to_gnomonic: FloatArray
    pixel_m: float
    to_place: ToPlace

    def plane(self, row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        """East and north on the plane, in sphere radii, of its pixel coordinates."""
        east, north = (m[0] * column + m[1] * row + m[2] for m in self.to_gnomonic)
        return east, north

    def plane_places(self, row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Planetocentric latitude and longitude of the plane's pixel coordinates."""
        return self.sphere.gnomonic_places(*self.plane(row, column))[:2]

    def bend_pixels(self) -> float:
        """How far the pixels of the map stray from the straight grid of the plane, at most."""
        row, column = self.gnomonic_pixels(*_edge(self.rows, self.columns))
        true_row, true_column = _edge(self.rows, self.columns)
        return float(np.hypot(row - true_row, column - true_column).max())

    def is_straight(self) -> bool:
        """Whether the pixels of the map are a straight grid on the plane, and nearly as wide as high."""
        sides = np.linalg.norm(self.to_gnomonic[:, :2], axis=0)
        return bool(sides.min() > LEAST_ASPECT * sides.max()) and self.bend_pixels() <= MOST_BEND_PIXELS

    def gnomonic_pixels(self, row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where pixels of the map lie on the plane, in the plane's pixel coordinates (row, column)."""
        return self.pixels_at(*self.to_place(row, column))

    def pixels_at(self, latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The plane's pixel coordinates (row, column) of places."""
        east, north = self.sphere.gnomonic(latitude_deg, longitude_deg)
        offset = np.stack([east - self.to_gnomonic[0, 2], north - self.to_gnomonic[1, 2]])
        at = np.tensordot(np.linalg.inv(self.to_gnomonic[:, :2]), offset, axes=1)
        return at[1], at[0]


def tile_frame(equatorial_m: float, polar_m: float, to_place: ToPlace, rows: int, columns: int) -> TileFrame:
    """The frame of a tile of rows x columns pixels: pixel coordinates agree with the plane's at the tile's centre."""
    middle = np.array([(rows - 1) / 2.0, (columns - 1) / 2.0])
    nudge = 0.5
    row = middle[0] + nudge * np.array([0.0, 0.0, 0.0, 1.0, -1.0])
    column = middle[1] + nudge * np.array([0.0, 1.0, -1.0, 0.0, 0.0])
    latitude, longitude = to_place(row, column)
    sphere = LocalSphere.at(float(latitude[0]), float(longitude[0]), equatorial_m, polar_m)
    east, north = sphere.gnomonic(latitude, longitude)
    matrix = np.array(
        [[east[1] - east[2], east[3] - east[4], 0.0], [north[1] - north[2], north[3] - north[4], 0.0]]
    )
    matrix[:, 2] = -matrix[:, :2] @ middle[::-1]
    pixel_m = float(np.linalg.norm(matrix[:, :2], axis=0).max()) * sphere.radius_m
    return TileFrame(
        sphere=sphere, rows=rows, columns=columns, to_gnomonic=matrix, pixel_m=pixel_m, to_place=to_place
    )


def square_frame(frame: TileFrame, row: FloatArray, column: FloatArray) -> TileFrame:
    """A frame of square pixels over places of a tile's map, half as large as the shorter side of the tile's; the same plane.

    For maps whose pixels are no straight grid on the ground: of equal steps in longitude and latitude, whose columns meet at the
    poles. There the pixels are FINEST_SHARE of the longer side.

    row, column   places in pixels that it must hold, a pixel's room around them
    """
    east, north = frame.sphere.gnomonic(*frame.to_place(row, column))
    sides = np.linalg.norm(frame.to_gnomonic[:, :2], axis=0)
    step = float(max(0.5 * sides.min(), FINEST_SHARE * sides.max()))
    columns, rows = (int(np.ceil(np.ptp(at) / step)) + 3 for at in (east, north))
    left = 0.5 * (east.min() + east.max()) - 0.5 * (columns - 1) * step
    top = 0.5 * (north.min() + north.max()) + 0.5 * (rows - 1) * step
    matrix = np.array([[step, 0.0, left], [0.0, -step, top]])

    def to_place(at_row: FloatArray, at_column: FloatArray) -> tuple[FloatArray, FloatArray]:
        return frame.sphere.gnomonic_places(left + step * at_column, top - step * at_row)[:2]

    return TileFrame(
        sphere=frame.sphere,
        rows=rows,
        columns=columns,
        to_gnomonic=matrix,
        pixel_m=step * frame.sphere.radius_m,
        to_place=to_place,
    )


def cells_of(frame: TileFrame, heights: Heights) -> Cells:
    """The tile's pixels with the native ground around them."""
    margin = NEAR_PIXELS + 1
    lattice = Lattice(
        np.arange(-margin, frame.rows + margin, dtype=np.float64),
        np.arange(-margin, frame.columns + margin, dtype=np.float64),
        frame.to_place,
    )
    near_m = _filled(heights_over(heights, lattice))
    inside = Lattice(lattice.u[margin:-margin], lattice.v[margin:-margin], frame.to_place)
    at_row, at_column = inside.pixels(frame.pixels_at)
    return Cells(near_m, at_row.astype(np.float32), at_column.astype(np.float32))


def level_count(frame: TileFrame, reach_m: float) -> int:
    """Levels of halved detail that lines need to see as far as `reach_m` ahead of every cell."""
    count = 1
    while reach_pixels(count - 1) * frame.pixel_m < reach_m:
        count += 1
    return count


def level_radius_m(frame: TileFrame, level: int) -> float:
    """Distance from the tile's centre within which a level needs heights."""
    half = 0.5 * max(frame.rows, frame.columns) + reach_pixels(level) + 4 * 2**level
    return float(np.sqrt(2.0) * half * frame.pixel_m)


def levels_of(frame: TileFrame, surfaces: Sequence[Heights], reach_m: float = np.inf) -> Levels:
    """Nested gnomonic grids, one for each surface: the l-th has a node at every 2^l-th pixel.

    Heights are those above the frame's sphere: above the ellipsoid, plus what the ellipsoid rises above the sphere.
    Ground farther than `reach_m` from every pixel is left out.
    """
    rim = np.hypot(*frame.plane(*_edge(frame.rows, frame.columns)))
    farthest = min(reach_m / frame.sphere.radius_m + float(np.arctan(rim.max())), HALF_TURN)
    grids, first_row, first_column = [], [], []
    for level, heights in enumerate(surfaces):
        size = 2**level
        halo = reach_pixels(level) + 2 * size
        rows = np.arange(-halo // size, (frame.rows + halo) // size + 1) * size
        columns = np.arange(-halo // size, (frame.columns + halo) // size + 1) * size
        lattice = Lattice(rows.astype(np.float64), columns.astype(np.float64), frame.plane_places)
        found = heights_over(heights, lattice)
        east, north = frame.plane(*np.meshgrid(lattice.u, lattice.v, indexing="ij"))
        if not frame.sphere.is_exact:
            found = found + frame.sphere.gnomonic_places(east, north)[2]
        found[np.hypot(east, north) > np.tan(farthest)] = np.nan
        grids.append(_filled(found))
        first_row.append(int(rows[0]))
        first_column.append(int(columns[0]))
    sizes = [grid.size for grid in grids]
    return Levels(
        np.concatenate([grid.ravel() for grid in grids]),
        np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64),
        np.array([grid.shape[0] for grid in grids], dtype=np.int64),
        np.array([grid.shape[1] for grid in grids], dtype=np.int64),
        np.array(first_row, dtype=np.int64),
        np.array(first_column, dtype=np.int64),
    )


def _filled(heights_m: FloatArray) -> np.ndarray:
    return np.where(np.isfinite(heights_m), heights_m, MISSING_M).astype(np.float32)


def _edge(rows: int, columns: int) -> tuple[FloatArray, FloatArray]:
    """Pixels around the rim of a tile."""
    across, down = np.linspace(0.0, columns - 1.0, 9), np.linspace(0.0, rows - 1.0, 9)
    row = np.concatenate([np.zeros(9), np.full(9, rows - 1.0), down, down])
    column = np.concatenate([across, across, np.zeros(9), np.full(9, columns - 1.0)])
    return row, column
