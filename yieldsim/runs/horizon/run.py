"""The horizon run: terrain files and a site in, a skyline out, with what might still lie beyond the files' edge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import DataMissing, Gathered, InputError, Problem
from yieldsim.base.model import Body, HorizonMask, Site, Source, TerrainHorizon
from yieldsim.base.results.attached import Summarised
from yieldsim.base.results.ground import HorizonResult
from yieldsim.runs.horizon.reach_notes import filled_notes, reach_warnings
from yieldsim.runs.horizon.unknown_ground import (
    SunOver,
    UnknownGround,
    refuse_choice,
    sun_over_span,
    with_holes_blocked,
)
from yieldsim.runs.loading import FIGURE, SERIES, loading

if TYPE_CHECKING:
    from yieldsim.base.numerics.height_grid import HeightGrid
    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.files.terrain.raster_model import Holds, Raster
    from yieldsim.files.toml.context import Loaded
    from yieldsim.ground.local_sphere import LocalSphere
    from yieldsim.ground.skyline import Skyline
    from yieldsim.sky.sun_track import SunDiscs

LARGEST_REACH_KM = 1000.0
"""No ground shows from farther: two 20 km mountains on Mars lose sight of each other at 740 km."""
LARGEST_REACH_ASKED_KM = 5000.0
FINEST_STEP_DEG, COARSEST_STEP_DEG = 0.01, 10.0
HEIGHT_MISMATCH_M = 50.0


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class HorizonRun(Summarised):
    """A skyline with its mask, the files it rests on and what a reader should be told.

    when             the span in which the Sun counts, in the words of `run_span`
    clear            the mask with holes of unknown ground as nothing, the upper of two bounds; None: no hole matters
    reach_warnings   those of the warnings that are about ground that the files don't hold
    """

    site: Site
    when: Mapping[str, Any]
    skyline: Skyline
    mask: HorizonMask
    sources: tuple[Source, ...]
    warnings: tuple[str, ...]
    reach_warnings: tuple[str, ...]
    clear: HorizonMask | None = None

    @property
    def summary(self) -> HorizonResult:
        """The skyline in a few numbers."""
        line = self.skyline
        return {
            "schema": "yieldsim horizon 1",
            "site": self.site.name,
            "body": self.site.body.name,
            "ground_m": round(line.ground_m, 3),
            "mast_height_m": self.site.mast_height_m,
            "lowest_deg": round(float(line.elevation_deg.min()), 5),
            "highest_deg": round(float(line.elevation_deg.max()), 5),
            "mean_deg": round(float(line.elevation_deg.mean()), 5),
            "farthest_km": round(float(line.distance_km.max()), 3),
            "edge_km": round(float(line.edge_km.min()), 3),
            "unknown_ground": None
            if self.clear is None
            else {
                "blocked_mean_deg": round(float(self.mask.elevation_deg.mean()), 5),
                "clear_mean_deg": round(float(self.clear.elevation_deg.mean()), 5),
            },
            "warnings": list(self.warnings),
            "terrain": [{"name": source.name, "sha256": source.sha256} for source in self.sources],
        }


def resolve_horizon(
    site: Site, sun: SunOver | None = None, unknown_ground: UnknownGround = "refuse"
) -> HorizonRun:
    """The skyline of a site whose horizon names terrain files.

    sun, unknown_ground   the Sun's path in the run, and what to do with holes before it: see `horizon`

    Raises InputError for files that can't be used, DataMissing where they don't cover the site.
    """
    from yieldsim.files.toml.context import known

    assert isinstance(site.horizon, TerrainHorizon)
    return seen_over(
        known(site),
        # paths, of which none is an address: that the user names himself
        [Path(file) for file in site.horizon.terrain],
        reach_km=site.horizon.reach_km,
        azimuth_step_deg=site.horizon.azimuth_step_deg,
        unknown_ground=unknown_ground,
        sun=sun,
        then=SERIES,
    )


def horizon(
    site: Site | str | Path,
    terrain: Sequence[str | Path],
    *,
    reach_km: float | None = None,
    azimuth_step_deg: float = 0.5,
    holds: Holds = "auto",
    unknown_ground: UnknownGround = "refuse",
    start: object | None = None,
    end: object | None = None,
    years: float | None = None,
    span: str | None = None,
    kernels: str | Path | Sequence[str | Path] = (),
) -> HorizonRun:
    """Skyline of a site, or of a site file, from terrain files, finest first.

    terrain            paths, or web addresses (http, https) of GeoTIFFs, which are read by windows
    reach_km           how far to look; None: to the files' edge
    azimuth_step_deg   step between rows, a divisor of 360
    holds              what the files' values are: heights, radii, or told from the values
    unknown_ground     holes of the files between the site and the Sun are refused, or (bounds) answered with the lower of two
        bounds, in which they block, beside the upper one in `clear`
    start, end, years, span, kernels   when the Sun counts, as for an estimate

    Returns the skyline by azimuth, its mask as a site takes it, and `summary`.
    Raises InputError for files or options that can't be used, DataMissing where the files don't cover the site.
    """
    return seen_over(
        site,
        terrain,
        reach_km=reach_km,
        azimuth_step_deg=azimuth_step_deg,
        holds=holds,
        unknown_ground=unknown_ground,
        when={"start": start, "end": end, "years": years, "span": span, "kernels": kernels},
    )


def seen_over(
    site: Site | str | Path | Loaded[Site],
    terrain: Sequence[str | Path],
    *,
    reach_km: float | None = None,
    azimuth_step_deg: float = 0.5,
    holds: Holds = "auto",
    unknown_ground: UnknownGround = "refuse",
    when: Mapping[str, Any] | None = None,
    sun: SunOver | None = None,
    gathered: Gathered | None = None,
    then: Sequence[str] = (),
) -> HorizonRun:
    """The work of `horizon`.

    when       the span in which the Sun counts, in the words of `run_span`
    sun        its path over the site, where that is known already
    gathered   what was found wrong before: told together with the problems found here
    then       modules that the caller will need: loaded beside the march

    Raises InputError and DataMissing as `horizon` does.
    """
    import numpy as np

    from yieldsim.files.inputs.readers import read_site
    from yieldsim.files.terrain.raster import open_rasters, refuse_missing
    from yieldsim.files.terrain.raster_metadata import needs_terrain_extra
    from yieldsim.files.terrain.remote import all_named, terrain_source
    from yieldsim.ground.skyline import skyline
    from yieldsim.ground.terrain import NestedTerrain
    from yieldsim.ground.unknown_ground import Raised
    from yieldsim.runs.open_inputs import given, kernel_paths
    from yieldsim.runs.time_span import start_and_end

    needs_terrain_extra()
    gathered = gathered or Gathered()
    with gathered:
        refuse_choice(unknown_ground)
    with gathered:
        _refuse_options(reach_km, azimuth_step_deg)
    when = {"start": None, "end": None, "years": None, "span": None, "kernels": (), **(when or {})}
    with gathered:
        start_and_end(when["start"], when["end"], when["years"], when["span"])
    with gathered:
        when["kernels"] = kernel_paths(when["kernels"])
    with gathered:
        site = given("site", site, Site, read_site).noun
    files = None
    with gathered:
        files = all_named(terrain)
    for file in () if isinstance(site, Site) or files is None else files:
        with gathered:
            refuse_missing(file)
    with gathered:
        if isinstance(site, Site) and files is not None and (files or not gathered.problems):
            rasters = open_rasters(files, site.body, holds)
    gathered.refuse()
    assert isinstance(site, Site)
    sphere = local_sphere(site.body, site.latitude_deg, site.longitude_deg)
    covering = [raster for raster in rasters if raster.covers(site.latitude_deg, site.longitude_deg)]
    place = f"latitude {site.latitude_deg:g}, longitude {site.longitude_deg % 360.0:g}"
    if not covering:
        names = ", ".join(raster.name for raster in rasters)
        raise DataMissing(f"the site at {place} lies outside {names}; use a file that covers it")
    warnings = [line for raster in rasters for line in raster.warnings]
    if rasters[0] not in covering:
        warnings.append(f"the finest terrain file, {rasters[0].name}, does not cover the site")
    azimuth_deg = np.arange(0.0, 360.0 - 1e-9, azimuth_step_deg)
    with loading(*then):
        grids = grids_of(rasters, sphere, reach_km)
        surface = NestedTerrain(grids)
        far_m = distances_m(grids, sphere, reach_km)
        result = bare = skyline(surface, sphere, azimuth_deg, far_m, site.mast_height_m)
    warnings += filled_notes(grids)
    eye: Site = site

    @cache
    def path() -> SunDiscs:
        return sun() if sun is not None else sun_over_span(eye, bare.ground_m, when)

    if any(grid.holes is not None for grid in grids):
        holed = sorted({grid.name for grid in grids if grid.holes is not None})
        full = Raised(surface, grids, site.body.relief_m[1])
        blocked = skyline(full, sphere, azimuth_deg, far_m, site.mast_height_m)
        result, told = with_holes_blocked(bare, blocked, path, unknown_ground, holed)
        warnings += told
    unreached = reach_warnings(result, surface.highest_m, reach_km, path)
    warnings += unreached
    if abs(result.ground_m - site.elevation_m) > HEIGHT_MISMATCH_M:
        warnings.append(
            f"the terrain lies at {result.ground_m:.0f} m under the mast, the site file says "
            f"{site.elevation_m:.0f} m; the skyline uses the terrain"
        )
    return HorizonRun(
        site=site,
        when=when,
        skyline=result,
        mask=_mask(result),
        clear=None if result is bare else _mask(bare),
        sources=tuple(terrain_source(file) for raster in rasters for file in raster.files),
        warnings=tuple(warnings),
        reach_warnings=tuple(unreached),
    )


def _mask(result: Skyline) -> HorizonMask:
    import numpy as np

    return HorizonMask(azimuth_deg=result.azimuth_deg, elevation_deg=np.round(result.elevation_deg, 5))


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
    sphere: LocalSphere,
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


def horizon_csv(run: HorizonRun, reach_km: float | None = None) -> str:
    """The table that a site file names, with provenance in its header."""
    from yieldsim.files.inputs.site_writer import horizon_provenance, horizon_text

    files, site = [(source.name, source.sha256) for source in run.sources], run.site
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
    unknown_ground: UnknownGround = "refuse",
    start: object | None = None,
    end: object | None = None,
    kernels: Sequence[str | Path] = (),
    figure: bool = True,
) -> HorizonRun:
    """The skyline of a site file from terrain files, or those that it names when none are given; with `figure` it will be drawn."""
    from yieldsim.files.inputs.readers import read_site
    from yieldsim.files.toml.context import known

    site: Site | None = None
    named = TerrainHorizon(terrain=())
    gathered = Gathered()
    with gathered:
        site = read_site(Path(site_file)).noun
        if isinstance(site.horizon, TerrainHorizon):
            named = site.horizon
        if not terrain and not named.terrain:
            hint = "give the files with --terrain, finest first"
            raise InputError(Problem(str(site_file), found="names no terrain", hint=hint))
    with gathered:
        if mast_height_m is not None and not 0.0 <= mast_height_m <= 1000.0:
            raise InputError(Problem("", "mast_height_m", f"is {mast_height_m:g}", "0 to 1000"))
        if site is not None and mast_height_m is not None:
            site = replace(site, mast_height_m=mast_height_m)
    return seen_over(
        known(site) if site else Path(site_file),
        terrain or named.terrain,
        reach_km=named.reach_km if reach_km is None else reach_km,
        azimuth_step_deg=named.azimuth_step_deg if azimuth_step_deg is None else azimuth_step_deg,
        holds=holds,
        unknown_ground=unknown_ground,
        when={"start": start, "end": end, "kernels": kernels},
        gathered=gathered,
        then=FIGURE if figure else (),
    )


def write_horizon(
    run: HorizonRun,
    out: Path | None,
    *,
    reach_km: float | None = None,
    figure: bool = True,
) -> list[str]:
    """Write the table and, beside it, the figure; the names written. Without `out` the table's text instead."""
    text = horizon_csv(run, reach_km)
    if out is None:
        return [text]
    from yieldsim.files.output.atomic_write import refuse_table_name, write_text_whole
    from yieldsim.files.output.result_folder import staged_folder, write_image

    refuse_table_name(out)
    with staged_folder(out.parent) as stage:
        write_text_whole(stage / out.name, text)
        if run.clear is not None:
            upper = replace(run, mask=run.clear)
            write_text_whole(stage / f"{out.stem}.clear.csv", horizon_csv(upper, reach_km))
        if figure:
            from yieldsim.report.horizon import skyline_png
            from yieldsim.runs.horizon.panorama import panorama

            shown = panorama(run.skyline, run.sources, run.warnings, run.site, run.when)
            write_image(skyline_png(shown), stage / f"{out.stem}.png")
        return sorted(file.name for file in stage.iterdir())
