"""UTC labels to seconds of TDB past J2000 and back; leap seconds from the library's built-in table."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.base.constants import J2000_JD, SECONDS_PER_DAY
from yieldsim.base.numerics.vectors import FloatArray

J2000 = np.datetime64("2000-01-01T12:00:00", "ns")
TT_MINUS_TAI_S = 32.184
UNIX_EPOCH_JD = 2_440_587.5
TDB_GRID_S = 21_600.0
"""TDB - TT is read off a fixed grid of this spacing: at most 4e-9 s from the series, a tenth of what a
float64 of present seconds past J2000 resolves."""


@cache
def timescale() -> Any:
    """The library's time scale with its built-in leap seconds: nothing is downloaded."""
    from skyfield.api import load

    return load.timescale(builtin=True)


@cache
def _leap_table() -> tuple[NDArray[np.int64], FloatArray]:
    """UTC nanoseconds (since 1970) from which TAI - UTC takes each value; before the first, 10 s."""
    scale = timescale()
    days = np.asarray(scale.leap_dates, dtype=np.float64) - UNIX_EPOCH_JD
    offsets = np.asarray(scale.leap_offsets, dtype=np.float64)
    since_ns = np.rint(days * SECONDS_PER_DAY).astype(np.int64) * 1_000_000_000
    return since_ns, np.concatenate([[offsets[0] - 1.0], offsets])


def tdb_seconds(utc: ArrayLike) -> FloatArray:
    """Seconds of TDB past J2000 for UTC times (datetime64, any shape).

        TDB = UTC + (TAI - UTC) + 32.184 s + (TDB - TT)

    Before 1972 the 10 s of 1972 are kept (no rubber seconds); after the table's end, its last value. TDB - TT
    is the series of USNO Circular 179, eq. 2.6, as in skyfield. A float64 resolves 1e-7 s here: 5e-10 deg of
    Mars's rotation.
    Raises ValueError on a NaT and on a year that labels in nanoseconds don't reach.

    >>> print(tdb_seconds(np.datetime64("2008-03-17T20:10:00")).round(4))
    259056665.1856
    """
    given = np.asarray(utc)
    labels = given.astype("datetime64[ns]")
    if np.isnat(labels).any():
        raise ValueError("a time is missing (NaT)")
    if (
        given.dtype != labels.dtype
        and (labels.astype("datetime64[D]") != given.astype("datetime64[D]")).any()
    ):
        raise ValueError("a time lies outside 1678 to 2262, all that labels in nanoseconds reach")
    since_ns, offsets = _leap_table()
    leap_s = offsets[np.searchsorted(since_ns, labels.astype(np.int64), side="right")]
    # whole seconds first: nanoseconds before 1707 and J2000 lie further apart than 64 bits count
    whole_s, rest_ns = np.divmod(labels.astype(np.int64), 1_000_000_000)
    utc_s = (whole_s - J2000.astype("datetime64[s]").astype(np.int64)) + rest_ns / 1e9
    tt_s = utc_s + (leap_s + TT_MINUS_TAI_S)
    return np.asarray(tt_s + tdb_minus_tt_s(tt_s))


def utc_from_tdb(tdb_s: ArrayLike) -> NDArray[np.datetime64]:
    """UTC labels (datetime64[ns], rounded to the microsecond) of seconds of TDB past J2000.

    During an inserted leap second, which the labels can't name, the first second of the next day is repeated.
    """
    seconds = np.asarray(tdb_s, dtype=np.float64)
    tai_s = seconds - tdb_minus_tt_s(seconds) - TT_MINUS_TAI_S
    tai_us = np.rint(tai_s * 1e6).astype(np.int64)
    since_ns, offsets = _leap_table()
    j2000_us = J2000.astype("datetime64[us]").astype(np.int64)
    steps_tai_us = since_ns // 1000 - j2000_us + np.rint(offsets[1:] * 1e6).astype(np.int64)
    leap_us = np.rint(offsets * 1e6).astype(np.int64)[np.searchsorted(steps_tai_us, tai_us, side="right")]
    utc_us = tai_us - leap_us + j2000_us
    if utc_us.size and not np.abs(utc_us).max() < np.iinfo(np.int64).max // 1000:
        raise ValueError("a time lies outside 1678 to 2262, all that labels in nanoseconds reach")
    return np.asarray(utc_us.astype("datetime64[us]").astype("datetime64[ns]"))


def tdb_minus_tt_s(seconds: FloatArray) -> FloatArray:
    """TDB - TT, seconds, at seconds of either past J2000; at most 1.7 ms."""
    from skyfield.timelib import tdb_minus_tt

    if seconds.size < 1000:
        return np.asarray(tdb_minus_tt(J2000_JD, seconds / SECONDS_PER_DAY))
    first, last = np.floor(seconds.min() / TDB_GRID_S), np.ceil(seconds.max() / TDB_GRID_S)
    if last - first > seconds.size:
        return np.asarray(tdb_minus_tt(J2000_JD, seconds / SECONDS_PER_DAY))
    grid_s = np.arange(first, last + 2.0) * TDB_GRID_S
    return np.asarray(np.interp(seconds, grid_s, tdb_minus_tt(J2000_JD, grid_s / SECONDS_PER_DAY)))


def library_time(tdb_s: ArrayLike) -> Any:
    """The library's Time object for seconds of TDB past J2000, days and fraction kept apart."""
    days = np.asarray(tdb_s, dtype=np.float64) / SECONDS_PER_DAY
    whole = np.floor(days)
    return timescale().tdb_jd(J2000_JD + whole, days - whole)


def iso(instant: np.datetime64) -> str:
    """ISO 8601 UTC to the second: 2027-01-01T00:00:00Z."""
    nanoseconds = int(instant.astype("datetime64[ns]").astype(np.int64))
    return f"{np.datetime64((nanoseconds + 500_000_000) // 1_000_000_000, 's')}Z"
