"""A world that turns against its orbit: the Sun rises in the west, and its clock still runs forward."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import yieldsim
from yieldsim.energy.ledger import by_solar_day
from yieldsim.files.text.bundled import sites_folder

VENUS = """name = "Venus"
ephemeris_target = 299
equatorial_radius_km = 6051.8
polar_radius_km = 6051.8
mean_solar_day_hours = 2802.0
[rotation]
pole_right_ascension_deg = [272.76]
pole_declination_deg = [67.16]
prime_meridian_deg = [160.20, -1.4813688]
"""
SITE = 'name = "Plain"\nbody = "venus.toml"\nlatitude_deg = 10\nlongitude_deg = 40\n[horizon]\nflat = true\n'


def test_solar_days_of_venus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Elements: IAU report for 2015. The solar day of 116.75 days follows from them and the year of 224.70 days."""
    monkeypatch.chdir(tmp_path)
    Path("venus.toml").write_text(VENUS)
    Path("site.toml").write_text(SITE)
    ds = yieldsim.estimate("site.toml", sites_folder() / "skyward.collector.toml", interval_minutes=360)
    hours = ds.local_true_solar_time_hours.values
    assert (np.diff(np.unwrap(hours, period=24.0)) > 0.0).all()
    whole = by_solar_day(ds)["hours"].to_numpy()[1:-1]
    np.testing.assert_allclose(whole, 24.0 / (1.4813688 / 360.0 + 1.0 / 224.701), rtol=0.006)
    noon = int(ds.solar_elevation_deg.values.argmax())
    assert hours[noon] == pytest.approx(12.0, abs=0.1)
    before, after = ds.solar_azimuth_deg.values[[noon - 50, noon + 50]]
    assert 180.0 < before < 360.0
    assert 0.0 < after < 180.0
