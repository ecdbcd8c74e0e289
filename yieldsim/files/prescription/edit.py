"""Single values of a prescription: found by name, changed for a sweep, written back into the user's own
text."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from yieldsim.base.errors import InputError, Problem, likely, refusal, refuse
from yieldsim.files.prescription.read import PrescriptionFile
from yieldsim.files.text.paths import path_given
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.line_numbers import key_lines
from yieldsim.files.toml.parse import toml_table
from yieldsim.files.toml.unknown_keys import inner_model

KeyPath = tuple[str, ...]

TABLES = ("lens", "funnel", "fibre", "collar", "tolerances", "film")
_NUMBER = re.compile(r"=\s*([+-]?[\d_]+\.?[\d_]*(?:[eE][+-]?\d+)?)")


def read_source(path: Path | str) -> tuple[str, dict[str, Any]]:
    """A prescription file as text and as a plain table. Raises InputError."""
    reading = Reading(path_given(path, "optics", "the path of a prescription file"))
    text = reading.text("prescription")
    return text, toml_table(text, reading.where)


def key_path(key: str, data: Mapping[str, Any]) -> KeyPath:
    """Where a key stands: `table.key`, a key that only one table has, or `materials.NAME.index`.

    Raises InputError on a key that no table has, or that several have.
    """
    parts = tuple(part.strip() for part in key.split("."))
    if parts[0] == "materials":
        names = [str(row.get("name")) for row in data.get("materials", []) if isinstance(row, Mapping)]
        if len(parts) == 3 and parts[1] in names and parts[2] in ("index", "absorption_per_m"):
            return parts
        raise refusal(
            "--vary",
            found=f'names "{key}"',
            allowed="materials.NAME.index or materials.NAME.absorption_per_m",
            hint=f"the file describes: {', '.join(names) or 'none'}",
        )
    known = {
        (table, name)
        for table in TABLES
        if (model := inner_model(PrescriptionFile, table)) is not None
        for name, field in model.model_fields.items()
        if any(kind in str(field.annotation) for kind in ("float", "int"))
    }
    if len(parts) == 2:
        if parts in known:
            return parts
        names = [".".join(path) for path in sorted(known)]
        raise refusal("--vary", found=f'names "{key}", which no prescription has', hint=likely(key, names))
    found = sorted(path for path in known if path[1] == key)
    # a name that several tables know belongs to the one that holds it here
    held = [path for path in found if isinstance(data.get(path[0]), Mapping) and key in data[path[0]]]
    if len(found) > 1 and len(held) == 1:
        found = held
    if len(found) == 1:
        return found[0]
    if not found:
        names = sorted({name for _, name in known})
        raise refusal("--vary", found=f'names "{key}", which no prescription has', hint=likely(key, names))
    words = f'names "{key}", which several tables have'
    raise refusal("--vary", found=words, allowed=" or ".join(".".join(p) for p in found))


def linked_keys(keys: str, data: Mapping[str, Any]) -> list[tuple[KeyPath, float]]:
    """The keys of one range with their factors, the first without. Raises InputError."""
    problems: list[Problem] = []
    found: list[tuple[KeyPath, float]] = []
    for place, words in enumerate(keys.split(",")):
        key, times, factor_words = words.partition("*")
        factor = finite(factor_words) if times else 1.0
        if not factor > 0.0 or (times and place == 0):
            allowed = "a linked key, such as KEY*0.5, with a factor above 0"
            problems.append(Problem("--vary", found=f'names "{words.strip()}"', allowed=allowed))
            continue
        try:
            found.append((key_path(key.strip(), data), factor))
        except InputError as error:
            problems.extend(error.problems)
    refuse(problems)
    return found


def finite(words: str) -> float:
    """A finite number, NaN for anything else."""
    try:
        value = float(words)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def is_count(path: KeyPath) -> bool:
    """Whether the value is a whole number."""
    return path[-1] == "groove_count"


def with_value(data: Mapping[str, Any], path: KeyPath, value: float) -> dict[str, Any]:
    """A copy of the table with one value changed."""
    changed: dict[str, Any] = copy.deepcopy(dict(data))
    number = round(value) if is_count(path) else float(value)
    if path[0] == "materials":
        for row in changed["materials"]:
            if row.get("name") == path[1]:
                if path[2] == "index":
                    for other in ("database", "table", "sellmeier", "sellmeier_nm"):
                        row.pop(other, None)
                row[path[2]] = number
        return changed
    table = changed.setdefault(path[0], {})
    if path == ("lens", "groove_count"):
        # the one says what the other did
        table.pop("groove_pitch_m", None)
    if path == ("lens", "groove_pitch_m"):
        table.pop("groove_count", None)
    table[path[1]] = number
    return changed


def present_value(data: Mapping[str, Any], path: KeyPath) -> float | None:
    """The value in the file, None where it is left out."""
    if path[0] == "materials":
        rows = [row for row in data["materials"] if row.get("name") == path[1]]
        value = rows[0].get(path[2])
    else:
        table = data.get(path[0])
        value = table.get(path[1]) if isinstance(table, Mapping) else None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def rewritten(text: str, values: Mapping[KeyPath, float]) -> str | None:
    """The user's text with the numbers changed in place, comments kept; None where a value has no line of
    its own."""
    lines = text.split("\n")
    found = key_lines(text)
    for path, value in values.items():
        number = found.get(path)
        if number is None:
            return None
        line = lines[number - 1]
        match = _NUMBER.search(line)
        if match is None:
            return None
        written = str(round(value)) if is_count(path) else f"{value:.6g}"
        if not is_count(path) and "." not in written and "e" not in written:
            written += ".0"
        lines[number - 1] = line[: match.start(1)] + written + line[match.end(1) :]
    return "\n".join(lines)
