"""The fibre's factors against decibel arithmetic and the spectrum's own integrals."""

import numpy as np
import pytest

from yieldsim.base.model import AttenuationTable, Fibre
from yieldsim.base.solar_spectrum import energy_below_fraction
from yieldsim.energy.fibre import (
    attenuation_transmittance,
    darkening_transmittance,
    fibre_attenuation_fraction,
    fibre_ends_fraction,
    spectrum_outside_fraction,
)

# 10^(-dB/10): plain arithmetic
DECIBELS = [(10.0, 10.0, 0.97724), (30.0, 10.0, 0.93325), (150.0, 10.0, 0.70795), (200.0, 50.0, 0.10000)]


@pytest.mark.parametrize(("db_per_km", "length_m", "expected"), DECIBELS)
def test_constant_attenuation(db_per_km, length_m, expected):
    fibre = Fibre(length_m=length_m, attenuation=db_per_km)
    assert fibre_attenuation_fraction(fibre) == pytest.approx(expected, abs=6e-6)


def test_flat_table_over_the_whole_spectrum_equals_the_constant():
    table = AttenuationTable(wavelength_nm=[100.0, 100_000.0], attenuation_db_per_km=[30.0, 30.0])
    fibre = Fibre(length_m=10.0, attenuation=table)
    # a table from 0.1 to 100 um leaves out a few millionths of sunlight
    assert fibre_attenuation_fraction(fibre) == pytest.approx(0.93325, abs=2e-5)


def test_table_weighs_by_the_spectrum_and_loses_what_it_leaves_out():
    table = AttenuationTable(
        wavelength_nm=[400.0, 700.0, 700.001, 1100.0], attenuation_db_per_km=[0.0, 0.0, 1e6, 1e6]
    )
    fibre = Fibre(length_m=100.0, attenuation=table)
    visible = float(energy_below_fraction(700.0) - energy_below_fraction(400.0))
    assert fibre_attenuation_fraction(fibre) == pytest.approx(visible, abs=5e-4)
    inside = float(energy_below_fraction(1100.0) - energy_below_fraction(400.0))
    assert spectrum_outside_fraction(fibre) == pytest.approx(1.0 - inside, abs=1e-12)


def test_darkening_grows_in_decibels_with_the_years():
    fibre = Fibre(length_m=50.0, darkening_db_per_km_per_year=20.0)
    year_s = 365.25 * 86400.0
    np.testing.assert_allclose(
        darkening_transmittance(fibre, [0.0, year_s, 10 * year_s]),
        attenuation_transmittance([0.0, 1.0, 10.0]),
    )


def test_two_uncoated_silica_faces():
    # normal-incidence reflectance 0.034781 at n = 1.4585 (Fresnel); both faces 0.931648
    assert fibre_ends_fraction(Fibre(length_m=1.0, end_reflection=0.034781)) == pytest.approx(
        0.931648, abs=1e-6
    )
