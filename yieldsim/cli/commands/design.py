"""`yieldsim design`: site, mast, optics, orientations, units and store in one run, with a proven bound."""

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
    span_options,
    workers_option,
)
from yieldsim.cli.terminal.answer import MOST_ROWS, combination_lines, paragraph, show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.cli.terminal.wrapping import wrapped
from yieldsim.report.layout.number_format import plain

if TYPE_CHECKING:
    from yieldsim.base.results.design import DesignResult


@click.command(cls=Command, short_help="Site, mast, optics, units and store at once, proven.")
@click.argument("plan", metavar="DESIGN", type=DESIGN)
@span_options
@interval_option
@kernel_option
@workers_option
@scheduler_option
@click.option("--out", type=FOLDER, help="Folder for the results (default reports/<design file>).")
@click.option("--json", "as_json", is_flag=True, help="Print design.json to stdout instead of the answer.")
@click.option("--no-report", is_flag=True, help="Write data only, no pages.")
def design(
    plan: Path, workers: int | None, out: Path | None, as_json: bool, no_report: bool, **asked: Any
) -> None:
    """The lightest system that serves a load, over every combination of sites, masts and collectors that DESIGN names.

    Orientations, counts and the store's capacity are chosen; a lower bound says how far the design is from the best there may be.
    Its site, collector and load are written as files for estimate and budget. An interrupted run goes on from its finished
    combinations when it is started again with the same words.
    """
    from yieldsim.runs.cluster import cores
    from yieldsim.runs.design.output import write_design
    from yieldsim.runs.design.run import design as run

    folder = out or Path("reports") / plan.name.removesuffix(".toml")
    with progress("Designing") as advance:
        found = run(plan, workers=workers or cores(), work_folder=folder, progress=advance, **asked)
    written = write_design(found, folder, report=not no_report)
    show(found.summary, answer_lines, as_json)
    tell_written(written, folder)


def answer_lines(summary: DesignResult) -> list[str]:
    """The answer as plain text, within 80 columns."""
    from yieldsim.report.layout.facing_words import facing_words
    from yieldsim.report.layout.period_text import period_line

    best, bound = summary["design"], summary["bound"]
    unit = bound["unit"]
    lines = [
        f"{summary['name']}: least {summary['objective']}",
        period_line(summary),
        "",
        f"  {best['site']}, mast {best['mast_height_m']:g} m, {best['collector']}",
        f"  {best['units']} unit{'s' * (best['units'] != 1)}, {plain(best['storage_kwh'])} kWh of storage, "
        f"{plain(best['mass_kg'])} kg",
        f"  serves {best['served_fraction']:.3%} of the load; longest outage {best['longest_outage_hours']:.0f} h",
        f"  proven: no design is below {plain(bound['least'])} {unit}, {bound['gap_fraction']:.1%} less than the "
        f"{plain(bound['reached'])} of this one",
        "",
        "  units of each orientation",
    ]
    for mount in best["mounts"][:MOST_ROWS]:
        facing = facing_words(mount["tilt_deg"], mount["azimuth_deg"]).replace("°", " deg")
        lines.append(f"    {mount['count']:>4}  {facing}")
    if len(best["mounts"]) > MOST_ROWS:
        lines.append(f"    and {len(best['mounts']) - MOST_ROWS} more in {summary['files']['collector']}")
    lines += combination_lines(summary["combinations"], f"design, {unit}", "combinations.csv")
    lines += ["", *around_lines(summary)]
    return [*lines, "", *(wrapped(f"  caution: {caution}", sys.stdout) for caution in summary["cautions"])]


def around_lines(summary: DesignResult) -> list[str]:
    """Front, worths and tracker."""
    from yieldsim.report.design import worth_rows
    from yieldsim.report.design_alternatives import joined_sentence

    lines = ["  share served   mass, kg   units   storage, kWh   longest outage, h"]
    for row in summary["by_reliability"]:
        if row["mass_kg"] is None:
            lines.append(f"  {row['reliability']:>12.2%}   none found")
            continue
        lines.append(
            f"  {row['reliability']:>12.2%} {plain(row['mass_kg']):>10} {row['units']:>7} {plain(row['storage_kwh']):>14} "
            f"{row['longest_outage_hours']:>19.0f}"
        )
    lines.append("")
    for what, words in worth_rows(summary):
        lines += paragraph(f"{what}: {words}")
    if summary["hand_turns"]:
        lines += ["", "  turns by hand       units   storage, kWh   mass, kg   none below, kg"]
        for turn in summary["hand_turns"]:
            if turn["mass_kg"] is None:
                lines.append(f"  {turn['turns']:>13}   no units serve")
                continue
            below = "-" if turn["least_kg"] is None else plain(turn["least_kg"])
            lines.append(
                f"  {turn['turns']:>13} {turn['units']:>11} {plain(turn['storage_kwh']):>14} {plain(turn['mass_kg']):>10} {below:>16}"
            )
    joined = summary["joined"]
    if joined is not None:
        lines += ["", "  two sites                units here  there  storage, kWh  mass, kg  none below"]
        for words, system in (("joined", joined["both"]), (f"{joined['site']} alone", joined["there_alone"])):
            if system is None:
                lines.append(f"    {words[:20]:<20}  no units serve")
                continue
            lines.append(
                f"    {words[:20]:<20} {system['units_here']:>12} {system['units_there']:>6} {plain(system['storage_kwh']):>13} "
                f"{plain(system['mass_kg']):>9} {plain(system['least_kg']):>11}"
            )
        lines += paragraph(joined_sentence(joined))
    if summary["uncertainty"]:
        share = summary["uncertainty"]["target_share"]
        lines.append(
            "  share served in 50, 90, 99 of 100 draws: "
            + ", ".join(f"{share[f'p{level}']:.2%}" for level in (50, 90, 99))
        )
    return lines
