"""The strict model under every TOML file: all problems of a table at once, in words, likely keys named.

A subclass of StrictModel lists its keys as fields; a field's description is the hint when it is missing.
`stated`, `within`, `whole_number`, `Text`, `Moment` and `named_file` check their values. A problem travels through
pydantic as a custom error holding what was found, what is allowed and a hint; `files.toml.parse` adds file,
line and key.
"""

from __future__ import annotations

import datetime
import math
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, TypeVar, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    GetJsonSchemaHandler,
    ModelWrapValidatorHandler,
    ValidationError,
    ValidationInfo,
    model_validator,
)
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError

from yieldsim.base.errors import InputError, likely
from yieldsim.base.ranges import Range, range_of
from yieldsim.files.text.decode import opened
from yieldsim.files.text.paths import named_path
from yieldsim.files.text.timestamps import utc_iso
from yieldsim.files.toml.context import Reading

Self = TypeVar("Self", bound="StrictModel")
Noun = TypeVar("Noun")
PROBLEM, RECORDED = "problem", "recorded"
LONGEST_TEXT = 120


def problem(found: str, allowed: str = "", hint: str = "") -> PydanticCustomError:
    """The error that a check raises: `found` completes the sentence that the key begins."""
    return PydanticCustomError(PROBLEM, "problem", {"found": found, "allowed": allowed, "hint": hint})


Fault = tuple[str, PydanticCustomError]
"""A key of a table, empty for the table itself, and what is wrong with it."""
Faults = Iterator[Fault]


def fault(key: str, found: str, allowed: str = "", hint: str = "") -> Fault:
    """What `StrictModel.together` tells of a key."""
    return key, problem(found, allowed, hint)


def told(value: object) -> str:
    """A TOML value as a message shows it.

    >>> told(True), told("moon"), told([1, 2]), told(2.5)
    ('true', '"moon"', 'a list', '2.5')
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        text = value if len(value) <= 60 else value[:57] + "..."
        return f'"{text}"' if text.isprintable() else f'"{text.encode("unicode_escape").decode("ascii")}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    return "a huge number" if isinstance(value, int) and abs(value) > 10**20 else str(value)


class StrictModel(BaseModel):
    """A table of a TOML file: exactly the fields of the subclass, frozen, nothing converted in silence."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True
    )

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """Problems between keys: pairs of key and `problem(...)`; an empty key blames the table itself.

        given   the table as written, of any types, misspelt keys put right (so that one slip is told once)
        """
        yield from ()

    def made(self, noun: Callable[..., Noun], **other: Any) -> Noun:
        """The frozen noun of a dataclass: its fields are the keys of one name, inner tables by their own `noun()`, lists as
        tuples; `other` are those that no key holds as it stands."""
        keys = {field.name for field in fields(noun)} & type(self).model_fields.keys() - other.keys()  # type: ignore[arg-type]
        return noun(**{key: _frozen(getattr(self, key)) for key in keys}, **other)

    @model_validator(mode="wrap")
    @classmethod
    def _every_problem(cls: type[Self], raw: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        """Run the field checks and the checks between keys, and word all that failed."""
        details: list[InitErrorDetails] = []
        if isinstance(raw, Mapping):
            for key, fault in cls.together({key: _as_float_range(value) for key, value in raw.items()}):
                details.append({"type": fault, "loc": (key,) if key else (), "input": None})
        try:
            model = handler(raw)
        except ValidationError as error:
            for item in error.errors(include_url=False):
                details.append({"type": cls._worded(item), "loc": item["loc"], "input": None})
        if details:
            raise ValidationError.from_exception_data(cls.__name__, details)
        return model

    @classmethod
    def _worded(cls, item: ErrorDetails) -> PydanticCustomError:
        """One pydantic error in our words; those of inner tables are worded already."""
        kind, loc, value = item["type"], item["loc"], item["input"]
        if kind in (PROBLEM, RECORDED):
            return PydanticCustomError(kind, "problem", item.get("ctx"))
        if kind == "missing":
            return problem("is missing", hint=cls.model_fields[str(loc[-1])].description or "")
        if kind in _ALLOWED:
            return problem(f"is {told(value)}", _ALLOWED[kind])
        if kind == "literal_error":
            words = _literals(cls, loc)
            return problem(f"is {told(value)}", ", ".join(words), likely(str(value), words))
        return problem(f"is {told(value)}", item["msg"].removeprefix("Input should be "))


def _frozen(value: Any) -> Any:
    """A value of a table as nouns hold it."""
    if isinstance(value, list):
        return tuple(_frozen(one) for one in value)
    return value.noun() if isinstance(value, StrictModel) else value  # type: ignore[attr-defined]


def _as_float_range(value: object) -> object:
    """An integer too large for a float as infinity, so that checks between keys can compare it; others as they are."""
    if isinstance(value, int) and abs(value) > sys.float_info.max:
        return math.inf if value > 0 else -math.inf
    return value


_ALLOWED = {
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
    "list_type": "a list",
    "string_type": "text in quotes",
    "bool_type": "true or false",
}


def _literals(cls: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The words allowed at a place, for a field that is a Literal or holds one."""

    def search(annotation: Any) -> list[str]:
        parts = get_args(annotation)
        plain = [part for part in parts if isinstance(part, str)]
        return plain or next((found for part in parts if (found := search(part))), [])

    return search(cls.model_fields[str(loc[0])].annotation)


# ---------------------------------------------------------------- values


class NumberCheck(BeforeValidator):
    """A number of a range; the schema for editors states the range too."""

    def __init__(self, allowed: Range) -> None:
        """Check for the range."""

        def check(value: object) -> float:
            kind = int if allowed.whole else int | float
            if not allowed.holds(value) or not isinstance(value, int | float):
                words = allowed.words
                if not allowed.whole and (isinstance(value, bool) or not isinstance(value, kind)):
                    words = f"a number, {words}" if words else "a number"
                raise problem(f"is {told(value)}", words or "a finite number", allowed.hint(value))
            return value if allowed.whole else float(value)

        super().__init__(check)
        object.__setattr__(self, "allowed", allowed)

    def __get_pydantic_json_schema__(self, core: Any, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """The range in the words of JSON Schema."""
        return {**handler(core), **schema_of(self.allowed)}  # type: ignore[attr-defined]


def schema_of(allowed: Range) -> dict[str, Any]:
    """A range as JSON Schema says it."""
    words = {
        "minimum": allowed.low,
        "maximum": allowed.high,
        "exclusiveMinimum": allowed.above,
        "exclusiveMaximum": allowed.below,
    }
    return {word: limit for word, limit in words.items() if math.isfinite(limit)}


def within(
    low: float = -math.inf, high: float = math.inf, *, above: float = -math.inf, below: float = math.inf
) -> BeforeValidator:
    """A number (integer or not) in a range that no noun states; no text, boolean, NaN."""
    return NumberCheck(Range(low, high, above, below))


def stated(noun: type, key: str) -> BeforeValidator:
    """A number in the range that the noun's field states."""
    return NumberCheck(range_of(noun, key))


def whole_number(low: int, high: int) -> BeforeValidator:
    """An integer from `low` to `high`."""
    return NumberCheck(Range(low, high, whole=True))


def _text(value: object) -> str:
    """A line of visible text."""
    if not isinstance(value, str):
        raise problem(f"is {told(value)}", "text in quotes")
    if not value.strip() or len(value) > LONGEST_TEXT or not value.isprintable():
        raise problem(f"is {told(value)}", f"1 to {LONGEST_TEXT} visible characters")
    return value.strip()


def _moment(value: object) -> str:
    """A TOML date or date-time, or the same as text, as ISO 8601 UTC without a zone."""
    if isinstance(value, datetime.datetime | datetime.date | str):
        try:
            return utc_iso(value)
        except ValueError as error:
            raise problem(f"is {told(value)}", str(error)) from None
    raise problem(f"is {told(value)}", "a date or a date and time, like 2027-03-01T12:00:00")


Text = Annotated[str, BeforeValidator(_text)]
"""A name: one line, not empty."""

Moment = Annotated[str, BeforeValidator(_moment)]
"""A moment in UTC, kept as ISO 8601 text without a zone."""


Found = TypeVar("Found")


def read_named(
    info: ValidationInfo, find: Callable[[Reading], Path], read: Callable[[Reading], Found]
) -> Found:
    """What `read` makes of the file that `find` finds from the reading of the naming file.

    Problems inside the named file are recorded under its own name; a wrong name is a problem of its key.
    """
    reading = info.context
    if not isinstance(reading, Reading):
        raise TypeError("a model that names files is validated with its Reading as context")
    try:
        path = find(reading)
    except InputError as error:
        fault = error.problems[0]
        raise problem(fault.found, fault.allowed, fault.hint) from None
    try:
        return read(reading.inside(path))
    except InputError as error:
        reading.problems.extend(one for one in error.problems if one not in reading.problems)
        raise PydanticCustomError(RECORDED, "problem") from None


def named_file(read: Callable[[Reading], object]) -> BeforeValidator:
    """The name of another file; the field becomes what `read` makes of it."""

    def check(value: object, info: ValidationInfo) -> object:
        name = _file_name(value)
        return read_named(info, lambda reading: named_path(name, reading.path), read)

    return BeforeValidator(check)


def existing_file(
    split: Callable[[str], tuple[str, str | None]] = lambda name: (name, None),
) -> BeforeValidator:
    """The name of another file that is opened later; the field becomes its absolute path.

    split   the file and the part of it that a name stands for; the part follows the path after a colon
    """

    def absolute(reading: Reading) -> Path:
        with opened(reading.path):
            return reading.path.resolve()

    def check(value: object, info: ValidationInfo) -> Path:
        name, part = split(_file_name(value))
        path = read_named(info, lambda reading: named_path(name, reading.path), absolute)
        return path if part is None else Path(f"{path}:{part}")

    return BeforeValidator(check)


def _file_name(value: object) -> str:
    if not isinstance(value, str):
        raise problem(f"is {told(value)}", "the name of a file, in quotes")
    return value


def exactly_one(given: Mapping[str, Any], *keys: str) -> Faults:
    """Problems of a table that must hold exactly one of the keys, for `StrictModel.together`."""
    held = [key for key in keys if key in given]
    choice = " or ".join((", ".join(keys[:-1]), keys[-1]))
    if not held:
        yield fault("", f"needs {choice}")
    for key in held[1:]:
        yield fault(key, f"stands beside {held[0]}", f"only one of {choice}")
