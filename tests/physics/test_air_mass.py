"""Air mass along a spherical shell against a computed table, closed forms and adaptive quadrature."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from agreement import mars as agreed
from agreement.mars import MARS_RADIUS_KM
from scipy.integrate import quad
from scipy.special import kve

from yieldsim.sky.atmosphere import air_mass


def test_table_for_the_dust_of_mars() -> None:
    """Computed independently for an exponential shell over R = 3389.5 km, to the printed digits."""
    assert agreed.mars_air_mass() <= 0.5


def path_by_quadrature(elevation_deg: float, scale_height_km: float, radius_km: float) -> float:
    """Adaptive quadrature along the ray, split where it is lowest."""
    sine = np.sin(np.radians(elevation_deg))

    def density(path_km: float) -> float:
        radius = np.sqrt(radius_km**2 + 2.0 * radius_km * path_km * sine + path_km**2)
        return float(np.exp(-(radius - radius_km) / scale_height_km))

    lowest = max(0.0, -radius_km * sine)
    edges = [0.0, lowest, lowest + 10.0 * scale_height_km, lowest + 300.0 * scale_height_km]
    parts = [quad(density, a, b, epsabs=0.0, epsrel=1e-10, limit=200)[0] for a, b in pairwise(edges)]
    return sum(parts) / scale_height_km


@pytest.mark.parametrize(
    ("scale_height_km", "radius_km"), [(11.56, MARS_RADIUS_KM), (8.4, 6371.0), (20.0, 2575.0)]
)
def test_against_quadrature_above_and_below_the_horizontal(scale_height_km: float, radius_km: float) -> None:
    """Tolerance: 1e-5 of the value, the step of the table squared over eight times its curvature."""
    for elevation in np.random.default_rng(3).uniform(-10.0, 90.0, 60):
        expected = path_by_quadrature(elevation, scale_height_km, radius_km)
        assert air_mass(elevation, scale_height_km, radius_km) == pytest.approx(expected, rel=1e-5)


def test_closed_forms() -> None:
    """1 at the zenith; X e^X K1(X) at the horizon (Chapman 1931), K1 by scipy."""
    x = MARS_RADIUS_KM / 11.56
    assert air_mass(90.0, 11.56, MARS_RADIUS_KM) == pytest.approx(1.0, abs=1e-12)
    assert air_mass(0.0, 11.56, MARS_RADIUS_KM) == pytest.approx(x * kve(1, x), rel=1e-12)


def test_plane_parallel_away_from_the_horizon() -> None:
    """1 / cos z is within 1 % to 60 degrees and 29 % too high at 85 (computed): Kasten's fits for the Earth do not apply."""
    shell = air_mass([30.0, 5.0], 11.56, MARS_RADIUS_KM)
    assert 2.0 / shell[0] == pytest.approx(1.01, abs=1e-3)
    assert 1.0 / np.sin(np.radians(5.0)) / shell[1] == pytest.approx(1.29, abs=0.005)


def test_never_less_for_a_lower_sun() -> None:
    elevation = np.linspace(-30.0, 90.0, 20_001)
    mass = air_mass(elevation, 11.56, MARS_RADIUS_KM)
    assert np.isfinite(mass).all()
    assert (np.diff(mass) <= 1e-12).all()


def test_beam_of_the_plane_parallel_law() -> None:
    """590 exp(-tau / cos z), Appelbaum & Flood 1990 (NASA TM-102299); figures derived, to their digits."""
    assert agreed.mars_beam() <= 0.006
