"""Which windows of which rasters a view from one place needs: full detail near, thinned far away, never a whole large file.

A pixel at the edge of a view fills at most 1/VIEW_PIXELS of the distance to it: 0.1 deg. Thinning averages heights, which lowers a
sharp crest by about a quarter of a pixel's worth of its slope: 0.01 deg at that distance for slopes of 20 deg.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from yieldsim.base.numerics.height_grid import HeightGrid, with_small_holes_filled
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.terrain.raster import read_window
from yieldsim.files.terrain.raster_model import Raster
from yieldsim.files.text.file_cache import Kept

VIEW_PIXELS = 600
PLACES_BY_DISTANCE = 48
PLACES_BY_AZIMUTH = 96
_GRIDS = Kept(32 << 20)
"""By bytes."""

Along = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""(azimuth in degrees, distance in metres) -> planetocentric latitude and longitude in degrees."""


def views(rasters: Sequence[Raster], along: Along, reach_m: float) -> list[HeightGrid]:
    """Height grids for lines of sight out to `reach_m` from one place, finest first."""
    grids: list[HeightGrid] = []
    for raster in rasters:
        step, whole = 1, False
        while not whole:
            radius_m = min(VIEW_PIXELS * raster.pixel_m * step, reach_m)
            window = window_around(raster, along, radius_m, step)
            if window is not None:
                grids.append(_grid(raster, window, step))
            last = window_around(raster, along, reach_m, step)
            whole = window == last or radius_m >= reach_m
            step *= 2
    return sorted(grids, key=lambda grid: grid.pixel_m)


def thinned(rasters: Sequence[Raster], along: Along, radius_m: float, spacing_m: float) -> list[HeightGrid]:
    """Height grids of everything within `radius_m` of one place, thinned to pixels no coarser than `spacing_m`; finest first."""
    grids: list[HeightGrid] = []
    for raster in rasters:
        step = 1
        while 2 * step * raster.pixel_m <= 1.001 * spacing_m:
            step *= 2
        window = window_around(raster, along, radius_m, step)
        if window is not None:
            grids.append(_kept_grid(raster, window, step))
    return sorted(grids, key=lambda grid: grid.pixel_m)


def _kept_grid(raster: Raster, window: tuple[int, int, int, int], step: int) -> HeightGrid:
    """The same as `_grid`: a whole file is kept, since every tile of a survey looks at it from afar."""
    if window != (0, 0, raster.rows // step * step, raster.columns // step * step):
        return _grid(raster, window, step)
    grid: HeightGrid | None = _GRIDS.get((raster, step))
    if grid is None:
        grid = _grid(raster, window, step)
        _GRIDS.put((raster, step), grid, grid.heights_m.nbytes)
    return grid


def _grid(raster: Raster, window: tuple[int, int, int, int], step: int) -> HeightGrid:
    """A window with its small holes filled and the others told from ground beyond the file's data.

    Where a file declares a number for unknown ground, what lies along the window's edge is where its data end, as in the corners
    around a polar cap. Without one it is a hole wherever it lies.
    """
    grid = read_window(raster, *window, step)
    if np.isfinite(grid.heights_m).all():
        return grid
    heights, holes, filled = with_small_holes_filled(
        grid.heights_m, grid.wrapped, open_edge=raster.coding.nodata is not None
    )
    return replace(grid, heights_m=heights, holes=holes if holes.any() else None, filled=filled)


def window_around(
    raster: Raster, along: Along, radius_m: float, step: int
) -> tuple[int, int, int, int] | None:
    """(row, column, rows, columns) of the pixels within a distance of a place, in whole blocks of `step`; None outside the file."""
    distance = np.concatenate([[0.0], np.linspace(0.0, radius_m, PLACES_BY_DISTANCE)[1:]])
    azimuth = np.linspace(0.0, 360.0, PLACES_BY_AZIMUTH, endpoint=False)
    latitude, longitude = along(azimuth[:, None], distance[None, :])
    row, column = raster.to_pixel(latitude.ravel(), longitude.ravel())
    on_map = np.isfinite(row) & np.isfinite(column)
    row, column = row[on_map], column[on_map]
    turn = raster.period_columns
    if turn is not None:
        column = (column - column[0] + 0.5 * turn) % turn - 0.5 * turn + column[0]
        if not raster.is_whole_turn:
            column = column - turn * np.floor((column[0] + 0.5) / turn)
    # the arc between two sampled azimuths bulges beyond them by 1 - cos(half the step)
    bulge = 2.0 + 0.002 * max(np.ptp(row), np.ptp(column))
    top = max(int(np.floor((row.min() - bulge) / step)) * step, 0)
    bottom = min(int(np.ceil((row.max() + bulge + 1.0) / step)) * step, raster.rows // step * step)
    left = int(np.floor((column.min() - bulge) / step)) * step
    right = int(np.ceil((column.max() + bulge + 1.0) / step)) * step
    if raster.is_whole_turn:
        # around a pole the sampled columns leave a gap of a step between two azimuths
        around = np.ptp(column) > 0.75 * raster.columns
        if raster.columns % step or right - left >= raster.columns or around:
            left, right = 0, raster.columns // step * step
    else:
        left, right = max(left, 0), min(right, raster.columns // step * step)
    if bottom - top < 2 * step or right - left < 2 * step:
        return None
    return top, left, bottom - top, right - left
