"""The survey run: terrain in, maps of light and energy out, with the best places."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
from collections.abc import Sequence
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import DataMissing, Gathered, InputError, Problem, refusal
from yieldsim.base.model import Collector, Notes, Site, Source
from yieldsim.base.ranges import Range
from yieldsim.runs.cluster import cores
from yieldsim.runs.horizon.unknown_ground import refuse_choice
from yieldsim.runs.survey.layout import farthest_km, tiles_of, window_pixels
from yieldsim.runs.survey.options import GOALS, SurveyOptions
from yieldsim.runs.survey.output import TILES
from yieldsim.runs.survey.tile_report import all_of
from yieldsim.runs.survey.tiles import Tile, TileJob
from yieldsim.runs.survey.workers import Progress, survey_tiles

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.runs.run_span import RunSpan

FEWEST_AZIMUTHS, MOST_AZIMUTHS = 72, 1440
WINDOW = "x min, y min, x max, y max"
FEW_TILES = 4
"""So many tiles are done in this process, whose kernels use all cores, unless workers are asked for: to start processes, each with
memory of its own, costs more than the reading of terrain that they would share."""


def survey(
    terrain: Sequence[str | Path],
    body: str | Path | None = None,
    collector: str | Path | Collector | None = None,
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    span: str | None = None,
    like: str | Path | Site | None = None,
    kernels: str | Path | Sequence[str | Path] = (),
    options: SurveyOptions | None = None,
    work_folder: str | Path = ".",
    keep_tiles: bool = False,
    progress: Progress | None = None,
) -> xr.Dataset:
    """Maps of light, energy and longest dark over terrain: survey.nc as a Dataset.

    terrain       raster files, finest first; the first gives the cells; or web addresses (http, https) of GeoTIFFs
    body          a built-in body's name, or a body file; not needed beside `like`
    collector     whose best energy is mapped; None: light only
    start, end, years, span, kernels, progress   as for an estimate
    like          a site whose mast, air and dust hold everywhere
    options       window (x min, y min, x max, y max in the first file's system), stride, azimuths, reach, goal, ...
    work_folder   where finished tiles wait while the survey runs; an interrupted survey takes them up again
    keep_tiles    leave them there until `write_survey` has written its results, and the maps in them: they are read piece by piece
                  when they are used, so that a map may be larger than the memory, and a full disk costs no tile

    Returns maps over y and x, annual figures as means over the span, for a mean year of the body (365.25 days for the Moon and the
    Earth); the attribute "summary" holds survey.json.
    Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.base.clock import tdb_seconds
    from yieldsim.files.terrain.raster import open_rasters, refuse_missing
    from yieldsim.files.terrain.raster_metadata import needs_terrain_extra
    from yieldsim.files.terrain.remote import Address, absolute_name, all_named, terrain_source
    from yieldsim.files.text.paths import path_given
    from yieldsim.runs.open_inputs import kernel_paths, refuse_progress
    from yieldsim.runs.run_span import run_span
    from yieldsim.runs.setup.prepare import resolve_collector
    from yieldsim.runs.time_span import start_and_end

    needs_terrain_extra()
    options = options or SurveyOptions()
    if not isinstance(options, SurveyOptions):
        raise InputError(Problem("", "options", f"is {options!r:.60}", "SurveyOptions"))
    notes = Notes()
    site: Site | None = None
    gathered = Gathered()
    with gathered:
        refuse_progress(progress)
    with gathered:
        options = _checked(options, collector is None)
    with gathered:
        store = path_given(work_folder, "work_folder", "a folder")
    with gathered:
        start_and_end(start, end, years, span)
    with gathered:
        named = kernel_paths(kernels)
    with gathered:
        site, sources = _ground_conditions(body, like, options)
    with gathered:
        design, sources_of_design = _collector(collector, notes)
    files = None
    with gathered:
        files = all_named(terrain)
    for path in () if site is not None or files is None else files:
        with gathered:
            refuse_missing(path)
    with gathered:
        if site is not None and files is not None:
            rasters = open_rasters(files, site.body, options.holds)
    with gathered:
        if site is not None and options.earth_mast_height_m is not None:
            _refuse_no_earth(site)
    gathered.refuse()
    assert site is not None
    assert files is not None
    if design is not None:
        design, optics = resolve_collector(design, notes)
        sources_of_design += optics
    sources += sources_of_design
    chosen = run_span(site.body, start, end, years=years, span=span, kernels=named)
    begin, finish = chosen.start_utc, chosen.end_utc
    edges = tdb_seconds([begin, finish])
    for raster in rasters:
        for line in raster.warnings:
            notes.add(line)
    grid = rasters[0]
    block = window_pixels(grid, options.window, options.stride)
    tiles = tiles_of(grid, site, block, options.stride)
    reach_km = farthest_km(rasters, site, block)
    if options.reach_km is not None:
        reach_km = min(reach_km, options.reach_km)
    job = TileJob(
        site=site,
        # workers elsewhere have folders of their own to start from
        terrain=tuple(absolute_name(path) for path in files),
        holds=options.holds,
        collector=design,
        as_mounted=options.as_mounted,
        start_tdb_s=float(edges[0]),
        end_tdb_s=float(edges[1]),
        azimuths=options.azimuths,
        stride=options.stride,
        reach_km=round(reach_km, 3),
        kernels=tuple(str(path.absolute()) for path in named),
        unknown_ground=options.unknown_ground,
        year_days=chosen.period.year_days,
        earth_mast_height_m=options.earth_mast_height_m,
    )
    sources += tuple(terrain_source(file) for raster in rasters for file in raster.files)
    kernel_sources = _kernel_sources(job, chosen, notes)
    folder = store / f".survey-{_fingerprint(job, tiles, sources + kernel_sources)[:16]}"
    on_disk = (file for raster in rasters for file in raster.files if not isinstance(file, Address))
    needed = [*job.kernels, *(str(file.absolute()) for file in on_disk)]
    workers = options.workers or (cores() if len(tiles) > FEW_TILES else 1)
    reports = survey_tiles(job, tiles, folder, workers, options.scheduler, progress, needed)
    told = all_of(reports)
    if told.cells == 0:
        shutil.rmtree(folder, ignore_errors=True)
        raise DataMissing(
            f"no ground is known where {grid.name} gives the survey's cells; add a file that knows it"
        )
    from yieldsim.runs.survey.dataset import cut_note, ground_notes, survey_dataset

    cut = cut_note(told)
    if cut:
        notes.lines.insert(len(chosen.notes) + (not chosen.period.has_whole_seasons), cut)
    for line in ground_notes(told, job):
        notes.add(line)
    ds = survey_dataset(
        folder,
        tiles,
        reports,
        grid,
        block,
        job,
        chosen,
        options,
        sources + kernel_sources,
        notes,
        _body_file(site, body),
    )
    if keep_tiles:
        ds.encoding[TILES] = str(folder)
    else:
        ds = ds.load()
        shutil.rmtree(folder, ignore_errors=True)
    return ds


def _ground_conditions(
    body: str | Path | None, like: str | Path | Site | None, options: SurveyOptions
) -> tuple[Site, tuple[Source, ...]]:
    """What holds everywhere, as a site, and the files that it comes from."""
    from yieldsim.files.inputs.readers import read_body, read_site
    from yieldsim.runs.open_inputs import given

    sources: tuple[Source, ...] = ()
    if like is not None:
        loaded = given("like", like, Site, read_site, "site")
        site, sources = loaded.noun, loaded.sources
    elif body is None:
        raise InputError(Problem("", "body", "is not given", "--body NAME, or --like SITE"))
    else:
        stand = read_body(body)
        site = Site(name="survey", body=stand.noun, latitude_deg=0.0, longitude_deg=0.0)
        sources = stand.sources
    if like is not None and body is not None and read_body(body).noun.name != site.body.name:
        raise InputError(
            Problem("", "body", f'is "{body}"', f"{site.body.name}, that of the site it is to be like")
        )
    if options.mast_height_m is not None:
        site = replace(site, mast_height_m=options.mast_height_m)
    return replace(site, name="survey", horizon=None), sources


def _collector(
    collector: str | Path | Collector | None, notes: Notes
) -> tuple[Collector | None, tuple[Source, ...]]:
    """The collector, where there is one, and the files that it comes from."""
    from yieldsim.files.inputs.readers import read_collector
    from yieldsim.runs.open_inputs import given

    if collector is None:
        return None, ()
    read = given("collector", collector, Collector, read_collector)
    for warning in read.warnings:
        notes.add(warning)
    return read.noun, read.sources


def _checked(options: SurveyOptions, without_collector: bool) -> SurveyOptions:
    """The options with Python's numbers. Raises InputError with every problem."""
    from yieldsim.files.terrain.raster_model import HOLDS
    from yieldsim.files.text.paths import several
    from yieldsim.runs.time_span import number, one_of, whole_number

    gathered = Gathered()
    plain: dict[str, Any] = {}

    def whole(key: str, low: int, high: float = math.inf) -> None:
        value = getattr(options, key)
        with gathered:
            if value is not None:
                plain[key] = whole_number(value, key, low, high)

    def within(key: str, range_: Range) -> None:
        value = getattr(options, key)
        with gathered:
            if value is not None and not range_.holds(value):
                found = f"is {value:g}" if isinstance(value, float) else f"is {value!r:.60}"
                raise refusal("", key, found, range_.words)
            if value is not None:
                plain[key] = float(value)

    with gathered:
        refuse_choice(options.unknown_ground)
    with gathered:
        one_of(options.holds, "holds", HOLDS)
    whole("stride", 1)
    whole("azimuths", FEWEST_AZIMUTHS, MOST_AZIMUTHS)
    within("mast_height_m", Range(0.0, 1000.0))
    within("earth_mast_height_m", Range(0.0, 1000.0))
    within("reach_km", Range(above=0.0, high=5000.0))
    whole("places", 0)
    whole("workers", 1)
    within("spacing_m", Range(0.0))
    if options.goal is not None:
        with gathered:
            one_of(options.goal, "goal", tuple(GOALS))
    if options.window is not None:
        with gathered:
            edges = several(options.window, "window", WINDOW)
            if len(edges) != 4:
                raise refusal("", "window", f"is {options.window!r:.60}", WINDOW)
            plain["window"] = tuple(number(edge, "window") for edge in edges)
    with gathered:
        if without_collector and (options.as_mounted or options.goal == "delivered"):
            raise refusal("", "collector", "is not given", "a collector file, for energy that it delivers")
    gathered.refuse()
    return replace(options, **plain)


def _refuse_no_earth(site: Site) -> None:
    """Raise InputError for a world from which the kernels don't follow the Earth."""
    from yieldsim.planning.survey.earth_visibility import EARTH

    if EARTH not in (occulter.name.lower() for occulter in site.body.occulters):
        found, allowed = (
            f"is asked for on {site.body.name}",
            "a body whose file names earth among its occulters",
        )
        raise InputError(Problem("", "earth_mast_height_m", found, allowed))


def _kernel_sources(job: TileJob, chosen: RunSpan, notes: Notes) -> tuple[Source, ...]:
    """The kernels that every tile will use, with their notes and the span's; a span that they don't cover is refused at once."""
    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.runs.run_span import season_note

    ephemeris = open_ephemeris(job.site.body, job.start_tdb_s, job.end_tdb_s, extra=job.kernels)
    for note in ephemeris.notes:
        notes.add(note)
    season = season_note(ephemeris, job.site.body, chosen.period, job.start_tdb_s, job.end_tdb_s)
    for note in filter(None, (season, *reversed(chosen.notes))):
        notes.add_first(note)
    return tuple(ephemeris.sources)


def _fingerprint(job: TileJob, tiles: Sequence[Tile], sources: Sequence[Source]) -> str:
    """Digest of everything that the tiles depend on: the program's version, options, places and the files' contents."""
    from yieldsim.files.output.provenance import package_version

    shared = _plain(replace(job, terrain=(), kernels=()))
    text = json.dumps([package_version(), shared, _plain(tuple(tiles)), _plain(tuple(sources))])
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: object) -> Any:
    """Nouns and arrays as lists and numbers, for hashing."""
    import numpy as np

    if is_dataclass(value):
        return [_plain(getattr(value, field.name)) for field in fields(value)]
    if isinstance(value, np.ndarray):
        return value.tolist()
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def _body_file(site: Site, body: str | Path | None) -> str:
    """How a site file names the body: a built-in one by name, another by the file that was given."""
    from yieldsim.files.text.bundled import body_names

    name = site.body.name.lower()
    return name if name in body_names() or body is None else str(Path(body).resolve())
