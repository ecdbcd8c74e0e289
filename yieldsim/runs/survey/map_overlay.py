"""What a survey's map shows beside its own cells: the terrain's relief, lines of latitude and longitude, pole and north."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.model import Body
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.terrain.projection import in_degrees
from yieldsim.report.survey import Graticule, MapOverlay, Relief

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.files.terrain.raster_model import Holds, Raster

RELIEF_PIXELS = 500
"""Longest side of the relief: finer contours than this can't be told apart on paper."""
LINES = 5
"""About so many lines each way."""
STEPS_DEG = (
    *(factor * 10.0**power for power in range(-5, 2) for factor in (1.0, 2.0, 5.0)),
    *(15.0, 30.0, 45.0),
)
POINTS = 181


def map_overlay(ds: xr.Dataset, terrain: Sequence[str | Path], body: Body, holds: Holds) -> MapOverlay:
    """All of it, from the survey's first terrain file. Raises InputError where that can't be read."""
    from yieldsim.files.terrain.raster import open_raster

    raster = open_raster(terrain[0], body, holds)
    x, y = ds["x"].values, ds["y"].values
    row, column = _pixels(raster, x[[0, -1]], y[[0, -1]])
    return MapOverlay(
        relief=_relief(raster, row, column, ds.sizes["y"], ds.sizes["x"]),
        graticule=None if in_degrees(raster.crs) else _graticule(raster, x, y),
    )


def _pixels(raster: Raster, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows and columns of map coordinates, of maps whose axes run along rows and columns."""
    a, _, c, _, e, f = raster.transform
    return (y - f) / e - 0.5, (x - c) / a - 0.5


def _relief(raster: Raster, row: FloatArray, column: FloatArray, rows: int, columns: int) -> Relief | None:
    """Heights of the terrain file under the map, thinned to RELIEF_PIXELS; None where the survey's cells are as fine."""
    from yieldsim.files.terrain.reading import read_values

    first = (max(round(float(row.min())), 0), max(round(float(column.min())), 0))
    last = (
        min(round(float(row.max())), raster.rows - 1),
        min(round(float(column.max())), raster.columns - 1),
    )
    count = (last[0] - first[0] + 1, last[1] - first[1] + 1)
    step = max(1, -(-max(count) // RELIEF_PIXELS))
    if min(count) < 2 * step or max(count) / step <= max(rows, columns):
        return None
    heights = read_values(raster, *first, *count, step)
    at_row = first[0] + step * np.arange(heights.shape[0], dtype=np.float64) + 0.5 * (step - 1)
    at_column = first[1] + step * np.arange(heights.shape[1], dtype=np.float64) + 0.5 * (step - 1)
    x, _ = raster.to_xy(np.full(at_column.size, float(at_row[0])), at_column)
    _, y = raster.to_xy(at_row, np.full(at_row.size, float(at_column[0])))
    return Relief(x=x, y=y, value_m=heights)


def _graticule(raster: Raster, x: FloatArray, y: FloatArray) -> Graticule:
    """Lines of round latitudes and longitudes within a projected map, the pole where it holds one, north at its middle."""
    from yieldsim.files.terrain.projection import from_map, to_map

    across, down = np.meshgrid(np.linspace(x[0], x[-1], 61), np.linspace(y[0], y[-1], 61))
    latitude, longitude = from_map(raster.crs, across.ravel(), down.ravel())
    known = np.isfinite(latitude) & np.isfinite(longitude)
    latitude, longitude = latitude[known], longitude[known]
    pole = None
    for pole_deg, name in ((90.0, "north pole"), (-90.0, "south pole")):
        at = [float(value) for value in to_map(raster.crs, pole_deg, 0.0)]
        if np.isfinite(at).all() and x.min() <= at[0] <= x.max() and y.min() <= at[1] <= y.max():
            pole = (at[0], at[1], name)
    middle_deg = float(from_map(raster.crs, 0.5 * (x[0] + x[-1]), 0.5 * (y[0] + y[-1]))[1])
    east = (longitude - middle_deg + 180.0) % 360.0 - 180.0
    low, high = float(latitude.min()), float(latitude.max())
    if pole is not None:
        low, high = (low, 90.0) if pole[2] == "north pole" else (-90.0, high)
    left, right = (-180.0, 180.0) if pole is not None else (float(east.min()), float(east.max()))
    lines: list[tuple[str, FloatArray, FloatArray]] = []
    for value, text in _round_values(low, high):
        circle = to_map(raster.crs, np.full(POINTS, value), middle_deg + np.linspace(left, right, POINTS))
        if abs(value) < 90.0:
            lines.append((f"{text.lstrip('-')}° {'N' if value >= 0.0 else 'S'}", *circle))
    middle_deg %= 360.0
    for value, _ in _round_values(middle_deg + left, middle_deg + right, whole_turn=pole is not None):
        meridian = to_map(raster.crs, np.linspace(low, high, POINTS), np.full(POINTS, value))
        lines.append((f"{round(value % 360.0, 6):g}° E", *meridian))
    return Graticule(lines=tuple(lines), pole=pole, north_xy=None if pole else _north(raster.crs, x, y))


def _round_values(low: float, high: float, *, whole_turn: bool = False) -> list[tuple[float, str]]:
    """Round degrees between two ends, with their text."""
    step = 45.0 if whole_turn else next((s for s in STEPS_DEG if (high - low) / s <= LINES), 90.0)
    values = step * np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1.0)
    if whole_turn:
        values = np.arange(0.0, 360.0, step)
    digits = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    return [(value, f"{value:.{digits}f}") for value in values.tolist()]


def _north(crs: Any, x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Direction of north on the map at its middle: a vector of length 1."""
    from yieldsim.files.terrain.projection import from_map, to_map

    middle = 0.5 * (x[0] + x[-1]), 0.5 * (y[0] + y[-1])
    latitude, longitude = (float(value) for value in from_map(crs, *middle))
    ahead = to_map(crs, latitude + 1e-3, longitude)
    dx, dy = float(ahead[0]) - middle[0], float(ahead[1]) - middle[1]
    length = float(np.hypot(dx, dy))
    return dx / length, dy / length
