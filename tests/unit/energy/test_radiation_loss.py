"""Loss by dose against measured fibres, against limits of its law, and in the chain."""

from dataclasses import replace

import numpy as np
import pytest
from agreement.published import value

from yieldsim.base.load_model import Life
from yieldsim.base.model import Collector, Fibre, Mount, RoundAcceptance
from yieldsim.base.radiation_model import Radiation
from yieldsim.energy.chain import STAGES, stages_of
from yieldsim.energy.degradation import clean_light
from yieldsim.energy.radiation_loss import fibre_left, induced_db_per_km, lens_left, scaled
from yieldsim.planning.habitat.lifetime import aged

YEAR_S = 365.25 * 86400.0
MEASURED = Radiation(dose_gy_per_year=0.116, fibre_db_per_km=1.2, fibre_exponent=0.6074)
COLLECTOR = Collector(
    name="one",
    aperture_area_m2=0.1,
    mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),),
    acceptance=RoundAcceptance(incidence_deg=[0.0, 5.0], acceptance_fraction=[1.0, 0.0], source="disc"),
    fibre=Fibre(length_m=50.0, darkening_db_per_km_per_year=2.0),
    radiation=replace(MEASURED, lens_loss_per_kgy=0.02, lens_dose_gy_per_year=500.0),
)


def test_the_measured_multimode_fibre():
    # by 1e4 and 1e5 rad; a and b have three digits
    measured = [value("hou-low"), value("hou-high")]
    np.testing.assert_allclose(induced_db_per_km(MEASURED, [100.0, 1000.0]), measured, rtol=2e-3)


def test_phosphorus_is_linear():
    # up to about 30 Gy, its source says
    doped = Radiation(dose_gy_per_year=1.0, fibre_db_per_km=value("lumina"))
    assert induced_db_per_km(doped, 30.0) == pytest.approx(30.0 * value("lumina"))


def test_saturation_and_recovery_keep_the_laws_ends():
    law = replace(MEASURED, fibre_saturation_db_per_km=50.0, fibre_recovered_fraction=0.25)
    small, large = induced_db_per_km(law, [1e-3, 1e7])
    assert small == pytest.approx(0.75 * induced_db_per_km(MEASURED, 1e-3), rel=1e-3)
    assert large == pytest.approx(50.0, rel=1e-9)
    doses = np.geomspace(1e-3, 1e7, 50)
    # flat to rounding where it is saturated
    assert (np.diff(induced_db_per_km(law, doses)) >= 0.0).all()


def test_decibels_of_the_length_and_compounding_of_the_lens():
    ten = 10.0 * YEAR_S
    added = 1.2 * 1.16**0.6074
    assert fibre_left(COLLECTOR, ten) == pytest.approx(10.0 ** (-added * 0.05 / 10.0), rel=1e-12)
    assert lens_left(COLLECTOR, ten) == pytest.approx(0.98**5.0, rel=1e-12)
    assert fibre_left(replace(COLLECTOR, radiation=None), ten) == 1.0


def test_dose_before_the_run_counts_from_its_start():
    before = replace(MEASURED, start_dose_gy=100.0, dose_gy_per_year=0.0)
    worn = replace(COLLECTOR, radiation=before)
    np.testing.assert_allclose(fibre_left(worn, [0.0, YEAR_S]), 10.0 ** (-19.68 * 0.05 / 10.0), rtol=2e-4)


def test_a_dose_twice_as_large_is_a_run_twice_as_long():
    doubled = scaled(COLLECTOR, 2.0)
    np.testing.assert_allclose(fibre_left(doubled, YEAR_S), fibre_left(COLLECTOR, 2.0 * YEAR_S), rtol=1e-12)
    np.testing.assert_allclose(lens_left(doubled, YEAR_S), lens_left(COLLECTOR, 2.0 * YEAR_S), rtol=1e-12)


def test_the_ledger_gains_a_line_only_for_a_lens_that_darkens():
    assert stages_of(replace(COLLECTOR, radiation=MEASURED)) == STAGES
    names = [stage.name for stage in stages_of(COLLECTOR)]
    assert names.index("lens darkening") == names.index("acceptance") - 1
    assert [name for name in names if name != "lens darkening"] == [stage.name for stage in STAGES]


def test_a_life_puts_back_what_the_run_has_lost_and_goes_on():
    edge_s = np.linspace(0.0, YEAR_S, 366)
    middle = 0.5 * (edge_s[1:] + edge_s[:-1])
    new = np.full((365, 1), 10.0)
    left = fibre_left(COLLECTOR, middle) * lens_left(COLLECTOR, middle)
    darkened = 10.0 ** (-2.0 * middle / YEAR_S * 0.05 / 10.0)
    run = new * (left * darkened)[:, None]
    light = clean_light(run, np.ones_like(run), edge_s, COLLECTOR, None, 1)
    np.testing.assert_allclose(light.power_w, new, rtol=1e-12)
    ages = aged(light.repeated(3650, 365), Life(years=10))
    assert ages.lens[-1] == pytest.approx(0.98**5.0, rel=1e-3)
    assert ages.fibre[-1] == pytest.approx(10.0 ** (-(20.0 + 1.2 * 1.16**0.6074) * 0.05 / 10.0), rel=1e-3)
    np.testing.assert_allclose(ages.power_w, 10.0 * ages.fibre * ages.lens, rtol=1e-12)
