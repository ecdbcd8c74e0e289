"""UTC to TDB and back: leap seconds, round trips, the library's own clock."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skyfield.api import load

from yieldsim.base.clock import library_time, tdb_minus_tt_s, tdb_seconds, utc_from_tdb


def utc(text: str) -> np.datetime64:
    return np.datetime64(text, "ns")


@pytest.mark.parametrize(
    ("day", "seconds"),
    [("2016-12-31", 86_401.0), ("2015-06-30", 86_401.0), ("2017-01-01", 86_400.0), ("1972-06-30", 86_401.0)],
)
def test_days_with_and_without_a_leap_second(day: str, seconds: float) -> None:
    """IERS Bulletin C: a second was inserted at the end of 2016 and of June 2015."""
    start, end = tdb_seconds(np.array([utc(day), utc(day) + np.timedelta64(1, "D")]))
    assert end - start == pytest.approx(seconds, abs=1e-4)


def test_against_the_library() -> None:
    scale = load.timescale(builtin=True)
    for year, month, day, hour in (
        (1969, 7, 20, 20),
        (1999, 12, 31, 23),
        (2016, 12, 31, 23),
        (2049, 6, 1, 1),
    ):
        theirs = scale.utc(year, month, day, hour, 17, 40.25)
        label = utc(f"{year}-{month:02d}-{day:02d}T{hour:02d}:17:40.25")
        ours = float(tdb_seconds(label))
        assert ours == pytest.approx((theirs.whole - 2_451_545.0 + theirs.tdb_fraction) * 86_400.0, abs=2e-6)
        assert utc_from_tdb(ours) == label


@given(st.integers(-1_000_000_000, 1_700_000_000), st.integers(0, 999_999))
def test_there_and_back(second: int, microsecond: int) -> None:
    """The labels come back to the microsecond, over more than the ephemeris covers."""
    label = utc("2000-01-01") + np.timedelta64(second, "s") + np.timedelta64(microsecond, "us")
    assert utc_from_tdb(tdb_seconds(label)) == label


def test_long_arrays_are_read_off_a_grid_that_is_near_enough() -> None:
    seconds = 8.0e8 + np.arange(0.0, 3.0e7, 1800.0)
    exact = np.array([tdb_minus_tt_s(np.array([s]))[0] for s in seconds[::97]])
    assert np.abs(tdb_minus_tt_s(seconds)[::97] - exact).max() < 5e-9
    assert np.abs(exact).max() > 1.6e-3


def test_block_by_block_gives_the_same_bits() -> None:
    labels = utc("2026-01-01") + np.arange(50_000) * np.timedelta64(60, "s")
    whole = tdb_seconds(labels)
    np.testing.assert_array_equal(whole[12_345:22_345], tdb_seconds(labels[12_345:22_345]))


def test_inserted_second_repeats_the_next_midnight() -> None:
    midnight = tdb_seconds(utc("2017-01-01"))
    assert utc_from_tdb(midnight - 0.5) == utc("2017-01-01T00:00:00.5")
    assert utc_from_tdb(midnight + 0.5) == utc("2017-01-01T00:00:00.5")
    assert utc_from_tdb(midnight - 1.5) == utc("2016-12-31T23:59:59.5")


def test_missing_time_is_an_error() -> None:
    with pytest.raises(ValueError, match="NaT"):
        tdb_seconds(np.array(["2026-01-01", "NaT"], dtype="datetime64[ns]"))


@pytest.mark.parametrize("day", ["2640-01-01", "1500-06-01"])
def test_years_that_nanoseconds_do_not_reach(day: str) -> None:
    with pytest.raises(ValueError, match="outside 1678 to 2262"):
        tdb_seconds(np.array([day], dtype="datetime64[s]"))
    assert tdb_seconds(np.datetime64("2262-01-01", "D")) > 8e9


def test_shapes_are_kept() -> None:
    assert tdb_seconds(utc("2026-01-01")).shape == ()
    assert tdb_seconds(np.full((3, 2), utc("2026-01-01"))).shape == (3, 2)
    assert library_time(np.zeros(4)).tdb.shape == (4,)


@pytest.mark.parametrize("year", [1700, 1706, 1707, 1708, 2200, 2261])
def test_years_far_from_j2000_don_t_wrap(year):
    # Julian day arithmetic of the calendar alone: days since 2000-01-01, no leap seconds before 1972
    import datetime

    days = datetime.date(year, 1, 1).toordinal() - datetime.date(2000, 1, 1).toordinal()
    seconds = float(tdb_seconds(np.datetime64(f"{year}-01-01", "ns")))
    assert seconds == pytest.approx(days * 86400.0 - 43200.0 + (42.2 if year < 1972 else 69.2), abs=0.05)
    assert utc_from_tdb(seconds) == np.datetime64(f"{year}-01-01", "ns")


@pytest.mark.parametrize("seconds", [9.3e9, -1.1e10, 1e12])
def test_labels_that_64_bits_can_not_hold_are_refused(seconds):
    with pytest.raises(ValueError, match="1678 to 2262"):
        utc_from_tdb(seconds)
