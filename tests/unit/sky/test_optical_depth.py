"""Optical depth: constant, by season, by date; what a site without air answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from yieldsim.base.dataset import add
from yieldsim.base.errors import InputError
from yieldsim.base.model import OpticalDepthTable, Site
from yieldsim.files.inputs.readers import read_body
from yieldsim.sky.atmosphere import add_air, air_mass, optical_depth_at, optical_depth_warning

SEASONS = OpticalDepthTable(
    against="solar_longitude_deg", x=np.array([30.0, 120.0, 300.0]), optical_depth=np.array([0.4, 0.5, 1.0])
)
DATES = OpticalDepthTable(against="tdb_s", x=np.array([0.0, 864_000.0]), optical_depth=np.array([0.4, 0.6]))


def test_by_season_wraps_at_the_equinox() -> None:
    longitude = np.array([30.0, 75.0, 300.0, 345.0, 15.0, 0.0])
    found = optical_depth_at(SEASONS, np.zeros(6), longitude)
    np.testing.assert_allclose(found, [0.4, 0.45, 1.0, 0.7, 0.5, 0.6])


def test_by_date_holds_its_ends_and_says_so() -> None:
    times = np.array([-1e6, 0.0, 432_000.0, 1e7])
    np.testing.assert_allclose(optical_depth_at(DATES, times, np.zeros(4)), [0.4, 0.4, 0.5, 0.6])
    assert optical_depth_warning(DATES, 0.0, 864_000.0) == ""
    warning = optical_depth_warning(DATES, -86_400.0, 864_000.0 + 2 * 86_400.0)
    assert "does not cover 3.0 days" in warning
    assert "1.0 before its first row, 2.0 after its last" in warning
    assert "10.0 after" in optical_depth_warning(DATES, 864_000.0 * 2, 864_000.0 * 3)
    assert optical_depth_warning(SEASONS, -1e9, 1e9) == optical_depth_warning(0.5, 0.0, 1.0) == ""


def sky(elevation: list[float]) -> xr.Dataset:
    ds = xr.Dataset(
        coords={"time": np.arange(len(elevation)).astype("datetime64[h]").astype("datetime64[ns]")}
    )
    ds = add(ds, "solar_elevation_deg", elevation)
    return add(ds, "solar_longitude_deg", np.full(len(elevation), 75.0))


def test_air_of_mars() -> None:
    mars = read_body("mars").noun
    site = Site(name="Plain", body=mars, latitude_deg=0.0, longitude_deg=0.0, optical_depth=SEASONS)
    ds = add_air(sky([90.0, 30.0, -1.0]), site, np.zeros(3))
    np.testing.assert_allclose(ds["optical_depth"], 0.45)
    expected = air_mass([90.0, 30.0, -1.0], 11.56, (2 * 3396.19 + 3376.20) / 3)
    np.testing.assert_allclose(ds["air_mass"], expected)
    np.testing.assert_allclose(ds["beam_transmittance"], np.exp(-0.45 * expected))


def test_air_where_there_is_none() -> None:
    moon, mars = read_body("moon").noun, read_body("mars").noun
    site = Site(name="Ridge", body=moon, latitude_deg=0.0, longitude_deg=0.0, optical_depth=0.3)
    with pytest.raises(InputError, match="Moon has no atmosphere"):
        add_air(sky([10.0]), site, np.zeros(1))
    with pytest.raises(InputError, match="no optical depth"):
        add_air(sky([10.0]), replace(site, body=mars, optical_depth=None), np.zeros(1))
