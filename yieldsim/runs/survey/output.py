"""What a survey leaves on the disk: survey.nc, the maps as GeoTIFF, the pages, the places as a table and as site files."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.model import Site
from yieldsim.base.results.attached import result_of
from yieldsim.base.results.ground import SurveyPlace, SurveyResult

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.report.survey import MapOverlay

TILES = "yieldsim_tiles"
"""Of a Dataset's encoding, which no file takes over: the folder of its tiles, until its results are written."""


def summary_of_survey(ds: xr.Dataset) -> SurveyResult:
    """Places, options and provenance of a survey."""
    return result_of(ds, SurveyResult)


def write_survey(
    ds: xr.Dataset,
    folder: Path | str,
    terrain: Sequence[str | Path],
    *,
    site_count: int = 0,
    like: str | Path | Site | None = None,
    figure: bool = True,
) -> list[str]:
    """Write a survey: survey.nc, places.csv, GeoTIFFs, the map, and site files of the first `site_count` places.

    The site files hold a skyline computed at full detail, and are ready for `yieldsim estimate`. All files or none.
    """
    from yieldsim.files.output.atomic_write import write_text_whole
    from yieldsim.files.output.dataset import staged_folder, write_dataset, write_image
    from yieldsim.files.output.survey import places_text, write_survey_geotiffs
    from yieldsim.files.terrain.remote import all_named

    terrain = all_named(terrain)
    summary = summary_of_survey(ds)
    with staged_folder(folder) as stage:
        write_text_whole(stage / "places.csv", places_text(summary["places"]))
        # maps are packed while the page is drawn: they share no library that minds
        with ThreadPoolExecutor(1) as aside:
            saved = aside.submit(write_dataset, ds, stage / "survey.nc")
            packed = aside.submit(write_survey_geotiffs, ds, stage)
            if figure:
                from yieldsim.report.survey import survey_pages

                page, picture = survey_pages(ds, _overlay(ds, terrain, like))
                write_image(page, stage / "survey.pdf")
                write_image(picture, stage / "survey.png")
            saved.result()
            packed.result()
        conditions = _conditions(like, summary["body_file"]) if site_count else None
        for place in summary["places"][:site_count]:
            assert conditions is not None
            for name, text in _site_files(place, summary, terrain, conditions).items():
                write_text_whole(stage / name, text)
        written = sorted(file.name for file in stage.iterdir())
    if TILES in ds.encoding:
        shutil.rmtree(ds.encoding.pop(TILES), ignore_errors=True)
    return written


def _overlay(ds: xr.Dataset, terrain: Sequence[str | Path], like: str | Path | Site | None) -> MapOverlay:
    from yieldsim.runs.survey.map_overlay import map_overlay

    summary = summary_of_survey(ds)
    body = _conditions(like, summary["body_file"]).body
    return map_overlay(ds, terrain, body, summary["provenance"]["options"]["holds"])


def _site_files(
    place: SurveyPlace, summary: SurveyResult, terrain: Sequence[str | Path], like: Site
) -> dict[str, str]:
    """The site file of a place, its horizon table and, where the air asks for one, its table of optical depth."""
    from yieldsim.files.inputs.site_writer import site_text, tables_beside
    from yieldsim.runs.horizon.run import horizon, horizon_csv

    stem, name = f"place-{place['rank']:02d}", f"Place {place['rank']}"
    site = replace(
        like,
        name=name,
        latitude_deg=place["latitude_deg"],
        longitude_deg=place["longitude_deg"],
        elevation_m=place["elevation_m"],
        mast_height_m=summary["mast_height_m"],
        horizon=None,
    )
    asked = summary["provenance"]["options"]
    run = horizon(
        site,
        terrain,
        holds=asked["holds"],
        unknown_ground=asked["unknown_ground"],
        start=summary["start_utc"],
        end=summary["end_utc"],
    )
    span = f"{summary['start_utc'][:10]} to {summary['end_utc'][:10]}"
    comment = f"Chosen by a survey of {run.sources[0].name}: best by {summary['goal']}, {span}."
    table = f"{stem}.horizon.csv"
    return {
        table: horizon_csv(run),
        f"{stem}.toml": site_text(site, summary["body_file"], table, comment),
        **tables_beside(site),
    }


def _conditions(like: str | Path | Site | None, body_file: str) -> Site:
    """The site whose body, air and dust hold for the places that are written."""
    from yieldsim.files.inputs.readers import read_body, read_site

    if like is None:
        return Site(name="", body=read_body(body_file).noun, latitude_deg=0.0, longitude_deg=0.0)
    return like if isinstance(like, Site) else read_site(Path(like)).noun
