"""`yieldsim tune`: the prescription that delivers most at a site."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.path_argument import PATH
from yieldsim.cli.progress import progress
from yieldsim.cli.wrapping import note


@click.command(short_help="The prescription that delivers most at a site.")
@click.argument("optics", type=PATH)
@click.option("-s", "--site", required=True, type=PATH, help="Site file.")
@click.option(
    "-v",
    "--vary",
    multiple=True,
    required=True,
    metavar="KEY=LOW:HIGH",
    help="A value of the prescription and its limits; once or twice. As in focal_length_m=0.3:1.0 or funnel.length_m=0.02:0.1.",
)
@click.option(
    "-c",
    "--collector",
    type=PATH,
    help="Collector file whose mounts, shield and fibre count; without it every design faces where it does best.",
)
@click.option("--points", type=int, help="Even steps along each value (default 13, or 7 by 7).")
@click.option("--start", help="First instant, UTC (default 2027-01-01).")
@click.option("--end", help="Last instant, UTC; without it one year from the start.")
@click.option("--out", type=PATH, help="Folder for the results (default reports/<optics file>).")
@click.option("--json", "as_json", is_flag=True, help="Print tune.json to stdout instead of the answer.")
def tune(
    optics: Path,
    site: Path,
    vary: tuple[str, ...],
    collector: Path | None,
    points: int | None,
    start: str | None,
    end: str | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Vary values of OPTICS for the most energy a year at a site: acceptance width against concentration.

    Writes a table and a figure of the whole range, and the file with the best values put in.
    """
    from yieldsim.runs.tune.output import write_tune
    from yieldsim.runs.tune.run import tune as run

    with progress("Tuning") as advance:
        tuned = run(
            optics, site, vary, collector=collector, start=start, end=end, points=points, progress=advance
        )
    folder = out or Path("reports") / optics.name.split(".")[0]
    written = write_tune(tuned, folder)
    if as_json:
        click.echo(json.dumps(tuned.summary, indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(answer_lines(tuned.summary)))
    for warning in tuned.summary["warnings"]:
        note(warning)
    click.echo(f"wrote {', '.join(written)} in {folder}", err=True)


def answer_lines(summary: dict[str, Any]) -> list[str]:
    """The answer as plain text."""
    from yieldsim.report.layout.period_text import days_between, span_words

    per = span_words(days_between(summary["start_utc"], summary["end_utc"]))
    keys = [row["key"] for row in summary["varied"]]
    lines = [
        f"{summary['name']} at {summary['site']}: {summary['designs_tried']} designs, {summary['facing']}",
        "",
    ]
    for words, row in (("best", summary["best"]), ("as it is", summary["present"])):
        if row is None or row.get("reason"):
            continue
        values = ", ".join(f"{key} = {row[key]:.4g}" for key in keys)
        lines.append(
            f"  {words:<9} {row['annual_kwh']:10.3f} kWh {per} per unit, {row['kwh_per_m2']:.1f} kWh/m2; {values}"
        )
        lines.append(
            f"            acceptance {row['normal_acceptance']:.4f} at normal incidence, half-width at half-maximum "
            f"{row['half_width_deg']:.3f} deg, "
            f"concentration {row['concentration']:.4g}, facing {row['azimuth_deg']:.1f} deg, "
            f"tilt {row['tilt_deg']:.1f} deg, roll {row['roll_deg']:.1f} deg"
        )
    return lines
