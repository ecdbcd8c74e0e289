"""`yieldsim rank`: the same collector at several sites."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from yieldsim.base.results.rank import RankResult
from yieldsim.cli.shared_options import (
    COLLECTOR,
    FOLDER,
    LOAD,
    SITE,
    Command,
    default_option,
    few_workers_option,
    interval_option,
    kernel_option,
    scheduler_option,
    span_options,
    unknown_ground_option,
)
from yieldsim.cli.terminal.answer import gap_hours, show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.cli.terminal.wrapping import wrapped

if TYPE_CHECKING:
    pass


SITES_ABREAST = 3
"""Columns of sites that fit a terminal of 80."""
NO_SIZE = "none will do"


@click.command(cls=Command, short_help="The same collector at several sites.")
@click.argument("sites", nargs=-1, required=True, metavar="SITE...", type=SITE)
@click.option("-c", "--collector", required=True, type=COLLECTOR, help="Collector file.")
@default_option(
    "--goal", "annual", "annual, worst-month, shortest-gap, hours, units or load: decides the order."
)
@click.option(
    "--facing",
    help="given: as the collector file lays units out (default for several mounts); best: all at each site's one best orientation "
    "(default for one mount); set: --units of them in each site's best set of orientations.",
)
@click.option("--units", type=int, help="Units of the set.")
@click.option(
    "-l",
    "--load",
    type=LOAD,
    help="Load file: what each site serves of it, and the store it would need there.",
)
@click.option("--continuous-power-w", type=float, help="Say how many units a mean power takes.")
@span_options
@interval_option
@default_option("--tolerance", 1e-3, "As for estimate.")
@kernel_option
@unknown_ground_option
@few_workers_option
@scheduler_option
@click.option("--out", type=FOLDER, help="Folder for the results (default reports/rank-<collector file>).")
@click.option("--json", "as_json", is_flag=True, help="Print rank.json to stdout instead of the table.")
@click.option("--no-figures", is_flag=True, help="Write data only, no PNG and PDF.")
def rank(
    sites: tuple[Path, ...], collector: Path, out: Path | None, as_json: bool, no_figures: bool, **asked: Any
) -> None:
    """Compare COLLECTOR at each SITE over the same span: energy, worst month, longest outage, hours, and
    why."""
    from yieldsim.runs.rank.output import write_rank
    from yieldsim.runs.rank.run import rank as run
    from yieldsim.runs.rank.run import summary_of

    with progress("Sites") as advance:
        ds = run(sites, collector, progress=advance, **asked)
    folder = out or Path("reports") / f"rank-{collector.stem}"
    written = write_rank(ds, folder, figures=not no_figures)
    show(summary_of(ds), answer_lines, as_json)
    tell_written(written, folder)


def answer_lines(summary: RankResult) -> list[str]:
    """The answer as plain text: sites in order, then what is behind it, side by side; within 80 columns."""
    from yieldsim.report.layout.number_format import aligned
    from yieldsim.report.layout.period_text import per_of, per_unit, period_line

    per = per_unit(summary)
    rows = summary["sites"]
    heads = ["kWh", "worst month", "longest outage", "delivers, h"]
    widths = [12, 16, 16, 13]
    lines = [
        f"{summary['collector']['name']}: {summary['layout']}",
        f"{period_line(summary)}",
        f"by {summary['goal']}; energies and hours {per_of(summary)}",
        "",
        f"  {'#':>2} {'site':<18}"
        + "".join(f"{head:>{width}}" for head, width in zip(heads, widths, strict=True)),
    ]
    annual = aligned([row["annual_kwh"] for row in rows])
    worst = aligned([row["worst_month_kwh"] for row in rows])
    for row, of_year, of_month in zip(rows, annual, worst, strict=True):
        cells = [
            of_year,
            f"{of_month} {row['worst_month']}",
            f"{gap_hours(row)} h",
            f"{row['hours_delivering_per_year']:.0f}",
        ]
        lines.append(
            f"  {row['rank']:>2} {row['site']['name']:<18.18}"
            + "".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True))
        )
    for first in range(0, len(rows), SITES_ABREAST):
        lines += ["", *_side_by_side(rows[first : first + SITES_ABREAST], summary, per)]
    return [*lines, "", *(wrapped(f"  caution: {caution}", sys.stdout) for caution in summary["cautions"])]


def _side_by_side(rows: Sequence[Mapping[str, Any]], summary: RankResult, per: str) -> list[str]:
    """Some sites as columns: facing, what a load gets, and what each stage keeps of the light that reaches it."""

    from yieldsim.report.budget.verdict_text import at_least

    def line(words: str, cells: list[str]) -> str:
        return f"    {words:<26}" + "".join(f" {cell:>15.15}" for cell in cells)

    lines = [line("", [row["site"]["name"] for row in rows])]
    facings = [row["facing"] for row in rows]
    if all(facing is not None for facing in facings):
        for angle in ("tilt", "azimuth"):
            lines.append(line(f"{angle}, deg", [f"{facing[f'{angle}_deg']:.2f}" for facing in facings]))
    if summary["continuous_power_w"] is not None:
        counts = [row["units_for_power"] for row in rows]
        words = f"units for {summary['continuous_power_w']:g} W"
        lines.append(line(words, ["-" if count is None else str(count) for count in counts]))
    if summary["load"] is not None:
        lines.append(line("served of the load", [f"{row['served_fraction']:.2%}" for row in rows]))
        stores, units = ([row[key] for row in rows] for key in ("smallest_storage_kwh", "smallest_units"))
        lines.append(
            line("storage needed", [NO_SIZE if kwh is None else f"{at_least(kwh):g} kWh" for kwh in stores])
        )
        lines.append(line("units needed", [NO_SIZE if count is None else str(count) for count in units]))
    why = [row["reasons"] for row in rows]
    lines.append(line("longest night, h", [f"{row['longest_night_hours']:.1f}" for row in rows]))
    lines.append(line(f"sunlight, kWh/m2{per}", [f"{one['sunlight_kwh_m2_per_year']:.0f}" for one in why]))
    gains = [one["low_skyline_gain_fraction"] for one in why]
    if any(gain != 0.0 for gain in gains):
        parts = (1.0 if gain is None else gain / (1.0 + gain) for gain in gains)
        lines.append(line("of it by low skyline", [f"{part:.2%}" for part in parts]))
    lines.append(line("Sun distance, au", [f"{one['mean_sun_distance_au']:.3f}" for one in why]))
    lines.append("    kept of the light that reaches each stage")
    for place, entry in enumerate(rows[0]["kept_by_stage"]):
        shares = [row["kept_by_stage"][place]["kept_fraction"] for row in rows]
        lines.append(
            line(f"  {entry['stage']}", ["-" if share is None else f"{share:.2%}" for share in shares])
        )
    return lines
