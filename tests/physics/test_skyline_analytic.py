"""Skylines of ground whose skyline has a closed form, to numerical precision.

Tolerance 1e-9 deg throughout unless said: the search brackets the top on samples and then closes in on it by golden section,
which finds a smooth top's height to rounding (1e-12 rad), and a crest's to the crest's slope times 1e-13 of the step.
"""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.errors import DataMissing
from yieldsim.ground.local_sphere import LocalSphere
from yieldsim.ground.skyline import sample_distances_m, skyline

R = 1_737_400.0
AZIMUTH_DEG = np.arange(0.0, 360.0, 7.5)
DISTANCE_M = sample_distances_m([(3_000.0, 10.0), (60_000.0, 240.0), (200_000.0, 1_800.0)])


def seen(heights, mast_m=0.0, latitude=-89.0, longitude=30.0, radius_m=R):
    sphere = LocalSphere.at(latitude, longitude, radius_m)
    return skyline(heights, sphere, AZIMUTH_DEG, DISTANCE_M, mast_m)


def angle_from(latitude, longitude):
    """Angle from a place, as a function of latitude and longitude."""
    a0, b0 = np.radians([latitude, longitude])
    u = np.array([np.cos(a0) * np.cos(b0), np.cos(a0) * np.sin(b0), np.sin(a0)])

    def angle(lat, lon):
        a, b = np.radians(lat), np.radians(lon)
        v = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=-1)
        return np.arctan2(np.linalg.norm(np.cross(v, u), axis=-1), v @ u)

    return angle


@pytest.mark.parametrize("mast_m", [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0])
def test_bare_sphere_dips_by_acos(mast_m):
    found = seen(lambda lat, lon: np.zeros_like(lat), mast_m)
    dip = np.degrees(np.arctan2(np.sqrt(mast_m * (2.0 * R + mast_m)), R))  # acos(R / (R + h)), kept digits
    np.testing.assert_allclose(found.elevation_deg, -dip, atol=1e-9)
    np.testing.assert_allclose(found.distance_km, np.radians(dip) * R / 1000.0, rtol=1e-3)


def test_eye_on_the_ground_of_a_sphere_sees_level():
    found = seen(lambda lat, lon: np.zeros_like(lat))
    # the nearest sample, 5 m away, lies 0.5 * 5 / R below level: 8e-5 deg
    np.testing.assert_allclose(found.elevation_deg, 0.0, atol=1e-4)


def test_from_the_top_of_a_cone():
    slope, foot_m, top_m = 0.2, 5_000.0, 1_000.0
    angle = angle_from(-89.0, 30.0)

    def cone(lat, lon):
        return np.maximum(top_m - slope * angle(lat, lon) * R, 0.0)

    found = seen(cone, 30.0)
    # the plain beyond is tangent to the line of sight at acos(R / (R + h)), 59 km away, which clears the cone's foot
    eye_m = top_m + 30.0
    dip = np.degrees(np.arctan2(np.sqrt(eye_m * (2.0 * R + eye_m)), R))
    assert np.radians(dip) * R > foot_m
    np.testing.assert_allclose(found.elevation_deg, -dip, atol=1e-9)


@pytest.mark.parametrize("mast_m", [0.0, 10.0, 3_000.0])
def test_a_cone_far_away(mast_m):
    away_rad, top_m, slope = 30_000.0 / R, 2_000.0, 0.25
    sphere = LocalSphere.at(-89.0, 30.0, R)
    at_lat, at_lon, _ = sphere.along(45.0, away_rad)
    angle = angle_from(float(at_lat), float(at_lon))

    def cone(lat, lon):
        return np.maximum(top_m - slope * angle(lat, lon) * R, 0.0)

    found = skyline(cone, sphere, np.array([45.0, 225.0]), DISTANCE_M, mast_m)
    top = (R + top_m) * np.cos(away_rad) - (R + mast_m)
    expected = np.degrees(np.arctan2(top, (R + top_m) * np.sin(away_rad)))
    dip = np.degrees(np.arccos(R / (R + mast_m)))
    # the cone's tip is a crest: its slope there, 0.25, times the last bracket of the search, 1e-9 deg
    assert found.elevation_deg[0] == pytest.approx(max(expected, -dip), abs=1e-8)
    # away from it only the bare body; on the ground the nearest sample decides (8e-5 deg)
    assert found.elevation_deg[1] == pytest.approx(-dip, abs=1e-4)


def test_in_the_middle_of_a_crater():
    rim_rad, rim_m = 8_000.0 / R, 900.0
    angle = angle_from(-89.0, 30.0)

    def crater(lat, lon):
        far = angle(lat, lon) / rim_rad
        return np.where(far < 1.0, rim_m * far**2, rim_m * np.exp(-2.0 * (far - 1.0)))

    found = seen(crater, 2.0)
    rim = np.degrees(np.arctan2((R + rim_m) * np.cos(rim_rad) - (R + 2.0), (R + rim_m) * np.sin(rim_rad)))
    np.testing.assert_allclose(found.elevation_deg, rim, atol=1e-8)
    np.testing.assert_allclose(found.distance_km, 8.0, rtol=1e-8)


def test_a_long_straight_ridge():
    """A ridge along a great circle that passes 12 km north of the eye: at azimuth z its crest is at angle atan(tan 12 km / cos z)."""
    away, crest_m = 12_000.0 / R, 700.0
    sphere = LocalSphere.at(0.0, 0.0, R)
    # eye on the equator; the ridge is the great circle with its pole at latitude 90 - away on the far meridian
    pole = np.array([-np.sin(away), 0.0, np.cos(away)])

    def ridge(lat, lon):
        a, b = np.radians(lat), np.radians(lon)
        v = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=-1)
        return np.maximum(crest_m - 0.5 * np.abs(np.arcsin(v @ pole)) * R, 0.0)

    azimuth = np.array([0.0, 20.0, 50.0, 70.0, 290.0, 330.0])
    found = skyline(ridge, sphere, azimuth, DISTANCE_M, 5.0)
    far = np.arctan(np.tan(away) / np.cos(np.radians(azimuth)))
    crest = np.degrees(np.arctan2((R + crest_m) * np.cos(far) - (R + 5.0), (R + crest_m) * np.sin(far)))
    np.testing.assert_allclose(found.elevation_deg, crest, atol=1e-8)


def test_mast_only_on_the_observer():
    """A wall 100 m high and 1 km off: 50 m of mast lower it by atan(100 / 1000) - atan(50 / 1000), curvature apart."""
    angle = angle_from(-89.0, 30.0)

    def wall(lat, lon):
        return np.maximum(100.0 - 2.0 * np.abs(angle(lat, lon) * R - 1_000.0), 0.0)

    low, high = seen(wall, 0.0), seen(wall, 50.0)
    far = 1_000.0 / R
    for found, eye in ((low, 0.0), (high, 50.0)):
        expected = np.degrees(np.arctan2((R + 100.0) * np.cos(far) - (R + eye), (R + 100.0) * np.sin(far)))
        np.testing.assert_allclose(found.elevation_deg, expected, atol=1e-8)


def test_dip_on_an_ellipsoid_follows_its_curvature():
    """Along the meridian and across it the dip differs as the radii of curvature do: sqrt(2 h / radius) to first order."""
    a, c, mast_m = 3_396_190.0, 3_376_200.0, 10.0
    sphere = LocalSphere.at(0.0, 0.0, a, c)
    found = skyline(lambda lat, lon: np.zeros_like(lat), sphere, np.array([0.0, 90.0]), DISTANCE_M, mast_m)
    along, across = c**2 / a, a  # radii of curvature at the equator
    np.testing.assert_allclose(
        found.elevation_deg, -np.degrees(np.sqrt(2.0 * mast_m / np.array([along, across]))), rtol=1e-5
    )


def test_what_ground_beyond_the_edge_would_need():
    """On a bare sphere with a mast, ground past the tangent point must rise into the line that leaves it there."""
    mast_m = 10.0
    found = seen(lambda lat, lon: np.zeros_like(lat), mast_m)
    dip = np.arccos(R / (R + mast_m))
    beyond = DISTANCE_M[-1] / R - dip
    np.testing.assert_allclose(found.needed_m, R / np.cos(beyond) - R, rtol=1e-6)
    # which is to say: a hill so high stands exactly on the skyline
    height = float(found.needed_m[0])
    top = (R + height) * np.cos(DISTANCE_M[-1] / R) - (R + mast_m)
    assert np.degrees(np.arctan2(top, (R + height) * np.sin(DISTANCE_M[-1] / R))) == pytest.approx(
        -np.degrees(dip), abs=1e-9
    )


def test_holes_are_counted_and_hide_nothing():
    angle = angle_from(-89.0, 30.0)

    def holed(lat, lon):
        far = angle(lat, lon) * R
        return np.where((far > 500.0) & (far < 1_000.0), np.nan, 0.0)

    found = seen(holed, 10.0)
    np.testing.assert_allclose(found.elevation_deg, -0.19439, atol=1e-4)
    assert (found.unknown_share > 0.0).all()


def test_where_ground_is_not_known_at_all():
    """A table 500 m above a plain that is known to the east only: to the west the plain's sphere bounds the skyline."""
    angle = angle_from(-89.0, 30.0)

    def half(lat, lon):
        known = (lon % 360.0 > 30.0) & (lon % 360.0 < 210.0) | (angle(lat, lon) * R < 1.0)
        return np.where(known, np.where(angle(lat, lon) * R < 100.0, 500.0, 0.0), np.nan)

    found = seen(half, 2.0)
    dip = np.degrees(np.arctan2(np.sqrt(502.0 * (2.0 * R + 502.0)), R))
    west = (AZIMUTH_DEG > 185.0) & (AZIMUTH_DEG < 355.0)
    np.testing.assert_allclose(found.elevation_deg[west], -dip, atol=1e-9)
    np.testing.assert_allclose(found.edge_km[west], 0.0)
    # a hill at the mast's foot would show if it reached the eye
    np.testing.assert_allclose(found.needed_m[west], 502.0, atol=1e-6)
    with pytest.raises(DataMissing, match="no terrain at all around the mast"):
        seen(lambda lat, lon: np.where(angle(lat, lon) * R < 1.0, 0.0, np.nan))
