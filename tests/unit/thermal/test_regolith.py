"""The ground's temperature against what was measured on the Moon, and against closed limits."""

import numpy as np
import pytest

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4 as SIGMA
from yieldsim.base.thermal_model import Ground
from yieldsim.thermal.regolith import albedo_fraction, surface_temperature_k

LUNATION_S = 29.530589 * 86400.0
ROW_S = LUNATION_S / 708


def lunar_day(latitude_deg):
    """Two equinoctial lunations from noon: hours after noon and temperatures of the second."""
    hours = 24.0 * (np.arange(2 * 708) + 0.5) / 708
    height = np.cos(np.radians(latitude_deg)) * np.cos(2.0 * np.pi * hours / 24.0)
    elevation = np.degrees(np.arcsin(height))
    absorbed = 1361.0 * np.maximum(height, 0.0) * (1.0 - albedo_fraction(0.12, elevation))
    kelvin = surface_temperature_k(Ground(), absorbed, ROW_S, LUNATION_S, len(hours))
    return hours[:708], kelvin[708:]


@pytest.fixture(scope="module")
def equator():
    return lunar_day(0.0)


def test_the_equator_at_noon_at_midnight_and_before_dawn(equator):
    # P. O. Hayne et al. 2017, J. Geophys. Res. Planets 122, table A2, each +-5 K (read in the checks of its authors' published code)
    hours, kelvin = equator
    assert kelvin.max() == pytest.approx(385.0, abs=5.0)
    assert np.interp(12.0, hours, kelvin) == pytest.approx(101.0, abs=5.0)
    assert kelvin.min() == pytest.approx(95.0, abs=5.0)
    # mean of the equator, 213 K, from the Diviner radiometer (A. R. Vasavada et al. 2012, through SpringerPlus 3:723, figure 5)
    assert kelvin.mean() == pytest.approx(213.0, abs=5.0)


# Diviner's nights, hours after noon and K: from the data files of the code published with Hayne et al. 2017
NIGHTS = {
    0.0: [(8.483, 107.50), (10.460, 102.39), (12.481, 98.95), (14.494, 96.31), (16.487, 94.13)],
    60.0: [(8.502, 94.48), (10.498, 89.88), (12.494, 87.04), (14.499, 84.43), (16.499, 82.33)],
}


@pytest.mark.parametrize("latitude_deg", NIGHTS)
def test_the_night_as_the_radiometer_saw_it(latitude_deg, equator):
    hours, kelvin = equator if latitude_deg == 0.0 else lunar_day(latitude_deg)
    at, measured = np.array(NIGHTS[latitude_deg]).T
    # 2 K: what the model's own authors leave between model and data
    np.testing.assert_allclose(np.interp(at, hours, kelvin), measured, atol=2.0)


def test_a_steady_sun_leaves_the_balance_of_a_grey_plate():
    kelvin = surface_temperature_k(Ground(), np.full(300, 400.0), ROW_S, LUNATION_S, 300)
    np.testing.assert_allclose(kelvin, ((400.0 + 0.018) / (0.95 * SIGMA)) ** 0.25, rtol=2e-4)


def test_ground_that_never_sees_the_sun_lives_of_the_heat_below():
    kelvin = surface_temperature_k(Ground(), np.zeros(3000), ROW_S, LUNATION_S, 3000)
    # (0.018 / 0.95 s)^(1/4) = 24 K; not quite settled
    assert kelvin.max() < 40.0
