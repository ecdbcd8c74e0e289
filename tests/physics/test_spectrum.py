"""The blackbody's band energies against Planck's law and published integrals."""

import numpy as np
import pytest

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4
from yieldsim.optics.spectrum import band_weights, energy_below_fraction

HC_OVER_K_M_K = 6.62607015e-34 * 299792458.0 / 1.380649e-23


def planck(wavelength_m, temperature_k):
    c1 = 2 * np.pi * 6.62607015e-34 * 299792458.0**2
    return c1 / wavelength_m**5 / np.expm1(HC_OVER_K_M_K / (wavelength_m * temperature_k))


@pytest.mark.parametrize(
    ("low_nm", "high_nm"), [(280.0, 400.0), (400.0, 700.0), (700.0, 1100.0), (1100.0, 4000.0)]
)
def test_bands_against_planck_integrated(low_nm, high_nm):
    wavelength = np.linspace(low_nm, high_nm, 20001) * 1e-9
    expected = np.trapezoid(planck(wavelength, 5772.0), wavelength) / (STEFAN_BOLTZMANN_W_M2_K4 * 5772.0**4)
    assert float(band_weights([low_nm, high_nm])[0]) == pytest.approx(expected, abs=1e-7)


def test_share_of_photosynthetic_light():
    # 5772 K blackbody: 36.64 % between 400 and 700 nm (derived by trapezoid with CIE and ASTM data as a cross-check of both)
    assert float(band_weights([400.0, 700.0])[0]) == pytest.approx(0.3664, abs=5e-5)


def test_ends():
    # sixty terms leave out at most 15/pi^4 * 2/60^3 = 1.4e-6
    assert float(energy_below_fraction(1e8)) == pytest.approx(1.0, abs=1.5e-6)
    # Wien's tail: z = 50, F = 15/pi^4 z^3 exp(-z) to 6 %
    z = HC_OVER_K_M_K / (50e-9 * 5772.0)
    assert float(energy_below_fraction(50.0)) == pytest.approx(
        15 / np.pi**4 * z**3 * np.exp(-z) * (1 + 3 / z), rel=5e-3
    )
