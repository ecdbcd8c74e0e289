"""Warnings as the report prints them, and one of its own: letters that its fonts lack."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from yieldsim.report.layout import style
from yieldsim.report.layout.missing_glyphs import lacking_words
from yieldsim.report.layout.typst_pages import printable

FILE_OR_KEY = re.compile(r"^\S*[._/\\\d]\S*")
"""A first word that is a file's name or a key: it keeps its small letter."""
PER_CENT = re.compile(r"(?<=\d)\s*%")


def warning_line(text: str) -> str:
    """A warning with a capital at the start and per cent signs set as everywhere else.

    >>> warning_line("the table leaves out 1.5% of sunlight") == f"The table leaves out 1.5{style.NARROW_SPACE}% of sunlight"
    True
    >>> warning_line("site.toml: no rows"), warning_line("[fibre] packing is dense")
    ('site.toml: no rows', '[fibre] packing is dense')
    """
    line = PER_CENT.sub(f"{style.NARROW_SPACE}%", text)
    return printable(line if FILE_OR_KEY.match(line) else line[:1].upper() + line[1:])


def letters_notice(data: Any, where: str) -> str:
    """What to say of letters in any string of the pages that can only be drawn as boxes; nothing where all can."""
    return lacking_words(_strings(data), where)


def _strings(data: Any) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, dict):
        for value in data.values():
            yield from _strings(value)
    elif isinstance(data, list | tuple):
        for value in data:
            yield from _strings(value)
