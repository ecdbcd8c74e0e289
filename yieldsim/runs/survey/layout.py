"""Where a survey's cells lie: the window in pixels, its tiles, and how far there is ground to see."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import CannotCompute, InputError, Problem
from yieldsim.base.model import Site
from yieldsim.runs.survey.tiles import Tile, frame_of

if TYPE_CHECKING:
    from yieldsim.files.terrain.raster_model import Raster

TILE_PIXELS, RAY_TILE_PIXELS = 1024, 1536
"""A tile's side, and where cells are so few that each looks along its own ray: all of a tile share the ground around it."""
GROWS = 1.0625
"""So many times as long may a side be rather than leave a sliver: equal tiles keep all workers busy to the end."""
MOST_TILE_DEG, QUARTER_DEG, MERIDIAN_PIXELS = 10.0, 90.0, 512
"""Where columns follow longitude a tile is at most so large; at its corners, 7 deg from the middle, the horizontals of cells are
known to 0.02 deg for ground next to them, and exactly for ground farther away."""


def window_pixels(
    raster: Raster, window: tuple[float, float, float, float] | None, stride: int
) -> tuple[int, int, int, int]:
    """(row, column, rows, columns) of the pixels whose centres lie in a window of map coordinates; None: the whole file.

    With a stride the first is the middle one of the first block of stride x stride pixels, and the last that of the last, so that
    the cells, a stride wide each, lie within the file. On a map that goes once around the body a window may cross its left and
    right ends.
    """
    import numpy as np

    a, b, c, d, e, f = raster.transform
    if b != 0.0 or d != 0.0:
        hint = "resample it, or put it behind a file that gives the cells"
        raise InputError(
            Problem(raster.name, found="is rotated: a survey's map needs rows along x", hint=hint)
        )
    if window is None:
        return _of_middles((0, 0, raster.rows, raster.columns), raster, stride)
    x0, y0, x1, y1 = window
    if not (np.isfinite(window).all() and x0 < x1 and y0 < y1):
        raise InputError(
            Problem("", "window", f"is {x0:g} {y0:g} {x1:g} {y1:g}", "x min < x max and y min < y max")
        )
    columns = sorted(((x0 - c) / a - 0.5, (x1 - c) / a - 0.5))
    rows = sorted(((y0 - f) / e - 0.5, (y1 - f) / e - 0.5))
    left, right = int(np.ceil(columns[0] - 1e-9)), int(np.floor(columns[1] + 1e-9))
    top, bottom = int(np.ceil(rows[0] - 1e-9)), int(np.floor(rows[1] + 1e-9))
    # a window as wide as the file, given by its corners, may end a pixel's rounding outside
    if raster.is_whole_turn:
        across = right - left < raster.columns and left > -raster.columns and right < 2 * raster.columns
    else:
        across = left >= 0 and right < raster.columns
    inside = across and top >= 0 and bottom < raster.rows
    if not inside or bottom < top or right < left:
        xs, ys = sorted((c, c + a * raster.columns)), sorted((f, f + e * raster.rows))
        raise InputError(
            Problem(
                "",
                "window",
                f"is {x0:g} {y0:g} {x1:g} {y1:g}",
                f"x {xs[0]:g} to {xs[1]:g}, y {ys[0]:g} to {ys[1]:g}, the extent of {raster.name}, and a pixel or more",
            )
        )
    return _of_middles((top, left, bottom - top + 1, right - left + 1), raster, stride)


def _of_middles(block: tuple[int, int, int, int], raster: Raster, stride: int) -> tuple[int, int, int, int]:
    """From the first to the last of the middle pixels of whole blocks of stride x stride pixels."""
    row, column, rows, columns = block
    row, rows = _middles(row, rows, stride, raster.rows)
    column, columns = _middles(column, columns, stride, None if raster.is_whole_turn else raster.columns)
    return row, column, rows, columns


def _middles(first: int, count: int, stride: int, end: int | None) -> tuple[int, int]:
    """First middle pixel, and how many pixels there are from it to the last.

    The middle of an even stride lies between two pixels: of these the later, where a last cell would end half a pixel past `end`.
    """
    whole = count // stride
    if whole > 1 and end is not None and stride % 2 == 0 and first + whole * stride + 0.5 > end:
        whole -= 1
    return first + min(stride, count) // 2, max(whole - 1, 0) * stride + 1


def tiles_of(raster: Raster, site: Site, block: tuple[int, int, int, int], stride: int) -> list[Tile]:
    """The window cut into tiles, whole strides each: bands of rows from top to bottom, each from left to right.

    On a map whose pixels are nearly a straight grid they are small enough for that, all of about one size. Where columns follow
    longitude they are small on the ground, and near a pole reach no farther around it than a quarter turn.
    """
    if raster.period_columns is not None:
        return _tiles_between_meridians(raster, block, stride)
    from yieldsim.ground.cell_rays import RAY_STRIDE
    from yieldsim.ground.tile_grid import MOST_BEND_PIXELS

    size = RAY_TILE_PIXELS if stride >= RAY_STRIDE else TILE_PIXELS
    row, column, rows, columns = block
    while True:
        tall = _equal_sides(rows, size, stride)
        # horizons of a cell at every pixel take 0.7 GB for the whole square: half of it, whose lines outside cost a tenth more
        halved = stride == 1 and tall > GROWS * size / 2
        wide = _equal_sides(columns, size // 2 if halved else size, stride)
        tiles = [
            Tile(row + r, column + c, min(tall, rows - r), min(wide, columns - c))
            for r in range(0, rows, tall)
            for c in range(0, columns, wide)
        ]
        corners = [tiles[0], tiles[-1], tiles[len(tiles) // 2]]
        if all(frame_of(raster, site, tile).bend_pixels() <= MOST_BEND_PIXELS for tile in corners):
            return tiles
        if size <= 16:
            raise CannotCompute(
                f"the pixels of {raster.name} are too far from a straight grid there for a survey; "
                "use a map projection made for the region"
            )
        size //= 2


def _equal_sides(pixels: int, size: int, stride: int) -> int:
    """Side of equal tiles of about `size` pixels, whole strides, that cover so many.

    >>> _equal_sides(1000, 512, 1), _equal_sides(1025, 512, 1), _equal_sides(545, 512, 1), _equal_sides(1000, 512, 10)
    (500, 513, 273, 500)
    """
    count = math.ceil(pixels / (size * GROWS))
    return -(-pixels // (count * stride)) * stride


def _tiles_between_meridians(raster: Raster, block: tuple[int, int, int, int], stride: int) -> list[Tile]:
    """Tiles of a map whose columns follow longitude: at most MOST_TILE_DEG of the body's arc either way."""
    import numpy as np

    row, column, rows, columns = block
    assert raster.period_columns is not None
    a_column_deg = 360.0 / raster.period_columns
    latitude = raster.to_place(np.array([0.0, 1.0]) + row, np.full(2, float(column)))[0]
    tall = _whole_strides(MOST_TILE_DEG / abs(float(latitude[1] - latitude[0])), stride)
    tiles = []
    for r in range(0, rows, tall):
        high = min(tall, rows - r)
        edges = raster.to_place(np.array([r, r + high - 1.0]) + row, np.full(2, float(column)))[0]
        widest = float(np.cos(np.radians(np.abs(edges).min() if edges[0] * edges[1] > 0.0 else 0.0)))
        wide = _whole_strides(min(MOST_TILE_DEG / max(widest, 1e-9), QUARTER_DEG) / a_column_deg, stride)
        tiles += [Tile(row + r, column + c, high, min(wide, columns - c)) for c in range(0, columns, wide)]
    return tiles


def _whole_strides(pixels: float, stride: int) -> int:
    """The most whole strides in so many pixels, and in MERIDIAN_PIXELS; one at least."""
    return max(int(min(pixels, MERIDIAN_PIXELS)) // stride, 1) * stride


def farthest_km(rasters: Sequence[Raster], site: Site, block: tuple[int, int, int, int]) -> float:
    """How far the files reach from any part of the window, at most as far as a horizon can lie."""
    import numpy as np

    from yieldsim.runs.horizon.march import LARGEST_REACH_KM

    row, column, rows, columns = block
    part = np.linspace(0.0, 1.0, 5)
    within = np.meshgrid(row + part * (rows - 1), column + part * (columns - 1))
    here = _unit_xyz(*rasters[0].to_place(*(at.ravel() for at in within)))[:, None]
    farthest = 0.0
    for raster in rasters:
        edge = np.linspace(0.0, 1.0, 17)
        r = np.concatenate([edge * 0.0, edge * 0.0 + 1.0, edge, edge]) * (raster.rows - 1)
        c = np.concatenate([edge, edge, edge * 0.0, edge * 0.0 + 1.0]) * (raster.columns - 1)
        there = _unit_xyz(*raster.to_place(r, c))
        chord = np.linalg.norm(there - here, axis=-1)
        angle = 2.0 * np.arcsin(np.clip(np.nanmax(chord) / 2.0, 0.0, 1.0))
        farthest = max(farthest, float(angle) * site.body.equatorial_radius_km)
    return min(farthest, LARGEST_REACH_KM)


def _unit_xyz(latitude_deg: Any, longitude_deg: Any) -> Any:
    import numpy as np

    a, b = np.radians(latitude_deg), np.radians(longitude_deg)
    return np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=-1)
