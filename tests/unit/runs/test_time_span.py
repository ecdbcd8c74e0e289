"""What a user may write for start, end and years."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from skyfield.api import load as skyfield_load

from yieldsim.base.errors import InputError
from yieldsim.runs.time_span import calendar_end, span_utc, time_grid, utc_instant

SIX = np.datetime64("2027-03-01T06:00", "ns")
EAST = dt.timezone(dt.timedelta(hours=2))


@pytest.mark.parametrize(
    "value",
    [
        "2027-03-01T06:00",
        " 2027-03-01 06:00 ",
        "2027-03-01T06:00:00Z",
        "2027-03-01T08:00+02:00",
        dt.datetime(2027, 3, 1, 6),
        dt.datetime(2027, 3, 1, 8, tzinfo=EAST),
        np.datetime64("2027-03-01T06"),
    ],
)
def test_one_instant_many_spellings(value):
    assert utc_instant(value, "start") == SIX


def test_times_of_skyfield_and_astropy():
    """In their own scales; days in floats hold 1e-5 s, and results are labelled in whole seconds."""
    astropy_time = pytest.importorskip("astropy.time")
    timescale = skyfield_load.timescale(builtin=True)
    expected = np.datetime64("2027-03-04T05:06:07", "ns")
    for value in (
        timescale.utc(2027, 3, 4, 5, 6, 7),
        timescale.tt_jd(timescale.utc(2027, 3, 4, 5, 6, 7).tt),
        astropy_time.Time("2027-03-04T05:06:07"),
        astropy_time.Time("2027-03-04T05:06:07").tdb,
        astropy_time.Time(astropy_time.Time("2027-03-04T05:06:07").mjd, format="mjd"),
    ):
        assert utc_instant(value, "start") == expected
    for several in (timescale.utc(2027, 3, [4, 5]), astropy_time.Time(["2027-03-04", "2027-03-05"])):
        with pytest.raises(InputError, match="one time of skyfield or Astropy"):
            utc_instant(several, "start")


def test_dates_are_midnight():
    assert (
        utc_instant(dt.date(2027, 3, 1), "start")
        == utc_instant("2027-03-01", "start")
        == SIX - np.timedelta64(6, "h")
    )


@pytest.mark.parametrize(
    "value", ["soon", "", "2027-13-01", "3027-01-01", "1066-01-01", 2027, 3.5, True, np.datetime64("NaT")]
)
def test_what_is_no_instant(value):
    with pytest.raises(InputError, match="start"):
        utc_instant(value, "start")


@pytest.mark.parametrize(
    ("start", "end", "years", "hours"),
    [
        (None, None, None, 8760),
        ("2028-01-01", None, None, 8784),
        ("2027-01-01", None, 2.0, 8760 + 8784),
        ("2027-01-01", None, 0.5, 4383),
        ("2027-02-28", "2027-03-01", None, 24),
    ],
)
def test_spans(start, end, years, hours):
    begin, finish = span_utc(start, end, years)
    assert (finish - begin) / np.timedelta64(1, "h") == hours


@pytest.mark.parametrize(
    ("start", "end", "years"),
    [
        ("2027-01-01", "2027-01-01", None),
        ("2027-01-02", "2027-01-01", None),
        (None, None, 0),
        (None, None, 61),
        (None, "2030-01-01", 1),
    ],
)
def test_spans_refused(start, end, years):
    with pytest.raises(InputError):
        span_utc(start, end, years)


def test_a_grid_counts_whole_intervals_and_follows_the_leap_second():
    begin, finish = np.datetime64("2016-12-31T22:00", "ns"), np.datetime64("2017-01-01T02:00", "ns")
    grid = time_grid(begin, finish, 60.0)
    # the hour before 2017 had 3601 seconds
    np.testing.assert_allclose(np.diff(grid.edge_tdb_s), [3600, 3601, 3600, 3600], atol=1e-3)
    utc, tdb_s = grid.fine(0, 4, 4)
    assert len(utc) == len(tdb_s) == 16
    assert utc[0] == begin + np.timedelta64(450, "s")
    with pytest.raises(InputError, match="whole intervals"):
        time_grid(begin, finish + np.timedelta64(1, "m"), 60.0)


def test_a_leap_second_is_told_as_one():
    with pytest.raises(InputError, match="seconds 00 to 59; a moment within a leap second cannot be named"):
        utc_instant("2016-12-31T23:59:60Z", "start")


def test_seconds_are_whole():
    with pytest.raises(InputError, match=r"start .* whole seconds"):
        utc_instant("2027-01-01T00:00:00.5", "start")


def test_a_missing_time_of_pandas_is_told():
    with pytest.raises(InputError, match="end NaT is not a time"):
        utc_instant(pd.NaT, "end")


@pytest.mark.parametrize("minutes", [30, np.int64(30), np.float32(30.0)])
def test_numbers_of_numpy_are_numbers(minutes):
    assert time_grid(SIX, SIX + np.timedelta64(2, "h"), minutes).count == 4


@pytest.mark.parametrize(
    "value",
    [
        "0001-01-01T00:00+02:00",
        "9999-12-31T23:59-02:00",
        "0000-01-01",
        "-0100-01-01",
        np.datetime64("-0100-01-01"),
        np.datetime64("12000-01-01"),
        "1699-12-31T23:59",
        "2201-01-01",
    ],
)
def test_years_beyond_the_calendar_are_refused(value):
    with pytest.raises(InputError, match="end"):
        utc_instant(value, "end")


@pytest.mark.parametrize("start", ["1700-01-01", "1705-06-01", "1900-01-01"])
def test_spans_of_centuries_are_refused_and_don_t_wrap(start):
    with pytest.raises(InputError, match="at most 60 years"):
        span_utc(start, "2199-01-01", None)


def test_the_first_years_are_computed():
    grid = time_grid(*span_utc("1700-01-01", "1700-01-02", None), 60.0)
    assert (np.diff(grid.edge_tdb_s) > 3599.9).all()
    assert grid.edge_tdb_s[0] < -9.4e9


@pytest.mark.parametrize(
    "begin", ["2027-01-01", "2028-02-29T13:14:15.123", "2027-12-31T23:59:59", "1996-02-29"]
)
@pytest.mark.parametrize("years", [1, 4, 19.0, 0.25])
def test_calendar_years_end_as_pandas_counts_them(begin: str, years: float) -> None:
    start = np.datetime64(begin, "ns")
    later = (
        pd.Timestamp(start)
        + pd.DateOffset(years=int(years))
        + pd.Timedelta(hours=round(8766.0 * (years % 1)))
    )
    assert calendar_end(start, years) == later.to_datetime64()


@pytest.mark.parametrize(
    ("end", "minutes", "hint"),
    [
        (
            "2027-03-02T06:00",
            7.0,
            "(end at 2027-03-02T05:55 or 2027-03-02T06:02, or take intervals of 6 or 8 minutes)",
        ),
        ("2027-03-01T06:30", 60.0, "(end at 2027-03-01T07:00, or take intervals of 30 minutes)"),
        ("2027-03-01T07:00:30", 60.0, "(end at 2027-03-01T07:00 or 2027-03-01T08:00)"),
    ],
)
def test_a_span_of_no_whole_intervals_says_what_would_do(end: str, minutes: float, hint: str) -> None:
    with pytest.raises(InputError) as refused:
        time_grid(SIX, np.datetime64(end, "ns"), minutes)
    assert str(refused.value).endswith(hint)
