"""`yieldsim horizon`: the skyline of a site from terrain files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.shared_options import (
    SITE,
    TABLE,
    TERRAIN,
    Command,
    holds_option,
    kernel_option,
    unknown_ground_option,
)
from yieldsim.cli.terminal.answer import tell_written
from yieldsim.cli.terminal.wrapping import note


@click.command(cls=Command, short_help="Skyline of a site from terrain files.")
@click.argument("site", type=SITE)
@click.argument("more", metavar="[TERRAIN]...", nargs=-1, type=TERRAIN)
@click.option(
    "-t",
    "--terrain",
    multiple=True,
    type=TERRAIN,
    help="Terrain files, finest first; without it those that SITE names. Of a NetCDF file of several variables: FILE.nc:VARIABLE.",
)
@click.option("--out", type=TABLE, help="Table to write, with a figure beside it; else stdout.")
@click.option("--azimuth-step-deg", type=float, help="Step between rows (default 0.5, or what SITE says).")
@click.option("--reach-km", type=float, help="How far to look (default: to the files' edge).")
@click.option("--mast-height-m", type=float, help="Eye above the ground, instead of the site file's mast.")
@holds_option
@click.option("--start", help="First instant of the Sun's band in the figure, UTC (default 2027-01-01).")
@click.option("--end", help="Last instant of the band; without it one whole year of the body from the start.")
@kernel_option
@unknown_ground_option
@click.option("--no-figure", is_flag=True, help="Write the table only.")
@click.option("--json", "as_json", is_flag=True, help="Print a summary as JSON to stdout (needs --out).")
def horizon(
    site: Path,
    more: tuple[Path | str, ...],
    terrain: tuple[Path | str, ...],
    out: Path | None,
    azimuth_step_deg: float | None,
    reach_km: float | None,
    mast_height_m: float | None,
    holds: Any,
    unknown_ground: Any,
    start: str | None,
    end: str | None,
    kernels: tuple[Path, ...],
    no_figure: bool,
    as_json: bool,
) -> None:
    """Skyline at SITE from terrain: the table that a site file takes, and a panorama with the year's Sun band.

    Files are given as --terrain FINE COARSE ... or with --terrain repeated, finest first; a cloud-optimised GeoTIFF by its web address
    (http, https) too.
    """
    from yieldsim.runs.horizon.run import horizon_of_file, write_horizon

    if as_json and out is None:
        raise click.UsageError("--json needs --out: stdout would hold the table")
    run = horizon_of_file(
        site,
        [*terrain, *more],
        reach_km=reach_km,
        azimuth_step_deg=azimuth_step_deg,
        mast_height_m=mast_height_m,
        holds=holds,
        unknown_ground=unknown_ground,
        start=start,
        end=end,
        kernels=kernels,
        figure=out is not None and not no_figure,
    )
    written = write_horizon(run, out, reach_km=reach_km, figure=not no_figure)
    summary = run.summary
    if out is None:
        click.echo(written[0], nl=False)
    elif as_json:
        click.echo(json.dumps(summary, indent=2, ensure_ascii=False))
    else:
        click.echo(
            f"{run.site.name}: skyline {summary['lowest_deg']:.3f} to {summary['highest_deg']:.3f} deg, mean "
            f"{summary['mean_deg']:.3f}; ground {summary['ground_m']:.1f} m; formed by ground up to "
            f"{summary['farthest_km']:.0f} km away"
        )
    for line in run.warnings:
        note(line)
    if out is not None:
        tell_written(written, out.parent)
