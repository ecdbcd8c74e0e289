"""CSV tables: columns by name, in any order; every bad row at once with its line number.

The file is UTF-8 text, cells separated by commas, one header row. Lines that begin with # and blank lines are
skipped. Columns that a table doesn't need are left unused, with a warning that names them.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from yieldsim.base.errors import InputError, Problem, close_word, likely, refusal, refuse
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.ranges import Range
from yieldsim.files.text.timestamps import utc_iso
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.model import told

MOST_PROBLEMS = 20
"""A table that is wrong throughout names this many rows and counts the rest."""

MOST_LINES = 1_000_000
"""Two years of minutes; a few seconds to read."""
MOST_COLUMNS = 100

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of numbers from `low` to `high`, or of moments in UTC when `is_time`."""

    name: str
    low: float = -math.inf
    high: float = math.inf
    is_time: bool = False
    increases: bool = False
    """Whether the values must grow from row to row."""

    @property
    def range(self) -> Range:
        """The numbers that it may hold."""
        return Range(self.low, self.high)


@dataclass(frozen=True, slots=True)
class Table:
    """A table as read: numbers by column, moments as ISO 8601 text, and the line of each row."""

    where: str
    lines: tuple[int, ...]
    numbers: dict[str, FloatArray]
    moments: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def __len__(self) -> int:
        """Count of rows."""
        return len(self.lines)

    def problem(self, row: int, key: str, found: str, allowed: str = "", hint: str = "") -> Problem:
        """A problem of one row."""
        return Problem(f"{self.where} line {self.lines[row]}", key, found, allowed, hint)


def read_table(
    reading: Reading,
    role: str,
    *layouts: Sequence[Column],
    also: Callable[[str], Column | None] = lambda name: None,
) -> Table:
    """The table in the reading's file: the first layout whose columns are all in the header.

    also   further columns that may be there, by their heading
    Raises InputError with every bad row and cell.
    """
    text, where = reading.text(role), reading.where
    rows = _rows(text, where)
    header_line, header = rows.pop(0)
    if len(header) > MOST_COLUMNS:
        found = f"heads {len(header)} columns"
        raise refusal(f"{where} line {header_line}", found=found, allowed=f"up to {MOST_COLUMNS}")
    columns = _layout(f"{where} line {header_line}", header, layouts, also)
    names = [column.name for column in columns]
    unused = [name for name in header if name and name not in names]
    if unused:
        reading.warn(f"columns not used: {', '.join(unused)}")
    if not rows:
        raise refusal(where, found="has a header but no rows")
    problems: list[tuple[int, Problem]] = []
    whole = [(line, row) for line, row in rows if len(row) == len(header)]
    for line, row in rows:
        if len(row) != len(header):
            hint = "write decimals with a point" if len(row) > len(header) else ""
            found = f"has {len(row)} cells, the header {len(header)}"
            problems.append((line, Problem(f"{where} line {line}", "", found, "", hint)))
    lines = [line for line, _ in whole]
    numbers: dict[str, FloatArray] = {}
    moments: dict[str, tuple[str, ...]] = {}
    for column in columns:
        place = header.index(column.name)
        cells = [row[place] for _, row in whole]
        values = _column(column, cells, lines, where, problems)
        if column.is_time:
            moments[column.name] = tuple(str(value) for value in values)
        else:
            numbers[column.name] = np.array(values, dtype=np.float64)
    problems.sort(key=lambda pair: pair[0])
    refuse_rows([fault for _, fault in problems], where)
    return Table(where, tuple(lines), numbers, moments)


def refuse_rows(problems: Sequence[Problem], where: str) -> None:
    """Raise InputError with the problems of rows, all up to a limit; return when there are none."""
    if len(problems) > MOST_PROBLEMS:
        rest = Problem(where, found=f"has {len(problems) - MOST_PROBLEMS} more problems of this kind")
        problems = [*problems[:MOST_PROBLEMS], rest]
    refuse(problems)


def _column(
    column: Column, cells: list[str], lines: list[int], where: str, problems: list[tuple[int, Problem]]
) -> list[float | str]:
    """Values of a column; bad cells and steps back join the problems."""
    values: list[float | str] = []
    before: float | str | None = None
    for line, cell in zip(lines, cells, strict=True):
        place = f"{where} line {line}"
        try:
            value: float | str = utc_iso(cell) if column.is_time else _number(cell, column)
        except ValueError as error:
            found = f"is {told(cell)}" if cell else "is empty"
            hint = column.range.hint(float(cell)) if _NUMBER.fullmatch(cell) else ""
            problems.append((line, Problem(place, column.name, found, str(error), hint)))
            continue
        if column.increases and before is not None:
            if value == before:
                hint = "keep one row; draw a steep edge with two close values"
                problems.append(
                    (line, Problem(place, column.name, f"{_said(value)} appears twice", "", hint))
                )
            elif _falls(before, value):
                found = f"{_said(value)} follows {_said(before)}"
                problems.append(
                    (line, Problem(place, column.name, found, "values that increase", "sort the rows"))
                )
        values.append(value)
        before = value
    return values


def _falls(before: float | str, value: float | str) -> bool:
    """Whether a value is below the one before; ISO 8601 text sorts as time."""
    if isinstance(before, str) or isinstance(value, str):
        return str(value) < str(before)
    return value < before


def _said(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.10g}"


def _rows(text: str, where: str) -> list[tuple[int, list[str]]]:
    """Rows as stripped cells with their line numbers; the first is the header."""
    rows: list[tuple[int, list[str]]] = []
    count = text.count("\n")
    if count > MOST_LINES:
        raise refusal(where, found=f"has {count} lines", allowed=f"up to {MOST_LINES}")
    for line, content in enumerate(text.split("\n"), start=1):
        if not content.strip() or content.lstrip().startswith("#"):
            continue
        try:
            cells = next(csv.reader([content], strict=True, skipinitialspace=True))
        except csv.Error as error:
            raise refusal(f"{where} line {line}", found=f"is not a row of a CSV table: {error}") from None
        rows.append((line, [cell.strip() for cell in cells]))
    if not rows:
        raise refusal(where, found="has no header row")
    return rows


def _layout(
    where: str, header: list[str], layouts: Sequence[Sequence[Column]], also: Callable[[str], Column | None]
) -> Sequence[Column]:
    """The layout that the header fits, and its further columns. Raises InputError naming columns missing or twice there."""
    for layout in layouts:
        if all(column.name in header for column in layout):
            break
    else:
        raise InputError(_wrong_header(where, header, layouts))
    further = [column for name in dict.fromkeys(header) if (column := also(name)) is not None]
    columns = [*layout, *further]
    twice = [column.name for column in columns if header.count(column.name) > 1]
    if twice:
        raise InputError([Problem(where, name, "heads two columns") for name in twice])
    return columns


def _wrong_header(where: str, header: list[str], layouts: Sequence[Sequence[Column]]) -> list[Problem]:
    """One problem per missing column of the layout nearest to the header."""
    allowed = " or ".join(", ".join(column.name for column in layout) for layout in layouts)
    joined = ",".join(header)
    if len(header) == 1 and (";" in joined or "\t" in joined):
        mark = "semicolons" if ";" in joined else "tabs"
        return [Problem(where, found=f"separates its columns by {mark}", allowed="commas")]
    if all(_NUMBER.fullmatch(cell) for cell in header):
        return [Problem(where, found="has numbers where the column names should be", allowed=allowed)]

    def missing(layout: Sequence[Column]) -> list[str]:
        return [column.name for column in layout if column.name not in header]

    def score(layout: Sequence[Column]) -> tuple[int, int]:
        absent = missing(layout)
        return sum(not likely(name, header) for name in absent), len(absent)

    spare = [name for name in header if name]
    return [
        Problem(where, f'column "{name}"', "is missing", hint=_renamed(name, spare), allowed=allowed)
        for name in missing(min(layouts, key=score))
    ]


def _renamed(name: str, header: list[str]) -> str:
    close = close_word(name, header)
    return f'is it "{close}"?' if close else ""


def _number(cell: str, column: Column) -> float:
    """A finite number in range. Raises ValueError with what is allowed."""
    words = column.range.words
    if not _NUMBER.fullmatch(cell):
        raise ValueError(f"a number, {words}" if words else "a number")
    value = float(cell)
    if not column.range.holds(value):
        raise ValueError(words or "a finite number")
    return value
