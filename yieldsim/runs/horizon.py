"""The horizon run: terrain files and a site in, a skyline out, with what might still lie beyond the files' edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import DataMissing, InputError, Problem
from yieldsim.base.nouns import Body, HorizonMask, Site, Source, TerrainHorizon

if TYPE_CHECKING:
    from yieldsim.base.relief import HeightGrid
    from yieldsim.base.vectors import FloatArray
    from yieldsim.files.rasters import Holds, Raster
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
    """A skyline with its mask, the files it rests on and what a reader should be told."""

    skyline: Skyline
    mask: HorizonMask
    sources: tuple[Source, ...]
    warnings: tuple[str, ...]


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
    site: Site,
    terrain: Sequence[str | Path],
    *,
    reach_km: float | None = None,
    azimuth_step_deg: float = 0.5,
    holds: Holds = "auto",
) -> HorizonRun:
    """Skyline of a site from terrain files, finest first.

    reach_km           how far to look; None: to the files' edge
    azimuth_step_deg   step between rows, a divisor of 360
    holds              what the files' values are: heights, radii, or told from the values

    Raises InputError for files or options that can't be used, DataMissing where the files don't cover the site.
    """
    import numpy as np

    from yieldsim.files.provenance import file_source
    from yieldsim.files.raster_labels import needs_terrain_extra
    from yieldsim.files.rasters import open_rasters
    from yieldsim.ground.skyline import skyline
    from yieldsim.ground.terrain import NestedTerrain

    needs_terrain_extra()
    _refuse_options(reach_km, azimuth_step_deg)
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
    warnings += reach_warnings(result, surface.highest_m, reach_km)
    if abs(result.ground_m - site.elevation_m) > HEIGHT_MISMATCH_M:
        warnings.append(
            f"the terrain lies at {result.ground_m:.0f} m under the mast, the site file says "
            f"{site.elevation_m:.0f} m; the skyline uses the terrain"
        )
    return HorizonRun(
        skyline=result,
        mask=HorizonMask(azimuth_deg=result.azimuth_deg, elevation_deg=np.round(result.elevation_deg, 5)),
        sources=tuple(file_source(raster.path, "terrain") for raster in rasters),
        warnings=tuple(warnings),
    )


def local_sphere(body: Body, latitude_deg: float, longitude_deg: float) -> LocalSphere:
    """The sphere that fits a body at a place."""
    from yieldsim.ground.local_sphere import LocalSphere

    return LocalSphere.at(
        latitude_deg, longitude_deg, body.equatorial_radius_km * 1000.0, body.polar_radius_km * 1000.0
    )


def grids_of(rasters: Sequence[Raster], sphere: LocalSphere, reach_km: float | None) -> list[HeightGrid]:
    """The windows that a view from the point of the sphere needs, finest first."""
    from yieldsim.files.terrain_views import views

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
    could = result.needed_m < highest_m
    if could.any():
        worst = int(np.argmin(result.needed_m))
        ends = "the reach" if reach_km is not None else "the terrain files"
        lines.append(
            f"ground beyond {ends} could still show at {100.0 * could.mean():.0f} % of azimuths: towards azimuth "
            f"{result.azimuth_deg[worst]:g} deg, ground {result.edge_km[worst]:.0f} km away needs to be above "
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
        problems.append(Problem("", "reach_km", f"is {reach_km:g}", f"above 0, at most {LARGEST_REACH_ASKED_KM:g}"))
    steps = 360.0 / azimuth_step_deg if azimuth_step_deg > 0.0 else 0.0
    if not FINEST_STEP_DEG <= azimuth_step_deg <= COARSEST_STEP_DEG or abs(steps - round(steps)) > 1e-6:
        allowed = f"a whole part of 360, {FINEST_STEP_DEG:g} to {COARSEST_STEP_DEG:g}"
        problems.append(Problem("", "azimuth_step_deg", f"is {azimuth_step_deg:g}", allowed))
    if problems:
        raise InputError(problems)
