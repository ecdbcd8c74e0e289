"""TOML files: text to a validated model, every problem with its file, line and key path."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from yieldsim.base.errors import InputError, Problem
from yieldsim.files.reading import Reading
from yieldsim.files.strict_model import RECORDED, StrictModel, inner_model, is_table
from yieldsim.files.toml_lines import Path as KeyPath
from yieldsim.files.toml_lines import key_lines, line_of

Model = TypeVar("Model", bound=StrictModel)

_PLACE = re.compile(r"^(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)$", re.DOTALL)


def read_toml(path: Path, model: type[Model], role: str = "input") -> Model:
    """A file as a model. Raises InputError with all problems of the file and of the files it names."""
    reading = Reading(Path(path))
    result = parse_toml(reading, model, role)
    reading.refuse()
    return result


def parse_toml(reading: Reading, model: type[Model], role: str) -> Model:
    """The reading's file as a model; named files share the reading.

    Raises InputError with the reading's problems so far and those of this file, sorted by line.
    """
    text = reading.text(role)
    data = toml_table(text, reading.where)
    try:
        return model.model_validate(data, context=reading)
    except ValidationError as error:
        lines = key_lines(text)
        own = [
            (line_of(item["loc"], lines) or 0, _problem(reading.where, item, model, lines))
            for item in error.errors(include_url=False, include_input=False)
            if item["type"] != RECORDED
        ]
        own.sort(key=lambda pair: pair[0])
        reading.problems[:0] = [fault for _, fault in own]
        raise InputError(reading.problems) from None


def toml_table(text: str, where: str) -> dict[str, Any]:
    """The parsed document. Raises InputError with line and column on a fault of syntax."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(Problem(where, found="is not valid TOML: nested too deeply")) from None
    except ValueError as error:
        match = _PLACE.match(str(error))
        words, line, column = match.groups() if match else (str(error), None, None)
        place = f"{where} line {line} column {column}" if line else where
        ending = " at the end of the file" if match and not line else ""
        reason = words[:1].lower() + words[1:]
        raise InputError(Problem(place, found=f"is not valid TOML: {reason}{ending}")) from None


def _problem(where: str, item: ErrorDetails, model: type[BaseModel], lines: dict[KeyPath, int]) -> Problem:
    """A worded error with its place: file, line and key path."""
    ctx, loc = item.get("ctx", {}), item["loc"]
    line = line_of(loc, lines)
    found, hint = str(ctx.get("found", "")), str(ctx.get("hint", ""))
    key = key_words(loc, model)
    if ctx.get("unknown"):
        key = key_words(loc[:-1], model) if len(loc) > 1 else ""
        hint = hint or _other_table(str(loc[-1]), model)
        found = found if key else found.removeprefix("has an ")
    return Problem(
        f"{where} line {line}" if line else where,
        key=key,
        found=found,
        allowed=str(ctx.get("allowed", "")),
        hint=hint,
    )


def key_words(loc: KeyPath, model: type[BaseModel]) -> str:
    """A key path as a reader of the file would say it.

    Array elements count from 1: `[[mounts]] #2 tilt_deg`, `[rotation] pole_declination_deg #1`.
    """
    words: list[str] = []
    scope: type[BaseModel] | None = model
    for place, part in enumerate(loc):
        if isinstance(part, int):
            words.append(f"#{part + 1}")
            continue
        if place == 0 and is_table(model, part):
            is_array = "list" in str(model.model_fields[part].annotation)
            words.append(f"[[{part}]]" if is_array else f"[{part}]")
        else:
            words.append(part)
        scope = inner_model(scope, part) if scope else None
    return " ".join(words)


def _other_table(key: str, model: type[BaseModel]) -> str:
    """Hint for a key that stands in the wrong table, a common slip: a header owns all keys below it."""
    if key in model.model_fields:
        if is_table(model, key):
            return f"[{key}] is a table of its own"
        return f"{key} belongs at the top of the file, above the first [table]"
    for name in model.model_fields:
        inner = inner_model(model, name)
        if inner is not None and key in inner.model_fields:
            return f"{key} belongs in [{name}]"
    return ""
