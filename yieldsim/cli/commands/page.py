"""`yieldsim page`: an estimate as one HTML file on which mounts are turned by hand."""

from __future__ import annotations

import json
from pathlib import Path

import click

from yieldsim.cli.shared_options import ESTIMATE, FACING, LOAD, PAGE, Command


@click.command(cls=Command, short_help="Turn the mounts of an estimate by hand, in a browser.")
@click.argument("estimate_path", metavar="ESTIMATE", type=ESTIMATE)
@click.option(
    "-l", "--load", type=LOAD, help="Load file: adds the budget, with sliders of units, storage and load."
)
@click.option(
    "--orient",
    "facing",
    type=FACING,
    help="facing.nc of yieldsim orient, or its folder: the map lies under the sky.",
)
@click.option("--out", type=PAGE, help="The HTML file (default: page.html beside the estimate).")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON instead of a line.")
def page(
    estimate_path: Path, load: Path | None, facing: Path | None, out: Path | None, as_json: bool
) -> None:
    """One HTML file of ESTIMATE (an estimate.nc or its folder): drag a mount, move a slider, and the year changes.

    It needs a browser and nothing else: no server, no network, one file to mail. What is turned by hand is marked a preview,
    within 0.3 % of an estimate in that orientation; the estimate stays the figure to quote.
    """
    from yieldsim.runs.page.run import page as run

    made = run(estimate_path, load=load, orient=facing)
    beside = estimate_path if estimate_path.is_dir() else estimate_path.parent
    target = made.save(out or beside / "page.html")
    size = len(made.html.encode("utf-8"))
    if as_json:
        click.echo(json.dumps({"page": str(target), "bytes": size, "title": made.title}, ensure_ascii=False))
    else:
        click.echo(f"{target} ({size / 1e6:.2f} MB): open it in a browser")
