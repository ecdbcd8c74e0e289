"""How figures of a span are called: by the year of the body where the span covers one, else by its own length."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from yieldsim.base.constants import DAYS_PER_YEAR
from yieldsim.base.year.period import Period
from yieldsim.report.layout.number_format import plain


def period_of(summary: Mapping[str, Any]) -> Period:
    """The period of a result by its JSON; results that name none are of Earth's years."""
    words = summary.get("period") or {}
    return Period(
        year=str(words.get("year", "year")),
        year_days=float(words.get("year_days", DAYS_PER_YEAR)),
        days=days_between(summary["start_utc"], summary["end_utc"]),
    )


def per_of(summary: Mapping[str, Any]) -> str:
    """What stands behind an annual figure of a result."""
    return period_of(summary).per


def per_unit(summary: Mapping[str, Any]) -> str:
    """What stands behind a unit in the head of a table: "/year", "/Martian year"; nothing where figures are of the span."""
    period = period_of(summary)
    return "" if period.is_part else f"/{period.year}"


def rate_words(summary: Mapping[str, Any]) -> str:
    """What stands behind figures that are rates of a year whatever the span."""
    return f"a {period_of(summary).year}"


def period_line(summary: Mapping[str, Any]) -> str:
    """From when to when, how long, and how many years of the body that is.

    >>> period_line({"start_utc": "2027-01-01T00:00:00Z", "end_utc": "2028-01-01T00:00:00Z"})
    '2027-01-01 to 2028-01-01, 365 days: 1 year, whole seasons'
    >>> period_line({"start_utc": "2027-01-01T06:00:00Z", "end_utc": "2027-01-01T07:30:00Z"})
    '2027-01-01T06:00 to 2027-01-01T07:30, 1.5 hours: 0.017 % of a year, NOT WHOLE SEASONS'
    >>> mars = {"year": "Martian year", "year_days": 686.97}
    >>> period_line({"start_utc": "2027-01-01T00:00:00Z", "end_utc": "2027-12-31T00:00:00Z", "period": mars})
    '2027-01-01 to 2027-12-31, 364 days: 53 % of a Martian year of 687 days, NOT WHOLE SEASONS'
    """
    period = period_of(summary)
    # a run within a day is told by the minute
    short = period.days < 1.0
    dates = " to ".join(summary[f"{end}_utc"][: 16 if short else 10] for end in ("start", "end"))
    length = f"{period.days:.1f}".removesuffix(".0") + " days"
    if short:
        hours = plain(period.days * 24.0, 3)
        length = f"{hours} hour{'s' * (hours != '1')}"
    long = "" if period.year == "year" else f" of {period.year_days:.0f} days"
    years = period.days / period.year_days
    if period.has_whole_seasons:
        count = round(years)
        how = f"{count} {period.year}{'s' * (count > 1)}{long}, whole seasons"
    else:
        part = (
            f"{plain(years, 2)} {period.year}s"
            if years > 1.0
            else f"{plain(100.0 * years, 2)} % of a {period.year}"
        )
        how = f"{part}{long}, NOT WHOLE SEASONS"
    return f"{dates}, {length}: {how}"


def days_between(start_utc: str, end_utc: str) -> float:
    """Days from one ISO moment to another.

    >>> days_between("2027-01-01T00:00:00Z", "2027-01-02T12:00:00Z")
    1.5
    """
    import numpy as np

    first, last = (np.datetime64(moment.rstrip("Z"), "s") for moment in (start_utc, end_utc))
    return float((last - first) / np.timedelta64(86_400, "s"))


def utc(moment: str | None) -> str:
    """An ISO moment to the minute, as people read it."""
    return "–" if moment is None else moment.rstrip("Z").replace("T", " ")[:16]
