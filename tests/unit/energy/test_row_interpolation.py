"""The Sun between rows against the track that the rows came from, and how a row's light falls."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import yieldsim
from yieldsim.base.numerics.vectors import angle_between_deg, direction_enu_xyz
from yieldsim.energy.row_interpolation import Turning, light_shares, steps_a_row, sun_between_rows, turning_of
from yieldsim.runs.setup.prepare import prepare

SITES = Path(__file__).resolve().parents[3] / "sites"
CLOSE_DEG = 1e-3
"""A thousandth of a degree is a four-hundredth of the step at which the narrowest demo optics are read."""


@pytest.mark.parametrize(
    ("site", "minutes"),
    [
        ("lantern-ridge", 60),
        ("lantern-ridge", 360),
        ("long-meadow", 60),
        ("rust-plain", 60),
        ("rust-plain", 360),
        ("ember-rim", 60),
    ],
)
def test_the_sun_between_rows_is_the_tracks(site: str, minutes: int) -> None:
    ready = prepare(
        SITES / f"{site}.toml",
        SITES / "wide.collector.toml",
        "2027-02-01",
        "2027-03-01",
        interval_minutes=minutes,
    )
    track, grid = ready.setting.track, ready.grid
    utc, tdb_s = grid.fine(0, grid.count, 1)
    middle = track.dataset(tdb_s, utc)
    azimuth, elevation = middle["solar_azimuth_deg"].values, middle["solar_elevation_deg"].values
    body = ready.setting.site.body
    from yieldsim.sky.ellipsoid import planetographic_deg

    latitude = float(
        planetographic_deg(ready.setting.site.latitude_deg, body.equatorial_radius_km, body.polar_radius_km)
    )
    hours = minutes / 60.0
    turning = turning_of(azimuth, elevation, hours, latitude, body.mean_solar_day_hours)
    utc, tdb_s = grid.fine(0, grid.count, 7)
    wanted = track.dataset(tdb_s, utc)
    true = direction_enu_xyz(wanted["solar_azimuth_deg"].values, wanted["solar_elevation_deg"].values)
    at = (np.arange(7 * grid.count) + 0.5) / 7
    found = sun_between_rows(azimuth, elevation, hours, turning, at)
    assert angle_between_deg(found, true).max() < CLOSE_DEG


def test_a_world_that_turns_the_other_way() -> None:
    """Rows of a Sun that goes from west to east are told apart from the usual ones."""
    eastward = Turning(30.0, 15.0)
    hours = np.arange(12) + 0.5
    start = np.tile(direction_enu_xyz(100.0, 20.0), (12, 1))
    sun = eastward.turned(start, hours)
    azimuth = np.degrees(np.arctan2(sun[:, 0], sun[:, 1])) % 360.0
    elevation = np.degrees(np.arcsin(sun[:, 2]))
    assert turning_of(azimuth, elevation, 1.0, 30.0, 24.0).rate_deg_per_hour == 15.0


@pytest.mark.parametrize(("rows", "steps"), [(1, 1), (2, 3), (3, 2)])
def test_few_rows_do(rows: int, steps: int) -> None:
    """Runs of fewer rows than the cubic takes."""
    turning = Turning(-80.0, -0.5)
    start = np.tile(direction_enu_xyz(10.0, 3.0), (rows, 1))
    sun = turning.turned(start, np.arange(rows) + 0.5)
    azimuth = np.degrees(np.arctan2(sun[:, 0], sun[:, 1])) % 360.0
    elevation = np.degrees(np.arcsin(sun[:, 2]))
    at = (np.arange(rows * steps) + 0.5) / steps
    wanted = turning.turned(np.tile(start[0], (len(at), 1)), at)
    found = sun_between_rows(azimuth, elevation, 1.0, turning, at)
    assert angle_between_deg(found, wanted).max() < 1e-9


def test_steps_are_short_in_time_and_way() -> None:
    assert steps_a_row(1.0, 708.7, 8760) == 4
    assert steps_a_row(1.0, 24.66, 16_500) == 24
    assert steps_a_row(1.0, 9.07, 500_000) == 4


def test_light_falls_where_the_estimate_has_it() -> None:
    """Shares of the steps against the beam of the estimate's own fine steps, over a Martian day with a sunrise and a sunset."""
    from yieldsim.energy.integration import beam_block

    span = ("2027-06-01", "2027-06-03")
    ds = yieldsim.estimate(SITES / "rust-plain.toml", SITES / "sol-fan.collector.toml", *span)
    chain = ds.yieldsim.summary["chain"]
    azimuth, elevation = ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values
    turning = turning_of(
        azimuth, elevation, 1.0, chain["latitude_planetographic_deg"], chain["mean_solar_day_hours"]
    )
    steps = steps_a_row(1.0, chain["mean_solar_day_hours"], ds.sizes["time"])
    share = light_shares(ds, chain, turning, steps).reshape(-1, steps)
    assert share.max() == 1.0
    found = ds["beam_irradiance_w_m2"].values[:, None] * np.divide(
        share,
        share.mean(axis=1, keepdims=True),
        out=np.zeros_like(share),
        where=share.max(axis=1, keepdims=True) > 0,
    )
    ready = prepare(SITES / "rust-plain.toml", SITES / "sol-fan.collector.toml", *span)
    fine = beam_block(ready.setting, *ready.grid.fine(0, ready.grid.count, steps * 8))
    wanted = fine["beam_irradiance_w_m2"].values.reshape(-1, steps, 8).mean(axis=2)
    # steps of the disc's rise are sampled 5 times here and 8 times there
    assert np.abs(found - wanted).max() < 0.01 * wanted.max()
    assert np.abs(found - wanted).mean() < 1e-4 * wanted.max()
