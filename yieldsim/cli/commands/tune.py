"""`yieldsim tune`: the prescription that delivers most at a site."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from yieldsim.base.results.optics import TuneResult
from yieldsim.cli.shared_options import (
    COLLECTOR,
    FOLDER,
    OPTICS,
    SITE,
    Command,
    few_workers_option,
    kernel_option,
    scheduler_option,
    span_options,
)
from yieldsim.cli.terminal.answer import show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.report.layout.number_format import plain


@click.command(cls=Command, short_help="The prescription that delivers most at a site.")
@click.argument("optics", type=OPTICS)
@click.option("-s", "--site", required=True, type=SITE, help="Site file.")
@click.option(
    "-v",
    "--vary",
    multiple=True,
    required=True,
    metavar="KEY=LOW:HIGH",
    help="A value of the prescription and its limits; once to six times. As in focal_length_m=0.3:1.0, or for values that move "
    "together fibre.face_diameter_mm,funnel.outlet_diameter_mm=10:30, with *FACTOR behind a linked key.",
)
@click.option(
    "-c",
    "--collector",
    type=COLLECTOR,
    help="Collector file whose mounts, shield and fibre count; without it every design faces where it does best.",
)
@click.option(
    "--points",
    type=int,
    help="Even steps along one or each of two values (default 13, 7 by 7); designs sampled of more (default 32 of 3, 64 of 4).",
)
@span_options
@kernel_option
@few_workers_option
@scheduler_option
@click.option("--out", type=FOLDER, help="Folder for the results (default reports/<optics file>).")
@click.option("--json", "as_json", is_flag=True, help="Print tune.json to stdout instead of the answer.")
def tune(optics: Path, out: Path | None, as_json: bool, **asked: Any) -> None:
    """Vary values of OPTICS for the most energy a year at a site: acceptance width against concentration.

    Writes a table and a figure of the whole range, and the file with the best values put in.
    """
    from yieldsim.runs.tune.output import write_tune
    from yieldsim.runs.tune.run import tune as run

    with progress("Tuning") as advance:
        tuned = run(optics, progress=advance, **asked)
    folder = out or Path("reports") / optics.name.split(".")[0]
    written = write_tune(tuned, folder)
    show(tuned.summary, answer_lines, as_json)
    tell_written(written, folder)


def answer_lines(summary: TuneResult) -> list[str]:
    """The answer as plain text, within 80 columns."""
    from yieldsim.report.layout.facing_words import facing_words
    from yieldsim.report.layout.period_text import per_of, period_line

    per = per_of(summary)
    keys = [row["key"] for row in summary["varied"]]
    sure = summary["confidence"]
    errors = {"best": f" +- {sure['best_error_kwh']:.2g}", "baseline": ""}
    lines = [
        f"{summary['name']} at {summary['site']}: {summary['designs_tried']} designs, {summary['facing']}",
        period_line(summary),
        "",
    ]
    for words, row in (("best", summary["best"]), ("baseline", summary["present"])):
        if row is None or row.get("reason"):
            continue
        lines += [
            f"  {words:<9} {plain(row['annual_kwh'])}{errors[words]} kWh {per} per unit, {plain(row['kwh_per_m2'])} kWh/m2",
            *(f"            {key} = {plain(row[key])}" for key in keys),
            f"            acceptance {row['normal_acceptance']:.3f} at normal incidence,",
            f"            half-width at half-maximum {row['half_width_deg']:.2f} deg, concentration {plain(row['concentration'])}",
            f"            facing {facing_words(row['tilt_deg'], row['azimuth_deg'])}".replace("°", " deg"),
        ]
    if sure["gain_fraction"] is not None:
        lines.append(
            f"  gain      {sure['gain_fraction']:+.1%} +- {sure['gain_error_fraction']:.1%} on the baseline, error of tracing"
        )
    lines.append(f"  energy stays within {sure['within_fraction']:.0%} of the best for")
    for near in sure["within"]:
        lines.append(f"            {near['key']} = {plain(near['low'])} to {plain(near['high'])}")
    return lines
