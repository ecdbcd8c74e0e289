"""Where each key of a TOML file stands: a scan for line numbers, for messages only.

The text has already been parsed, so it is known to be valid TOML; what the scan can't see (keys inside inline
tables and arrays) is answered with the line of the key that holds it.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*(.+?)\s*\]\]?\s*(#.*)?$")
_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_ASSIGNMENT = re.compile(rf"^\s*({_KEY}(?:\s*\.\s*{_KEY})*)\s*=(.*)$")
_KEY_PART = re.compile(_KEY)
_NOISE = re.compile(r'''"""|\'\'\'|"(?:[^"\\]|\\.)*"|'[^']*'|#.*|[\[\]{}]''')


def key_lines(text: str) -> dict[Path, int]:
    """Line number, from 1, of every table header and `key =` by its path; arrays of tables count from 0.

    >>> key_lines('name = "a"\\n[[mounts]]\\ntilt_deg = 1')
    {('name',): 1, ('mounts',): 2, ('mounts', 0): 2, ('mounts', 0, 'tilt_deg'): 3}
    """
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    depth, quote = 0, ""
    for number, line in enumerate(text.split("\n"), start=1):
        rest = line
        if not quote and depth == 0:
            header, assignment = _HEADER.match(line), _ASSIGNMENT.match(line)
            if assignment:
                path = table + _parts(assignment.group(1))
                lines.setdefault(path, number)
                rest = assignment.group(2)
            elif header:
                table = _open_table(_parts(header.group(2)), header.group(1) == "[[", counts)
                for length in range(1, len(table) + 1):
                    lines.setdefault(table[:length], number)
                continue
        depth, quote = _after(rest, depth, quote)
    return lines


def line_of(path: Path, lines: dict[Path, int]) -> int | None:
    """Line of a path, else of the nearest thing around it; None at the top of the file."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _parts(dotted: str) -> tuple[str, ...]:
    """Split a dotted key, quotes taken off."""
    return tuple(part.strip("\"'") for part in _KEY_PART.findall(dotted))


def _open_table(names: tuple[str, ...], is_array: bool, counts: dict[Path, int]) -> Path:
    """Path of a header: each array of tables on the way is entered at its latest element."""
    path: Path = ()
    for place, name in enumerate(names):
        path += (name,)
        if is_array and place == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path += (counts[path],)
    return path


def _after(text: str, depth: int, quote: str) -> tuple[int, str]:
    """Bracket depth and open multi-line quote after a line."""
    position = 0
    while position < len(text):
        if quote:
            end = text.find(quote, position)
            if end < 0:
                return depth, quote
            position, quote = end + 3, ""
            continue
        token = _NOISE.search(text, position)
        if token is None:
            break
        mark, position = token.group(), token.end()
        if mark in ('"""', "'''"):
            quote = mark
        elif mark in "[{":
            depth += 1
        elif mark in "]}":
            depth -= 1
    return depth, quote
