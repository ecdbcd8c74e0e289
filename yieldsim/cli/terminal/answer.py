"""An answer as every command gives it: on stdout the table or the JSON, on stderr its warnings and what was written."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from yieldsim.cli.terminal.wrapping import note
from yieldsim.report.layout.number_format import plain

Summary = TypeVar("Summary")
MOST_ROWS = 12
"""Rows of a long table shown; the files hold all."""


def show(summary: Summary, lines: Callable[[Summary], Sequence[str]], as_json: bool) -> None:
    """The answer, a command's typed model, as JSON or as its lines; then its warnings."""
    known: Any = summary
    click.echo(json.dumps(known, indent=2, ensure_ascii=False) if as_json else "\n".join(lines(summary)))
    for warning in known["warnings"]:
        note(warning)


def tell_written(names: Sequence[str], folder: Path) -> None:
    """What was written, and where."""
    click.echo(f"wrote {', '.join(names)} in {folder}", err=True)


def combination_lines(rows: Sequence[Mapping[str, Any]], reached: str, file: str) -> list[str]:
    """A table of combinations of site, mast and collector, the best first; none for a single one.

    reached   heading of what each came to
    file      that holds those left out
    """
    if len(rows) <= 1:
        return []
    best = sorted(rows, key=lambda row: (row["cost"] or math.inf, row["least"] or math.inf))[:MOST_ROWS]
    came_to = [row["outcome"] if row["cost"] is None else plain(row["cost"]) for row in best]
    wide = 65 - max(map(len, [reached, *came_to]))
    lines = ["", f"  {'combinations':<{wide + 4}} bound   {reached}"]
    for row, words in zip(best, came_to, strict=True):
        name = f"{row['site']}, {row['mast_height_m']:g} m, {row['collector']}"
        least = "-" if row["least"] is None else plain(row["least"])
        lines.append(f"    {name:<{wide}.{wide}} {least:>7}   {words}")
    if len(rows) > MOST_ROWS:
        lines.append(f"    and {len(rows) - MOST_ROWS} more in {file}")
    return lines


def paragraph(words: str) -> list[str]:
    """A sentence within the 80 columns of an answer."""
    return textwrap.wrap(words, 80, initial_indent="  ", subsequent_indent="    ", break_long_words=False)


def gap_hours(row: Mapping[str, Any], width: int = 0, of: str = "") -> str:
    """Hours of a longest outage of light, marked where an end of the run cuts it.

    >>> gap_hours({"longest_gap_hours": 12.34, "longest_gap_at_least": True}, 8)
    '  >=12.3'
    """
    at_least = ">=" * bool(row[f"{of}longest_gap_at_least"])
    return f"{at_least}{row[f'{of}longest_gap_hours']:.1f}".rjust(width)


def figure(value: float, width: int = 12) -> str:
    """A number right-aligned with its three decimals, or four digits where those would leave fewer.

    >>> figure(349.82751, 0), figure(0.0019132, 0)
    ('349.828', '0.001913')
    """
    text = f"{value:.3f}" if value == 0.0 or abs(value) >= 1.0 else f"{value:.4g}"
    return f"{text:>{width}}"
