"""Grain sizes, a stated range of removal and a dose, through whole runs: draws, facings and a life agree with estimates."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.physics.uncertain_plans import plan
from yieldsim.base.load_model import Life, Load, LoadPlan
from yieldsim.base.model import Collector, GrainRemoval, Shield, Site
from yieldsim.base.radiation_model import Radiation
from yieldsim.energy.radiation_loss import scaled
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.text.bundled import sites_folder
from yieldsim.planning.sunlight.cumulative_sky import weigh
from yieldsim.planning.uncertainty.perturbed_estimate import delivered_w, drawn_run
from yieldsim.planning.uncertainty.precomputed_sky import drawn_sky
from yieldsim.report.estimate.wear_text import wear_rows
from yieldsim.runs.budget.run import budget
from yieldsim.runs.estimate.output import summary_of
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.page.payload import light_payload
from yieldsim.runs.setup.prepare import prepare

SPAN = ("2027-03-01", "2027-03-11")
GRAINS = GrainRemoval(
    diameter_um=[2.0, 5.0, 10.0, 40.0],
    removal_fraction=[0.2, 0.45, 0.8, 0.98],
    median_um=5.2,
    geometric_sd=1.6,
)
RADIATION = Radiation(
    dose_gy_per_year=2000.0,
    fibre_db_per_km=4.0,
    fibre_exponent=0.6,
    lens_dose_gy_per_year=50_000.0,
    lens_loss_per_kgy=0.05,
)


@pytest.fixture(scope="module")
def dusty() -> tuple[Site, Collector]:
    """Five per cent a day on Mars, a shield that runs each second day, radiation that tells within weeks."""
    site = read_site(sites_folder() / "rust-plain.toml").noun
    collector = read_collector(sites_folder() / "skyward.collector.toml").noun
    assert site.dust is not None
    shield = Shield(film_transmittance=0.9, cycle_hours=48.0, grains=GRAINS)
    return (
        replace(site, dust=replace(site.dust, loss_per_day=0.05)),
        replace(collector, shield=shield, radiation=RADIATION),
    )


def kwh(site: Site, collector: Collector) -> float:
    return float(summary_of(estimate(site, collector, *SPAN))["delivered_kwh"])


@pytest.fixture(scope="module")
def run(dusty):
    return estimate(*dusty, *SPAN)


def test_drawn_grains_and_dose_are_those_of_a_full_run(dusty, run):
    site, collector = dusty
    ready = prepare(site, collector, *SPAN)
    drawn = drawn_run(ready.setting, ready.grid, drawn_sky(ready.setting, ready.grid, (0.0, 0.0)), (1.0, 1.0))
    plain = float(summary_of(run)["delivered_kwh"])
    finer = replace(collector, shield=replace(collector.shield, grains=replace(GRAINS, median_um=2.6)))
    one_removal = replace(collector, shield=replace(collector.shield, grains=None, removal=0.3))
    for values, full in (
        ({}, plain),
        ({"grain_median": 0.5}, kwh(site, finer)),
        ({"radiation_dose": 3.0}, kwh(site, scaled(collector, 3.0))),
        ({"shield_removal": 0.3}, kwh(site, one_removal)),
    ):
        # as in the tests of other draws: a full run's own tolerance is 1e-3
        assert delivered_w(drawn, values).sum() * drawn.row_hours / 1000.0 == pytest.approx(full, rel=5e-4)
        assert not values or abs(full / plain - 1.0) > 5e-3


def test_the_ledger_tells_lens_and_fibre_by_dose(run):
    ledger = {row["stage"]: row["kwh"] for row in summary_of(run)["ledger"]}
    names = list(ledger)
    lens = ledger["lens darkening"] / ledger[names[names.index("lens darkening") - 1]]
    # 10 days of 50 kGy a year: half of them on average, 0.7 kGy
    assert lens == pytest.approx(0.95 ** (50.0 * 5.0 / 365.25), rel=2e-3)
    at_end = summary_of(run)["radiation"][0]
    assert at_end["lens_left"] == pytest.approx(0.95**50.0)
    assert at_end["left"] == pytest.approx(at_end["fibre_left"] * at_end["lens_left"])
    # a mount that tracks the Sun has the same lens
    both = run["sun_following_power_w"].values * run["lens_transmittance"].values
    assert (both <= run["sun_following_power_w"].values).all()


def test_facings_and_the_live_page_see_the_lens(dusty, run):
    site, collector = dusty
    new = replace(collector, radiation=replace(RADIATION, lens_loss_per_kgy=1e-12))
    sky, sky_new = (
        weigh(ready.setting, ready.grid)[0].sums[0, :, 3].sum()
        for ready in (prepare(site, one, *SPAN) for one in (collector, new))
    )
    assert sky / sky_new == pytest.approx(float(run["lens_transmittance"].mean()), rel=5e-3)
    _, arrays = light_payload(run, summary_of(run))
    _, plain = light_payload(run.drop_vars("lens_transmittance"), summary_of(run))
    assert arrays["fibre"][-1] < plain["fibre"][-1]


def test_both_ends_of_a_stated_range_are_full_runs(dusty):
    site, collector = dusty
    stated = Shield(
        film_transmittance=0.9, cycle_hours=48.0, removal=0.77, lowest_removal=0.47, highest_removal=0.98
    )
    ranged = replace(collector, shield=stated, radiation=None)
    summary = summary_of(estimate(site, ranged, *SPAN))
    ends = summary["removal_range"]
    for end in ("lowest", "highest"):
        own = replace(ranged, shield=replace(stated, removal=ends[f"{end}_removal"]))
        assert ends[f"delivered_kwh_at_{end}"] == pytest.approx(kwh(site, own), rel=2e-4)
    assert ends["delivered_kwh_at_lowest"] < summary["delivered_kwh"] < ends["delivered_kwh_at_highest"]
    assert len(wear_rows(summary)) == 1


def test_a_budget_draws_the_stated_range_and_ages_by_dose(dusty):
    site, collector = dusty
    stated = Shield(
        film_transmittance=0.9, cycle_hours=48.0, removal=0.77, lowest_removal=0.47, highest_removal=0.98
    )
    ranged = replace(collector, shield=stated, radiation=replace(RADIATION, lens_dose_gy_per_year=500.0))
    ds = estimate(site, ranged, "2027-03-01", "2027-03-31")
    load = Load(name="all day", kind="heat", amount=float(ds["delivered_power_w"].mean()))
    own = LoadPlan(name="a", loads=(load,), life=Life(years=2))
    doubts = plan(("irradiance", "normal", (1.0, 0.001)), draws=64)
    series = budget(ds, own, site=site, collector=ranged, uncertain=doubts)
    summary = json.loads(series.attrs["summary"])
    assert [one["what"] for one in summary["uncertainty"]["inputs"]] == ["irradiance", "shield_removal"]
    assert any("drawn evenly between 0.47 and 0.98" in line for line in summary["warnings"])
    drawn = series["drawn_input"].values[:, 1]
    assert 0.47 <= drawn.min() < 0.5 < 0.95 < drawn.max() <= 0.98
    assert np.corrcoef(drawn, series["drawn_delivered_kwh"].values)[0, 1] > 0.9
    second = summary["life"]["table"][1]
    assert second["lens_left"] == pytest.approx(0.95**0.75, rel=2e-3)
