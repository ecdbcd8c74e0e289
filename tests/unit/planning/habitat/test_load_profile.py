"""What loads ask, row by row: windows on both clocks, days, seasons, series."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.errors import DataMissing
from yieldsim.base.load_model import Load, LoadSeries, Schedule
from yieldsim.optics.photometry import SUNLIGHT, LightFigures
from yieldsim.planning.habitat.load_profile import (
    Rows,
    asking_fraction,
    need_power_w,
    solar_hours_at_edges,
    storage_efficiency,
)

FIGURES = LightFigures(luminous_efficacy_lm_per_w=100.0, photon_yield_umol_per_j=2.0)


def rows(
    count: int,
    *,
    start: str = "2027-01-01",
    row_hours: float = 1.0,
    day_hours: float = 24.0,
    solar_start: float = 0.0,
) -> Rows:
    """Rows over a world whose solar day lasts `day_hours`; the clock stands at `solar_start` at the first edge."""
    length = np.timedelta64(round(row_hours * 3.6e12), "ns")
    middle = solar_start + (np.arange(count) + 0.5) * row_hours / day_hours * 24.0
    return Rows(
        edge_utc=np.datetime64(start, "ns") + np.arange(count + 1) * length,
        solar_time_hours=middle % 24.0,
        solar_longitude_deg=(np.arange(count) * 30.0) % 360.0,
        shield_power_w=np.linspace(0.0, 5.0, count),
    )


def asked(schedule: Schedule, over: Rows) -> list[float]:
    return asking_fraction(schedule, over).round(9).tolist()


def test_a_window_in_utc_counts_for_its_share_of_a_row() -> None:
    schedule = Schedule(windows=((6.5, 8.25),), clock="utc")
    assert asked(schedule, rows(10))[5:10] == [0.0, 0.5, 1.0, 0.25, 0.0]
    # the same window in rows of half an hour and of four hours
    assert asked(schedule, rows(48, row_hours=0.5))[12:18] == [0.0, 1.0, 1.0, 1.0, 0.5, 0.0]
    assert asked(schedule, rows(3, row_hours=4.0)) == [
        0.0,
        pytest.approx(1.5 / 4.0),
        pytest.approx(0.25 / 4.0),
    ]


def test_windows_through_midnight_ask_every_night() -> None:
    schedule = Schedule(windows=((0.0, 6.0), (22.0, 24.0)), clock="utc")
    found = asked(schedule, rows(48))
    assert found[:6] == [1.0] * 6
    assert found[6:22] == [0.0] * 16
    assert found[22:30] == [1.0] * 8
    assert sum(found) == 16.0


@pytest.mark.parametrize("day_hours", [24.6597, 708.734, 4222.6])
def test_solar_windows_take_their_share_of_any_solar_day(day_hours: float) -> None:
    """16 of 24 solar hours are two thirds of the time, whatever the day's length."""
    days = 3
    count = round(days * day_hours)
    found = asking_fraction(
        Schedule(windows=((6.0, 22.0),)), rows(count, row_hours=days * day_hours / count, day_hours=day_hours)
    )
    assert found.mean() == pytest.approx(16.0 / 24.0, abs=1e-9)
    # on and off, and few rows between
    assert ((found == 0.0) | (found == 1.0)).mean() > 1.0 - 4.0 * days / count - 1e-9


def test_hours_of_a_martian_clock_drift_against_utc() -> None:
    over = rows(24 * 40, day_hours=24.6597)
    found = asking_fraction(Schedule(windows=((12.0, 13.0),)), over)
    noons = np.flatnonzero((found > 0.0) & (np.roll(found, 1) == 0.0))
    # 40 Earth days hold 38.9 sols: the hour of the day moves on by 39.6 minutes a sol
    assert len(noons) == 39
    assert (noons[-1] - noons[0]) / (len(noons) - 1) == pytest.approx(24.6597, abs=0.03)


def test_a_clock_that_stands_still_is_read_where_it_stands() -> None:
    still = rows(5)
    over = Rows(
        edge_utc=still.edge_utc,
        solar_time_hours=np.full(5, 7.0),
        solar_longitude_deg=still.solar_longitude_deg,
        shield_power_w=still.shield_power_w,
    )
    assert asked(Schedule(windows=((6.0, 8.0),)), over) == [1.0] * 5
    assert asked(Schedule(windows=((8.0, 9.0),)), over) == [0.0] * 5


def test_a_clock_that_runs_backwards_is_followed() -> None:
    over = rows(4)
    backwards = Rows(
        edge_utc=over.edge_utc,
        solar_time_hours=np.array([6.5, 6.3, 6.1, 5.9]),
        solar_longitude_deg=over.solar_longitude_deg,
        shield_power_w=over.shield_power_w,
    )
    np.testing.assert_allclose(
        solar_hours_at_edges(backwards.solar_time_hours, 1.0), [6.6, 6.4, 6.2, 6.0, 5.8], atol=1e-12
    )
    assert asked(Schedule(windows=((6.0, 22.0),)), backwards) == [1.0, 1.0, 1.0, 0.0]


def test_weekdays_are_those_of_the_calendar() -> None:
    """2027-01-01 is a Friday (and 1970-01-01 was a Thursday)."""
    found = np.array(asked(Schedule(weekdays=(4, 0)), rows(24 * 7)))
    days = found.reshape(7, 24).max(axis=1)
    assert days.tolist() == [1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0]


def test_mission_days_of_both_clocks() -> None:
    earthly = asking_fraction(
        Schedule(mission_days=((2, 3),), clock="utc"), rows(24 * 5, start="2027-01-01T07:00")
    )
    assert np.flatnonzero(earthly).tolist() == list(range(24, 72))
    # solar days are cut at midnight: a run that begins at noon has a first day of half the length
    solar = asking_fraction(Schedule(mission_days=((2, 2),)), rows(100, day_hours=40.0, solar_start=12.0))
    assert np.flatnonzero(solar).tolist() == list(range(20, 60))


def test_factors_by_month_and_by_season() -> None:
    monthly = Schedule(monthly_factors=tuple(float(month) for month in range(12)))
    found = asking_fraction(monthly, rows(24 * 60))
    assert found[0] == 0.0
    assert found[24 * 31] == 1.0
    assert found[24 * 59] == 2.0
    seasonal = Schedule(seasonal_factors=((0.0, 1.0), (180.0, 3.0)))
    assert asked(seasonal, rows(12))[:8] == pytest.approx([1.0, 4 / 3, 5 / 3, 2.0, 7 / 3, 8 / 3, 3.0, 8 / 3])


def test_conditions_hold_together() -> None:
    schedule = Schedule(windows=((0.0, 12.0),), clock="utc", weekdays=(4,), monthly_factors=(0.5,) * 12)
    found = asked(schedule, rows(48))
    assert found == [0.5] * 12 + [0.0] * 36


# ---------------------------------------------------------------- amounts


def test_units_of_light() -> None:
    over = rows(2)
    lumens = Load(name="a", kind="light", unit="lm", amount=250.0)
    photons = Load(name="b", kind="light", unit="umol/s", amount=30.0)
    assert need_power_w(lumens, over, FIGURES).tolist() == [2.5, 2.5]
    assert need_power_w(photons, over, FIGURES).tolist() == [15.0, 15.0]
    assert need_power_w(lumens, over, SUNLIGHT)[0] == pytest.approx(250.0 / 97.80)


def test_a_lamp_is_worth_its_lumens_or_photons() -> None:
    """A lamp of 3 umol/J out of the store gives what 1.5 W of light of 2 umol/J do."""
    assert storage_efficiency(Load(name="a", kind="light", unit="umol/s", lamp_yield=3.0), FIGURES) == 1.5
    assert storage_efficiency(Load(name="a", kind="light", unit="lm", lamp_yield=80.0), FIGURES) == 0.8
    assert storage_efficiency(Load(name="a", kind="heat", from_storage_efficiency=0.7), FIGURES) == 0.7


def test_the_shields_ask_what_the_estimate_says() -> None:
    over = rows(6)
    shields = Load(name="shields", kind="electric", is_shield=True, schedule=Schedule())
    np.testing.assert_array_equal(need_power_w(shields, over, FIGURES), over.shield_power_w)


def test_a_series_in_utc_is_averaged_over_rows() -> None:
    start = np.datetime64("2027-01-01T00:00", "ns").astype(np.int64)
    at = start + np.array([0.0, 1.5, 2.0]) * 3.6e12
    series = LoadSeries(against="utc", x=at, amount=np.array([10.0, 20.0, 40.0]))
    # the last row lasts as long as the one before it
    load = Load(name="a", kind="heat", amount=series)
    assert need_power_w(load, rows(2), FIGURES).tolist() == [10.0, 15.0]
    with pytest.raises(DataMissing, match=r'load "a" covers 2027-01-01T00:00 to 2027-01-01T02:30'):
        need_power_w(load, rows(3), FIGURES)
    with pytest.raises(DataMissing, match="lengthen the table"):
        need_power_w(load, rows(1, start="2026-12-31T23:00"), FIGURES)


def test_a_daily_series_repeats_on_its_clock() -> None:
    series = LoadSeries(against="hour", x=np.array([0.0, 6.0, 18.0]), amount=np.array([1.0, 5.0, 2.0]))
    utc = Load(name="a", kind="heat", amount=series, schedule=Schedule(clock="utc"))
    found = need_power_w(utc, rows(48, start="2027-01-01T03:00"), FIGURES)
    assert found[:3].tolist() == [1.0] * 3
    assert found[3:15].tolist() == [5.0] * 12
    assert found[15:21].tolist() == [2.0] * 6
    np.testing.assert_allclose(found[:24], found[24:])
    solar = Load(name="a", kind="heat", amount=series)
    lunar = need_power_w(solar, rows(709, day_hours=709.0), FIGURES)
    assert lunar.mean() == pytest.approx((6 * 1.0 + 12 * 5.0 + 6 * 2.0) / 24.0)


def test_one_row_series_holds_throughout() -> None:
    series = LoadSeries(against="utc", x=np.array([0.0]), amount=np.array([7.0]))
    assert need_power_w(Load(name="a", kind="heat", amount=series), rows(3), FIGURES).tolist() == [7.0] * 3


def test_weekdays_follow_the_clock() -> None:
    """2027-01-01 is a Friday. By UTC the fourth day is a Monday; a solar day of 48 h makes it the third and fourth pair."""
    monday = Schedule(weekdays=(0,), clock="utc")
    over = rows(24 * 10, day_hours=48.0)
    assert np.flatnonzero(asking_fraction(monday, over)).tolist() == list(range(72, 96))
    solar = Schedule(weekdays=(0,), clock="solar")
    assert np.flatnonzero(asking_fraction(solar, over)).tolist() == list(range(144, 192))
    # cut at local midnight: a run that begins at noon has half a Friday first
    noon = rows(24 * 4, solar_start=12.0, start="2027-01-01T06:00")
    saturday = Schedule(weekdays=(5,), clock="solar")
    assert np.flatnonzero(asking_fraction(saturday, noon)).tolist() == list(range(12, 36))
