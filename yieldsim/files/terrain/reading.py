"""Pixels of a terrain raster: windows read in pieces, thinned by averaging what is known, refused where no ground can be like that.

A piece is small enough for a reader's interruption to be heard within a fraction of a second. Heights beyond what the body's relief
allows, and leaps from pixel to pixel that no cliff makes, are numbers that stand for something else: a marker for unknown ground
that the file doesn't declare, a wrong unit, damage.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.errors import InputError, Problem
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.terrain.raster_metadata import Coding, gdal_name, opened_raster
from yieldsim.files.terrain.remote import shown_name
from yieldsim.files.text.paths import shown

if TYPE_CHECKING:
    from yieldsim.files.terrain.raster_model import Raster

PIXELS_AT_ONCE = 1 << 22
MOST_BLOCK_PIXELS = 1 << 27
"""Pixels that a file may store in one piece: the library unpacks a piece whole, deaf to interruptions meanwhile."""
TALLEST_CLIFF_M = 4000.0
"""Between neighbouring pixels, beside a slope of 45 deg between their centres. The tallest sheer faces known on the bodies that
come with the program are below 2 km; walls of craters and chasmata that rise farther take several kilometres to do so."""
KNOWN_SHARE = 0.5
"""A thinned pixel is known where at least this share of its pixels is."""


def read_values(raster: Raster, row: int, column: int, rows: int, columns: int, step: int) -> FloatArray:
    """Decoded values, float64 with NaN for unknown ground, of a window thinned by averaging step x step pixels.

    A window past the right end of a map that closes on itself continues at its left end. Trailing pixels that don't
    fill a whole block are left out. Raises InputError for a damaged file, and for values that no ground has.
    """
    out = np.empty((rows // step, columns // step))
    with opened_raster(gdal_name(raster.path), shown_name(raster.path)) as dataset:
        done = 0
        while done < columns // step:
            start = (column + done * step) % raster.columns if raster.is_whole_turn else column + done * step
            blocks = min(columns // step - done, max((raster.columns - start) // step, 1))
            window = (row, start, out.shape[0] * step, blocks * step)
            out[:, done : done + blocks] = decoded(dataset, raster.coding, window, step, raster)
            done += blocks
    return out


def decoded(
    dataset: Any, coding: Coding, window: tuple[int, int, int, int], step: int, raster: Raster | None = None
) -> FloatArray:
    """Values of a window (row, column, rows, columns) of an open file, each the mean of step x step pixels.

    raster   what its heights may be; None: anything
    """
    row, column, rows, columns = window
    size = max(int(np.prod(dataset.block_shapes[0])), 1)
    if size > MOST_BLOCK_PIXELS:
        allowed = f"at most {MOST_BLOCK_PIXELS}"
        hint = "store it in tiles"
        raise InputError(
            Problem(dataset.name, found=f"stores {size} pixels in one piece", allowed=allowed, hint=hint)
        )
    _refuse_missing(dataset, coding, window)
    fold = _overview(dataset, step, row, column)
    out = np.empty((rows // step, columns // step))
    wide = max(min(columns, PIXELS_AT_ONCE // step) // step, 1) * step
    tall = max(PIXELS_AT_ONCE // wide // step, 1) * step
    for top in range(0, rows // step * step, tall):
        for left in range(0, columns // step * step, wide):
            size_rows, size_columns = (
                min(tall, rows // step * step - top),
                min(wide, columns // step * step - left),
            )
            values = _piece(dataset, coding, (row + top, column + left, size_rows, size_columns), fold)
            low, high, leap = _allowed(raster, fold)
            means, kind, r, c, found, beside = _thinned(values, step // fold, low, high, leap)
            if kind:
                assert raster is not None
                at = (row + top + r * fold, column + left + c * fold)
                _refuse_value(raster, kind, at, found, beside)
            out[top // step : (top + size_rows) // step, left // step : (left + size_columns) // step] = means
    return out


def read_whole(raster: Raster) -> None:
    """Read every pixel. Raises InputError for a damaged file, and for values that no ground has."""
    tall = max(PIXELS_AT_ONCE // raster.columns, 1)
    for row in range(0, raster.rows, tall):
        read_values(raster, row, 0, min(tall, raster.rows - row), raster.columns, 1)


def refuse_heights(raster: Raster, heights_m: FloatArray, row: int, column: int, step: int) -> None:
    """Raise InputError for heights of a window, reduced to the ellipsoid, that are beyond the body's relief."""
    with np.errstate(invalid="ignore"):
        wrong = (heights_m < raster.lowest_m) | (heights_m > raster.highest_m)
    if wrong.any():
        r, c = (int(at) for at in np.argwhere(wrong)[0])
        _refuse_value(raster, 1, (row + r * step, column + c * step), float(heights_m[r, c]), 0.0)


def _allowed(raster: Raster | None, fold: int) -> tuple[float, float, float]:
    """Lowest and highest value, and largest leap to the next pixel."""
    if raster is None:
        return -np.inf, np.inf, np.inf
    low, high = raster.lowest_m, raster.highest_m
    if raster.holds == "radius":
        low += raster.polar_m - raster.radius_offset_m
        high += raster.equatorial_m - raster.radius_offset_m
    return low, high, TALLEST_CLIFF_M + raster.pixel_m * fold


def _refuse_value(raster: Raster, kind: int, at: tuple[int, int], found: float, beside: float) -> None:
    row, column = at
    off = raster.polar_m - raster.radius_offset_m if raster.holds == "radius" else 0.0
    place = f"at row {row}, column {column} (counted from 0)"
    hint = "if the number marks unknown ground, declare it as the file's nodata value"
    if kind == 1:
        what = f"holds a height of {found - off:.7g} m {place}"
        allowed = f"{raster.lowest_m:g} to {raster.highest_m:g} m, the relief of the body"
    else:
        what = f"leaps from {beside - off:.7g} m to {found - off:.7g} m {place}"
        allowed = f"steps of up to {TALLEST_CLIFF_M + raster.pixel_m:.4g} m between neighbouring pixels"
    raise InputError(Problem(shown_name(raster.path), found=what, allowed=allowed, hint=hint))


def _overview(dataset: Any, step: int, row: int, column: int) -> int:
    """The coarsest overview of the file that the window's blocks are made of; 1: its own pixels."""
    if step == 1:
        return 1
    fits = [f for f in dataset.overviews(1) if f > 1 and step % f == 0 and row % f == 0 and column % f == 0]
    return max(fits, default=1)


def _piece(dataset: Any, coding: Coding, window: tuple[int, int, int, int], fold: int) -> FloatArray:
    """Values in metres of a window, or of the overview's pixels in it; NaN where unknown."""
    from rasterio.enums import MaskFlags, Resampling
    from rasterio.windows import Window

    row, column, rows, columns = window
    whole = MaskFlags.all_valid in dataset.mask_flag_enums[0]
    stored = dataset.read(
        1,
        window=Window(column, row, columns, rows),
        out_shape=(rows // fold, columns // fold),
        resampling=Resampling.average,
        masked=not whole,
    )
    # a signalling NaN is a hole as others are
    with np.errstate(invalid="ignore"):
        values: FloatArray = np.asarray(stored, dtype=np.float64)
    missing = None if whole else np.ma.getmaskarray(stored)
    if coding.nodata is not None:
        undeclared = values == coding.nodata
        missing = undeclared if missing is None else missing | undeclared
    values = values * coding.scale + coding.offset
    if missing is not None:
        values[missing] = np.nan
    return values


def _refuse_missing(dataset: Any, coding: Coding, window: tuple[int, int, int, int]) -> None:
    """Raise InputError where a GeoTIFF has lost tiles: without a nodata value the library reads them as ground at 0."""
    if dataset.driver != "GTiff" or coding.nodata is not None:
        return
    row, column, rows, columns = window
    tall, wide = dataset.block_shapes[0]
    for y in range(row // tall, (row + rows - 1) // tall + 1):
        for x in range(column // wide, (column + columns - 1) // wide + 1):
            if dataset.get_tag_item(f"BLOCK_OFFSET_{x}_{y}", "TIFF", bidx=1) is None:
                found = f"is damaged: its pixels from row {y * tall}, column {x * wide} on are missing"
                raise InputError(Problem(shown(dataset.name), found=found))


@njit(cache=True)
def _thinned(
    values: FloatArray, step: int, low: float, high: float, leap: float
) -> tuple[FloatArray, int, int, int, float, float]:
    """Means of step x step values, and the first value that no ground has: kind (0 none, 1 beyond the relief, 2 a leap), row,
    column, the value and the one before it."""
    rows, columns = values.shape[0] // step, values.shape[1] // step
    means = np.empty((rows, columns))
    for i in range(rows):
        for j in range(columns):
            total, known = 0.0, 0
            for r in range(i * step, (i + 1) * step):
                for c in range(j * step, (j + 1) * step):
                    value = values[r, c]
                    if value != value:
                        continue
                    if not low <= value <= high:
                        return means, 1, r, c, value, 0.0
                    for other in (
                        values[r - 1, c] if r > 0 else value,
                        values[r, c - 1] if c > 0 else value,
                    ):
                        if abs(value - other) > leap:
                            return means, 2, r, c, value, other
                    total += value
                    known += 1
            means[i, j] = total / known if known and known >= KNOWN_SHARE * step * step else np.nan
    return means, 0, 0, 0, 0.0, 0.0
