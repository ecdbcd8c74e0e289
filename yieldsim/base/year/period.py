"""The year that a run's figures stand for: whose year, how long it is, how many of it the run covers."""

from __future__ import annotations

from dataclasses import dataclass

from yieldsim.base.constants import DAYS_PER_YEAR
from yieldsim.base.results.parts import PeriodResult

NEAR_DAYS, NEAR_SHARE = 1.5, 0.005
"""A run this near a whole number of years, in days or of a year, has whole seasons: years are whole days, sols or hours long."""
YEAR_NAMES = {"moon": "year", "earth": "year", "mars": "Martian year"}
"""Of other bodies it is called by the body's name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """What annual figures of a run are per.

    year        how the body's year is called
    year_days   its length in days; the Julian year for the Moon and the Earth
    days        length of the run
    """

    year: str
    year_days: float
    days: float

    @property
    def years(self) -> float:
        """By what annual figures are divided."""
        return span_years(self.days, self.year_days)

    @property
    def is_part(self) -> bool:
        """Whether the run is shorter than a year, so that its energies are not those of a year."""
        return self.days < self.year_days and not has_whole_years(self.days, self.year_days)

    @property
    def has_whole_seasons(self) -> bool:
        """Whether the run covers a whole number of years, each season as often as the others."""
        return has_whole_years(self.days, self.year_days)

    @property
    def per(self) -> str:
        """What stands behind an energy: "a year", "a Martian year", "in 19 days"."""
        return in_days(self.days) if self.is_part else f"a{'n' * (self.year[0] in 'AEIO')} {self.year}"

    def words(self) -> PeriodResult:
        """The same for JSON."""
        return {
            "year": self.year,
            "year_days": self.year_days,
            "years_covered": self.days / self.year_days,
            "whole_seasons": self.has_whole_seasons,
            "annual_figures_per": in_days(self.days).removeprefix("in ") if self.is_part else self.year,
        }


def year_name(body: str) -> str:
    """How the year of a body is called.

    >>> year_name("Mars"), year_name("Moon"), year_name("Ceres")
    ('Martian year', 'year', 'Ceres year')
    """
    return YEAR_NAMES.get(body.lower(), f"{body} year")


def has_whole_years(days: float, year_days: float) -> bool:
    """Whether a span is a whole number of years, one or more.

    >>> [has_whole_years(days, 365.25) for days in (365.0, 366.0, 730.0, 360.0, 548.0)]
    [True, True, True, False, False]
    """
    whole = round(days / year_days)
    return whole >= 1 and abs(days - whole * year_days) <= max(NEAR_DAYS, NEAR_SHARE * year_days)


def span_years(days: float, year_days: float = DAYS_PER_YEAR) -> float:
    """Years of a span: a whole number where it is within a day of that, else in mean years; at least 1.

    >>> span_years(365.0), span_years(30.0), span_years(3652.0)
    (1.0, 1.0, 10.0)
    """
    whole = round(days / year_days)
    return float(max(whole, 1)) if abs(days - whole * year_days) <= 1.0 else max(days / year_days, 1.0)


def in_days(days: float) -> str:
    """A length of time after an energy.

    >>> in_days(19.0), in_days(0.25), in_days(19.5)
    ('in 19 days', 'in 6.0 hours', 'in 19.5 days')
    """
    if days < 2.0:
        return f"in {24.0 * days:.1f} hours"
    return f"in {days:.0f} days" if abs(days - round(days)) < 0.05 else f"in {days:.1f} days"
