"""From when to when a run goes on each body, what its figures are per, and what is told of it."""

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.errors import DataMissing, InputError
from yieldsim.base.year.period import Period, span_years
from yieldsim.files.inputs.readers import read_body
from yieldsim.runs.run_span import run_span

SOL_H = 88_775.244 / 3600.0


def body(name):
    return read_body(name).noun


@pytest.mark.parametrize("name", ["moon", "earth"])
def test_the_moon_and_the_earth_have_calendar_years(name):
    one = run_span(body(name))
    assert (one.end_utc - one.start_utc) / np.timedelta64(1, "D") == 365
    assert (one.period.per, one.period.years, one.period.has_whole_seasons) == ("a year", 1.0, True)
    assert run_span(body(name), "2028-01-01", years=2).period.days == 366 + 365


def test_mars_has_its_own_year_in_whole_sols():
    """668.59 sols: the first hour after 669."""
    mars = run_span(body("mars"))
    hours = (mars.end_utc - mars.start_utc) / np.timedelta64(1, "h")
    assert hours == np.ceil(669 * SOL_H)
    assert (mars.period.per, mars.period.years, mars.period.has_whole_seasons) == (
        "a Martian year",
        1.0,
        True,
    )
    assert mars.period.year_days == pytest.approx(686.97, abs=0.1)
    two = run_span(body("mars"), years=2)
    assert two.period.years == 2.0
    assert two.period.days == pytest.approx(1338 * SOL_H / 24.0, abs=0.05)


def test_years_of_the_calendar_on_mars_are_no_whole_seasons():
    one = run_span(body("mars"), span="calendar-year", years=1)
    assert one.period.days == 365.0
    assert (one.period.is_part, one.period.per, one.period.years) == (True, "in 365 days", 1.0)
    assert one.period.words()["annual_figures_per"] == "365 days"


def test_mercury_runs_through_one_solar_day_of_two_years():
    mercury = run_span(body("mercury"))
    assert mercury.period.days == pytest.approx(175.94, abs=0.05)
    assert mercury.period.years == pytest.approx(2.0, abs=1e-9)


def test_intervals_of_any_length_fit():
    mars = run_span(body("mars"), interval_minutes=1440.0)
    assert mars.period.days == 688.0
    assert mars.period.has_whole_seasons


def far(name="Saturn", target=6):
    """A world on an orbit of 29 years, longer than DE421 runs on from 2027."""
    return replace(body("mars"), name=name, ephemeris_target=target)


def test_a_year_longer_than_the_kernels_says_so():
    span = run_span(far())
    assert span.period.days == 365.0
    assert span.period.is_part
    assert span.period.year_days == pytest.approx(10_759, rel=0.02)
    (note,) = span.notes
    assert "a year of Saturn lasts 1" in note
    assert "longer than the kernels hold" in note
    with pytest.raises(DataMissing, match="longer than the kernels hold"):
        run_span(far(), span="body-year")
    with pytest.raises(DataMissing, match="longer than the kernels hold"):
        run_span(far(), years=1)
    assert run_span(far(), "1990-01-01").period.years == 1.0


def test_wrong_words():
    with pytest.raises(InputError, match=r"calendar-year or body-year"):
        run_span(body("mars"), span="year")
    with pytest.raises(InputError, match="span is given beside end"):
        run_span(body("mars"), end="2028-01-01", span="body-year")
    with pytest.raises(InputError, match="at most 60 calendar years"):
        run_span(body("mars"), years=50)


def test_figures_of_long_runs_are_per_year_of_the_body():
    assert span_years(1374.8, 686.97) == 2.0
    assert span_years(1000.0, 686.97) == pytest.approx(1000.0 / 686.97)
    odd = Period(year="Martian year", year_days=686.97, days=1000.0)
    assert (odd.per, odd.has_whole_seasons, odd.is_part) == ("a Martian year", False, False)
