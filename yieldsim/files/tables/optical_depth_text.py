"""Published series of optical depth as plain text, to the table of time_utc and optical_depth that sites and budgets read.

Archives write such series as lines of numbers between commas, semicolons or white space, a title or two above: a sol or a date, the
solar longitude, the optical depth at one or two wavelengths, its uncertainty. Which columns hold what is told by their numbers.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.errors import Gathered, InputError, Problem
from yieldsim.files.text.timestamps import utc_iso
from yieldsim.files.toml.context import Reading

LARGEST_DEPTH = 100.0
BETWEEN = re.compile(r"\s*[,;]\s*|\s+")
MOST_TOLD = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Where in a line things stand, counted from 1.

    time           a date or a date and time by ISO 8601 (without blanks inside), or a sol where sol_zero_utc is given
    sol_zero_utc   when sol 0 began at the place, as ISO 8601
    sol_hours      length of a sol
    """

    time: int
    depth: int
    sol_zero_utc: str | None = None
    sol_hours: float = 24.6597897


@dataclass(frozen=True, slots=True)
class Series:
    """Moments (ISO 8601, UTC) in order and the optical depth of each; how many lines held none, or none that was measured."""

    rows: tuple[tuple[str, float], ...]
    titles: int
    absent: int


def read_series(reading: Reading, columns: Columns) -> Series:
    """The series in a text file: lines without a number for the depth are titles above the first row and refused below it.

    A depth below 0 or not a number stands for no measurement and is left out. Several of one moment are averaged. Raises InputError.
    """
    gathered = Gathered()
    with gathered:
        for name, value in (("time_column", columns.time), ("depth_column", columns.depth)):
            if not 1 <= value <= 1000:
                raise InputError(Problem("", name, f"is {value}", "1 to 1000, counted from the left"))
        if columns.time == columns.depth:
            raise InputError(Problem("", "depth_column", "is the time's", "another column"))
    with gathered:
        zero = None if columns.sol_zero_utc is None else _moment(columns.sol_zero_utc, "", "sol_zero")
    gathered.refuse()
    found: dict[str, list[float]] = {}
    titles = absent = 0
    problems: list[Problem] = []
    for number, line in enumerate(reading.text("optical depth series").splitlines(), start=1):
        words = line.strip()
        if not words or words.startswith("#"):
            continue
        cells = [cell.strip('"') for cell in BETWEEN.split(words)]
        depth = _number(cells, columns.depth)
        if depth is None:
            if found or absent:
                problems.append(
                    Problem(
                        f"{reading.where} line {number}",
                        f"column {columns.depth}",
                        "holds no number",
                        "the optical depth",
                    )
                )
            titles += 1
            continue
        if not 0.0 <= depth <= LARGEST_DEPTH:
            absent += 1
            continue
        try:
            found.setdefault(_time(cells, columns, zero, f"{reading.where} line {number}"), []).append(depth)
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems[:MOST_TOLD])
    if len(found) < 2:
        hint = "are the columns those of the time and the optical depth?"
        raise InputError(
            Problem(reading.where, found=f"holds {len(found)} measurements", allowed="two or more", hint=hint)
        )
    rows = tuple((moment, sum(depths) / len(depths)) for moment, depths in sorted(found.items()))
    return Series(rows=rows, titles=titles, absent=absent)


def series_text(series: Series, sources: Sequence[str]) -> str:
    """The table as a file."""
    head = [*(f"# {source}" for source in sources), "time_utc,optical_depth"]
    return "\n".join([*head, *(f"{moment},{depth:.6g}" for moment, depth in series.rows)]) + "\n"


def _number(cells: list[str], column: int) -> float | None:
    """The number in a column, NaN as one that was not measured; None where there is none."""
    if column > len(cells):
        return None
    try:
        value = float(cells[column - 1])
    except ValueError:
        return None
    return value if math.isfinite(value) else -1.0


def _time(cells: list[str], columns: Columns, zero: dt.datetime | None, where: str) -> str:
    """The moment of a line, ISO 8601 to the second."""
    key = f"column {columns.time}"
    if columns.time > len(cells):
        raise InputError(Problem(where, key, "is missing", "the time"))
    if zero is None:
        return _moment(cells[columns.time - 1], where, key).isoformat(timespec="seconds")
    sol = _number(cells, columns.time)
    if sol is None or not 0.0 <= sol <= 1e5:
        raise InputError(Problem(where, key, f'is "{cells[columns.time - 1]}"', "a sol, 0 to 100000"))
    # a sol named by its number alone stands for its noon
    into = sol + 0.5 if sol == int(sol) and "." not in cells[columns.time - 1] else sol
    moment = zero + dt.timedelta(seconds=into * columns.sol_hours * SECONDS_PER_HOUR)
    return moment.isoformat(timespec="seconds")


def _moment(text: str, where: str, key: str) -> dt.datetime:
    try:
        return dt.datetime.fromisoformat(utc_iso(text))
    except ValueError as error:
        raise InputError(
            Problem(where, key, f'is "{text}"', str(error), hint="a sol's number needs --sol-zero")
        ) from None
