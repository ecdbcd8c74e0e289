"""Sunlight by wavelength: the blackbody against Planck's law, the bands against published sums of the measured spectrum."""

import numpy as np
import pytest
from agreement import optics as agreed
from agreement.published import value

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4
from yieldsim.base.solar_spectrum import BAND_EDGES_NM, blackbody_below_fraction, energy_below_fraction

HC_OVER_K_M_K = 6.62607015e-34 * 299792458.0 / 1.380649e-23


def planck(wavelength_m, temperature_k):
    c1 = 2 * np.pi * 6.62607015e-34 * 299792458.0**2
    return c1 / wavelength_m**5 / np.expm1(HC_OVER_K_M_K / (wavelength_m * temperature_k))


@pytest.mark.parametrize(
    ("low_nm", "high_nm"), [(280.0, 400.0), (400.0, 700.0), (700.0, 1100.0), (1100.0, 4000.0)]
)
def test_blackbody_bands_against_planck_integrated(low_nm, high_nm):
    wavelength = np.linspace(low_nm, high_nm, 20001) * 1e-9
    expected = np.trapezoid(planck(wavelength, 5772.0), wavelength) / (STEFAN_BOLTZMANN_W_M2_K4 * 5772.0**4)
    assert float(np.diff(blackbody_below_fraction([low_nm, high_nm]))[0]) == pytest.approx(expected, abs=1e-7)


def test_ends_of_the_blackbody():
    # sixty terms leave out at most 15/pi^4 * 2/60^3 = 1.4e-6
    assert float(blackbody_below_fraction(1e8)) == pytest.approx(1.0, abs=1.5e-6)
    # Wien's tail: z = 50, F = 15/pi^4 z^3 exp(-z) to 6 %
    z = HC_OVER_K_M_K / (50e-9 * 5772.0)
    tail = 15 / np.pi**4 * z**3 * np.exp(-z) * (1 + 3 / z)
    assert float(blackbody_below_fraction(50.0)) == pytest.approx(tail, rel=5e-3)


def test_bands_of_sunlight():
    # 46 bands printed to 0.01 W/m2
    assert agreed.sunlight_bands() < 0.15


def test_infrared_share_of_another_table():
    """ASTM E-490: share between 0.3 and 2.5 um; the two tables differ by 0.5 % of all sunlight."""
    assert agreed.sunlight_infrared() == pytest.approx(value("sunlight-infrared"), abs=6e-3)


def test_shares_rise_from_nothing_to_all():
    wavelength = np.geomspace(10.0, 1e7, 4000)
    share = energy_below_fraction(wavelength)
    assert (np.diff(share) >= 0).all()
    assert share[0] == pytest.approx(0.0, abs=1e-9)
    assert share[-1] == pytest.approx(1.0, abs=2e-6)
    assert len(BAND_EDGES_NM) == 47
