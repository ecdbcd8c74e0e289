"""Pixels of maps on lattices of places: cubics between a few points, and every point where a map isn't smooth."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.numerics.height_grid import HeightGrid
from yieldsim.ground.lattice import TOLERANCE_PIXELS, Lattice
from yieldsim.ground.local_sphere import LocalSphere
from yieldsim.ground.terrain import NestedTerrain

R = 1_737_400.0


def stereographic(latitude_deg, longitude_deg):
    """Pixels of 240 m on a polar stereographic map, closed form."""
    rho = 2.0 * R * np.tan(np.radians(90.0 + latitude_deg) / 2.0) / 240.0
    longitude = np.radians(longitude_deg)
    return 700.0 - rho * np.cos(longitude), 700.0 + rho * np.sin(longitude)


def by_longitude(latitude_deg, longitude_deg):
    """Pixels of a quarter of a degree."""
    return 4.0 * (90.0 - latitude_deg), 4.0 * (longitude_deg % 360.0)


def around(latitude_deg, km):
    """A lattice of 200 x 300 places on the plane that touches a sphere."""
    sphere = LocalSphere.at(latitude_deg, 40.0, R)
    half = km * 1000.0 / R
    u, v = np.linspace(-half, half, 200), np.linspace(-half, half, 300)
    return Lattice(u, v, lambda north, east: sphere.gnomonic_places(east, north)[:2])


@pytest.mark.parametrize(
    ("to_pixel", "latitude_deg", "km", "is_smooth"),
    [
        (stereographic, -89.4, 100.0, True),
        (by_longitude, -20.0, 100.0, True),
        (by_longitude, -89.9, 100.0, False),
    ],
)
def test_pixels_are_those_of_the_map(to_pixel, latitude_deg, km, is_smooth):
    asked = []

    def counted(latitude, longitude):
        asked.append(latitude.size)
        return to_pixel(latitude, longitude)

    lattice = around(latitude_deg, km)
    found = lattice.pixels(counted, (1400, 1400))
    exact = to_pixel(*lattice.places())
    count = lattice.u.size * lattice.v.size
    for one, other in zip(found, exact, strict=True):
        assert one.shape == (200, 300)
        np.testing.assert_allclose(one, other, atol=2.0 * TOLERANCE_PIXELS if is_smooth else 0.0)
    # the pole of longitude is found out, and every place then asked for
    assert (sum(asked) < 0.1 * count) == is_smooth
    assert (asked[-1] == count) != is_smooth


@pytest.mark.parametrize("rows", [1, 2, 3])
def test_a_few_rows_are_those_of_the_map(rows):
    """A single row has no points between which to interpolate: the evenly spaced ones all fall on it."""
    lattice = around(-89.4, 100.0)
    few = Lattice(lattice.u[:rows], np.linspace(lattice.v[0], lattice.v[-1], 3000), lattice.to_place)
    for one, other in zip(few.pixels(stereographic), stereographic(*few.places()), strict=True):
        np.testing.assert_allclose(one, other, atol=2.0 * TOLERANCE_PIXELS)


@pytest.mark.parametrize("wrapped", [False, True])
def test_nested_heights_on_a_lattice_are_those_place_by_place(wrapped):
    """A fine grid with a hole, a coarser one around it, a third that covers a part of the view, or closes on itself."""
    rng = np.random.default_rng(4)
    fine = rng.uniform(0.0, 90.0, (90, 110)).astype(np.float32)
    fine[30:50, 40:70] = np.nan

    def part(row, column, step):
        def to_pixel(latitude, longitude):
            at_row, at_column = stereographic(latitude, longitude)
            return (at_row - row) / step, (at_column - column) / step

        return to_pixel

    def unused(row, column):
        return np.full_like(row, np.nan), np.full_like(row, np.nan)

    wide = rng.uniform(0.0, 90.0, (360, 720)).astype(np.float32)
    terrain = NestedTerrain([])
    terrain.grids = (
        HeightGrid(heights_m=fine, pixel_m=240.0, to_pixel=part(250.0, 970.0, 1.0), to_place=unused),
        HeightGrid(
            heights_m=wide[:200, :200], pixel_m=480.0, to_pixel=part(100.0, 800.0, 2.0), to_place=unused
        ),
        HeightGrid(
            heights_m=wide,
            pixel_m=900.0,
            to_pixel=part(100.0, 1000.0, 1.0),
            to_place=unused,
            wrapped=wrapped,
        ),
    )
    lattice = around(-86.0, 90.0)
    found, exact = terrain.over(lattice), terrain.heights_m(*lattice.places())
    np.testing.assert_array_equal(np.isnan(found), np.isnan(exact))
    # a hundred metres from pixel to pixel, places of a pixel right to TOLERANCE_PIXELS
    np.testing.assert_allclose(found, exact, atol=4.0 * 100.0 * TOLERANCE_PIXELS)
