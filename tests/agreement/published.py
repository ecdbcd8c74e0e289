"""What others published: `tests/authorities/published/*.toml`, one place for each number, with its source and how it is known.

A row is one quantity. Its value is text, so that its digits are kept: where no uncertainty is stated it is half a unit of the
last one. A table's rows lie in a file of their own (`table`), and its value is the number of them; ours is the largest
difference from any of them.
"""

from __future__ import annotations

import csv
import tomllib
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

AUTHORITIES = Path(__file__).resolve().parents[1] / "authorities"
Known = Literal["seen", "derived", "memory"]
KNOWN = ("seen", "derived", "memory")
RELATIONS = ("equals", "at most", "at least", "between", "in words")
STATES = ("compared", "shown", "beyond")


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """One published quantity.

    value         as printed: "92.27"; "0.7 to 2.0" where the relation is "between", "several" where it is told in words
    uncertainty   the publisher's own, or how far "about" reaches; None: half a unit of the last digit
    relation      what ours is held to: equals, at most, at least, between; in words: no number is printed, so that nothing is
    table         name of a file in tests/authorities whose values are meant, every one
    source        author, year, title, place; source_key its short name in sources.toml
    known         seen: read in a stored text; derived: follows from a formula, worked apart from here; memory: recalled, never counted
    state         compared: counted, unless from memory; shown: computed but not counted; beyond: the model does not reach it
    allowed       how much more than the uncertainty the difference of two models explains, with the reason in `because`
    because       reason for `allowed`, "shown" or "beyond"
    listed        which rows of the project's list of published results this one answers (PUBLISHED.csv, not part of the checkout;
                  counted from 1 below its heading): a test holds the list against them
    """

    key: str
    chapter: str
    quantity: str
    conditions: str
    value: str
    unit: str
    source_key: str
    source: str
    known: str
    place: str = ""
    uncertainty: float | None = None
    relation: str = "equals"
    table: str | None = None
    state: str = "compared"
    allowed: float | None = None
    because: str = ""
    listed: tuple[int, ...] = ()

    @property
    def numbers(self) -> tuple[float, ...]:
        """The value's number, or both ends of what it lies between; none of words."""
        return () if self.relation == "in words" else tuple(float(part) for part in self.value.split(" to "))

    @property
    def number(self) -> float:
        """The one number of the value."""
        (only,) = self.numbers
        return only

    @property
    def half_digit(self) -> float:
        """Half a unit of the value's last printed digit."""
        return half_digit(self.value.split(" to ")[0])

    @property
    def within(self) -> float:
        """The uncertainty: what the source states, or its rounding; 0 of words."""
        if self.relation == "in words":
            return 0.0
        return self.half_digit if self.uncertainty is None else self.uncertainty

    @property
    def counted(self) -> bool:
        """Whether it is held against us or for us."""
        return self.state == "compared" and self.known != "memory"


def half_digit(text: str) -> float:
    """Half a unit of the last digit of a number as printed.

    >>> half_digit("92.27"), half_digit("1e-3"), half_digit("590")
    (0.005, 0.0005, 0.5)
    """
    digits, _, power = text.lower().partition("e")
    decimals = len(digits.partition(".")[2])
    return 0.5 * 10.0 ** (int(power or 0) - decimals)


@cache
def sources() -> dict[str, str]:
    """Author, year, title, journal by short name."""
    with (AUTHORITIES / "published" / "sources.toml").open("rb") as file:
        return {key: str(text) for key, text in tomllib.load(file).items()}


@cache
def all_published() -> dict[str, Published]:
    """Every row by its key, chapters in the order of their files' names. Raises ValueError for a row that is not whole."""
    found: dict[str, Published] = {}
    known_fields = {field.name for field in fields(Published)}
    for path in sorted((AUTHORITIES / "published").glob("[0-9]*.toml")):
        with path.open("rb") as file:
            content: dict[str, Any] = tomllib.load(file)
        chapter = content.pop("chapter")
        for key, row in content.items():
            if key in found or set(row) - known_fields:
                raise ValueError(
                    f"{path.name}: {key} stands twice or has unknown keys {set(row) - known_fields}"
                )
            source = {"source_key": row["source"], "source": sources()[row["source"]]}
            whole = row | source | {"listed": tuple(row.get("listed", ()))}
            one = Published(key=key, chapter=chapter, **whole)
            _check(path.name, one)
            found[key] = one
    return found


def _check(where: str, one: Published) -> None:
    if one.known not in KNOWN or one.relation not in RELATIONS or one.state not in STATES:
        raise ValueError(f"{where}: {one.key}: known, relation or state is none of those there are")
    if (one.state != "compared" or one.allowed is not None) and not one.because:
        raise ValueError(f"{where}: {one.key}: no reason is given")
    if len(one.numbers) != {"between": 2, "in words": 0}.get(one.relation, 1):
        raise ValueError(f"{where}: {one.key}: the value does not suit the relation")
    if one.relation == "in words" and one.state != "beyond":
        raise ValueError(f"{where}: {one.key}: nothing can be compared with words")


def published(key: str) -> Published:
    """One row."""
    return all_published()[key]


def value(key: str) -> float:
    """The number of one row."""
    return published(key).number


def table(name: str) -> list[dict[str, str]]:
    """Rows of a table of tests/authorities, as text; lines that begin with # tell where it comes from."""
    lines = (AUTHORITIES / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def columns(name: str) -> dict[str, np.ndarray]:
    """Columns of such a table as numbers; empty cells are NaN. Columns of words are left out."""
    rows = table(name)
    found = {}
    for key in rows[0]:
        try:
            found[key] = np.array([float(row[key] or "nan") for row in rows])
        except ValueError:
            continue
    return found
