"""How much a TOML input file may hold: refused at once where it is more than any site, collector or load can be.

Without limits a wrong file (a table of data, a key for every row) would be searched for misspelt keys for minutes and
told in megabytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from yieldsim.base.errors import Problem

MOST_TOML_BYTES = 2_000_000
"""A lens with a slope for each of a hundred thousand grooves takes half of that."""
MOST_KEYS = 100
"""Of one table; the longest known has some thirty."""
MOST_TABLES = 1000
"""Of one array: mounts, loads, cleaning events, rows of periodic terms, names of files."""
MOST_NUMBERS = 100_000
"""Of one list: slopes of the facets of a lens."""
LONGEST_KEY, LONGEST_STRING = 100, 4000
DEEPEST = 8
"""Levels of tables and lists; the deepest known key is at five."""
MOST_TOLD = 3
"""One place too large mostly means many: the rest are not told."""


def size_problems(data: Mapping[str, Any], where: str) -> list[Problem]:
    """What is too much in a parsed document, the first few of it; empty for all that input files hold."""
    problems: list[Problem] = []
    for one in _too_large(data, "", where, 0):
        problems.append(one)
        if len(problems) == MOST_TOLD:
            break
    return problems


def _too_large(value: Any, path: str, where: str, depth: int) -> Iterator[Problem]:
    if depth > DEEPEST:
        yield Problem(where, path, "is nested too deeply", f"up to {DEEPEST} levels of tables and lists")
    elif isinstance(value, Mapping):
        if len(value) > MOST_KEYS:
            holder = path or "the top of the file"
            yield Problem(where, holder, f"holds {len(value)} keys", f"up to {MOST_KEYS} in one table")
            return
        for key, inner in value.items():
            if len(key) > LONGEST_KEY:
                found = f'"{key[:20]}..." is a key of {len(key)} letters'
                yield Problem(where, path, found, f"up to {LONGEST_KEY}")
            else:
                yield from _too_large(inner, f"{path} {key}".lstrip(), where, depth + 1)
    elif isinstance(value, list):
        compound = any(isinstance(inner, Mapping | list | str) for inner in value[: MOST_TABLES + 1])
        most = MOST_TABLES if compound else MOST_NUMBERS
        if len(value) > most:
            yield Problem(where, path, f"holds {len(value)} entries", f"up to {most}")
            return
        for number, inner in enumerate(value, start=1):
            if isinstance(inner, Mapping | list | str):
                yield from _too_large(inner, f"{path} #{number}", where, depth + 1)
    elif isinstance(value, str) and len(value) > LONGEST_STRING:
        yield Problem(where, path, f"is text of {len(value)} letters", f"up to {LONGEST_STRING}")
