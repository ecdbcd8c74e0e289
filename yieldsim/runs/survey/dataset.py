"""A survey's maps as a CF Dataset: coordinates, coordinate system, best places, provenance."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.dataset import attributes
from yieldsim.base.model import Notes, Source
from yieldsim.base.variables import CONVENTIONS
from yieldsim.files.output.provenance import provenance
from yieldsim.files.terrain.projection import in_degrees
from yieldsim.planning.survey.site_selection import best_places
from yieldsim.runs.survey.tiles import CLEAR, CLEAR_OF, LEAST_LIGHT, VARIABLES, TileJob

if TYPE_CHECKING:
    from yieldsim.base.numerics.height_grid import Float32Array
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


def survey_dataset(
    maps: Float32Array,
    grid: Raster,
    block: tuple[int, int, int, int],
    job: TileJob,
    chosen: RunSpan,
    options: SurveyOptions,
    sources: tuple[Source, ...],
    notes: Notes,
    body_file: str,
) -> xr.Dataset:
    """survey.nc as a Dataset; its attribute "summary" holds the best places and the provenance as JSON."""
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
    ds["crs"] = ((), np.int32(0), _grid_mapping(grid))
    for name, values in zip(job.layers[:-1], maps, strict=False):
        if job.collector is None and name in ("delivered_kwh", "best_azimuth_deg", "clear_delivered_kwh"):
            continue
        attrs = attributes(name) | {"grid_mapping": "crs"}
        if name not in ("elevation_m", "best_azimuth_deg", "longest_dark_cut_fraction"):
            attrs["cell_methods"] = "time: mean"
        if name in PER_YEAR:
            attrs["cell_methods"] = f"time: sum (for {chosen.period.year_days:.6g} days)"
        if name == "longest_dark_hours":
            attrs["cell_methods"] = "time: maximum"
        ds[name] = (("y", "x"), values, attrs)
    from yieldsim.runs.survey.options import GOALS

    goal = options.goal or ("delivered" if job.collector is not None else "sun-following")
    variable, sign = GOALS[goal]
    at_row, at_column = np.meshgrid(r, c, indexing="ij")
    latitude, longitude = grid.to_place(at_row, at_column)
    scale_m = _ground_scale_m(grid, job)
    across, down = np.meshgrid(np.arange(c.size) * scale_m[1], np.arange(r.size) * scale_m[0])
    spacing_m = options.spacing_m
    if spacing_m is None:
        # never so near that they share a corner
        spacing_m = max(SPACING_SHARE * min(across.max(), down.max()), 1.05 * math.hypot(*scale_m))
    found = best_places(
        sign * ds[variable].values.astype(np.float64), across, down, spacing_m, options.places
    )
    places = [_place(ds, latitude, longitude, i, j, k + 1) for k, (i, j) in enumerate(found)]
    if places:
        for line in _reach_notes(places[0], job, options):
            notes.add(line)
    values = maps[VARIABLES.index("lit_fraction")]
    summary = {
        "schema": "yieldsim survey 1",
        "body": job.site.body.name,
        "body_file": body_file,
        "start_utc": f"{np.datetime_as_string(span_utc[0], unit='s')}Z",
        "end_utc": f"{np.datetime_as_string(span_utc[1], unit='s')}Z",
        "period": chosen.period.words() | {"annual_figures_per": chosen.period.year},
        "cells": int(np.isfinite(values).sum()),
        "cell_m": [round(scale_m[1], 3), round(scale_m[0], 3)],
        "mast_height_m": job.site.mast_height_m,
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


def ground_notes(maps: Float32Array, job: TileJob) -> list[str]:
    """What the tiles tell of unknown ground: pixels filled, and cells whose light it bounds."""
    lines = []
    filled = int(np.nanmax(maps[-1], initial=0.0))
    if filled:
        lines.append(
            f"pixels of unknown height in small holes, up to {filled} in a tile's view, are filled from their highest neighbours"
        )
    if job.unknown_ground == "bounds":
        gap = maps[len(VARIABLES)] - maps[CLEAR_OF[0]]
        cells = int(np.sum(gap > LEAST_LIGHT))
        if cells:
            lines.append(
                f"holes of unknown height stand between the Sun and {cells} cells: their light is the lower of two bounds, with "
                f"holes blocking; the upper ones, up to {float(np.nanmax(gap)):.3g} of the time more, are the maps named clear_"
            )
    return lines


def cut_note(maps: Float32Array) -> str | None:
    """What to tell of cells whose longest dark an end of the span cuts."""
    cut = maps[VARIABLES.index("longest_dark_cut_fraction")]
    cells, of = int(np.nansum(cut)), int(np.isfinite(cut).sum())
    if not cells:
        return None
    return (
        f"in {cells} of {of} cells the longest dark is cut by an end of the span: it is at least what the map longest_dark_hours "
        "shows (map longest_dark_cut_fraction); a longer span tells it whole"
    )


def _reach_notes(place: dict[str, Any], job: TileJob, options: SurveyOptions) -> list[str]:
    """What a skyline of the best place tells about ground that the files don't reach."""
    from yieldsim.base.errors import DataMissing
    from yieldsim.runs.horizon.run import horizon
    from yieldsim.runs.survey.tiles import sun_at

    site = replace(
        job.site,
        latitude_deg=place["latitude_deg"],
        longitude_deg=place["longitude_deg"],
        elevation_m=place["elevation_m"],
    )
    try:
        run = horizon(
            site,
            job.terrain,
            reach_km=options.reach_km,
            azimuth_step_deg=LOOK_STEP_DEG,
            holds=job.holds,
            unknown_ground="bounds",
            sun=lambda: sun_at(site, job),
        )
    except DataMissing:
        return ["the best place has no known ground around it"]
    return [f"at the best place, {line}" for line in run.reach_warnings]


def _place(
    ds: xr.Dataset, latitude: FloatArray, longitude: FloatArray, i: int, j: int, rank: int
) -> dict[str, Any]:
    """One place as plain numbers."""
    row: dict[str, Any] = {
        "rank": rank,
        "latitude_deg": round(float(latitude[i, j]), PLACE_DECIMALS),
        "longitude_deg": round(float(longitude[i, j]) % 360.0, PLACE_DECIMALS),
        "x": round(float(ds["x"].values[j]), 3),
        "y": round(float(ds["y"].values[i]), 3),
    }
    for name in (*VARIABLES, *CLEAR):
        if name in ds:
            row[name] = round(float(ds[name].values[i, j]), 5)
    return row


def _options(job: TileJob, options: SurveyOptions) -> dict[str, Any]:
    """The options that shape the result; how many workers made it is not one of them."""
    return {
        "as_mounted": job.as_mounted,
        "azimuths": job.azimuths,
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
    a, b = np.radians(latitude), np.radians(longitude)
    xyz = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=-1) * grid.equatorial_m
    down, across = (float(np.linalg.norm(xyz[k] - xyz[0])) * job.stride for k in (1, 2))
    return down, across


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
    return {"units": "m", "standard_name": name, "long_name": f"{axis} of the map", "axis": axis.upper()}


def _grid_mapping(grid: Raster) -> dict[str, Any]:
    """CF grid mapping, with the whole system as text."""
    mapping = {key: value for key, value in grid.crs.to_cf().items() if value is not None}
    if mapping.get("grid_mapping_name") == "polar_stereographic":
        # CF-1.11, appendix F: required also where a standard parallel gives the scale, from whose sign it follows
        pole = math.copysign(90.0, mapping.get("standard_parallel", -90.0))
        mapping.setdefault("latitude_of_projection_origin", pole)
    return mapping | {"long_name": "coordinate system of x and y"}
