"""The span of a run: what the user may write for start, end and years, checked before anything is computed."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from numbers import Integral, Real
from typing import TYPE_CHECKING

from yieldsim.base.constants import DAYS_PER_YEAR
from yieldsim.base.errors import Gathered, InputError, likely, refusal
from yieldsim.base.ranges import Range
from yieldsim.files.text.timestamps import FIRST_YEAR, LAST_YEAR, LEAP_SECOND, NO_LEAP_SECOND

if TYPE_CHECKING:
    import numpy as np

    from yieldsim.base.year.time_grid import TimeGrid

DEFAULT_START = "2027-01-01"
LONGEST_YEARS = 60
SPANS = ("calendar-year", "body-year")
"""What a run without an end may be counted in."""
MOST_INTERVAL_MINUTES = 1440
MOST_ROWS = 900_000
"""Output rows that a run may have, eight years at five minutes: with nine mounts they take a gigabyte (measured)."""


def utc_instant(value: object, key: str) -> np.datetime64:
    """A UTC instant from ISO 8601 text, a date, a datetime (zones are converted, none means UTC), numpy's datetime64, or a time of
    skyfield or Astropy."""
    import numpy as np

    wanted = "ISO 8601 such as 2027-01-01 or 2027-01-01T06:00"
    value = _library_time(value)
    if isinstance(value, np.datetime64):
        instant = value
    elif isinstance(value, dt.datetime | dt.date | str):
        moment: dt.date = value if not isinstance(value, str) else _parsed(value, key, wanted)
        if isinstance(moment, dt.datetime) and moment.tzinfo is not None:
            if not FIRST_YEAR <= moment.year <= LAST_YEAR:  # a zone can't carry year 1 or 9999 across
                raise _other_year(moment.year, key)
            moment = moment.astimezone(dt.UTC).replace(tzinfo=None)
        # a missing time of pandas is a datetime that is not equal to itself
        instant = np.datetime64(moment if moment == moment else "NaT")
    else:
        allowed = f"{wanted}, a date, a datetime or one time of skyfield or Astropy"
        raise refusal("", key, f"{value!r} is not a time", allowed)
    if np.isnat(instant):
        raise refusal("", key, f"{value} is not a time", wanted)
    # beyond these years nanosecond labels wrap
    year = int(str(instant.astype("datetime64[Y]")))
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise _other_year(year, key)
    labelled: np.datetime64 = instant.astype("datetime64[ns]")
    if labelled != labelled.astype("datetime64[s]"):
        raise refusal("", key, f"is {labelled}", "whole seconds: results are labelled in them")
    return labelled


def _library_time(value: object) -> object:
    """The UTC datetime of a time of skyfield or Astropy, to the millisecond that their days in floats hold; all else as it is."""
    try:
        if hasattr(value, "utc_datetime"):
            moment = value.utc_datetime()
        elif hasattr(value, "utc") and hasattr(value, "to_datetime"):
            moment = value.utc.to_datetime(dt.UTC)
        else:
            return value
    except ValueError:  # within a leap second
        return value
    if not isinstance(moment, dt.datetime):
        return value
    moment += dt.timedelta(microseconds=500)
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)


def _other_year(year: int, key: str) -> InputError:
    return refusal("", key, f"is in the year {year}", f"{FIRST_YEAR} to {LAST_YEAR}")


def _parsed(text: str, key: str, wanted: str) -> dt.datetime:
    if LEAP_SECOND.search(text):
        raise refusal("", key, f'"{text}" is not a time', f"seconds 00 to 59; {NO_LEAP_SECOND}")
    try:
        return dt.datetime.fromisoformat(text.strip())
    except ValueError:
        raise refusal("", key, f'"{text}" is not a time', wanted) from None


def number(value: object, key: str) -> float:
    """A plain number; anything else is refused by name (True is no number here)."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise refusal("", key, f"is {value!r}", "a number")
    return float(value)


def whole_number(value: object, key: str, low: int, high: float = math.inf) -> int:
    """A whole number in a range; anything else is refused by name."""
    if isinstance(value, bool) or not isinstance(value, Integral) or not low <= int(value) <= high:
        raise refusal("", key, f"is {value!r}", f"a whole number, {Range(low, high).words}")
    return int(value)


def one_of(value: object, key: str, words: Sequence[str], joint: str = ", ") -> None:
    """Raise InputError, with the likely word, for what is none of the words."""
    if not isinstance(value, str) or value not in words:
        found = f'is "{value}"' if isinstance(value, str) else f"is {value!r:.60}"
        raise refusal("", key, found, joint.join(words), likely(str(value), words))


def span_utc(
    start: object | None, end: object | None, years: float | None
) -> tuple[np.datetime64, np.datetime64]:
    """Start and end of a run of calendar years. Without an end: one of them, or `years`, from the start (2027-01-01 if not given)."""
    begin, finish = start_and_end(start, end, years)
    return begin, calendar_end(begin, years) if finish is None else finish


def start_and_end(
    start: object | None, end: object | None, years: float | None, span: str | None = None
) -> tuple[np.datetime64, np.datetime64 | None]:
    """The start of a run, and its end where that is given. Raises InputError for what can't be, `years` and `span` included."""
    gathered = Gathered()
    finish = None
    with gathered:
        begin = utc_instant(DEFAULT_START if start is None else start, "start")
    with gathered:
        if span is not None and span not in SPANS:
            raise refusal("", "span", f"is {span!r}", " or ".join(SPANS), likely(str(span), SPANS))
    for key, given in (("years", years), ("span", span)):
        with gathered:
            if end is not None and given is not None:
                raise refusal("", key, "is given beside end", "one of the two")
    with gathered:
        if end is not None:
            finish = utc_instant(end, "end")
        else:
            count = 1.0 if years is None else number(years, "years")
            if not 0.0 < count <= LONGEST_YEARS:
                raise refusal("", "years", f"is {count:g}", f"above 0, at most {LONGEST_YEARS}")
    gathered.refuse()
    if finish is None:
        return begin, None
    if finish <= begin:
        found = f"{str(finish)[:16]} is not after start {str(begin)[:16]}"
        raise refusal("", "end", found, "an end after the start")
    # whole days: a difference in nanoseconds wraps after 292 years
    days = int((finish.astype("datetime64[D]") - begin.astype("datetime64[D]")).astype(int))
    if days > LONGEST_YEARS * 366:
        found = f"is {days / DAYS_PER_YEAR:.0f} years after start"
        raise refusal("", "end", found, f"a span of at most {LONGEST_YEARS} years")
    return begin, finish


def refuse_interval(interval_minutes: float) -> None:
    """Raise InputError for a length that rows can't have."""
    number(interval_minutes, "interval_minutes")
    if not 1.0 <= interval_minutes <= MOST_INTERVAL_MINUTES or interval_minutes != int(interval_minutes):
        allowed = f"whole minutes from 1 to {MOST_INTERVAL_MINUTES}"
        raise refusal("", "interval_minutes", f"is {interval_minutes:g}", allowed)


def refuse_wrong_span(
    start: object | None,
    end: object | None,
    years: float | None,
    span: str | None = None,
    interval_minutes: float = 60.0,
) -> None:
    """Raise InputError with all that can't be of what a user asked for, so far as it doesn't take the body to tell."""
    gathered = Gathered()
    finish = None
    with gathered:
        begin, finish = start_and_end(start, end, years, span)
    with gathered:
        refuse_interval(interval_minutes)
    gathered.refuse()
    if finish is not None:
        time_grid(begin, finish, interval_minutes)


def calendar_end(begin: np.datetime64, years: float | None) -> np.datetime64:
    """The end of so many calendar years, one when None; a part of a year is one of 8766 hours.

    From a leap day it is the last of February.
    """
    import numpy as np

    count = 1.0 if years is None else float(years)
    whole = int(count)
    month, day = begin.astype("datetime64[M]"), begin.astype("datetime64[D]")
    later = month + 12 * whole
    into_month = min(
        day - month.astype(day.dtype), (later + 1).astype(day.dtype) - later.astype(day.dtype) - 1
    )
    hours = later.astype("datetime64[h]") + into_month + np.timedelta64(round((count - whole) * 8766.0), "h")
    end: np.datetime64 = hours.astype("datetime64[ns]") + (begin - day)
    return end


def time_grid(start_utc: np.datetime64, end_utc: np.datetime64, interval_minutes: float) -> TimeGrid:
    """Equal intervals from start to end; the span must be a whole number of them."""
    import numpy as np

    from yieldsim.base.clock import tdb_seconds
    from yieldsim.base.year.time_grid import TimeGrid

    refuse_interval(interval_minutes)
    interval = np.timedelta64(int(interval_minutes), "m")
    count, rest = divmod(end_utc - start_utc, interval)
    if rest != np.timedelta64(0) or count < 1:
        raise refusal(
            "",
            "end",
            f"leaves {rest / np.timedelta64(1, 's'):g} s over after whole intervals of {interval_minutes:g} minutes",
            "a span of whole intervals",
            _whole_intervals(start_utc, end_utc, interval),
        )
    if count > MOST_ROWS:
        raise refusal(
            "",
            "interval_minutes",
            f"is {interval_minutes:g}, which makes {int(count)} rows of this span",
            f"up to {MOST_ROWS} rows",
            "longer rows lose nothing of the energy: the steps inside them stay short",
        )
    edges = start_utc + interval * np.arange(int(count) + 1)
    return TimeGrid(edge_utc=edges, edge_tdb_s=tdb_seconds(edges))


def _whole_intervals(start_utc: np.datetime64, end_utc: np.datetime64, interval: np.timedelta64) -> str:
    """What makes a span one of whole intervals: the next ends, or the next lengths of rows."""
    import numpy as np

    span, minute = end_utc - start_utc, np.timedelta64(1, "m")
    count = int(span // interval)
    ends = [start_utc + number * interval for number in (count, count + 1) if number > 0]
    hint = f"end at {' or '.join(str(end.astype('datetime64[s]')).removesuffix(':00') for end in ends)}"
    if span % minute == np.timedelta64(0):
        minutes, asked = int(span // minute), int(interval // minute)
        lengths = [one for one in range(1, MOST_INTERVAL_MINUTES + 1) if minutes % one == 0]
        near = [max((one for one in lengths if one < asked), default=0)]
        near.append(min((one for one in lengths if one > asked), default=0))
        hint += f", or take intervals of {' or '.join(str(one) for one in near if one)} minutes"
    return hint
