"""Sentences on a terminal, wrapped at words; elsewhere one line each, for other programs to search."""

from __future__ import annotations

import shutil
import sys
import textwrap
from typing import TextIO

import click


def note(text: str) -> None:
    """A note on stderr."""
    click.echo(wrapped(f"note: {text}", sys.stderr), err=True)


def wrapped(text: str, stream: TextIO) -> str:
    """One paragraph as a stream shows it: later lines start below the first one's second word.

    Widths come from the terminal, or from the environment's COLUMNS.
    """
    if not stream.isatty():
        return text
    indent = len(text) - len(text.lstrip())
    return textwrap.fill(
        text.strip(),
        width=max(20, shutil.get_terminal_size().columns),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2),
        break_long_words=False,
        break_on_hyphens=False,
    )
