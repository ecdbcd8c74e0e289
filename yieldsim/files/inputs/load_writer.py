"""A load file with another capacity of its store: the user's own text, comments kept, with the tables that it names."""

from __future__ import annotations

import re
from pathlib import Path

from yieldsim.base.errors import CannotCompute
from yieldsim.files.text.decode import decode, read_bytes
from yieldsim.files.text.paths import named_path, shown

_CAPACITY = re.compile(r"(\bcapacity_kwh\s*=\s*)[+-]?[\d_]+(?:\.[\d_]*)?(?:[eE][+-]?\d+)?")
_MULTIPLIER = re.compile(r"^\s*demand_ratio\s*=")
_TABLE = re.compile(r"(\btable\s*=\s*)([\"'])([^\"']+)\2")


def load_files(
    path: Path, capacity_kwh: float | None, name: str, comment: str, demand_ratio: float = 1.0
) -> dict[str, str]:
    """File names and texts: the load file as `name` first, then the tables that it names, beside it.

    capacity_kwh        None: there is no store
    demand_ratio   of the new file, in place of its own
    Raises CannotCompute where the text does not state a capacity by itself.
    """
    text = decode(read_bytes(path), shown(path))
    tables: dict[str, str] = {}

    def beside(found: re.Match[str]) -> str:
        source = named_path(found[3], path)
        tables[source.name] = decode(read_bytes(source), shown(source))
        return f'{found[1]}"{source.name}"'

    lines = []
    written = capacity_kwh is None
    for line in text.split("\n"):
        if not line.lstrip().startswith("#"):
            if _MULTIPLIER.match(line):
                continue
            line = _TABLE.sub(beside, line)
            if not written and _CAPACITY.search(line):
                line = _CAPACITY.sub(lambda found: f"{found[1]}{capacity_kwh!r}", line, count=1)
                written = True
        lines.append(line)
    if not written:
        raise CannotCompute(f"{shown(path)} has no line capacity_kwh = ... that could be changed")
    head = [line for line in lines[:1] if line.startswith("#:schema")]
    asks = [] if demand_ratio == 1.0 else [f"demand_ratio = {demand_ratio!r}"]
    # a key of the file itself stands before its tables
    return {name: "\n".join([*head, f"# {comment}", *asks, *lines[len(head) :]]), **tables}
