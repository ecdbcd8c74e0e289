"""The sphere that fits an ellipsoid at a place: exact on a sphere, true distances on an ellipsoid."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.numerics.height_grid import ellipsoid_radius_m
from yieldsim.ground.local_sphere import LocalSphere

MOON_M = 1_737_400.0
MARS_M = (3_396_190.0, 3_376_200.0)


@pytest.mark.parametrize("latitude", [-90.0, -89.5, -30.0, 0.0, 45.0, 90.0])
def test_great_circles_on_a_sphere(latitude):
    sphere = LocalSphere.at(latitude, 222.0, MOON_M)
    azimuth, angle = np.array([0.0, 60.0, 190.0]), np.array([1e-6, 0.1, 0.4])
    found, longitude, rise = sphere.along(azimuth, angle)
    a, b = np.radians(latitude), np.radians(azimuth)
    # the sine of the latitude along a great circle (spherical trigonometry)
    expected = np.arcsin(np.sin(a) * np.cos(angle) + np.cos(a) * np.sin(angle) * np.cos(b))
    np.testing.assert_allclose(np.radians(found), expected, atol=2e-8)
    assert not rise.any()
    assert np.isfinite(longitude).all()


def test_north_at_a_pole_continues_the_stated_meridian():
    # walking "north" from the south pole with longitude 30 leads along the meridian of 30
    latitude, longitude, _ = LocalSphere.at(-90.0, 30.0, MOON_M).along(0.0, 0.01)
    assert longitude == pytest.approx(30.0)
    assert latitude > -90.0
    # and over the north pole to the meridian opposite
    _, longitude, _ = LocalSphere.at(90.0, 30.0, MOON_M).along(0.0, 0.01)
    assert longitude % 360.0 == pytest.approx(210.0)


@pytest.mark.parametrize("axes_m", [(MOON_M, MOON_M), MARS_M])
def test_gnomonic_there_and_back(axes_m):
    sphere = LocalSphere.at(-41.0, 100.0, *axes_m)
    east, north = np.array([0.0, 0.1, -0.03]), np.array([0.0, -0.05, 0.2])
    latitude, longitude, _ = sphere.gnomonic_places(east, north)
    back_east, back_north = sphere.gnomonic(latitude, longitude)
    np.testing.assert_allclose(back_east, east, atol=1e-14)
    np.testing.assert_allclose(back_north, north, atol=1e-14)


def test_great_circles_are_straight_on_the_gnomonic_plane():
    sphere = LocalSphere.at(60.0, 10.0, MOON_M)
    other = LocalSphere.at(60.4, 11.5, MOON_M)
    latitude, longitude, _ = other.along(37.0, np.linspace(0.0, 0.2, 9))
    east, north = sphere.gnomonic(latitude, longitude)
    slope = np.diff(north) / np.diff(east)
    np.testing.assert_allclose(slope, slope[0], rtol=1e-11)


def test_rise_puts_places_on_the_ellipsoid():
    sphere = LocalSphere.at(38.0, -20.0, *MARS_M)
    latitude, longitude, rise = sphere.along(np.linspace(0.0, 330.0, 12), 0.08)
    a, b = np.radians(latitude), np.radians(longitude)
    radius = ellipsoid_radius_m(latitude, *MARS_M)
    place = radius[:, None] * np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=1)
    distance = np.linalg.norm(place - sphere.centre_xyz_m, axis=1)
    np.testing.assert_allclose(distance, sphere.radius_m + rise, atol=1e-6)
    # the sphere touches: nothing to first order, and less than the flattening's own square over a short way
    assert np.abs(sphere.along(np.linspace(0.0, 330.0, 12), 1e-4)[2]).max() < 1e-4


def test_local_vertical_is_the_ellipsoids_normal():
    up = LocalSphere.at(45.0, 0.0, *MARS_M).axes[2]
    # tan(planetographic) = (a / c)^2 tan(planetocentric): 0.3382 deg more at 45
    assert np.degrees(np.arctan2(up[2], up[0])) == pytest.approx(45.3382, abs=1e-4)
