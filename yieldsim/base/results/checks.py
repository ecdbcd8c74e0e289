"""Whether an answer is as its model says: for results that come back from files, and for tests of the models."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config

LARGEST = 1e15
"""No angle, energy or power of a collector comes near this."""
CONFIG = ConfigDict(strict=True, allow_inf_nan=False, use_attribute_docstrings=True)
WORDS = {
    "missing": "is missing",
    "extra_forbidden": "is not of the model",
    "string_type": "is not text",
    "bool_type": "is not true or false",
    "list_type": "is not a list",
    "dict_type": "is not a table",
    "float_type": "is not a number",
    "int_type": "is not a whole number",
    "finite_number": "is not a number",
    "greater_than": "is not a number above 0",
    "greater_than_equal": "is not a number, 0 or more",
    "less_than_equal": "is too large a number",
    "literal_error": "is not one of the words that it may be",
    "predicate_failed": "is not a moment like 2027-01-01T00:00:00Z",
}


def faults(model: type, result: Any, *, whole: bool = False) -> list[str]:
    """Every departure of an answer from its model, a TypedDict, in words: place by its keys, rows counted from 1.

    whole   tell keys that the model does not know, too
    """
    try:
        adapter(model).validate_python(result, extra="forbid" if whole else None)
    except ValidationError as error:
        return [
            f"{_path(one['loc'])} {WORDS.get(one['type'], one['msg'])}".lstrip()
            for one in error.errors(include_url=False)
        ]
    return [f"{path} is not a number" for path in _too_large(result, "")]


@cache
def adapter(model: type) -> TypeAdapter[Any]:
    """What validates a model and knows its schema."""
    return TypeAdapter(with_config(CONFIG)(model))


def _path(place: tuple[int | str, ...]) -> str:
    return " ".join(f"#{part + 1}" if isinstance(part, int) else part for part in place) or "it"


def _too_large(value: Any, path: str) -> Iterator[str]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _too_large(inner, f"{path} {key}".lstrip())
    elif isinstance(value, list):
        for number, inner in enumerate(value, start=1):
            yield from _too_large(inner, f"{path} #{number}")
    elif isinstance(value, int | float) and not (math.isfinite(value) and abs(value) < LARGEST):
        yield path
