"""The horizon run: terrain files and a site in, a skyline out, with what might still lie beyond the files' edge."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import Gathered, InputError, Problem, refusal
from yieldsim.base.model import HorizonMask, Site, Source, TerrainHorizon
from yieldsim.base.results.attached import Summarised
from yieldsim.runs.horizon.reach_notes import reach_warnings
from yieldsim.runs.horizon.unknown_ground import (
    SunOver,
    UnknownGround,
    refuse_choice,
    sun_over_span,
    with_holes_blocked,
)
from yieldsim.runs.loading import FIGURE, SERIES, loading

if TYPE_CHECKING:
    from yieldsim.base.results.ground import HorizonResult
    from yieldsim.files.terrain.raster_model import Holds
    from yieldsim.files.toml.context import Loaded
    from yieldsim.ground.skyline import Skyline
    from yieldsim.sky.sun_track import SunDiscs

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
    from yieldsim.files.inputs.readers import read_site
    from yieldsim.files.terrain.raster_metadata import needs_terrain_extra
    from yieldsim.files.terrain.remote import all_named
    from yieldsim.runs.horizon.kept_march import keep, kept
    from yieldsim.runs.horizon.march import View, march
    from yieldsim.runs.open_inputs import given, kernel_paths
    from yieldsim.runs.time_span import start_and_end

    gathered = gathered or Gathered()
    with gathered:
        refuse_choice(unknown_ground)
    is_asked_right = False
    with gathered:
        _refuse_options(reach_km, azimuth_step_deg, holds)
        is_asked_right = True
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
        from yieldsim.files.terrain.raster import refuse_missing

        with gathered:
            refuse_missing(file)
    began_ns, seen = time.time_ns(), None
    with gathered:
        if (
            isinstance(site, Site)
            and files is not None
            and is_asked_right
            and (files or not gathered.problems)
        ):
            view = View.of(site, files, reach_km, azimuth_step_deg, holds)
            seen = kept(view)
            if seen is None:
                needs_terrain_extra()
                from yieldsim.files.terrain.raster import open_rasters

                rasters = open_rasters(files, site.body, holds)
    gathered.refuse()
    assert isinstance(site, Site)
    if seen is None:
        with loading(*then):
            seen = march(view, rasters)
        keep(view, seen, began_ns)
    warnings, result = list(seen.notes), seen.bare
    eye, ground_m = site, result.ground_m

    @cache
    def path() -> SunDiscs:
        return sun() if sun is not None else sun_over_span(eye, ground_m, when)

    if seen.blocked is not None:
        result, told = with_holes_blocked(seen.bare, seen.blocked, path, unknown_ground, seen.holed)
        warnings += told
    unreached = reach_warnings(result, seen.highest_m, reach_km, path)
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
        clear=None if result is seen.bare else _mask(seen.bare),
        sources=seen.sources,
        warnings=tuple(warnings),
        reach_warnings=tuple(unreached),
    )


def _mask(result: Skyline) -> HorizonMask:
    import numpy as np

    return HorizonMask(azimuth_deg=result.azimuth_deg, elevation_deg=np.round(result.elevation_deg, 5))


def _refuse_options(reach_km: float | None, azimuth_step_deg: float, holds: str) -> None:
    from yieldsim.files.terrain.raster_model import HOLDS
    from yieldsim.runs.time_span import number, one_of

    gathered = Gathered()
    with gathered:
        if reach_km is not None and not 0.0 < number(reach_km, "reach_km") <= LARGEST_REACH_ASKED_KM:
            allowed = f"above 0, at most {LARGEST_REACH_ASKED_KM:g}"
            raise refusal("", "reach_km", f"is {reach_km:g}", allowed)
    with gathered:
        step_deg = number(azimuth_step_deg, "azimuth_step_deg")
        steps = 360.0 / step_deg if step_deg > 0.0 else 0.0
        if not FINEST_STEP_DEG <= step_deg <= COARSEST_STEP_DEG or abs(steps - round(steps)) > 1e-6:
            allowed = f"a whole part of 360, {FINEST_STEP_DEG:g} to {COARSEST_STEP_DEG:g}"
            raise refusal("", "azimuth_step_deg", f"is {step_deg:g}", allowed)
    with gathered:
        one_of(holds, "holds", HOLDS)
    gathered.refuse()


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
