"""The words of a load's schedule, and the table of an amount over time."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from yieldsim.base.constants import HOURS_PER_DAY
from yieldsim.base.errors import likely
from yieldsim.base.load_model import LoadSeries
from yieldsim.files.tables.csv_table import Column, read_table, refuse_rows
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.model import problem, told

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
HOURS_ALLOWED = '"06-22", "22-06" (through midnight), "06:30-12, 14-22" or "always"'
_WINDOW = re.compile(r"(\d{1,2})(?::([0-5]\d))?-(\d{1,2})(?::([0-5]\d))?", re.ASCII)
_DAYS = re.compile(r"(\d{1,6})(?:-(\d{1,6}))?", re.ASCII)
HIGHEST_AMOUNT = 1.0e9
LOAD_AMOUNTS = ("power_w", "lumens", "photons_umol_per_s")
"""Columns that a table of a load may give its amount in."""


def as_windows(value: object) -> tuple[tuple[float, float], ...]:
    """Hours of the day as windows from, to; one through midnight becomes two. Empty: always.

    >>> as_windows("22-06:30")
    ((0.0, 6.5), (22.0, 24.0))
    """
    if not isinstance(value, str):
        raise problem(f"is {told(value)}", HOURS_ALLOWED)
    if value.strip() == "always":
        return ()
    found: list[tuple[float, float]] = []
    for part in value.replace(" ", "").split(","):
        match = _WINDOW.fullmatch(part)
        if match is None:
            raise problem(f"is {told(value)}", HOURS_ALLOWED)
        hours = [int(match[group]) + int(match[group + 1] or 0) / 60.0 for group in (1, 3)]
        if max(hours) > HOURS_PER_DAY:
            raise problem(f"is {told(value)}", "hours from 00 to 24")
        first, last = hours
        if first == last:
            raise problem(f"is {told(value)}", HOURS_ALLOWED, 'a whole day is "00-24" or "always"')
        found += [(first, last)] if first < last else [(first, HOURS_PER_DAY), (0.0, last)]
    ordered = sorted(window for window in found if window[0] < window[1])
    if any(later[0] < earlier[1] for earlier, later in pairwise(ordered)):
        raise problem(f"is {told(value)}", "windows that don't overlap")
    return tuple(ordered)


def as_weekdays(value: object) -> tuple[int, ...]:
    """Days of the week, 0 is Monday.

    >>> as_weekdays(["sun", "mon"])
    (0, 6)
    """
    allowed = f"a list of {', '.join(WEEKDAYS)}"
    if not isinstance(value, list) or not value:
        raise problem("is empty" if value == [] else f"is {told(value)}", allowed)
    for day in value:
        if day not in WEEKDAYS:
            raise problem(f"holds {told(day)}", allowed, likely(str(day)[:3].lower(), WEEKDAYS))
    return tuple(sorted({WEEKDAYS.index(day) for day in value}))


def as_mission_days(value: object) -> tuple[tuple[int, int], ...]:
    """Ranges of mission days, both ends counted in.

    >>> as_mission_days("1-30, 45")
    ((1, 30), (45, 45))
    """
    allowed = 'ranges such as "1-30, 45"; day 1 begins with the run'
    parts = value.replace(" ", "").split(",") if isinstance(value, str) else [""]
    found = []
    for part in parts:
        match = _DAYS.fullmatch(part)
        if match is None:
            raise problem(f"is {told(value)}", allowed)
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last:
            raise problem(f"is {told(value)}", allowed)
        found.append((first, last))
    return tuple(found)


def as_monthly_factors(value: object) -> tuple[float, ...]:
    """A factor for each calendar month."""
    if not isinstance(value, list) or len(value) != 12 or not all(_is_factor(item) for item in value):
        raise problem(f"is {told(value)}", "a list of 12 factors, 0 to 1000, January first")
    return tuple(float(item) for item in value)


def as_seasonal_factors(value: object) -> tuple[tuple[float, float], ...]:
    """Rows of solar longitude and factor."""
    allowed = (
        "rows [solar_longitude_deg, factor], longitudes increasing from 0 to below 360, factors 0 to 1000"
    )
    if not isinstance(value, list) or not value:
        raise problem(f"is {told(value)}", allowed)
    rows = []
    for row in value:
        if not isinstance(row, list) or len(row) != 2 or not all(_is_factor(item) for item in row):
            raise problem(f"holds {told(row)}" if not isinstance(row, list) else f"holds {row}", allowed)
        rows.append((float(row[0]), float(row[1])))
    longitudes = [longitude for longitude, _ in rows]
    if longitudes != sorted(set(longitudes)) or longitudes[-1] >= 360.0:
        raise problem(f"has the longitudes {', '.join(f'{x:g}' for x in longitudes)}", allowed)
    return tuple(rows)


def _is_factor(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0.0 <= value <= 1000.0


# ---------------------------------------------------------------- an amount over time


@dataclass(frozen=True, slots=True, eq=False)
class NamedSeries:
    """A series and the column that says its unit."""

    column: str
    series: LoadSeries


def load_series(reading: Reading) -> NamedSeries:
    """A table of time_utc, or of hour (of the day, from 0), and an amount column. Raises InputError."""
    amounts = [Column(name, 0.0, HIGHEST_AMOUNT) for name in LOAD_AMOUNTS]
    time = Column("time_utc", is_time=True, increases=True)
    hour = Column("hour", 0.0, HOURS_PER_DAY, increases=True)
    layouts = [(key, amount) for key in (time, hour) for amount in amounts]
    table = read_table(reading, "load table", *layouts)
    amount = next(column.name for column in amounts if column.name in table.numbers)
    key = "time_utc" if table.moments else "hour"
    problems = []
    if key == "hour":
        first, last = table.numbers["hour"][[0, -1]]
        if first != 0.0:
            problems.append(table.problem(0, "hour", f"begins at {first:g}", "a first row at 0"))
        if last >= HOURS_PER_DAY:
            hint = "the day begins again at 0"
            problems.append(table.problem(len(table) - 1, "hour", "is 24", "below 24", hint))
    refuse_rows(problems, table.where)
    if key == "hour":
        return NamedSeries(
            amount, LoadSeries(against="hour", x=table.numbers["hour"], amount=table.numbers[amount])
        )
    x = np.array(table.moments["time_utc"], dtype="datetime64[ns]").astype(np.int64).astype(np.float64)
    return NamedSeries(amount, LoadSeries(against="utc", x=x, amount=table.numbers[amount]))
