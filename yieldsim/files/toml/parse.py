"""TOML files: text to a validated model, every problem with its file, line and key path."""

from __future__ import annotations

import re
import tomllib
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from yieldsim.base.errors import InputError, Problem, refusal, refuse
from yieldsim.files.text.timestamps import LEAP_SECOND, NO_LEAP_SECOND
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.file_kinds import home_of, taken_for, with_article
from yieldsim.files.toml.line_numbers import Path as KeyPath
from yieldsim.files.toml.line_numbers import key_lines, line_of
from yieldsim.files.toml.model import RECORDED, StrictModel
from yieldsim.files.toml.size import MOST_TOML_BYTES, size_problems
from yieldsim.files.toml.unknown_keys import inner_model, respell

Model = TypeVar("Model", bound=StrictModel)

MOST_PROBLEMS = 50
"""A file that is wrong throughout tells so many and counts the rest."""
LONGEST_REASON = 200
_PLACE = re.compile(r"^(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)$", re.DOTALL)


def parse_toml(reading: Reading, model: type[Model], role: str) -> Model:
    """The reading's file as a model; files that it names share the reading.

    Raises InputError with the problems of this file by line, then those of the files it names; with one problem
    alone for a file of another kind than its role.
    """
    text = reading.text(role)
    data = toml_table(text, reading.where)
    other = taken_for(data, role)
    if other is not None:
        found = f"looks like {with_article(other)} file"
        raise refusal(reading.where, found=found, allowed=f"{with_article(role)} file here")
    reading.lines = key_lines(text)
    respelt = respell(data, model)
    faults: list[tuple[int, Problem]] = []

    def blame(path: KeyPath, key: str, found: str, allowed: str = "", hint: str = "") -> None:
        line = line_of(path, reading.lines)
        faults.append((line or 0, Problem(reading.at(*path), key, found, allowed, hint)))

    for one in respelt.unknown:
        hint = one.hint or (home_of(str(one.path[0]), role) if len(one.path) == 1 else "")
        blame(one.path, key_words(one.path[:-1], model), one.found, hint=hint)
    result: Model | None = None
    try:
        result = model.model_validate(respelt.data, context=reading)
    except ValidationError as error:
        for item in error.errors(include_url=False, include_input=False):
            if item["type"] != RECORDED:
                path, words = respelt.as_written(item["loc"]), item.get("ctx", {})
                blame(path, key_words(item["loc"], model), words["found"], words["allowed"], words["hint"])
    ordered = [fault for _, fault in sorted(faults, key=lambda pair: pair[0])]
    if len(ordered) > MOST_PROBLEMS:
        rest = Problem(reading.where, found=f"has {len(ordered) - MOST_PROBLEMS} more problems")
        ordered = [*ordered[:MOST_PROBLEMS], rest]
    reading.problems[:0] = ordered
    if result is None or reading.problems:
        raise InputError(reading.problems)
    return result


def toml_table(text: str, where: str) -> dict[str, Any]:
    """The parsed document. Raises InputError with line and column on a fault of syntax, or where it is too large."""
    if len(text) > MOST_TOML_BYTES:
        found = f"is {len(text) / 1e6:.1f} MB of text"
        raise refusal(where, found=found, allowed=f"up to {MOST_TOML_BYTES / 1e6:.0f} MB")
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise refusal(where, found="is not valid TOML: nested too deeply") from None
    except ValueError as error:
        match = _PLACE.match(str(error))
        words, line, column = match.groups() if match else (str(error), None, None)
        place = f"{where} line {line} column {column}" if line else where
        ending = " at the end of the file" if match and not line else ""
        reason = words[:1].lower() + words[1:]
        if line and LEAP_SECOND.search(text.split("\n")[int(line) - 1]):
            reason, ending = f"{NO_LEAP_SECOND}; write 59 or the next minute", ""
        raise refusal(place, found=f"is not valid TOML: {_cut(reason)}{ending}") from None
    problems = size_problems(data, where)
    refuse(problems)
    return data


def _cut(reason: str) -> str:
    """The parser's words without the whole of a long text that it quotes."""
    return reason if len(reason) <= LONGEST_REASON else reason[:LONGEST_REASON] + "..."


def key_words(path: KeyPath, model: type[BaseModel]) -> str:
    """A key path as a reader of the file would say it; elements of arrays count from 1.

    `[[mounts]] #2 tilt_deg`, `[rotation] pole_declination_deg #1`
    """
    words: list[str] = []
    for place, part in enumerate(path):
        if isinstance(part, int):
            words.append(f"#{part + 1}")
        elif place == 0 and inner_model(model, part):
            is_array = "list" in str(model.model_fields[part].annotation)
            words.append(f"[[{part}]]" if is_array else f"[{part}]")
        else:
            words.append(part)
    return " ".join(words)
