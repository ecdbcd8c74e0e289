"""Unknown keys of a TOML document: told once each, with the likely key named, and read as if spelt right.

Reading on under the likely name finds the other problems in the same pass; the run is refused all the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, get_args

from pydantic import BaseModel

from yieldsim.base.errors import close_word, did_you_mean
from yieldsim.files.toml.line_numbers import Path

MOST_HINTS = 50
"""Unknown keys whose likely name is looked for; a search each would take minutes in a file of tables."""


@dataclass(frozen=True, slots=True)
class UnknownKey:
    """A key that a model doesn't know: where it stands, the words for it, the likely key."""

    path: Path
    found: str
    hint: str


@dataclass(slots=True)
class Respelt:
    """A document with likely keys put right."""

    data: dict[str, Any] = field(default_factory=dict)
    unknown: list[UnknownKey] = field(default_factory=list)
    written: dict[Path, Path] = field(default_factory=dict)
    """For each path that was put right, the path as written."""

    def as_written(self, path: Path) -> Path:
        """A path of the corrected document as the file has it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.written:
                return self.written[path[:length]] + path[length:]
        return path


def respell(data: Mapping[str, Any], model: type[BaseModel]) -> Respelt:
    """Split a document into what the model knows and what it does not."""
    result = Respelt()
    result.data = _table(data, model, (), (), model, result)
    return result


def inner_model(model: type[BaseModel] | None, key: str) -> type[BaseModel] | None:
    """The model of the table or array of tables under a key, None for plain values."""

    def search(annotation: Any) -> type[BaseModel] | None:
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            return annotation
        return next((found for part in get_args(annotation) if (found := search(part))), None)

    known = model is not None and key in model.model_fields
    return search(model.model_fields[key].annotation) if model is not None and known else None


def _table(
    data: Mapping[str, Any],
    model: type[BaseModel],
    written: Path,
    meant: Path,
    root: type[BaseModel],
    result: Respelt,
) -> dict[str, Any]:
    """One table put right: unknown keys leave it, under the likely name where that is free."""
    clean: dict[str, Any] = {}
    for key, value in data.items():
        name = key
        if key not in model.model_fields:
            told = len(result.unknown) < MOST_HINTS
            close = close_word(key.lower(), model.model_fields) if told else ""
            result.unknown.append(_unknown((*written, key), value, close, model, root))
            if not close or close in data or close in clean:
                continue
            name = close
            result.written[(*meant, name)] = (*written, key)
        inner = inner_model(model, name)
        here, there = (*written, key), (*meant, name)
        if inner is not None and isinstance(value, Mapping):
            clean[name] = _table(value, inner, here, there, root, result)
        elif inner is not None and isinstance(value, list):
            clean[name] = [
                _table(item, inner, (*here, place), (*there, place), root, result)
                if isinstance(item, Mapping)
                else item
                for place, item in enumerate(value)
            ]
        else:
            clean[name] = value
    return clean


def _unknown(
    path: Path, value: object, close: str, model: type[BaseModel], root: type[BaseModel]
) -> UnknownKey:
    key = str(path[-1])
    first = value[0] if isinstance(value, list) and value else value
    what = f"unknown table [{key}]" if isinstance(first, Mapping) else f'unknown key "{key}"'
    shown = f"[{close}]" if inner_model(model, close) else close
    hint = did_you_mean(shown) if close else _other_table(key, root)
    return UnknownKey(path, f"has an {what}" if len(path) > 1 else what, hint)


def _other_table(key: str, root: type[BaseModel]) -> str:
    """Hint for a key in the wrong table, a common slip: a header owns all keys below it."""
    if key in root.model_fields:
        if inner_model(root, key):
            return f"[{key}] is a table of its own"
        return f"{key} belongs at the top of the file, above the first [table]"
    for name in root.model_fields:
        inner = inner_model(root, name)
        if inner is not None and key in inner.model_fields:
            return f"{key} belongs in [{name}]"
    return ""
