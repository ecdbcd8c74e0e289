"""The time axis behind the figures: solar days, energy between moments, spells, round dates."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import xarray as xr

from yieldsim.report.layout import time_axis


def axis(hours: int, start: str = "2026-01-01", **series: np.ndarray) -> xr.Dataset:
    """Hourly rows with the given series."""
    time = np.datetime64(start, "ns") + np.arange(hours) * np.timedelta64(1, "h").astype("timedelta64[ns]")
    ds = xr.Dataset(coords={"time": time})
    ds["time_bnds"] = (("time", "bnds"), np.stack([time, time + np.timedelta64(1, "h")], axis=1))
    return ds.assign({name: ("time", values) for name, values in series.items()})


def test_rows_are_split_in_proportion() -> None:
    ds = axis(3)
    power = np.array([1000.0, 2000.0, 3000.0])
    assert time_axis.kwh_between(ds, power, np.array([0.5, 1.5, 3.0, 9.0])) == pytest.approx([1.5, 4.0, 0.0])


def test_solar_days_are_counted_across_midnight() -> None:
    """Days of 20 hours, from 0.3 of a day on."""
    turned = 0.3 + (np.arange(100) + 0.5) / 20.0
    ds = axis(100, local_true_solar_time_hours=24.0 * (turned % 1.0))
    assert time_axis.solar_days_at_edges(ds) == pytest.approx(0.3 + np.arange(101) / 20.0)
    assert time_axis.solar_day_hours(ds) == pytest.approx(20.0)
    assert not time_axis.has_long_days(ds)


def test_sun_that_turns_back_does_not_turn_days_back() -> None:
    turned = 0.4 + np.array([0.0, 0.1, 0.2, 0.15, 0.12, 0.2, 0.3])
    ds = axis(7, local_true_solar_time_hours=24.0 * turned)
    assert (np.diff(time_axis.solar_days_at_edges(ds)) >= 0.0).all()


def test_map_by_solar_hour_keeps_the_energy(make_estimate: Callable[..., xr.Dataset]) -> None:
    """Mean times duration over all cells is the run's energy; the tolerance is rounding over 10 000 cells."""
    ds = make_estimate("martian year")
    power = ds["delivered_power_w"].values
    mean, starts = time_axis.mean_by_solar_hour(ds, power, 24)
    cell_edges = np.floor(time_axis.solar_days_at_edges(ds)[0]) + np.arange(mean.size + 1) / 24.0
    lasting = np.diff(np.interp(cell_edges, time_axis.solar_days_at_edges(ds), time_axis.edge_hours(ds)))
    assert np.nansum(mean.ravel() * lasting) == pytest.approx(power.sum(), rel=1e-9)
    assert starts.size == len(mean) + 1
    assert not np.isnan(mean[1:-1]).any(), "no holes inside the run"


def test_map_puts_noon_at_noon(make_estimate: Callable[..., xr.Dataset]) -> None:
    ds = make_estimate("martian decade")
    elevation, _ = time_axis.mean_by_solar_hour(ds, ds["solar_elevation_deg"].values, 24)
    assert set(elevation[1:-1].argmax(axis=1)) <= {11, 12}


def test_spells_reach_into_partial_rows() -> None:
    ds = axis(8, share=np.array([1.0, 0.4, 0.0, 0.0, 0.25, 1.0, 0.0, 1.0]))
    begins, ends = time_axis.spells_without_h(ds, "share")
    assert begins == pytest.approx([1.4, 6.0])
    assert ends == pytest.approx([4.75, 7.0])


def test_spells_at_the_ends_and_everywhere() -> None:
    begins, ends = time_axis.spells_without_h(axis(4, share=np.zeros(4)), "share")
    assert (begins, ends) == (pytest.approx([0.0]), pytest.approx([4.0]))
    assert time_axis.spells_without_h(axis(4, share=np.ones(4)), "share")[0].size == 0


def test_calendar_periods_are_cut_at_the_run() -> None:
    names, edges = time_axis.calendar_edges(axis(24 * 40, start="2026-01-30"), "M")
    assert [str(name) for name in names] == ["2026-01", "2026-02", "2026-03"]
    assert edges == pytest.approx([0.0, 48.0, 48.0 + 28 * 24, 960.0])


def test_leap_day_belongs_to_february() -> None:
    _, edges = time_axis.calendar_edges(axis(24 * 60, start="2028-02-01"), "M")
    assert edges[1] == pytest.approx(29 * 24)


@pytest.mark.parametrize(
    ("hours", "most", "expected"),
    [
        (
            24,
            9,
            ["00:00\n1 Jan", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00", "00:00\n2 Jan"],
        ),
        (24 * 20, 5, ["1 Jan\n2026", "6 Jan", "11 Jan", "16 Jan", "21 Jan"]),
        (8760, 4, ["Jan\n2026", "Apr", "Jul", "Oct", "Jan\n2027"]),
        (87660, 6, ["2026", "2028", "2030", "2032", "2034", "2036"]),
    ],
)
def test_dates_on_an_axis(hours: int, most: int, expected: list[str]) -> None:
    places, labels = time_axis.date_ticks(axis(hours), most)
    assert labels == expected
    assert places.min() >= 0.0
    assert places.max() <= hours
