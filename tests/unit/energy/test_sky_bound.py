"""The etendue bound: cases that can be done by hand, and a search over apertures that must not beat it."""

import numpy as np
import pytest

from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.energy.etendue_bound import (
    FACING_STEP_DEG,
    SkyEnergy,
    facings_enu_xyz,
    filled_kwh_m2,
    largest_kwh_m2,
)


def sky_of(azimuth, elevation, kwh_m2, radius=0.27):
    sky = SkyEnergy()
    azimuth, elevation = np.atleast_1d(azimuth).astype(float), np.atleast_1d(elevation).astype(float)
    energy = np.broadcast_to(np.asarray(kwh_m2, dtype=float), azimuth.shape)
    sky.gather(azimuth, elevation, np.full(azimuth.shape, radius), energy)
    return sky


def test_no_light_no_bound():
    assert SkyEnergy().bound_kwh(1.0, 0.1) == 0.0


def test_a_fibre_that_takes_everything_is_bound_by_a_sun_facing_plane():
    sky = sky_of(140.0, 30.0, 5.0)
    assert sky.bound_kwh(2.0, 2.0 * np.pi) == pytest.approx(10.0, rel=1e-12)


def test_a_ring_of_suns_shares_the_etendue_evenly():
    """A Sun that circles at one height: a fibre that takes a tenth of what half the ring needs gets a tenth of its light."""
    azimuth = np.arange(0.0, 360.0, 0.02)
    sky = sky_of(azimuth, np.full(len(azimuth), 20.0), 1.0 / len(azimuth))
    small, smaller = 1e-4, 1e-5
    # brightness is the same all along the ring, so the light grows with the etendue until the brightest cells run out
    assert sky.bound_kwh(1.0, small) / sky.bound_kwh(1.0, smaller) == pytest.approx(10.0, rel=0.15)


def test_every_facing_has_a_grid_point_near():
    grid = facings_enu_xyz(FACING_STEP_DEG)
    rng = np.random.default_rng(2)
    anywhere = rng.normal(size=(4000, 3))
    anywhere /= np.linalg.norm(anywhere, axis=1, keepdims=True)
    nearest = np.degrees(np.arccos(np.clip((anywhere @ grid.T).max(axis=1), -1, 1)))
    assert nearest.max() <= FACING_STEP_DEG / np.sqrt(2.0)


@pytest.mark.parametrize("seed", range(6))
def test_no_cone_of_any_facing_beats_the_bound(seed):
    """Ideal cones and patches of the sky that use exactly the fibre's etendue, at random facings."""
    rng = np.random.default_rng(seed)
    azimuth = rng.uniform(0, 360, 3000)
    elevation = 25.0 * np.sin(np.radians(azimuth)) + rng.uniform(-8, 8, 3000)
    energy = rng.gamma(0.5, 1.0, 3000)
    sky = sky_of(azimuth, elevation, energy)
    sun = direction_enu_xyz(azimuth, elevation)
    area = 0.3
    for half_deg in (3.0, 10.0, 25.0, 60.0):
        etendue = area * np.pi * np.sin(np.radians(half_deg)) ** 2
        bound = sky.bound_kwh(area, etendue)
        for facing in direction_enu_xyz(rng.uniform(0, 360, 200), rng.uniform(-30, 30, 200)):
            cosine = sun @ facing
            inside = cosine > np.cos(np.radians(half_deg))
            assert area * (energy * cosine)[inside].sum() <= bound


@pytest.mark.parametrize("limit_sr", [1e-4, 0.02, 0.5, 6.0])
def test_facings_left_out_are_not_the_largest(limit_sr):
    """Against all facings one by one."""
    rng = np.random.default_rng(3)
    for lowest, highest in ((-2.0, 2.0), (-90.0, 90.0), (40.0, 60.0)):
        direction = direction_enu_xyz(rng.uniform(0, 360, 400), rng.uniform(lowest, highest, 400))
        density = np.sort(rng.gamma(0.5, 1.0, 400))[::-1]
        solid_sr = np.full(400, 1e-3)
        cells = (direction, density * solid_sr, solid_sr, limit_sr)
        every = filled_kwh_m2(facings_enu_xyz(FACING_STEP_DEG), 0.05, *cells)
        # facings that a small limit makes equal differ by rounding
        assert largest_kwh_m2(0.05, cells) == pytest.approx(every.max(), rel=1e-14)
