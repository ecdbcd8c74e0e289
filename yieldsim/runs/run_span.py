"""From when to when a run goes at a body: whole years of that body, unless an end is given.

Moon, Earth     one calendar year
others          one year by the body's orbit, rounded up to whole solar days where these are short (Mars: 669 sols of
                668.59) or so long that a year is none of its own (Mercury: one solar day, two years)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.constants import DAYS_PER_YEAR, HOURS_PER_DAY, SECONDS_PER_DAY
from yieldsim.base.errors import DataMissing, refusal
from yieldsim.base.model import Body
from yieldsim.base.year.period import Period, year_name

if TYPE_CHECKING:
    import numpy as np

    from yieldsim.base.ephemeris import Ephemeris

EARTH_ORBIT = (3, 301, 399)
"""NAIF numbers of what goes about the Sun in the Earth's year."""
TROPICAL_YEAR_DAYS = 365.2422
"""Of the Earth (value from memory of the almanacs)."""
SHORT_DAYS, LONG_DAYS = 1.0 / 50.0, 0.5
"""Solar days below the first share of a year, or above the second, are not cut by a year's end."""
ROOM = 1.02
"""An orbit's period at one moment is this near its year, with room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSpan:
    """Start and end of a run, what its figures are per, and what to tell of the choice."""

    start_utc: np.datetime64
    end_utc: np.datetime64
    period: Period
    notes: tuple[str, ...] = ()


def run_span(
    body: Body,
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    span: str | None = None,
    interval_minutes: float = 60.0,
    kernels: Sequence[Path] = (),
) -> RunSpan:
    """The span of a run on a body.

    years   how many years, of the kind that `span` says
    span    calendar-year or body-year; None: calendar years on the Moon and the Earth, the body's own elsewhere
    Raises InputError for wrong words, and DataMissing where a body's year is asked for that no kernel holds.
    """
    import numpy as np

    from yieldsim.base.clock import tdb_seconds
    from yieldsim.runs.time_span import LONGEST_YEARS, calendar_end, start_and_end

    begin, finish = start_and_end(start, end, years, span)
    orbit = body.ephemeris_target if body.orbit_target is None else body.orbit_target
    of_earth = orbit in EARTH_ORBIT
    begin_s = float(tdb_seconds([begin])[0])
    notes: tuple[str, ...] = ()
    year_days, held = DAYS_PER_YEAR, True
    counts_own = span == "body-year" or (span is None and not of_earth)
    if not of_earth:
        # by Ls itself the Moon's season returns after 347 days, its equinox turning in 18.6 years: too slight to go by
        year_days, held = body_year_days(body, begin_s, kernels)
    if finish is None and counts_own:
        count = 1.0 if years is None else float(years)
        if count * year_days > LONGEST_YEARS * 366.0 and (years is not None or span is not None):
            found = (
                f"is {count:g} years of {body.name}, {count * year_days / DAYS_PER_YEAR:.0f} calendar years"
            )
            raise refusal("", "years", found, f"a span of at most {LONGEST_YEARS} calendar years")
        if held and count * year_days <= LONGEST_YEARS * 366.0:
            days = own_days(body, TROPICAL_YEAR_DAYS if of_earth else year_days, count)
            step = interval_minutes / 60.0 / HOURS_PER_DAY
            rows = math.ceil(days / step - 1e-6) if interval_minutes >= 1.0 else 0
            finish = begin + np.timedelta64(round(rows * interval_minutes), "m")
        elif span == "body-year" or years is not None:
            raise DataMissing(
                _too_long(body, year_days) + "; name a longer ephemeris with --kernel, or an end"
            )
        else:
            notes = (f"{_too_long(body, year_days)}: this run covers one calendar year, not whole seasons",)
    if finish is None:
        finish = calendar_end(begin, years)
    length = float((finish.astype("datetime64[s]") - begin.astype("datetime64[s]")).astype(np.int64))
    name = year_name(body.name) if not of_earth else "year"
    period = Period(year=name, year_days=year_days, days=length / SECONDS_PER_DAY)
    return RunSpan(start_utc=begin, end_utc=finish, period=period, notes=notes)


def body_year_days(body: Body, start_tdb_s: float, kernels: Sequence[Path]) -> tuple[float, bool]:
    """Days of a body's year from a start on, and whether the kernels hold it; by the orbit of the moment where they don't.

    Raises DataMissing where they don't hold the start either.
    """
    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.sky.season import orbital_period_days, season_return_days

    day_s = SECONDS_PER_DAY
    period_days = orbital_period_days(
        open_ephemeris(body, start_tdb_s, start_tdb_s + day_s, kernels), start_tdb_s
    )
    if not math.isfinite(period_days):
        return period_days, False
    try:
        whole = open_ephemeris(body, start_tdb_s, start_tdb_s + ROOM * period_days * day_s, kernels)
    except DataMissing:
        return period_days, False
    return season_return_days(whole, body, start_tdb_s), True


def own_days(body: Body, year_days: float, count: float) -> float:
    """Days that cover so many years of a body: whole solar days where these are short or long against the year."""
    solar_days = body.mean_solar_day_hours / HOURS_PER_DAY
    share, days = solar_days / year_days, count * year_days
    if (share <= SHORT_DAYS and count == int(count)) or (share >= LONG_DAYS and count == 1.0):
        # rounding of a resonance is no further day
        return math.ceil(days / solar_days - 1e-3) * solar_days
    return days


def season_note(
    ephemeris: Ephemeris, body: Body, period: Period, start_tdb_s: float, end_tdb_s: float
) -> str | None:
    """What to tell of a span that isn't whole seasons; None where it is."""
    import numpy as np

    from yieldsim.sky.season import solar_longitude_deg

    if period.has_whole_seasons:
        return None
    first, last = solar_longitude_deg(ephemeris, body, np.array([start_tdb_s, end_tdb_s]))
    years = period.days / period.year_days
    covered = f"{years:.0%}" if 0.01 <= years < 1.0 else f"{years:.2f}" if years >= 1.0 else f"{years:.1%}"
    of = f"of a {period.year}" if years < 1.0 else f"{period.year}s"
    called = f" of {body.name}" if period.year == "year" else ""
    means = (
        "figures hold for these seasons, not for a year"
        if period.is_part
        else "some seasons count more often than others"
    )
    return f"the span is not whole seasons: it covers {covered} {of}{called} (solar longitude {first:.0f} to {last:.0f} deg); {means}"


def _too_long(body: Body, year_days: float) -> str:
    if not math.isfinite(year_days):
        return f"{body.name} is on no closed orbit about the Sun, so it has no year"
    calendar = year_days / DAYS_PER_YEAR
    return (
        f"a year of {body.name} lasts {year_days:.0f} days ({calendar:.1f} calendar years), longer than the kernels hold or a "
        "run may be"
    )
