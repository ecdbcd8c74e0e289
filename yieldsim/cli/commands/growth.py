"""`yieldsim growth`: which units and stores to land with which flight of a base that grows, with a proven bound."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from yieldsim.cli.shared_options import (
    DESIGN,
    FOLDER,
    Command,
    interval_option,
    kernel_option,
    scheduler_option,
    workers_option,
)
from yieldsim.cli.terminal.answer import combination_lines, paragraph, show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.cli.terminal.wrapping import wrapped
from yieldsim.report.layout.number_format import plain
from yieldsim.runs.time_span import SPANS

if TYPE_CHECKING:
    from yieldsim.base.results.growth import GrowthResult


@click.command(cls=Command, short_help="Which units and stores to land with which flight.")
@click.argument("plan", metavar="DESIGN", type=DESIGN)
@click.option("--years", type=float, help="How much of each phase is run at most (default 1), in years.")
@click.option("--span", type=click.Choice(SPANS), help="What years are counted, as for an estimate.")
@interval_option
@kernel_option
@workers_option
@scheduler_option
@click.option("--out", type=FOLDER, help="Folder for the results (default reports/<design file>-growth).")
@click.option("--json", "as_json", is_flag=True, help="Print growth.json to stdout instead of the answer.")
@click.option("--no-report", is_flag=True, help="Write data only, no pages.")
def growth(
    plan: Path, workers: int | None, out: Path | None, as_json: bool, no_report: bool, **asked: Any
) -> None:
    """Which units and how much storage to land with which flight, so that every phase of a growing base is served.

    DESIGN names its phases with their dates, loads and what each flight may land ([[phases]]), beside sites, masts, collectors and
    masses. Units stay where they face and age; stores fade. A lower bound says how far the plan is from the best there may be. Each
    phase is written as files of its own for budget. An interrupted run goes on from its finished combinations when it is started
    again with the same words.
    """
    from yieldsim.runs.cluster import cores
    from yieldsim.runs.growth.output import write_growth
    from yieldsim.runs.growth.run import growth as run

    folder = out or Path("reports") / (plan.name.removesuffix(".toml").removesuffix(".design") + "-growth")
    with progress("Planning") as advance:
        found = run(plan, workers=workers or cores(), work_folder=folder, progress=advance, **asked)
    written = write_growth(found, folder, report=not no_report)
    show(found.summary, answer_lines, as_json)
    tell_written(written, folder)


def answer_lines(summary: GrowthResult) -> list[str]:
    """The answer as plain text, within 80 columns."""
    from yieldsim.report.growth import store_words

    bound = summary["bound"]
    what = "largest flight" if summary["least"] == "largest-flight" else "landed mass"
    lines = [
        f"{summary['name']}: least {what}",
        f"{summary['start_utc'][:10]} to {summary['end_utc'][:10]}, {len(summary['phases'])} phases",
        "",
        f"  {summary['site']['name']}, mast {summary['mast_height_m']:g} m, {summary['collector']}",
        f"  {plain(summary['landed_kg'])} kg landed, {plain(summary['largest_flight_kg'])} kg by the largest flight",
        f"  proven: no plan is below {plain(bound['least'])} kg, {bound['gap_fraction']:.1%} less than the "
        f"{plain(bound['reached'])} of this one",
        "",
        "  flight, its date                     units  storage, kWh  mass, kg  limit, kg",
    ]
    for one in summary["flights"]:
        most = "-" if one["most_kg"] is None else plain(one["most_kg"])
        lines.append(
            f"    {one['phase'][:22]:<22} {one['date_utc'][:10]} {one['units']:>6} {plain(one['storage_kwh']):>13} "
            f"{plain(one['mass_kg']):>9} {most:>10}"
        )
    for one in summary["flights"]:
        if one["stores_kwh"]:
            lines += paragraph(f"{one['phase']}: {store_words(one['stores_kwh'])}")
    lines += ["", "  phase                 units  light left  storage, kWh  served  longest outage"]
    for row in summary["phases"]:
        lines.append(
            f"    {row['name'][:19]:<19} {row['units']:>5} {row['light_left_fraction']:>11.1%} {plain(row['storage_kwh']):>13} "
            f"{row['served_fraction']:>7.2%} {row['longest_outage_hours']:>13.0f} h"
        )
    for row in summary["phases"]:
        if row["target_share"] is not None:
            share = ", ".join(f"{row['target_share'][f'p{level}']:.2%}" for level in (50, 90, 99))
            asked = (
                ""
                if row["margin_factor"] is None
                else f", {row['margin_factor']:.3f} times the load asked for"
            )
            lines += paragraph(f"{row['name']}: {share} served in 50, 90, 99 of 100 draws{asked}")
    for row in summary["phases"]:
        told = ", ".join(
            f"{one['what'].partition(',')[0]} {one['reached']:.2%}" for one in row["single_failures"]
        )
        lines += paragraph(f"{row['name']}, served without {told}")
    limited = [one for one in summary["flights"] if one["most_kg"] is not None]
    if limited:
        told = "; ".join(f"{one['phase']} {plain(one['kilogram_more_saves'], 3)} kg" for one in limited)
        lines += ["", *paragraph(f"a kilogram more on a flight saves: {told}")]
    lines += combination_lines(summary["combinations"], "plan, kg", "growth.json")
    return [*lines, "", *(wrapped(f"  caution: {caution}", sys.stdout) for caution in summary["cautions"])]
