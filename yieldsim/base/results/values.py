"""Kinds of values in answers: plain numbers and texts, with what they keep to."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated

from annotated_types import Ge, Gt, Interval, Predicate

ISO = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z")
FIRST_YEAR, LAST_YEAR = 1700, 2300


def is_moment(text: str) -> bool:
    """Whether a text is a moment of UTC, as results write it, in the years that kernels reach.

    >>> is_moment("2027-01-01T00:00:00Z"), is_moment("2027-02-30T00:00:00Z"), is_moment("yesterday")
    (True, False, False)
    """
    if not ISO.fullmatch(text):
        return False
    try:
        year = dt.datetime.fromisoformat(text).year
    except ValueError:
        return False
    return FIRST_YEAR <= year <= LAST_YEAR


Moment = Annotated[str, Predicate(is_moment)]
"""UTC, like 2027-01-01T00:00:00Z."""
Positive = Annotated[float, Gt(0.0)]
Count = Annotated[int, Gt(0)]
NotNegative = Annotated[float, Ge(0.0)]
Share = Annotated[float, Interval(ge=0.0, le=1.0)]
"""From 0 to 1."""
Latitude = Annotated[float, Interval(ge=-90.0, le=90.0)]
