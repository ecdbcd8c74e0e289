"""Air mass along a spherical shell against a computed table, closed forms and adaptive quadrature."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import kve

from yieldsim.sky.atmosphere import air_mass, beam_transmittance

ZENITH_DEG = np.array([60.0, 70.0, 75.0, 80.0, 85.0, 87.0, 89.0, 90.0])
MARS_RADIUS_KM = 3389.5


@pytest.mark.parametrize(
    ("scale_height_km", "expected"),
    [
        (11.56, ["1.980", "2.854", "3.703", "5.271", "8.884", "11.89", "17.20", "21.49"]),
        (10.8, ["1.982", "2.859", "3.712", "5.296", "8.985", "12.10", "17.66", "22.23"]),
    ],
)
def test_table_for_the_dust_of_mars(scale_height_km: float, expected: list[str]) -> None:
    """Computed independently for an exponential shell over R = 3389.5 km, to the printed digits."""
    found = air_mass(90.0 - ZENITH_DEG, scale_height_km, MARS_RADIUS_KM)
    for value, text in zip(found, expected, strict=True):
        assert f"{value:.{len(text.split('.')[1])}f}" == text


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


@pytest.mark.parametrize(
    ("optical_depth", "zenith_deg", "expected_w_m2"),
    [(0.1, 0.0, 533.85), (0.5, 20.0, 346.55), (0.5, 60.0, 217.05), (1.0, 40.0, 159.93), (3.0, 60.0, 1.46)],
)
def test_beam_of_the_plane_parallel_law(
    optical_depth: float, zenith_deg: float, expected_w_m2: float
) -> None:
    """590 exp(-tau / cos z), Appelbaum & Flood 1990 (NASA TM-102299); figures derived, to their digits."""
    mass = 1.0 / np.cos(np.radians(zenith_deg))
    assert 590.0 * beam_transmittance(optical_depth, mass) == pytest.approx(expected_w_m2, abs=0.006)
