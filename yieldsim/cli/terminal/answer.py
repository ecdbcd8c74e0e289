"""An answer as every command gives it: on stdout the table or the JSON, on stderr its warnings and what was written."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from yieldsim.cli.terminal.wrapping import note

Summary = TypeVar("Summary")


def show(summary: Summary, lines: Callable[[Summary], Sequence[str]], as_json: bool) -> None:
    """The answer, a command's typed model, as JSON or as its lines; then its warnings."""
    known: Any = summary
    click.echo(json.dumps(known, indent=2, ensure_ascii=False) if as_json else "\n".join(lines(summary)))
    for warning in known["warnings"]:
        note(warning)


def tell_written(names: Sequence[str], folder: Path) -> None:
    """What was written, and where."""
    click.echo(f"wrote {', '.join(names)} in {folder}", err=True)
