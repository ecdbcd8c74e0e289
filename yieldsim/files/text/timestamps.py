"""Moments in input files: dates and times to ISO 8601 in UTC."""

from __future__ import annotations

import datetime
import re

FIRST_YEAR, LAST_YEAR = 1700, 2200
"""Well inside what nanoseconds in 64 bits can hold (1678 to 2262)."""
LEAP_SECOND = re.compile(r"\d[T ]\d{2}:\d{2}:60(?!\d)", re.IGNORECASE)
"""A moment within a leap second, such as 2016-12-31T23:59:60."""
NO_LEAP_SECOND = "a moment within a leap second cannot be named"
"""Clocks, labels and results here count 60 seconds to every minute."""


def is_later(first: object, last: object) -> bool | None:
    """Whether the last of two moments, each with a zone or without, comes after the first; None where one is no moment.

    >>> is_later("2027-01-02T00:00:00Z", datetime.date(2027, 1, 3)), is_later("2027-01-02", 5)
    (True, None)
    """
    moments = []
    for value in (first, last):
        if not isinstance(value, datetime.date | datetime.datetime | str):
            return None
        try:
            moments.append(datetime.datetime.fromisoformat(utc_iso(value)))
        except ValueError:
            return None
    return moments[0] < moments[1]


def utc_iso(value: datetime.date | datetime.datetime | str) -> str:
    """ISO 8601 text without a zone, in UTC; no zone given means UTC, a plain date its first moment.

    Raises ValueError saying what is allowed.

    >>> utc_iso("2027-03-01T02:00:00+02:00"), utc_iso(datetime.date(2027, 3, 1))
    ('2027-03-01T00:00:00', '2027-03-01T00:00:00')
    """
    moment = value
    if isinstance(moment, str):
        if LEAP_SECOND.search(moment):
            raise ValueError(f"seconds 00 to 59; {NO_LEAP_SECOND}")
        try:
            moment = datetime.datetime.fromisoformat(moment.strip())
        except ValueError:
            raise ValueError("a date or a date and time, like 2027-03-01T12:00:00") from None
    if not isinstance(moment, datetime.datetime):
        moment = datetime.datetime(moment.year, moment.month, moment.day)
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise ValueError(f"a year from {FIRST_YEAR} to {LAST_YEAR}")
    if moment.tzinfo is not None:
        moment = moment.astimezone(datetime.UTC).replace(tzinfo=None)
    return moment.isoformat()
