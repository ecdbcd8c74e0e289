"""`yieldsim new`, `yieldsim check` and `yieldsim optical-depth`: the input files themselves."""

from __future__ import annotations

import json
import shlex
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.shared_options import PATH, TABLE, Command, default_option
from yieldsim.cli.terminal.wrapping import note


@click.command(cls=Command, short_help="Write a starter set of input files, commented.")
@click.argument("folder", metavar="DIR", type=PATH)
@default_option("--body", "moon", "World of the site: moon, mars or mercury.")
@click.option("--optics", is_flag=True, help="With a lens prescription, for trace and tune.")
def new(folder: Path, body: str, optics: bool) -> None:
    """Write a starter set into DIR: a site with its horizon or air, collectors, loads, what is uncertain and, for the Moon, designs.

    The Moon's files explain every key, those of other worlds the ones that they use. Nothing that is already there is replaced.
    """
    from yieldsim.files.starter import OPTICS, write_starter

    written = write_starter(folder, body=body, optics=optics)
    for name in written:
        click.echo(folder / name)
    site, collector, load, result = (_quoted(folder / name) for name in (*written[:3], "result"))
    click.echo(f"next: yieldsim estimate {site} --collector {collector} --out {result}", err=True)
    click.echo(
        f"then: yieldsim budget {result} --load {load} --site {site} --collector {collector}", err=True
    )
    if optics:
        table = _quoted(folder / "traced" / "acceptance.csv")
        click.echo(f"or:   yieldsim trace {_quoted(folder / OPTICS[0])} --out {table}", err=True)


def _quoted(path: Path) -> str:
    """A path as a shell takes it, blanks and all."""
    return shlex.quote(str(path))


@click.command(cls=Command, short_help="Optical depth by date from a published text table.")
@click.argument("series", metavar="SERIES", type=PATH)
@click.option("--out", type=TABLE, required=True, help="Table to write: time_utc, optical_depth.")
@click.option("--time-column", type=int, required=True, help="Column of the date or the sol, from 1.")
@click.option("--depth-column", type=int, required=True, help="Column of the optical depth, from 1.")
@click.option("--sol-zero", metavar="UTC", help="When the count of sols was 0 there: the times are sols.")
@click.option(
    "--skip",
    type=click.IntRange(min=0),
    default=0,
    help="Lines at the top to pass over, where titles hold numbers there.",
)
@click.option(
    "--only", metavar="COLUMN=TEXT", help="Lines that hold this alone, of a file of several places: 1=VL1."
)
@default_option("--body", "mars", "World whose solar days sols are: a name or a body file.")
def optical_depth(
    series: Path,
    out: Path,
    time_column: int,
    depth_column: int,
    sol_zero: str | None,
    skip: int,
    only: str | None,
    body: str,
) -> None:
    """Make of SERIES, a published table of optical depth as plain text, one that sites and budgets read.

    Lines hold cells between commas, semicolons, tabs or blanks; titles above them are passed over, and depths of 0 and below
    stand for no measurement. A sol's whole number stands for its noon. The table serves as a site's [atmosphere] table, by
    date, and as the measured years of an uncertainty file.

    \b
    Archives of Mars, their columns, the midnight they count sols from:
      Spirit       --time-column 4 --depth-column 7 --sol-zero 2004-01-03T13:46
      Opportunity  --time-column 4 --depth-column 7 --sol-zero 2004-01-24T15:20
      Phoenix      --time-column 4 --depth-column 7 --sol-zero 2008-05-25T06:37
      Curiosity    --time-column 2 --depth-column 4 --sol-zero 2012-08-05T13:16
      Viking 1     --time-column 4 --depth-column 7 --sol-zero 1976-07-19T19:41
                   --only 1=VL1 (both landers are in one file)
    """
    from yieldsim.files.inputs.readers import read_body
    from yieldsim.files.output.atomic_write import write_text_whole
    from yieldsim.files.tables.optical_depth_text import Columns, read_series, series_text
    from yieldsim.files.toml.context import Reading

    reading = Reading(series)
    columns = Columns(
        time=time_column,
        depth=depth_column,
        sol_zero_utc=sol_zero,
        sol_hours=read_body(body).noun.mean_solar_day_hours,
        skip=skip,
        only=_column_and_text(only),
    )
    found = read_series(reading, columns)
    source = reading.sources[0]
    write_text_whole(out, series_text(found, [f"from {source.name}, SHA-256 {source.sha256}"]))
    depths = [depth for _, depth in found.rows]
    click.echo(
        f"{len(found.rows)} measurements, {found.rows[0][0][:10]} to {found.rows[-1][0][:10]}, optical depth {min(depths):.3g} to "
        f"{max(depths):.3g}"
    )
    if found.absent:
        note(f"lines without a measurement (0, less or no number), left out: {found.absent}")
    if found.elsewhere:
        note(f"lines that do not hold {only}, left out: {found.elsewhere}")
    if found.titles:
        note(f"lines above the first measurement, taken for titles: {found.titles}")
    click.echo(f"wrote {out.name} in {out.parent}", err=True)


def _column_and_text(only: str | None) -> tuple[int, str] | None:
    """What --only asks for. Raises InputError where it is no column and text."""
    from yieldsim.base.errors import refusal

    if only is None:
        return None
    column, sign, text = only.partition("=")
    if not sign or not text or not column.strip().isdecimal():
        raise refusal("", "only", f'is "{only}"', "a column and its text, like 1=VL1")
    return int(column), text.strip()


@click.command(cls=Command, short_help="Validate input files and say what they hold.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=PATH)
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON to stdout.")
def check(files: tuple[Path, ...], as_json: bool) -> None:
    """Validate each FILE and the files it names: sites, collectors, bodies, loads, optics, tables and kernels.

    A file's kind is told by its content. One line for each good file on stdout; every problem of the others
    on stderr.
    """
    from yieldsim.base.errors import DataMissing, InputError, Problem, refuse
    from yieldsim.files.describe import recognised

    problems: list[Problem] = []
    missing: list[str] = []
    rows: list[dict[str, Any]] = []
    for path in files:
        row: dict[str, Any] = {"file": str(path), "valid": False, "holds": None, "notes": [], "problems": []}
        rows.append(row)
        try:
            found = recognised(path)
        except InputError as error:
            problems.extend(one for one in error.problems if one not in problems)
            row["problems"] = [asdict(one) for one in error.problems]
            continue
        except DataMissing as error:
            missing.append(f"{path}: {error}")
            row |= {"valid": None, "notes": [str(error)]}
            continue
        row |= {"valid": True, "holds": found.words, "notes": list(found.warnings)}
        if not as_json:
            click.echo(f"{path}: {found.words}")
            for warning in found.warnings:
                note(warning)
    if as_json:
        click.echo(json.dumps({"schema": "yieldsim check 1", "files": rows}, indent=2, ensure_ascii=False))
    for line in missing:
        click.echo(line, err=True)
    refuse(problems)
    if missing:
        raise DataMissing(f"{len(missing)} of {len(files)} files can't be checked with this installation")
