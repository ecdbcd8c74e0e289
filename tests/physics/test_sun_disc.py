"""The limb-darkened disc: published law, derived table of a half-set Sun, circles, joint mask and occulter by brute force."""

import numpy as np
import pytest
import xarray as xr
from agreement import sky as agreed
from agreement.published import table, value
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.base.dataset import add
from yieldsim.base.model import HorizonMask
from yieldsim.base.sun_disc import (
    angular_radius_deg,
    brightness,
    even_points,
    light_below,
    sample_points,
    strips,
)
from yieldsim.ground.horizon_dip import flat_dip_deg
from yieldsim.ground.visible_disc import add_visibility, mask_elevation_deg

RADIUS = 0.2666


def shares(azimuth, elevation, mask=None, dip_deg=0.0, occulter=None):
    azimuth, elevation = np.atleast_1d(azimuth).astype(float), np.atleast_1d(elevation).astype(float)
    ds = xr.Dataset(coords={"time": np.arange(len(azimuth)).astype("datetime64[ns]")})
    ds = add(ds, "solar_azimuth_deg", azimuth)
    ds = add(ds, "solar_elevation_deg", elevation)
    ds = add(ds, "sun_angular_radius_deg", np.full(len(azimuth), RADIUS))
    if occulter is not None:
        for name, value in zip(("east_offset", "up_offset", "angular_radius"), occulter, strict=True):
            ds = add(ds, f"occulter_{name}_deg", np.full(len(azimuth), float(value)))
    return add_visibility(ds, mask, dip_deg)


def test_law_is_normalised_and_close_to_the_published_disc_means():
    assert brightness(1.0) == pytest.approx(1.0, abs=1e-6)
    # their disc means over the centre at neighbouring wavelengths, 610.975 and 640.970 nm
    assert agreed.limb_darkening() == 0.0


@pytest.mark.parametrize("row", table("half_set_sun.csv"), ids=lambda row: row["height_radii"])
def test_half_set_sun(row):
    # 48 strips hold the printed digits to 1e-4
    found = agreed.half_set_share(float(row["height_radii"]))
    assert found == pytest.approx(float(row["visible_share"]), abs=1e-4)


def test_angular_radius_at_1_au():
    assert float(angular_radius_deg(1.0)) == pytest.approx(value("sun-half-angle"), abs=5e-7)


def test_samples_keep_the_centre_and_the_second_moment():
    points, weights = sample_points()
    np.testing.assert_allclose(weights @ points, 0.0, atol=1e-12)
    r = np.linspace(0, 1, 100_001)
    light = brightness(np.sqrt(1 - r**2)) * r
    square = (points**2).sum(axis=1)
    # between rows of 4001 radii, and what a rule of six rings leaves of a polynomial in the radius (it is none in the light)
    assert weights @ square == pytest.approx((light * r**2).sum() / light.sum(), rel=5e-4)
    assert weights @ square**2 == pytest.approx((light * r**4).sum() / light.sum(), rel=2e-3)
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert (weights > 0.0).all()
    assert np.sqrt(square.max()) == pytest.approx(1.0, abs=1e-12), "the limb is read"


@pytest.mark.parametrize("rings", [1, 2, 3, 6, 12])
def test_rings_integrate_polynomials_of_the_light_inside_them(rings):
    """A rule of n nodes with one of them fixed is exact for degrees up to 2 n - 2 (Radau)."""
    points, weights = sample_points(rings, 8)
    r = np.linspace(0.0, 1.0, 4001)
    light = brightness(np.sqrt(1.0 - r**2)) * r
    inside = np.concatenate([[0.0], np.cumsum((light[1:] + light[:-1]) / 2.0)])
    share = np.interp(np.hypot(*points.T), r, inside / inside[-1])
    for degree in range(2 * rings - 1):
        assert weights @ share**degree == pytest.approx(1.0 / (degree + 1), rel=1e-6), degree


def test_a_hard_edge_across_the_disc():
    """The light on one side of a straight edge, whichever way it runs, against the strips."""
    points, weights = sample_points()
    fine = strips(2000)
    column = fine.cumulative[:, -1]
    cuts = np.linspace(-0.99, 0.99, 67)
    exact = np.array([column[fine.x < cut].sum() for cut in cuts])
    worst, squares = 0.0, []
    for angle in np.radians(np.arange(0.0, 360.0, 7.5)):
        across = points @ [np.cos(angle), np.sin(angle)]
        error = (weights[:, None] * (across[:, None] < cuts)).sum(axis=0) - exact
        worst = max(worst, float(np.abs(error).max()))
        squares.append((error**2).mean())
    assert worst < 0.035
    assert np.sqrt(np.mean(squares)) < 0.011


def test_strips_sum_to_one():
    assert strips().cumulative[:, -1].sum() == pytest.approx(1.0, abs=1e-12)


def brute_force(azimuth, elevation, mask, dip_deg, occulter):
    """Visible shares by a fine grid of points on the disc: open, open and eclipse, mask and eclipse."""
    n = 801
    x, y = np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, n))
    inside = x**2 + y**2 < 1
    x, y = x[inside], y[inside]
    light = brightness(np.sqrt(1 - x**2 - y**2))
    point_azimuth = azimuth + x * RADIUS / np.cos(np.radians(elevation))
    skyline = mask_elevation_deg(mask, point_azimuth)
    height = elevation + y * RADIUS - (x * RADIUS) ** 2 * np.radians(1) * np.tan(np.radians(elevation)) / 2
    clear = np.hypot(x * RADIUS - occulter[0], y * RADIUS - occulter[1]) > occulter[2]
    open_sky = height > np.minimum(skyline, -dip_deg)
    return [
        (light * keep).sum() / light.sum()
        for keep in (open_sky, open_sky & clear, (height > skyline) & clear)
    ]


@pytest.mark.parametrize("east", np.linspace(-1.3, 1.3, 53))
def test_upright_edge_of_a_large_occulter(east):
    """An occulter so large that its edge is a straight upright line: the disc's share beyond it, by direct integration."""
    radius_deg = 60.0
    seen = shares(10.0, 0.0, HorizonMask(azimuth_deg=[0.0], elevation_deg=[-5.0]), 5.0, (
        radius_deg + east * RADIUS, 0.0, radius_deg))  # fmt: skip
    x = np.linspace(-1, 1, 4001)
    chord = np.sqrt(np.maximum(0, 1 - x**2))
    t = (np.arange(200) + 0.5) / 200
    light = chord * brightness(chord[:, None] * np.sqrt(1 - t**2)).mean(axis=1)
    beyond = np.trapezoid(np.where(x < east, light, 0.0), x) / np.trapezoid(light, x)
    # half a strip: half of pi / 480 radii, 2 / pi of the disc in a radius, 1.2 times brighter than its mean
    assert float(seen.uneclipsed_fraction[0]) == pytest.approx(beyond, abs=1.2 / 480 + 3e-4)


@settings(max_examples=60, deadline=None)
@given(
    azimuth=st.floats(0, 359.9),
    elevation=st.floats(-1.0, 1.2),
    seed=st.integers(0, 10_000),
    east=st.floats(-1.2, 1.2),
    up=st.floats(-1.2, 1.2),
    occulter_radius=st.floats(0.1, 1.0),
)
def test_mask_and_occulter_together_against_brute_force(azimuth, elevation, seed, east, up, occulter_radius):
    rng = np.random.default_rng(seed)
    mask = HorizonMask(
        azimuth_deg=np.sort(rng.choice(720, 90, replace=False)) / 2.0,
        elevation_deg=rng.uniform(-0.6, 0.6, 90),
    )
    seen = shares(azimuth, elevation, mask, 0.1, (east, up, occulter_radius))
    got = [
        float(seen[k][0]) for k in ("open_horizon_fraction", "uneclipsed_fraction", "disc_visible_fraction")
    ]
    # the strips' own bound (test below) and the 801 x 801 grid's: 3.4e-3 at most of the disc's light
    np.testing.assert_allclose(
        got, brute_force(azimuth, elevation, mask, 0.1, (east, up, occulter_radius)), atol=4e-3
    )


def test_shares_never_grow_along_the_chain():
    rng = np.random.default_rng(5)
    mask = HorizonMask(azimuth_deg=np.arange(0, 360, 2.0), elevation_deg=rng.uniform(-2, 2, 180))
    seen = shares(rng.uniform(0, 360, 2000), rng.uniform(-3, 3, 2000), mask, 0.2, (0.2, 0.1, 0.9))
    assert (seen.open_horizon_fraction >= seen.uneclipsed_fraction).all()
    assert (seen.uneclipsed_fraction >= seen.disc_visible_fraction).all()


@pytest.mark.parametrize("row", table("horizon_dip.csv"), ids=lambda row: row["mast_m"])
def test_dip(row):
    assert flat_dip_deg(1737.4, float(row["mast_m"])) == pytest.approx(float(row["dip_deg"]), abs=5e-5)


def test_mask_wraps_with_and_without_a_closing_row():
    opened = HorizonMask(azimuth_deg=[10.0, 350.0], elevation_deg=[0.0, 2.0])
    assert float(mask_elevation_deg(opened, 0.0)) == pytest.approx(1.0)
    closed = HorizonMask(azimuth_deg=[0.0, 180.0, 360.0], elevation_deg=[1.0, 3.0, 1.0])
    np.testing.assert_allclose(mask_elevation_deg(closed, [0.0, 90.0, 270.0, 360.0, -90.0]), [1, 2, 2, 1, 2])


def test_even_points_hold_edges_across_the_disc():
    """Circles around the centre and straight edges, against the light of rings and of strips."""
    points, weights = even_points()
    r = np.linspace(0, 1, 100_001)
    inside = np.cumsum(brightness(np.sqrt(1 - r**2)) * r)
    away = np.hypot(*points.T)
    for edge in np.linspace(0.05, 0.99, 95):
        exact = np.interp(edge, r, inside) / inside[-1]
        assert weights @ (away <= edge) == pytest.approx(exact, abs=0.003)  # measured at most 0.0025
    disc = strips()
    for turn in np.linspace(0.0, np.pi, 8, endpoint=False):
        height = points @ [np.cos(turn), np.sin(turn)]
        for edge in np.linspace(-0.95, 0.95, 39):
            above = 1.0 - sum(
                light_below(row, chord, edge)
                for row, chord in zip(disc.cumulative, disc.half_chord, strict=True)
            )
            assert weights @ (height > edge) == pytest.approx(above, abs=0.008)  # measured at most 0.0076
