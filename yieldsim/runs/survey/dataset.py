"""A survey's maps as a CF Dataset: coordinates, coordinate system, best places, provenance."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.dataset import attributes
from yieldsim.base.model import Notes, Source
from yieldsim.base.variables import CONVENTIONS
from yieldsim.files.output.provenance import provenance
from yieldsim.files.output.tile_store import StoredMap, TileGrid
from yieldsim.files.terrain.projection import in_degrees, map_unit
from yieldsim.planning.survey.permanent_shadow import never_lit
from yieldsim.planning.survey.site_selection import Area, best_places
from yieldsim.runs.survey.options import GOALS
from yieldsim.runs.survey.tile_report import TileReport, area_of
from yieldsim.runs.survey.tiles import CLEAR, EARTH, VARIABLES, Tile, TileJob

if TYPE_CHECKING:
    from pathlib import Path

    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.files.terrain.raster_model import Raster
    from yieldsim.runs.run_span import RunSpan
    from yieldsim.runs.survey.options import SurveyOptions

LOOK_STEP_DEG = 5.0
"""Azimuths at which the best place is asked how far its files would need to reach."""
PLACE_DECIMALS = 8
"""Of degrees: a cell on a file's edge stays in the file to a third of a millimetre."""
PER_YEAR = ("sun_following_kwh_m2", "delivered_kwh")
"""Maps of energy at the rate of a year."""
SPACING_SHARE = 0.1
"""Places are kept apart by this share of the map's shorter side unless told otherwise, and are never neighbours."""

COARSE_M, CLEARS_M, LOW_SUN_DEG = 50.0, 5.0, 10.0
"""Pixels from which on, masts up to which and a Sun up to which the ground smoothed away is told."""


def survey_dataset(
    folder: Path,
    tiles: Sequence[Tile],
    reports: Sequence[TileReport],
    grid: Raster,
    block: tuple[int, int, int, int],
    job: TileJob,
    chosen: RunSpan,
    options: SurveyOptions,
    sources: tuple[Source, ...],
    notes: Notes,
    body_file: str,
) -> xr.Dataset:
    """survey.nc as a Dataset; its attribute "summary" holds the best places and the provenance as JSON.

    folder, tiles, reports   the store, its tiles and what they told; the maps stay in the store and are read piece by piece
    """
    span_utc = (chosen.start_utc, chosen.end_utc)
    row, column, rows, columns = block
    r = row + np.arange(0, rows, job.stride, dtype=np.float64)
    c = column + np.arange(0, columns, job.stride, dtype=np.float64)
    x, _ = grid.to_xy(np.full(c.size, r[0]), c)
    _, y = grid.to_xy(r, np.full(r.size, c[0]))
    middle = span_utc[0] + (span_utc[1] - span_utc[0]) // 2
    ds = xr.Dataset(
        coords={"y": ("y", y, _axis(grid, "y")), "x": ("x", x, _axis(grid, "x")), "time": ((), middle)}
    )
    ds["time"].attrs.update({"standard_name": "time", "bounds": "time_bnds"})
    ds["time_bnds"] = (("bnds",), np.array(span_utc, dtype="datetime64[ns]"))
    ds["crs"] = ((), np.int32(0), _grid_mapping(grid) | {"GeoTransform": _cells(grid, block, job.stride)})
    stored = stored_maps(folder, tiles, job)
    for name, values in stored.items():
        if job.collector is None and name in ("delivered_kwh", "best_azimuth_deg", "clear_delivered_kwh"):
            continue
        attrs = attributes(name) | {"grid_mapping": "crs"}
        if name not in ("elevation_m", "best_azimuth_deg", "longest_dark_cut_fraction"):
            attrs["cell_methods"] = "time: mean"
        if name in PER_YEAR:
            attrs["cell_methods"] = f"time: sum (for {chosen.period.year_days:.6g} days)"
        if name == "longest_dark_hours":
            attrs["cell_methods"] = "time: maximum"
        ds[name] = (("y", "x"), _read_when_used(values), attrs)
        ds[name].encoding["chunksizes"] = tuple(lengths[0] for lengths in values.grid.chunks)
    ds["never_lit_fraction"] = _never_lit(ds["any_light_fraction"])

    def cell_xyz_m(at_row: FloatArray, at_column: FloatArray) -> FloatArray:
        latitude, longitude = grid.to_place(row + at_row * job.stride, column + at_column * job.stride)
        return _xyz_m(latitude, longitude, grid.equatorial_m)

    goal = options.goal or ("delivered" if job.collector is not None else "sun-following")
    variable, sign = GOALS[goal]
    scale_m = _ground_scale_m(grid, job)
    spacing_m = options.spacing_m
    if spacing_m is None:
        # never so near that they share a corner
        across, down = (c.size - 1) * scale_m[1], (r.size - 1) * scale_m[0]
        spacing_m = max(SPACING_SHARE * min(across, down), 1.05 * math.hypot(*scale_m))
    found = best_places(
        [area_of(job, tile, block[:2]) for tile in tiles],
        [report.best[variable] for report in reports],
        lambda area: sign * _of_area(stored[variable], area),
        cell_xyz_m,
        spacing_m,
        options.places,
    )
    places: list[dict[str, Any]] = []
    for i, j in found:
        latitude, longitude = grid.to_place(np.array([r[i]]), np.array([c[j]]))
        at = {
            "rank": len(places) + 1,
            "latitude_deg": round(float(latitude[0]), PLACE_DECIMALS),
            "longitude_deg": round(float(longitude[0]) % 360.0, PLACE_DECIMALS),
            "x": round(float(x[j]), 3),
            "y": round(float(y[i]), 3),
        }
        named = (name for name in (*VARIABLES, *CLEAR, EARTH) if name in ds)
        places.append(
            at | {name: round(float(stored[name][i : i + 1, j : j + 1][0, 0]), 5) for name in named}
        )
    if places:
        for line in _best_place_notes(places[0], job, options, max(scale_m) / job.stride):
            notes.add(line)
    summary = {
        "schema": "yieldsim survey 1",
        "body": job.site.body.name,
        "body_file": body_file,
        "start_utc": f"{np.datetime_as_string(span_utc[0], unit='s')}Z",
        "end_utc": f"{np.datetime_as_string(span_utc[1], unit='s')}Z",
        "period": chosen.period.words() | {"annual_figures_per": chosen.period.year},
        "cells": sum(report.cells for report in reports),
        "never_lit_km2": round(sum(report.never_lit_km2 for report in reports), 6),
        "cell_m": [round(scale_m[1], 3), round(scale_m[0], 3)],
        "mast_height_m": job.site.mast_height_m,
        "earth_mast_height_m": job.earth_mast_height_m,
        "azimuths": job.azimuths,
        "reach_km": job.reach_km,
        "collector": None if job.collector is None else job.collector.name,
        "goal": goal,
        "spacing_m": round(float(spacing_m), 3),
        "places": places,
        "warnings": list(notes.lines),
        "provenance": provenance(sources, _options(job, options)),
    }
    ds.attrs = {
        "Conventions": CONVENTIONS,
        "title": f"Light over {grid.name}, {job.site.body.name}",
        "source": f"yieldsim {summary['provenance']['version']}",  # type: ignore[index]
        "history": f"yieldsim survey, {summary['start_utc']} to {summary['end_utc']}",
        "celestial_body": job.site.body.name,
        "comment": (
            "lit: share of the time weighted by the visible share of the limb-darkened disc; any light: any part of "
            f"the disc in sight; energies are means for a {chosen.period.year} of {chosen.period.year_days:.6g} days; direct "
            "sunlight only"
        ),
        "summary": json.dumps(summary, ensure_ascii=False, sort_keys=True),
    }
    return ds


def _never_lit(any_light: xr.DataArray) -> xr.DataArray:
    """The map of cells that no part of the disc is ever in sight of."""
    found: xr.DataArray = never_lit(any_light).where(any_light.notnull()).astype(np.float32)
    found.attrs = attributes("never_lit_fraction") | {"grid_mapping": "crs"}
    found.encoding["chunksizes"] = any_light.encoding["chunksizes"]
    return found


def stored_maps(folder: Path, tiles: Sequence[Tile], job: TileJob) -> dict[str, StoredMap]:
    """The maps of a store by name."""
    bands: dict[int, list[Tile]] = {}
    for tile in tiles:
        bands.setdefault(tile.row, []).append(tile)
    rows, columns, names = [0], [], []
    for band in bands.values():
        shapes = [job.shape(tile) for tile in band]
        rows.append(rows[-1] + shapes[0][1])
        columns.append((0, *np.cumsum([shape[2] for shape in shapes]).tolist()))
        names.append(tuple(tile.name for tile in band))
    grid = TileGrid(tuple(rows), tuple(columns), tuple(names))
    return {name: StoredMap(folder, grid, k) for k, name in enumerate(job.layers[:-1])}


def _read_when_used(values: StoredMap) -> Any:
    """An array that reads its pieces when they are used; the values themselves where the library for that isn't installed."""
    try:
        from dask import array
    except ImportError:
        return values[:, :]
    pieces: Any = array
    return pieces.from_array(values, chunks=values.grid.chunks, name=False)


def _of_area(values: StoredMap, area: Area) -> FloatArray:
    part = values[area.row : area.row + area.rows, area.column : area.column + area.columns]
    return part.astype(np.float64)


def ground_notes(told: TileReport, job: TileJob) -> list[str]:
    """What the tiles tell of unknown ground: pixels filled, and cells whose light it bounds."""
    lines = []
    if told.filled:
        lines.append(
            f"pixels of unknown height in small holes, up to {told.filled} in a tile's view, are filled from their highest neighbours"
        )
    if job.unknown_ground == "bounds" and told.bounded_cells:
        lines.append(
            f"holes of unknown height stand between the Sun and {told.bounded_cells} cells: their light is the lower of two bounds, "
            f"with holes blocking; the upper ones, up to {told.bounded_most:.3g} of the time more, are the maps named clear_"
        )
    return lines


def cut_note(told: TileReport) -> str | None:
    """What to tell of cells whose longest dark an end of the span cuts."""
    if not told.cut_cells:
        return None
    return (
        f"in {told.cut_cells} of {told.cells} cells the longest dark is cut by an end of the span: it is at least what the map "
        "longest_dark_hours shows (map longest_dark_cut_fraction); a longer span tells it whole"
    )


def coarse_note(pixel_m: float, mast_height_m: float, highest_sun_deg: float) -> list[str]:
    """What pixels are too coarse for where the Sun stays low."""
    if pixel_m < COARSE_M or mast_height_m >= CLEARS_M or highest_sun_deg > LOW_SUN_DEG:
        return []
    return [
        f"pixels of {float(f'{pixel_m:.3g}'):g} m smooth away ground that hides a low Sun: on a ridge near the lunar "
        "south pole 240 m read the best place at the surface 8 points of 100 too lit, against 10 m, and half of the ground around "
        "it 10; at 2 m above it 1 and 7, at 5 m none and 5. Finer terrain before these files tells"
    ]


def _best_place_notes(
    place: dict[str, Any], job: TileJob, options: SurveyOptions, pixel_m: float
) -> list[str]:
    """What a skyline of the best place tells about ground that the files don't reach, and a low Sun of coarse pixels."""
    from yieldsim.base.errors import DataMissing
    from yieldsim.runs.horizon.run import seen_over
    from yieldsim.runs.survey.tiles import sun_at
    from yieldsim.sky.sun_track import SunDiscs

    site = replace(
        job.site,
        latitude_deg=place["latitude_deg"],
        longitude_deg=place["longitude_deg"],
        elevation_m=place["elevation_m"],
    )
    path = sun_at(site, job)
    try:
        run = seen_over(
            site,
            job.terrain,
            reach_km=options.reach_km,
            azimuth_step_deg=LOOK_STEP_DEG,
            holds=job.holds,
            unknown_ground="bounds",
            sun=lambda: SunDiscs(path.azimuth_deg, path.elevation_deg, path.radius_deg),
        )
    except DataMissing:
        return ["the best place has no known ground around it"]
    coarse = coarse_note(pixel_m, job.site.mast_height_m, float(path.elevation_deg.max()))
    return coarse + [f"at the best place, {line}" for line in run.reach_warnings]


def _options(job: TileJob, options: SurveyOptions) -> dict[str, Any]:
    """The options that shape the result; how many workers made it is not one of them."""
    return {
        "as_mounted": job.as_mounted,
        "azimuths": job.azimuths,
        "earth_mast_height_m": job.earth_mast_height_m,
        "holds": job.holds,
        "mast_height_m": job.site.mast_height_m,
        "places": options.places,
        "reach_km": job.reach_km,
        "spacing_m": options.spacing_m,
        "stride": job.stride,
        "unknown_ground": job.unknown_ground,
        "window": None if options.window is None else list(options.window),
    }


def _ground_scale_m(grid: Raster, job: TileJob) -> tuple[float, float]:
    """Ground metres from cell to cell down and across, true in the middle of the file."""
    latitude, longitude = grid.to_place(
        np.array([0.0, 1.0, 0.0]) + grid.rows / 2.0, np.array([0.0, 0.0, 1.0]) + grid.columns / 2.0
    )
    xyz = _xyz_m(latitude, longitude, grid.equatorial_m)
    down, across = (float(np.linalg.norm(xyz[k] - xyz[0])) * job.stride for k in (1, 2))
    return down, across


def _xyz_m(latitude_deg: FloatArray, longitude_deg: FloatArray, radius_m: float) -> FloatArray:
    """Places on a sphere (..., 3)."""
    a, b = np.radians(latitude_deg), np.radians(longitude_deg)
    return np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=-1) * radius_m


def _axis(grid: Raster, axis: str) -> dict[str, str]:
    """CF attributes of a coordinate."""
    if in_degrees(grid.crs):
        name = "longitude" if axis == "x" else "latitude"
        return {
            "units": "degrees_east" if axis == "x" else "degrees_north",
            "standard_name": name,
            "axis": axis.upper(),
        }
    name = f"projection_{axis}_coordinate"
    unit = map_unit(grid.crs)
    return {"units": unit, "standard_name": name, "long_name": f"{axis} of the map", "axis": axis.upper()}


def _cells(grid: Raster, block: tuple[int, int, int, int], stride: int) -> str:
    """Outer corner of the first cell, and steps from cell to cell, as other tools take them from a grid mapping."""
    a, _, c, _, e, f = grid.transform
    row, column = block[0] + 0.5 - 0.5 * stride, block[1] + 0.5 - 0.5 * stride
    numbers = (c + a * column, a * stride, 0.0, f + e * row, 0.0, e * stride)
    return " ".join(f"{number:.15g}" for number in numbers)


def _grid_mapping(grid: Raster) -> dict[str, Any]:
    """CF grid mapping, with the whole system as text."""
    mapping = {key: value for key, value in grid.crs.to_cf().items() if value is not None}
    if mapping.get("grid_mapping_name") == "polar_stereographic":
        # CF-1.11, appendix F: required also where a standard parallel gives the scale, from whose sign it follows
        pole = math.copysign(90.0, mapping.get("standard_parallel", -90.0))
        mapping.setdefault("latitude_of_projection_origin", pole)
    return mapping | {"long_name": "coordinate system of x and y"}
