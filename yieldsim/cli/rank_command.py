"""`yieldsim rank`: the same collector at several sites."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from yieldsim.cli.command import COLLECTOR, FOLDER, KERNEL, SITE, Command
from yieldsim.cli.progress import progress
from yieldsim.cli.wrapping import note, wrapped

if TYPE_CHECKING:
    from yieldsim.runs.horizon.unknown_ground import UnknownGround


@click.command(cls=Command, short_help="The same collector at several sites.")
@click.argument("sites", nargs=-1, required=True, metavar="SITE...", type=SITE)
@click.option("-c", "--collector", required=True, type=COLLECTOR, help="Collector file.")
@click.option(
    "--goal",
    default="annual",
    show_default=True,
    help="annual, worst-month, shortest-gap, hours or units: decides the order.",
)
@click.option(
    "--facing",
    default="best",
    show_default=True,
    help="best: all units face each site's own best way; given: as the collector file says.",
)
@click.option("--continuous-power-w", type=float, help="Say how many units a mean power takes.")
@click.option("--start", help="First instant, UTC (default 2027-01-01).")
@click.option("--end", help="Last instant, UTC; without it one year from the start.")
@click.option("--years", type=float, help="Length of the run in calendar years, instead of --end.")
@click.option(
    "--interval-minutes", type=float, default=60.0, show_default=True, help="Length of the rows in time."
)
@click.option("--tolerance", type=float, default=1e-3, show_default=True, help="As for estimate.")
@click.option(
    "--kernel",
    "kernels",
    multiple=True,
    type=KERNEL,
    help="Further ephemeris or orientation kernel; repeatable.",
)
@click.option(
    "--unknown-ground",
    type=click.Choice(["refuse", "bounds"]),
    default="refuse",
    show_default=True,
    help="Holes of terrain files before the Sun: refuse them, or give bounds, of which the lower, blocked, is the answer.",
)
@click.option(
    "--out",
    type=FOLDER,
    help="Folder for the results (default reports/rank-<collector file>).",
)
@click.option("--json", "as_json", is_flag=True, help="Print rank.json to stdout instead of the table.")
@click.option("--no-figures", is_flag=True, help="Write data only, no PNG and PDF.")
def rank(
    sites: tuple[Path, ...],
    collector: Path,
    goal: str,
    facing: str,
    continuous_power_w: float | None,
    start: str | None,
    end: str | None,
    years: float | None,
    interval_minutes: float,
    tolerance: float,
    kernels: tuple[Path, ...],
    unknown_ground: UnknownGround,
    out: Path | None,
    as_json: bool,
    no_figures: bool,
) -> None:
    """Compare COLLECTOR at each SITE over the same span: energy, poorest month, longest gap, hours, and
    why."""
    from yieldsim.runs.rank.output import write_rank
    from yieldsim.runs.rank.run import rank as run
    from yieldsim.runs.rank.run import summary_of

    with progress("Sites") as advance:
        ds = run(
            sites,
            collector,
            start,
            end,
            years=years,
            interval_minutes=interval_minutes,
            goal=goal,
            facing=facing,
            continuous_power_w=continuous_power_w,
            tolerance=tolerance,
            kernels=kernels,
            unknown_ground=unknown_ground,
            progress=advance,
        )
    folder = out or Path("reports") / f"rank-{collector.stem}"
    written = write_rank(ds, folder, figures=not no_figures)
    summary = summary_of(ds)
    if as_json:
        click.echo(json.dumps(summary, indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(answer_lines(summary)))
    for warning in summary["warnings"]:
        note(warning)
    click.echo(f"wrote {', '.join(written)} in {folder}", err=True)


def answer_lines(summary: dict[str, Any]) -> list[str]:
    """The answer as plain text: sites in order, then what each stage keeps, side by side."""
    from yieldsim.report.layout.period_text import days_between, is_part_year

    part = is_part_year(days_between(summary["start_utc"], summary["end_utc"]))
    per = "" if part else "/year"
    rows, power_w = summary["sites"], summary["continuous_power_w"]
    heads = [f"kWh{per}", "poorest month", "longest gap", f"lit, h{per}", "tilt", "azimuth"]
    widths = [12, 16, 13, 13, 8, 9]
    if power_w is not None:
        heads.append(f"units for {power_w:g} W")
        widths.append(len(heads[-1]) + 2)
    lines = [
        f"{summary['collector']['name']}, {summary['start_utc'][:10]} to {summary['end_utc'][:10]}, by {summary['goal']}",
        "",
        f"  {'#':>2} {'site':<24}"
        + "".join(f"{head:>{width}}" for head, width in zip(heads, widths, strict=True)),
    ]
    for row in rows:
        facing = row["facing"] or {"tilt_deg": None, "azimuth_deg": None}
        cells = [
            f"{row['annual_kwh']:.3f}",
            f"{row['worst_month_kwh']:.3f} {row['worst_month']}",
            f"{row['longest_gap_hours']:.1f} h",
            f"{row['hours_delivering_per_year']:.0f}",
            *(
                "several" if angle is None else f"{angle:.2f}"
                for angle in (facing["tilt_deg"], facing["azimuth_deg"])
            ),
        ]
        if power_w is not None:
            cells.append("-" if row["units_for_power"] is None else str(row["units_for_power"]))
        lines.append(
            f"  {row['rank']:>2} {row['site']['name']:<24.24}"
            + "".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True))
        )
    lines += ["", "  why: kept of the light that reaches each stage"]
    names = [row["site"]["name"] for row in rows]
    lines.append(f"    {'':<22}" + "".join(f" {name:>14.14}" for name in names))
    sunlight = "".join(f" {row['reasons']['sunlight_kwh_m2_per_year']:14.0f}" for row in rows)
    lines.append(f"    {f'sunlight, kWh/m2{per}':<22}{sunlight}")
    gains = [row["reasons"]["low_skyline_gain_fraction"] for row in rows]
    if any(gain != 0.0 for gain in gains):
        parts = (1.0 if gain is None else gain / (1.0 + gain) for gain in gains)
        cells_of = "".join(f" {part:14.2%}" for part in parts)
        lines.append(f"    {'of it by low skyline':<22}{cells_of}")
    distance = "".join(f" {row['reasons']['mean_sun_distance_au']:14.3f}" for row in rows)
    lines.append(f"    {'Sun distance, au':<22}{distance}")
    for place, entry in enumerate(rows[0]["kept_by_stage"]):
        shares = [row["kept_by_stage"][place]["kept_fraction"] for row in rows]
        cells_of = "".join(f" {'-' if share is None else f'{share:.2%}':>14}" for share in shares)
        lines.append(f"    {entry['stage']:<22}{cells_of}")
    return [*lines, *(wrapped(f"  caution: {caution}", sys.stdout) for caution in summary["cautions"])]
