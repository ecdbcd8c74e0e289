"""Terrain rasters: GeoTIFF, PDS3 and PDS4 images with labels, NetCDF and whatever else the raster library reads.

Only windows are read, thinned by averaging where a view far from the site needs no detail. Heights come out in metres above the
body's reference ellipsoid, NaN where unknown. A raster belongs to a body by the radius of its coordinate system's ellipsoid, never
by a code.

What the pixels hold, after scale and offset: heights above the reference surface, or radii (recognised by their size, a label's
offset of one body radius being the common case). Heights in a file whose coordinate system is a sphere, on a body that is an
ellipsoid, are taken above the ellipsoid at the same planetocentric latitude, as planetary elevation models are; radii less that
sphere's radius look the same, and are recognised when they fall off towards the poles as the ellipsoid does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from yieldsim.base.errors import InputError, Problem
from yieldsim.base.model import Body
from yieldsim.base.numerics.height_grid import HeightGrid, ellipsoid_radius_m
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.terrain.projection import in_degrees, period_columns, try_projection
from yieldsim.files.terrain.raster_metadata import coding_of, gdal_name, opened_raster, refuse_no_file
from yieldsim.files.terrain.raster_model import Holds, Raster
from yieldsim.files.terrain.reading import decoded, read_values, refuse_heights
from yieldsim.files.terrain.remote import Address, Terrain, shown_name
from yieldsim.files.text.file_cache import Kept, while_unchanged

RADIUS_TOLERANCE = 0.005
"""A coordinate system may use a body's mean, equatorial or polar radius: they differ by up to 0.34 % (Earth, Mars)."""
KILOMETRES_LIKENESS = 0.015
"""Values this near to the body's radius in km may be radii in km: the Moon's and Mars's relief keeps within 0.7 %."""
MOST_RELIEF = 0.03
"""Heights of no round world are this share of its radius; radii differ from it by less."""
FEW = 0.1
"""Of the pixels looked at: strange values of so few are no matter of unit or scale."""
_RASTERS = Kept(64)
SKETCH_WINDOWS, SKETCH_PIXELS = 12, 4
"""Heights are told from radii by so many little windows a side, each of so many pixels a side."""


def open_rasters(paths: Sequence[Terrain], body: Body, holds: Holds = "auto") -> tuple[Raster, ...]:
    """Describe and check terrain files, in the order given. Raises InputError with every problem of every file."""
    problems: list[Problem] = []
    rasters: list[Raster] = []
    for path in paths:
        try:
            rasters.append(open_raster(path, body, holds))
        except InputError as error:
            problems.extend(error.problems)
    if not paths:
        problems.append(Problem("", "terrain", "names no file", "one or more, finest first"))
    if problems:
        raise InputError(problems)
    return tuple(rasters)


def refuse_missing(path: Terrain) -> None:
    """Raise InputError for what is no file: all that can be said of terrain while its body isn't known."""
    if not isinstance(path, Address):
        refuse_no_file(gdal_name(path), shown_name(path))


def open_raster(path: Terrain, body: Body, holds: Holds = "auto") -> Raster:
    """Describe and check one terrain file, reading a sprinkling of its pixels. Raises InputError."""
    return while_unchanged(
        _RASTERS,
        # from other folders a file may rest on others
        (isinstance(path, Address), str(path), Path.cwd(), body, holds),
        lambda: _measured(open_grid(path, body), holds, shown_name(path)),
        lambda raster: raster.files,
    )


def open_grid(path: Terrain, body: Body) -> Raster:
    """One terrain file as a grid of places: what it holds is not looked at. Raises InputError."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError, ProjError

    file = gdal_name(path)
    where = shown_name(path)
    own = path if isinstance(path, Address) else Path(path)
    with opened_raster(file, where) as dataset:
        if dataset.crs is None:
            raise InputError(
                Problem(
                    where,
                    found="has no coordinate system",
                    hint="write one into it, for the Moon's south pole "
                    '"+proj=stere +lat_0=-90 +R=1737400", or use a file with its label',
                )
            )
        try:
            crs = CRS.from_wkt(dataset.crs.to_wkt())
            ellipsoid = crs.ellipsoid
            if ellipsoid is None or not (crs.is_projected or in_degrees(crs)):
                raise CRSError("neither projected nor geographic")
            try_projection(crs)
        except ProjError as error:
            reason = str(error).splitlines()[0]
            raise InputError(
                Problem(where, found=f"has a coordinate system that is not understood: {reason}")
            ) from None
        coding = coding_of(dataset, where)
        transform = dataset.transform
        rows, columns = int(dataset.height), int(dataset.width)
        # a GeoTIFF without a place reads as one of pixels of 1; a NetCDF file of 1 degree from 0, 0 is one
        if transform.is_identity and (crs.is_projected or dataset.driver == "GTiff"):
            raise InputError(
                Problem(
                    where, found="does not say where its pixels lie", hint="write its geotransform into it"
                )
            )
        files = (own,) if isinstance(own, Address) else tuple(Path(name) for name in dataset.files)
        notes = _doubts(dataset, own.name)
    if rows < 2 or columns < 2:
        raise InputError(Problem(where, found=f"has {rows} x {columns} pixels", allowed="at least 2 x 2"))
    _refuse_other_body(where, ellipsoid.semi_major_metre, body)
    period = period_columns(crs, transform)
    if period is not None:
        columns = min(columns, max(round(period), 2))
    return Raster(
        path=own,
        files=files,
        rows=rows,
        columns=columns,
        coding=coding,
        transform=tuple(transform)[:6],
        crs=crs,
        equatorial_m=body.equatorial_radius_km * 1000.0,
        polar_m=body.polar_radius_km * 1000.0,
        sphere_m=ellipsoid.semi_major_metre
        if ellipsoid.semi_major_metre == ellipsoid.semi_minor_metre
        else None,
        holds="height",
        pixel_m=0.0,
        period_columns=period,
        lowest_m=body.relief_m[0],
        highest_m=body.relief_m[1],
        warnings=notes,
    )


def _doubts(dataset: Any, name: str) -> tuple[str, ...]:
    """What may be meant otherwise."""
    return (f"{name} has {dataset.count} bands; the first is used",) if dataset.count > 1 else ()


def _measured(bare: Raster, holds: Holds, where: str) -> Raster:
    """The raster with its pixel's ground size, and heights told from radii."""
    middle_row, middle_column = (bare.rows - 1) / 2.0, (bare.columns - 1) / 2.0
    row = np.array([middle_row, middle_row, middle_row + 0.5])
    column = np.array([middle_column, middle_column + 0.5, middle_column])
    latitude, longitude = bare.to_place(row, column)
    if not (np.isfinite(latitude).all() and np.isfinite(longitude).all()):
        raise InputError(
            Problem(where, found="has pixels that its coordinate system cannot place on the body")
        )
    lat, lon = np.radians(latitude), np.radians(longitude)
    xyz = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    across, down = (2.0 * bare.equatorial_m * np.linalg.norm(xyz[k] - xyz[0]) for k in (1, 2))
    pixel_m = float(np.sqrt(across * down))
    values, at_row, at_column = _sketch(bare)
    kind, warnings = _kind(bare, holds, where, values, at_row, at_column)
    middle_m = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
    counted_from_m = 0.0 if middle_m > 0.5 * bare.equatorial_m else (bare.sphere_m or bare.equatorial_m)
    return replace(
        bare,
        pixel_m=pixel_m,
        holds=kind,
        radius_offset_m=counted_from_m if kind == "radius" else 0.0,
        warnings=(*bare.warnings, *warnings),
    )


def _kind(
    raster: Raster, holds: Holds, where: str, values: FloatArray, row: FloatArray, column: FloatArray
) -> tuple[Holds, tuple[str, ...]]:
    """What the pixels hold. Raises InputError for values that are neither heights nor radii of this body."""
    if not np.isfinite(values).any():
        return ("height" if holds == "auto" else holds), ()
    radius_m = raster.equatorial_m
    middle = float(np.nanmedian(values))
    if abs(middle) < MOST_RELIEF * radius_m:
        # few among many: told with row and column when they are read
        strange = np.abs(values) >= MOST_RELIEF * radius_m
        values = np.where(strange & (strange.mean() < FEW), np.nan, values)
    if middle > 0.5 * radius_m:
        if abs(middle / radius_m - 1.0) > MOST_RELIEF:
            raise InputError(
                Problem(
                    where,
                    found=f"holds radii about {middle / 1000.0:.0f} km",
                    allowed=f"about {radius_m / 1000.0:.1f} km",
                )
            )
        return "radius", ()
    if not np.nanmax(np.abs(values)) < MOST_RELIEF * radius_m:
        worst = int(np.nanargmax(np.abs(values)))
        raise InputError(
            Problem(
                where,
                found=f"holds heights up to {np.nanmax(np.abs(values)):.4g} m, near row {row[worst]:.0f}, "
                f"column {column[worst]:.0f}",
                allowed="metres",
                hint="check its unit and scale",
            )
        )
    if holds != "auto":
        return holds, ()
    if not raster.coding.unit and np.nanmax(np.abs(values / (radius_m / 1000.0) - 1.0)) < KILOMETRES_LIKENESS:
        note = (
            f"{raster.name}: all its values are near {radius_m / 1000.0:.0f} and it states no unit: they are taken as heights in "
            "metres (write its unit into it if they are radii in kilometres)"
        )
        return "height", (note,)
    if raster.sphere_m is None or raster.equatorial_m == raster.polar_m:
        return "height", ()
    return _height_or_fall_off(raster, values, row, column)


def _sketch(raster: Raster) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Values, rows and columns of a sprinkling of pixels over the whole file."""
    pieces = []
    rows, columns = min(SKETCH_PIXELS, raster.rows), min(SKETCH_PIXELS, raster.columns)
    tops = np.unique(np.linspace(0, raster.rows - rows, SKETCH_WINDOWS).astype(int))
    lefts = np.unique(np.linspace(0, raster.columns - columns, SKETCH_WINDOWS).astype(int))
    with opened_raster(gdal_name(raster.path), shown_name(raster.path)) as dataset:
        # in one go where the file stores about as few pieces across
        together = raster.columns <= 2 * SKETCH_WINDOWS * dataset.block_shapes[0][1]
        starts, wide = ([0], raster.columns) if together else (lefts, columns)
        for top in tops:
            for start in starts:
                strip = decoded(dataset, raster.coding, (int(top), int(start), rows, wide), 1)
                for left in lefts if together else [start]:
                    values = strip[:, left - start :][:, :columns]
                    known = np.isfinite(values)
                    pieces.append((values[known].mean() if known.any() else np.nan, top, left))
        # a file that was cut short shows it at its end
        decoded(dataset, raster.coding, (raster.rows - 1, raster.columns - 1, 1, 1), 1)
    values, row, column = np.array(pieces, dtype=np.float64).T
    return values, row + 0.5 * (rows - 1), column + 0.5 * (columns - 1)


def _height_or_fall_off(
    raster: Raster, values: FloatArray, row: FloatArray, column: FloatArray
) -> tuple[Holds, tuple[str, ...]]:
    """Heights over the ellipsoid, or radii less the sphere's: by whether the values follow the ellipsoid's own fall-off.

    Least squares of the values on the fall-off, a constant, and the sine of latitude (Mars is lower in the north): a share above
    one half means radii. Where the file spans too little of the fall-off to tell, heights, with a warning.
    """
    latitude, _ = raster.to_place(row, column)
    known = np.isfinite(values) & np.isfinite(latitude)
    fall = ellipsoid_radius_m(latitude[known], raster.equatorial_m, raster.polar_m) - raster.equatorial_m
    relief = float(np.std(values[known]))
    if np.ptp(fall) > 3.0 * relief or np.ptp(fall) > 0.9 * (raster.equatorial_m - raster.polar_m):
        terms = np.stack([fall, np.ones_like(fall), np.sin(np.radians(latitude[known]))], axis=1)
        share = float(np.linalg.lstsq(terms, values[known], rcond=None)[0][0])
        return ("radius" if share > 0.5 else "height"), ()
    note = (
        f"{raster.name}: its coordinate system is a sphere on a flattened body; its values are taken as heights above the "
        "ellipsoid (say that they are radii if they are radii less the sphere's)"
    )
    return "height", (note,)


def _refuse_other_body(where: str, semi_major_m: float, body: Body) -> None:
    radius_m = body.equatorial_radius_km * 1000.0
    if abs(semi_major_m / radius_m - 1.0) > RADIUS_TOLERANCE:
        raise InputError(
            Problem(
                where,
                found=f"is of another body: its coordinate system has a radius of {semi_major_m / 1000.0:.1f} km",
                allowed=f"{radius_m / 1000.0:.1f} km, that of {body.name}",
            )
        )


def read_window(raster: Raster, row: int, column: int, rows: int, columns: int, step: int) -> HeightGrid:
    """A window as heights above the body's ellipsoid, thinned by averaging step x step pixels."""
    values = read_values(raster, row, column, rows, columns, step)
    if raster.holds == "radius":
        at_row = (np.arange(values.shape[0]) + 0.5) * step - 0.5 + row
        at_column = (np.arange(values.shape[1]) + 0.5) * step - 0.5 + column
        latitude, _ = raster.to_place(*np.meshgrid(at_row, at_column, indexing="ij"))
        # in float64 before the heights are stored short: a radius has no room for its decimals in 32 bits
        values = values + raster.radius_offset_m
        values = values - ellipsoid_radius_m(latitude, raster.equatorial_m, raster.polar_m)
        refuse_heights(raster, values, row, column, step)
    whole_turn = raster.is_whole_turn and columns == raster.columns
    north, south = raster.ends_at_pole if whole_turn else (False, False)
    above, below = int(north and row == 0), int(south and row + rows == raster.rows)
    values = _over_the_poles(values, above, below)

    def to_pixel(latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
        at_row, at_column = raster.to_pixel(latitude_deg, longitude_deg)
        if raster.period_columns is not None:
            # the turn that puts the place nearest to the window's middle
            middle, turn = column + 0.5 * (columns - 1), raster.period_columns
            at_column = (at_column - middle + 0.5 * turn) % turn - 0.5 * turn + middle
        return (at_row - row + 0.5) / step - 0.5 + above, (at_column - column + 0.5) / step - 0.5

    def to_place(at_row: FloatArray, at_column: FloatArray) -> tuple[FloatArray, FloatArray]:
        return raster.to_place(
            (at_row - above + 0.5) * step - 0.5 + row, (at_column + 0.5) * step - 0.5 + column
        )

    return HeightGrid(
        heights_m=values.astype(np.float32),
        pixel_m=raster.pixel_m * step,
        to_pixel=to_pixel,
        to_place=to_place,
        wrapped=whole_turn,
        name=raster.name,
    )


def _over_the_poles(values: FloatArray, above: int, below: int) -> FloatArray:
    """The whole-turn window with a row more beyond each pole that it ends at: the pixels across the pole, half a turn on."""
    half = values.shape[1] // 2
    rows = (
        [np.roll(values[:1], half, axis=1)] * above + [values] + [np.roll(values[-1:], half, axis=1)] * below
    )
    return np.concatenate(rows)
