"""The horizon run: terrain files and a site in, a skyline out, with what might still lie beyond the files' edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import DataMissing, InputError, Problem
from yieldsim.base.model import Body, HorizonMask, Site, Source, TerrainHorizon

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.height_grid import HeightGrid
    from yieldsim.base.vectors import FloatArray
    from yieldsim.files.terrain.raster import Holds, Raster
    from yieldsim.ground.local_sphere import LocalSphere
    from yieldsim.ground.skyline import Skyline

LARGEST_REACH_KM = 1000.0
"""No ground shows from farther: two 20 km mountains on Mars lose sight of each other at 740 km."""
LARGEST_REACH_ASKED_KM = 5000.0
FINEST_STEP_DEG, COARSEST_STEP_DEG = 0.01, 10.0
HOLES_WORTH_A_WARNING = 0.01
HEIGHT_MISMATCH_M = 50.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HorizonRun:
    """A skyline with its mask, the files it rests on and what a reader should be told.

    reach_warnings   those of the warnings that are about ground that the files don't hold
    """

    skyline: Skyline
    mask: HorizonMask
    sources: tuple[Source, ...]
    warnings: tuple[str, ...]
    reach_warnings: tuple[str, ...]


def resolve_horizon(site: Site) -> tuple[HorizonMask, tuple[Source, ...], tuple[str, ...]]:
    """The mask of a site whose horizon names terrain files: mask, sources, warnings.

    Raises InputError for files that can't be used, DataMissing where they don't cover the site.
    """
    assert isinstance(site.horizon, TerrainHorizon)
    run = horizon(
        site,
        site.horizon.terrain,
        reach_km=site.horizon.reach_km,
        azimuth_step_deg=site.horizon.azimuth_step_deg,
    )
    return run.mask, run.sources, run.warnings


def horizon(
    site: Site | str | Path,
    terrain: Sequence[str | Path],
    *,
    reach_km: float | None = None,
    azimuth_step_deg: float = 0.5,
    holds: Holds = "auto",
) -> HorizonRun:
    """Skyline of a site, or of a site file, from terrain files, finest first.

    reach_km           how far to look; None: to the files' edge
    azimuth_step_deg   step between rows, a divisor of 360
    holds              what the files' values are: heights, radii, or told from the values

    Raises InputError for files or options that can't be used, DataMissing where the files don't cover the site.
    """
    import numpy as np

    from yieldsim.files.inputs.readers import read_site
    from yieldsim.files.output.provenance import file_source
    from yieldsim.files.terrain.raster import open_rasters
    from yieldsim.files.terrain.raster_metadata import needs_terrain_extra
    from yieldsim.ground.skyline import skyline
    from yieldsim.ground.terrain import NestedTerrain
    from yieldsim.runs.noun_checks import refuse_wrong

    needs_terrain_extra()
    _refuse_options(reach_km, azimuth_step_deg)
    if isinstance(site, Site):
        refuse_wrong(site)
    else:
        site = read_site(Path(site)).noun
    rasters = open_rasters(terrain, site.body, holds)
    sphere = local_sphere(site.body, site.latitude_deg, site.longitude_deg)
    covering = [raster for raster in rasters if raster.covers(site.latitude_deg, site.longitude_deg)]
    place = f"latitude {site.latitude_deg:g}, longitude {site.longitude_deg % 360.0:g}"
    if not covering:
        names = ", ".join(raster.name for raster in rasters)
        raise DataMissing(f"the site at {place} lies outside {names}; use a file that covers it")
    warnings = [line for raster in rasters for line in raster.warnings]
    if rasters[0] not in covering:
        warnings.append(f"the finest terrain file, {rasters[0].name}, does not cover the site")
    grids = grids_of(rasters, sphere, reach_km)
    surface = NestedTerrain(grids)
    result = skyline(
        surface.heights_m,
        sphere,
        np.arange(0.0, 360.0 - 1e-9, azimuth_step_deg),
        distances_m(grids, rasters, sphere, site, reach_km),
        site.mast_height_m,
    )
    unreached = reach_warnings(result, surface.highest_m, reach_km)
    warnings += unreached
    if abs(result.ground_m - site.elevation_m) > HEIGHT_MISMATCH_M:
        warnings.append(
            f"the terrain lies at {result.ground_m:.0f} m under the mast, the site file says "
            f"{site.elevation_m:.0f} m; the skyline uses the terrain"
        )
    return HorizonRun(
        skyline=result,
        mask=HorizonMask(azimuth_deg=result.azimuth_deg, elevation_deg=np.round(result.elevation_deg, 5)),
        sources=tuple(file_source(file, "terrain") for raster in rasters for file in raster.files),
        warnings=tuple(warnings),
        reach_warnings=tuple(unreached),
    )


def local_sphere(body: Body, latitude_deg: float, longitude_deg: float) -> LocalSphere:
    """The sphere that fits a body at a place."""
    from yieldsim.ground.local_sphere import LocalSphere

    return LocalSphere.at(
        latitude_deg, longitude_deg, body.equatorial_radius_km * 1000.0, body.polar_radius_km * 1000.0
    )


def grids_of(rasters: Sequence[Raster], sphere: LocalSphere, reach_km: float | None) -> list[HeightGrid]:
    """The windows that a view from the point of the sphere needs, finest first."""
    from yieldsim.files.terrain.windows import views

    reach_m = 1000.0 * min(LARGEST_REACH_KM, reach_km or LARGEST_REACH_KM)
    return views(rasters, lambda azimuth, far: sphere.along(azimuth, far / sphere.radius_m)[:2], reach_m)


def distances_m(
    grids: Sequence[HeightGrid],
    rasters: Sequence[Raster],
    sphere: LocalSphere,
    site: Site,
    reach_km: float | None,
) -> FloatArray:
    """Distances at which lines of sight are sampled: half a pixel of the finest grid that may lie that far out."""
    import numpy as np

    from yieldsim.ground.skyline import sample_distances_m

    reach_m = 1000.0 * min(LARGEST_REACH_KM, reach_km or LARGEST_REACH_KM)
    azimuth = np.linspace(0.0, 360.0, 72, endpoint=False)
    probe = np.geomspace(1.0, reach_m, 400)
    latitude, longitude, _ = sphere.along(azimuth[:, None], probe[None, :] / sphere.radius_m)
    bands = []
    for grid in grids:
        row, column = grid.to_pixel(latitude.ravel(), longitude.ravel())
        rows, columns = grid.heights_m.shape
        inside = (row >= 0) & (row <= rows - 1) & ((column >= 0) & (column <= columns - 1) | grid.wrapped)
        farthest = probe[np.flatnonzero(inside.reshape(latitude.shape).any(axis=0))]
        if farthest.size:
            # the probe is spaced by 3.5 %
            bands.append((min(float(farthest[-1]) * 1.04, reach_m), grid.pixel_m))
    return sample_distances_m(bands)


def reach_warnings(result: Skyline, highest_m: float, reach_km: float | None) -> list[str]:
    """Lines for a reader: where ground beyond the edge could still show, and holes on the lines of sight.

    Ground matters where the height it would need just beyond the edge is one that the files' own highest ground reaches.
    """
    import numpy as np

    lines = []
    bare = result.edge_km == 0.0
    if bare.any():
        lines.append(
            f"no terrain at all at {100.0 * bare.mean():.0f} % of azimuths, azimuth {result.azimuth_deg[np.argmax(bare)]:g} deg "
            "among them: ground there is taken to lie as low as the lowest that is known; add terrain that reaches further"
        )
    could = (result.needed_m < highest_m) & ~bare
    if could.any():
        worst = int(np.argmin(result.needed_m))
        ends = "the reach" if reach_km is not None else "the terrain files"
        lines.append(
            f"ground beyond {ends} could still show at {100.0 * could.mean():.0f} % of azimuths: towards azimuth "
            f"{result.azimuth_deg[worst]:g} deg, ground {result.edge_km[worst]:.3g} km away needs to be above "
            f"{result.needed_m[worst]:.0f} m to do so (the highest ground in the files is {highest_m:.0f} m); "
            "add terrain that reaches further"
        )
    holes = float(result.unknown_share.mean())
    if holes > HOLES_WORTH_A_WARNING:
        lines.append(
            f"{100.0 * holes:.1f} % of the lines of sight cross terrain of unknown height; they are taken as clear"
        )
    return lines


def _refuse_options(reach_km: float | None, azimuth_step_deg: float) -> None:
    problems = []
    if reach_km is not None and not 0.0 < reach_km <= LARGEST_REACH_ASKED_KM:
        problems.append(
            Problem("", "reach_km", f"is {reach_km:g}", f"above 0, at most {LARGEST_REACH_ASKED_KM:g}")
        )
    steps = 360.0 / azimuth_step_deg if azimuth_step_deg > 0.0 else 0.0
    if not FINEST_STEP_DEG <= azimuth_step_deg <= COARSEST_STEP_DEG or abs(steps - round(steps)) > 1e-6:
        allowed = f"a whole part of 360, {FINEST_STEP_DEG:g} to {COARSEST_STEP_DEG:g}"
        problems.append(Problem("", "azimuth_step_deg", f"is {azimuth_step_deg:g}", allowed))
    if problems:
        raise InputError(problems)


def horizon_dataset(
    run: HorizonRun, site: Site, start: object | None = None, end: object | None = None
) -> xr.Dataset:
    """The skyline with the band that the Sun's disc sweeps over a span (one year unless told otherwise), for the figure."""
    import numpy as np
    import xarray as xr

    from yieldsim.base.clock import tdb_seconds
    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.planning.survey.horizon_tables import path_step_s, sun_path
    from yieldsim.runs.time_span import span_utc
    from yieldsim.sky.sun_track import prepare_track

    begin, finish = span_utc(start, end, None)
    first, last = (float(value) for value in tdb_seconds([begin, finish]))
    track = prepare_track(
        open_ephemeris(site.body, first, last),
        site.body,
        site.latitude_deg,
        site.longitude_deg,
        run.skyline.ground_m + site.mast_height_m,
        first,
        last,
    )
    path = sun_path(track, site, first, last, path_step_s(site))
    edges = np.arange(0.0, 361.0, 2.0)
    which = np.minimum((path.azimuth_deg / 2.0).astype(np.int64), edges.size - 2)
    low, high = np.full(edges.size - 1, np.inf), np.full(edges.size - 1, -np.inf)
    np.minimum.at(low, which, path.elevation_deg - path.radius_deg)
    np.maximum.at(high, which, path.elevation_deg + path.radius_deg)
    empty = high < low
    low[empty], high[empty] = np.nan, np.nan
    ends = np.datetime_as_string(np.array([begin, finish]), unit="D")
    return xr.Dataset(
        {
            "horizon_azimuth_deg": ("horizon", run.skyline.azimuth_deg),
            "horizon_elevation_deg": ("horizon", run.skyline.elevation_deg),
            "horizon_distance_km": ("horizon", run.skyline.distance_km),
            "sun_low_deg": ("azimuth_deg", _closed_ends(low)),
            "sun_high_deg": ("azimuth_deg", _closed_ends(high)),
        },
        coords={"azimuth_deg": np.concatenate([[0.0], 0.5 * (edges[1:] + edges[:-1]), [360.0]])},
        attrs={
            "title": f"{site.name}, eye {site.mast_height_m:g} m above the ground",
            "note": f"Sun's band {ends[0]} to {ends[1]}; terrain {', '.join(source.name for source in run.sources)}",
        },
    )


def _closed_ends(values: FloatArray) -> FloatArray:
    """Values of bins around the circle with their mean at north on either side."""
    import numpy as np

    north = 0.5 * (values[0] + values[-1])
    return np.concatenate([[north], values, [north]])


def horizon_csv(run: HorizonRun, site: Site, reach_km: float | None = None) -> str:
    """The table that a site file names, with provenance in its header."""
    from yieldsim.files.inputs.site_writer import horizon_provenance, horizon_text

    files = [(source.name, source.sha256) for source in run.sources]
    place = (
        f"{site.name}, {site.body.name}, latitude {site.latitude_deg:.6f}, longitude {site.longitude_deg % 360.0:.6f}, "
        f"ground {run.skyline.ground_m:.1f} m"
    )
    head = horizon_provenance(place, site.mast_height_m, files, reach_km, run.warnings)
    return horizon_text(run.mask.azimuth_deg, run.mask.elevation_deg, head)


def horizon_of_file(
    site_file: Path | str,
    terrain: Sequence[str | Path],
    *,
    reach_km: float | None = None,
    azimuth_step_deg: float | None = None,
    mast_height_m: float | None = None,
    holds: Holds = "auto",
) -> tuple[HorizonRun, Site]:
    """The skyline of a site file from terrain files, or from those that it names when none are given."""
    from yieldsim.files.inputs.readers import read_site

    site = read_site(Path(site_file)).noun
    if mast_height_m is not None:
        if not 0.0 <= mast_height_m <= 1000.0:
            raise InputError(Problem("", "mast_height_m", f"is {mast_height_m:g}", "0 to 1000"))
        site = replace(site, mast_height_m=mast_height_m)
    named = site.horizon if isinstance(site.horizon, TerrainHorizon) else TerrainHorizon(terrain=())
    if not terrain and not named.terrain:
        raise InputError(
            Problem(
                str(site_file), found="names no terrain", hint="give the files with --terrain, finest first"
            )
        )
    run = horizon(
        site,
        terrain or named.terrain,
        reach_km=named.reach_km if reach_km is None else reach_km,
        azimuth_step_deg=named.azimuth_step_deg if azimuth_step_deg is None else azimuth_step_deg,
        holds=holds,
    )
    return run, site


def write_horizon(
    run: HorizonRun,
    site: Site,
    out: Path | None,
    *,
    reach_km: float | None = None,
    figure: bool = True,
    start: object | None = None,
    end: object | None = None,
) -> list[str]:
    """Write the table and, beside it, the figure; the names written. Without `out` the table's text instead."""
    text = horizon_csv(run, site, reach_km)
    if out is None:
        return [text]
    from yieldsim.files.output.atomic_write import refuse_table_name, write_text_whole
    from yieldsim.files.output.dataset import staged_folder, write_image

    refuse_table_name(out)
    with staged_folder(out.parent) as stage:
        write_text_whole(stage / out.name, text)
        if figure:
            from yieldsim.report.horizon import skyline_png

            write_image(skyline_png(horizon_dataset(run, site, start, end)), stage / f"{out.stem}.png")
        return sorted(file.name for file in stage.iterdir())


def horizon_summary(run: HorizonRun, site: Site) -> dict[str, Any]:
    """The skyline in a few numbers."""
    line = run.skyline
    return {
        "schema": "yieldsim horizon 1",
        "site": site.name,
        "body": site.body.name,
        "ground_m": round(line.ground_m, 3),
        "mast_height_m": site.mast_height_m,
        "lowest_deg": round(float(line.elevation_deg.min()), 5),
        "highest_deg": round(float(line.elevation_deg.max()), 5),
        "mean_deg": round(float(line.elevation_deg.mean()), 5),
        "farthest_km": round(float(line.distance_km.max()), 3),
        "edge_km": round(float(line.edge_km.min()), 3),
        "warnings": list(run.warnings),
        "terrain": [{"name": source.name, "sha256": source.sha256} for source in run.sources],
    }
