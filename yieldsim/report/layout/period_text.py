"""How energies of a span are called: by the year where it covers one, else by its own length."""

from __future__ import annotations

PART_YEAR_DAYS = 364.25
"""Energies of spans shorter than this are those of the span; of longer ones they are means by the year."""


def is_part_year(days: float) -> bool:
    """Whether the span is shorter than a year, so that its energies are not those of a year."""
    return days < PART_YEAR_DAYS


def span_words(days: float) -> str:
    """What stands behind an energy or a time.

    >>> span_words(365.0), span_words(1096.0), span_words(19.0) == "in 19 days", span_words(0.25) == "in 6.0 hours"
    ('a year', 'a year', True, True)
    """
    if not is_part_year(days):
        return "a year"
    if days < 2.0:
        return f"in {24.0 * days:.1f} hours"
    return f"in {days:.0f} days" if abs(days - round(days)) < 0.05 else f"in {days:.1f} days"


def days_between(start_utc: str, end_utc: str) -> float:
    """Days from one ISO moment to another.

    >>> days_between("2027-01-01T00:00:00Z", "2027-01-02T12:00:00Z")
    1.5
    """
    import numpy as np

    first, last = (np.datetime64(moment.rstrip("Z"), "s") for moment in (start_utc, end_utc))
    return float((last - first) / np.timedelta64(86_400, "s"))
