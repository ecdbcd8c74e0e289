"""Published series of optical depth as plain text, to the table of time_utc and optical_depth that sites and budgets read.

Archives write such series as lines between commas, semicolons, tabs or blanks, titles and parameters above: the name of an image, a
sol or a date, the solar longitude, the optical depth at one wavelength, its uncertainty. Which columns hold what is told by number.

Layouts that are met, and where they are described:
    Spirit, Opportunity   nine lines of parameters and titles, then between commas: image in quotes, solar longitude, distance, time in
                          sols, air mass, flux, optical depth, uncertainty (PDS data set MER1/MER2-M-PANCAM-5-ATMOS-OPACITY-V1.0, label
                          2TAU440_1710_20090511A.LBL; columns 5 to 8 as two public readers of it take them; SIS JPL D-22853)
    Phoenix               the same eight columns (PHX-M-SSI-5-ATMOS-OPACITY-V1.0, SIS JPL D-33242)
    Curiosity             image, sols since the true midnight before landing, solar longitude, optical depth, uncertainty (Lemmon 2023,
                          doi:10.17632/tbh3pg39xc.1, steps to reproduce)
    Viking                both landers in one file between blanks, told apart by the first column, sol in the fourth, optical depth in
                          the seventh (VL1/VL2-M-LCS-5-ATMOS-OPTICAL-DEPTH-V1.0, vl_opac.dat; columns as a public reader takes them)
"""

from __future__ import annotations

import csv
import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.errors import Gathered, InputError, Problem, refusal
from yieldsim.files.text.timestamps import utc_iso
from yieldsim.files.toml.context import Reading

LARGEST_DEPTH = 100.0
SEPARATORS = (",", ";", "\t")
"""What parts a line, the first that occurs in it; blanks where none does. Beside one of these, blanks belong to the cells."""
MOST_TOLD = 5
MOST_COLUMNS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Where in a line things stand, counted from 1.

    time           a date or a date and time by ISO 8601, or a sol where sol_zero_utc is given
    sol_zero_utc   when the count of sols was 0, as ISO 8601: where archives count from the midnight before landing, that midnight
    sol_hours      length of a mean sol; archives count by the true Sun, which strays from it by up to 0.06 sol on Mars
    skip           lines at the top that are passed over unread: needed where titles hold numbers in the columns of time and depth
    only           a column and what it must hold, for files of several places; None: every line counts
    """

    time: int
    depth: int
    sol_zero_utc: str | None = None
    sol_hours: float = 24.6597897
    skip: int = 0
    only: tuple[int, str] | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """Moments (ISO 8601, UTC) in order and the optical depth of each; how many lines held none, none measured, another place's."""

    rows: tuple[tuple[str, float], ...]
    titles: int
    absent: int
    elsewhere: int


def read_series(reading: Reading, columns: Columns) -> Series:
    """The series in a text file. Raises InputError.

    Lines without a time and a depth are titles above the first measurement and refused below it. A depth of 0 or less, above
    LARGEST_DEPTH or not a number stands for no measurement and is left out. Several of one moment are averaged.
    """
    zero = _checked(columns)
    found: dict[str, list[float]] = {}
    titles = absent = elsewhere = 0
    problems: list[Problem] = []
    for number, line in enumerate(reading.text("optical depth series").splitlines(), start=1):
        if number <= columns.skip or not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = _cells(line)
        where = f"{reading.where} line {number}"
        if columns.only is not None and _cell(cells, columns.only[0]) != columns.only[1]:
            elsewhere += 1
            continue
        try:
            depth = _depth(cells, columns.depth, where)
            moment = _time(cells, columns, zero, where)
        except InputError as error:
            problems.extend(error.problems)
            titles += 1
            continue
        if not found and not absent:
            # what stands above the first measurement are titles, whatever they hold
            problems.clear()
        if 0.0 < depth <= LARGEST_DEPTH:
            found.setdefault(moment, []).append(depth)
        else:
            absent += 1
    if problems:
        # without a measurement titles are no problem, but the last lines, which are none, tell what is wrong with the columns
        raise InputError(problems[:MOST_TOLD] if found or absent else problems[-MOST_TOLD:])
    if len(found) < 2:
        hint = "are the columns those of the time and the optical depth?"
        held = f"holds {len(found)} measurements"
        raise refusal(reading.where, found=held, allowed="two or more", hint=hint)
    rows = tuple((moment, sum(depths) / len(depths)) for moment, depths in sorted(found.items()))
    return Series(rows=rows, titles=titles, absent=absent, elsewhere=elsewhere)


def series_text(series: Series, sources: Sequence[str]) -> str:
    """The table as a file."""
    head = [*(f"# {source}" for source in sources), "time_utc,optical_depth"]
    return "\n".join([*head, *(f"{moment},{depth:.6g}" for moment, depth in series.rows)]) + "\n"


def _checked(columns: Columns) -> dt.datetime | None:
    """When sol 0 began, if it is given. Raises InputError for columns that cannot be."""
    gathered = Gathered()
    with gathered:
        named = {"time_column": columns.time, "depth_column": columns.depth}
        for name, value in (named | ({"only": columns.only[0]} if columns.only else {})).items():
            if not 1 <= value <= MOST_COLUMNS:
                raise refusal("", name, f"is {value}", f"1 to {MOST_COLUMNS}, counted from the left")
        if columns.time == columns.depth:
            raise refusal("", "depth_column", "is the time's", "another column")
    with gathered:
        zero = None if columns.sol_zero_utc is None else _moment(columns.sol_zero_utc, "", "sol_zero")
    gathered.refuse()
    return zero


def _cells(line: str) -> list[str]:
    """The cells of a line, quotes and the blanks around them taken off.

    >>> _cells('"2P1 EFF ", 327.9,  0.87'), _cells(" VL1  A 6   0.49")
    (['2P1 EFF', '327.9', '0.87'], ['VL1', 'A', '6', '0.49'])
    """
    for separator in SEPARATORS:
        if separator in line:
            try:
                (cells,) = csv.reader([line], delimiter=separator, skipinitialspace=True)
            except csv.Error:
                return [line]
            return [cell.strip() for cell in cells]
    return [cell.strip('"') for cell in line.split()]


def _cell(cells: list[str], column: int) -> str:
    """What a column holds, "" beyond the last."""
    return cells[column - 1] if column <= len(cells) else ""


def _depth(cells: list[str], column: int, where: str) -> float:
    """The optical depth of a line; 0 for a number that is none (NaN)."""
    try:
        depth = float(_cell(cells, column))
    except ValueError:
        raise refusal(where, f"column {column}", "holds no number", "the optical depth") from None
    return depth if math.isfinite(depth) else 0.0


def _time(cells: list[str], columns: Columns, zero: dt.datetime | None, where: str) -> str:
    """The moment of a line, ISO 8601 to the second."""
    key = f"column {columns.time}"
    text = _cell(cells, columns.time)
    if not text:
        raise refusal(where, key, "is missing", "the time")
    if zero is None:
        return _moment(text, where, key).isoformat(timespec="seconds")
    try:
        sol = float(text)
    except ValueError:
        sol = math.nan
    if not 0.0 <= sol <= 1e5:
        raise refusal(where, key, f'is "{text}"', "a sol, 0 to 100000")
    # a sol named by its number alone stands for its noon
    into = sol + 0.5 if sol == int(sol) and "." not in text else sol
    moment = zero + dt.timedelta(seconds=into * columns.sol_hours * SECONDS_PER_HOUR)
    return moment.isoformat(timespec="seconds")


def _moment(text: str, where: str, key: str) -> dt.datetime:
    try:
        return dt.datetime.fromisoformat(utc_iso(text))
    except ValueError as error:
        hint = "a sol's number needs --sol-zero"
        raise refusal(where, key, f'is "{text}"', str(error), hint=hint) from None
