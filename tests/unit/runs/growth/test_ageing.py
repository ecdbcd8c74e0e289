"""How units of earlier flights have aged, against the laws of dose and darkening written out."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from yieldsim.files.inputs.readers import read_collector
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.growth.phases import PhaseSpan, units_left

COLLECTOR = read_collector(sites_folder() / "insulated.collector.toml").noun
YEAR = np.timedelta64(round(365.25 * 86_400), "s")
BEGIN = np.datetime64("2027-01-01", "s")
RUN_YEARS = 0.5


def left_of(collector, loss_per_year=0.0):
    """Of both flights in the second phase: three years, then two of which the last half is run."""
    spans = [
        PhaseSpan(
            number=number,
            phase=None,
            plan=None,
            begin_utc=BEGIN + first * YEAR,
            end_utc=BEGIN + (first + long) * YEAR,
            span=SimpleNamespace(start=str(BEGIN + first * YEAR), end=str(BEGIN + first * YEAR + YEAR // 2)),
        )
        for number, (first, long) in enumerate([(0, 3), (3, 2)])
    ]
    plan = SimpleNamespace(load=SimpleNamespace(life=SimpleNamespace(lens_darkening_per_year=loss_per_year)))
    return units_left(spans, 1, plan, SimpleNamespace(collector=collector))


@pytest.mark.parametrize("exponent", [0.6, 1.0, 1.4])
def test_dose_of_the_years_before_counts(exponent):
    """What a unit delivers in the run is what a new one would, less what the dose had before takes more: at the run's worse end."""
    radiation = replace(
        COLLECTOR.radiation, dose_gy_per_year=40.0, start_dose_gy=5.0, fibre_exponent=exponent,
        fibre_saturation_db_per_km=None, lens_dose_gy_per_year=3000.0, lens_loss_per_kgy=0.004,
    )  # fmt: skip
    collector = replace(COLLECTOR, radiation=radiation)
    metres = COLLECTOR.fibre.length_m

    def fibre(years):
        return 10.0 ** (-radiation.fibre_db_per_km * (5.0 + 40.0 * years) ** exponent * metres / 1e4)

    expected = []
    for age in (5.0 - RUN_YEARS, 2.0 - RUN_YEARS):
        lens = (1.0 - 0.004) ** (3.0 * age)
        expected.append(lens * min(fibre(age + t) / fibre(t) for t in (0.0, RUN_YEARS)))
    assert left_of(collector) == pytest.approx(expected, rel=1e-12)
    assert expected[0] < 0.97


def test_without_dose_the_lens_darkens_by_years():
    assert left_of(replace(COLLECTOR, radiation=None), 0.02) == pytest.approx([0.98**5, 0.98**2], rel=1e-12)
