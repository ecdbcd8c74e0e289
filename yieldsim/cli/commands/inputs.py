"""`yieldsim new` and `yieldsim check`: the input files themselves."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.shared_options import PATH, Command
from yieldsim.cli.terminal.wrapping import note


@click.command(cls=Command, short_help="Write a starter set of input files, commented.")
@click.argument("folder", metavar="DIR", type=PATH)
@click.option("--body", default="moon", show_default=True, help="World of the site: moon, mars or mercury.")
@click.option("--optics", is_flag=True, help="With a lens prescription, for trace and tune.")
def new(folder: Path, body: str, optics: bool) -> None:
    """Write a starter set into DIR: a site with its horizon or air, a collector that suits it, a load.

    Every key is explained in the files. Nothing that is already there is replaced.
    """
    from yieldsim.files.starter import OPTICS, write_starter

    written = write_starter(folder, body=body, optics=optics)
    for name in written:
        click.echo(folder / name)
    site, collector, load = (folder / name for name in written[:3])
    result = folder / "result"
    click.echo(f"next: yieldsim estimate {site} --collector {collector} --out {result}", err=True)
    click.echo(
        f"then: yieldsim budget {result} --load {load} --site {site} --collector {collector}", err=True
    )
    if optics:
        click.echo(
            f"or:   yieldsim trace {folder / OPTICS[0]} --out {folder / 'traced' / 'acceptance.csv'}",
            err=True,
        )


@click.command(cls=Command, short_help="Validate input files and say what they hold.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=PATH)
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON to stdout.")
def check(files: tuple[Path, ...], as_json: bool) -> None:
    """Validate each FILE and the files it names: sites, collectors, bodies, loads, optics, tables and kernels.

    A file's kind is told by its content. One line for each good file on stdout; every problem of the others
    on stderr.
    """
    from yieldsim.base.errors import DataMissing, InputError, Problem
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
    if problems:
        raise InputError(problems)
    if missing:
        raise DataMissing(f"{len(missing)} of {len(files)} files can't be checked with this installation")
