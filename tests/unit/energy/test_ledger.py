"""Calendar sums and solar days from series made by hand."""

import numpy as np
import pytest
import xarray as xr

from yieldsim.energy.ledger import by_calendar, by_solar_day, solar_day_number

START = np.datetime64("2027-01-31T20:00", "ns")


def series(count, solar_time):
    ds = xr.Dataset(coords={"time": START + np.timedelta64(1, "h") * np.arange(count)})
    for name in ("delivered", "sun_following", "shield"):
        ds[f"{name}_power_w"] = ("time", np.full(count, 500.0))
    ds["beam_irradiance_w_m2"] = ("time", np.full(count, 1000.0))
    ds["delivering_fraction"] = ("time", np.ones(count))
    ds["disc_visible_fraction"] = ("time", np.full(count, 0.5))
    ds["local_true_solar_time_hours"] = ("time", solar_time)
    ds.attrs["interval_s"] = 3600.0
    return ds


def test_months_and_days_split_at_utc_midnight():
    ds = series(10, np.zeros(10))
    months = by_calendar(ds, "M")
    assert list(months["month"]) == ["2027-01", "2027-02"]
    np.testing.assert_allclose(months["delivered_kwh"], [2.0, 3.0])
    days = by_calendar(ds, "D")
    assert list(days["date_utc"]) == ["2027-01-31", "2027-02-01"]
    np.testing.assert_allclose(days["hours_lit"], [2.0, 3.0])


def test_solar_days_follow_local_midnight():
    solar_time = (20.3 + np.arange(30) * 24.0 / 24.66) % 24.0
    number = solar_day_number(solar_time)
    assert number[0] == 0
    assert list(np.flatnonzero(np.diff(number))) == [3, 28]
    table = by_solar_day(series(30, solar_time))
    assert list(table["hours"]) == [4.0, 25.0, 1.0]
    assert table["delivered_kwh"].sum() == pytest.approx(15.0)


def test_a_sun_that_runs_backwards_starts_no_new_day():
    solar_time = np.array([23.0, 23.8, 0.2, 23.9, 0.1, 0.5])
    assert list(solar_day_number(solar_time)) == [0, 0, 1, 1, 1, 1]
