"""`yieldsim survey`: maps of light and energy over terrain, with the best places."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from yieldsim.base.results.ground import SurveyResult
from yieldsim.cli.shared_options import (
    COLLECTOR,
    FOLDER,
    SITE,
    TERRAIN,
    Command,
    default_option,
    holds_option,
    kernel_option,
    scheduler_option,
    span_options,
    unknown_ground_option,
    workers_option,
)
from yieldsim.cli.terminal.answer import show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.report.layout.number_format import plain


@click.command(cls=Command, short_help="Maps of light and energy over terrain, with the best places.")
@click.argument("terrain", nargs=-1, required=True, type=TERRAIN)
@click.option("-b", "--body", help="moon, mars, mercury, earth or a body file; not needed with --like.")
@click.option("-c", "--collector", type=COLLECTOR, help="Collector file, for the energy that it delivers.")
@click.option(
    "--window",
    type=float,
    nargs=4,
    metavar="XMIN YMIN XMAX YMAX",
    help="Part of the first file, in its map coordinates (default: all of it).",
)
@default_option("--stride", 1, "Every n-th cell.")
@click.option(
    "--mast-height-m", type=float, help="Aperture above the ground (default 0, or what --like says)."
)
@click.option(
    "--earth-mast-height-m",
    type=float,
    help="Map the Earth's visibility as well, from an antenna of this height above the ground.",
)
@span_options
@click.option("--like", type=SITE, help="Site file whose mast, air and dust hold everywhere.")
@click.option(
    "--as-mounted", is_flag=True, help="Mounts face as the collector file says, not each cell's best azimuth."
)
@default_option("--azimuths", 360, "Directions in which horizons are taken.")
@click.option("--reach-km", type=float, help="How far to look at least (default: to the files' edge).")
@click.option(
    "--goal",
    type=click.Choice(["delivered", "sun-following", "lit", "dark"]),
    help="What the best places have most (dark: least) of.",
)
@default_option("--places", 10, "How many places to list.")
@click.option("--spacing-m", type=float, help="Least distance between them (default: a tenth of the map).")
@click.option(
    "--write-sites",
    type=click.IntRange(min=0),
    default=0,
    metavar="N",
    help="Write site files of the first N places (and list as many).",
)
@holds_option
@unknown_ground_option
@kernel_option
@workers_option
@scheduler_option
@default_option("--out", Path("survey"), "Folder for the results.", type=FOLDER)
@click.option("--no-figure", is_flag=True, help="Write no survey.png and survey.pdf.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print the summary as JSON to stdout instead of the table."
)
def survey(
    terrain: tuple[Path | str, ...], out: Path, write_sites: int, no_figure: bool, as_json: bool, **given: Any
) -> None:
    """Maps of light, energy and longest dark over TERRAIN files, finest first; the first gives the cells.

    A variable of a NetCDF file that holds several is FILE.nc:VARIABLE; a cloud-optimised GeoTIFF may be named by its web address
    (http, https) and is read by windows. An interrupted survey goes on from its finished tiles when it
    is started again with the same arguments.
    """
    from yieldsim.runs.survey.options import SurveyOptions
    from yieldsim.runs.survey.output import summary_of_survey, write_survey
    from yieldsim.runs.survey.run import survey as run

    names = ("body", "collector", "start", "end", "years", "span", "like", "kernels")
    asked = {name: given.pop(name) for name in names}
    given["places"] = max(given["places"], write_sites) if given["places"] >= 0 else given["places"]
    options = SurveyOptions(**given)
    with progress("Surveying") as advance:
        ds = run(terrain, options=options, work_folder=out, keep_tiles=True, progress=advance, **asked)
    written = write_survey(ds, out, terrain, site_count=write_sites, like=asked["like"], figure=not no_figure)
    show(summary_of_survey(ds), answer_lines, as_json)
    tell_written(written, out)


def answer_lines(summary: SurveyResult) -> list[str]:
    """The best places as plain text."""
    from yieldsim.report.layout.period_text import period_line, period_of, rate_words

    period = period_of(summary)
    rate = f"{'at the rate of ' * period.is_part}{rate_words(summary)}"
    cells = f"{summary['cells']} cell{'s' * (summary['cells'] != 1)}"
    cell = " x ".join(f"{size:g}" for size in summary["cell_m"])
    lines = [
        f"{cells} of {cell} m on {summary['body']}, {summary['mast_height_m']:g} m above the ground",
        period_line(summary),
        f"best by {summary['goal']}, {summary['spacing_m']:g} m apart; energies {rate}",
        *([] if period.year == "year" else [f"years are {period.year}s of {period.year_days:.1f} days"]),
        *(
            [f"{plain(summary['never_lit_km2'])} km2 never lit in this span"]
            if summary["never_lit_km2"]
            else []
        ),
        "",
        "     latitude longitude  ground    lit    any tracking delivered azimuth longest",
        "          deg       deg       m         light   kWh/m2       kWh     deg dark, h",
    ]
    for place in summary["places"]:
        has_collector = "delivered_kwh" in place
        dark = f"{'>=' * bool(place['longest_dark_cut_fraction'])}{place['longest_dark_hours']:.0f}"
        lines.append(
            f"  {place['rank']:>2} {place['latitude_deg']:8.4f} {place['longitude_deg']:9.4f} {place['elevation_m']:7.0f} "
            f"{place['lit_fraction']:6.1%} {place['any_light_fraction']:6.1%} {place['sun_following_kwh_m2']:8.0f} "
            + (
                f"{place['delivered_kwh']:9.1f} {place['best_azimuth_deg']:7.1f}"
                if has_collector
                else f"{'-':>9} {'-':>7}"
            )
            + f" {dark:>7}"
        )
    return lines
