"""Places on an ellipsoid: the two latitudes, the normal, the axes, the poles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.sky.ellipsoid import enu_axes_xyz, planetocentric_deg, planetographic_deg, position_km

MARS = (3396.19, 3376.20)
MOON = (1737.4, 1737.4)
LATITUDE = st.floats(-90.0, 90.0)
LONGITUDE = st.floats(-180.0, 360.0)


def test_largest_tilt_of_the_vertical_on_mars() -> None:
    """asin((a^2 - c^2) / (a^2 + c^2)) = 0.338 deg at 45 deg between the two: derived."""
    latitude = np.linspace(0.0, 90.0, 90_001)
    tilt = planetographic_deg(latitude, *MARS) - latitude
    a2, c2 = MARS[0] ** 2, MARS[1] ** 2
    assert tilt.max() == pytest.approx(np.degrees(np.arcsin((a2 - c2) / (a2 + c2))), abs=1e-9)
    assert tilt.max() == pytest.approx(0.338, abs=5e-4)


@given(LATITUDE)
def test_latitudes_there_and_back(latitude: float) -> None:
    graphic = float(planetographic_deg(latitude, *MARS))
    assert abs(graphic) >= abs(latitude) - 1e-12
    assert planetocentric_deg(graphic, *MARS) == pytest.approx(latitude, abs=1e-12)
    assert planetographic_deg(latitude, *MOON) == pytest.approx(latitude, abs=1e-12)


@given(LATITUDE, LONGITUDE, st.floats(-8000.0, 22_000.0))
def test_position_is_up_the_normal_from_a_foot_of_the_stated_latitude(
    latitude: float, longitude: float, height_m: float
) -> None:
    foot = position_km(latitude, longitude, 0.0, *MARS)
    a, c = MARS
    assert (foot[0] ** 2 + foot[1] ** 2) / a**2 + foot[2] ** 2 / c**2 == pytest.approx(1.0, abs=1e-12)
    assert np.degrees(np.arctan2(foot[2], np.hypot(foot[0], foot[1]))) == pytest.approx(latitude, abs=1e-9)
    axes = enu_axes_xyz(latitude, longitude, *MARS)
    rise = position_km(latitude, longitude, height_m, *MARS) - foot
    np.testing.assert_allclose(axes @ rise, [0.0, 0.0, height_m / 1000.0], atol=1e-9)
    gradient = foot / np.array([a**2, a**2, c**2])
    np.testing.assert_allclose(axes[2], gradient / np.linalg.norm(gradient), atol=1e-12)


@given(LATITUDE, LONGITUDE)
def test_axes_are_a_right_handed_turn_and_east_is_east(latitude: float, longitude: float) -> None:
    axes = enu_axes_xyz(latitude, longitude, *MARS)
    np.testing.assert_allclose(axes @ axes.T, np.identity(3), atol=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0, abs=1e-12)
    assert axes[1, 2] >= -1e-15  # north never points away from the north pole
    assert axes[0, 2] == 0.0


@pytest.mark.parametrize(("pole", "north_longitude"), [(90.0, 180.0), (-90.0, 0.0)])
@pytest.mark.parametrize("longitude", [0.0, 37.0, 222.0, -100.0])
def test_north_at_a_pole_is_the_meridian_continued(
    pole: float, north_longitude: float, longitude: float
) -> None:
    axes = enu_axes_xyz(pole, longitude, *MOON)
    heading = np.radians(longitude + north_longitude)
    np.testing.assert_allclose(axes[1], [np.cos(heading), np.sin(heading), 0.0], atol=1e-12)
    near = enu_axes_xyz(pole * (1.0 - 1e-9), longitude, *MOON)
    np.testing.assert_allclose(axes, near, atol=1e-8)


def test_height_moves_the_sites_own_latitude_a_little() -> None:
    """On Mars at most 1.0e-4 deg a kilometre."""
    moved = []
    for latitude in np.linspace(0.0, 90.0, 91):
        x, y, z = position_km(latitude, 0.0, 1000.0, *MARS)
        moved.append(abs(np.degrees(np.arctan2(z, np.hypot(x, y))) - latitude))
    assert 0.98e-4 < max(moved) < 1.02e-4
