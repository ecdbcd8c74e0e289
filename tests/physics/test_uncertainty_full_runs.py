"""Draws of uncertain inputs: re-weighted skies against full runs with those inputs, and what a budget says of them."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.physics.uncertain_plans import plan
from yieldsim.base.errors import CannotCompute
from yieldsim.base.load_model import Load, LoadPlan, Storage
from yieldsim.base.model import Acceptance, BiaxialAcceptance, Collector, HorizonMask, RoundAcceptance, Site
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.text.bundled import sites_folder
from yieldsim.planning.uncertainty.perturbed_estimate import (
    DrawnRun,
    delivered_w,
    delivered_with_gap,
    drawn_run,
)
from yieldsim.planning.uncertainty.precomputed_sky import drawn_sky
from yieldsim.runs.budget.run import budget
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.setup.prepare import prepare

# ---------------------------------------------------------------- re-weighting against full runs

MOON = ("lantern-ridge.toml", "wide.collector.toml", "2027-05-10", "2027-06-09")
"""The ridge in its winter, when the Sun grazes the skyline."""
MARS = ("rust-plain.toml", "skyward.collector.toml", "2027-03-01", "2027-03-21")


@pytest.fixture(scope="module")
def nouns() -> Callable[[tuple[str, str, str, str]], tuple[Site, Collector]]:
    def read(case: tuple[str, str, str, str]) -> tuple[Site, Collector]:
        return read_site(sites_folder() / case[0]).noun, read_collector(sites_folder() / case[1]).noun

    return read


@pytest.fixture(scope="module")
def run_of(nouns: Callable[..., tuple[Site, Collector]]) -> Callable[..., DrawnRun]:
    kept: dict[object, DrawnRun] = {}

    def run(case: tuple[str, str, str, str], biaxial: bool = False) -> DrawnRun:
        if (case, biaxial) not in kept:
            site, collector = nouns(case)
            ready = prepare(site, two_angled(collector) if biaxial else collector, case[2], case[3])
            sky = drawn_sky(ready.setting, ready.grid, (-0.3, 0.5))
            kept[case, biaxial] = drawn_run(ready.setting, ready.grid, sky, (0.5, 2.0))
        return kept[case, biaxial]

    return run


def two_angled(collector: Collector) -> Collector:
    """Troughs made of the collector's funnels, turned about their normals: narrow across, wide along."""
    across = np.arange(0.0, 41.0, 1.0)
    along = np.arange(0.0, 81.0, 2.0)
    grid = 0.8 * np.outer(1.0 / (1.0 + (across / 15.0) ** 6), np.cos(np.radians(along)))
    table = BiaxialAcceptance(
        transverse_deg=across, longitudinal_deg=along, acceptance_fraction=grid, source="point"
    )
    mounts = tuple(replace(mount, roll_deg=35.0) for mount in collector.mounts)
    return replace(collector, acceptance=table, mounts=mounts)


def stretched(acceptance: Acceptance, width: float) -> Acceptance:
    """An acceptance table with its angles times a factor; angles past 90 degrees are cut off there.

    A stretched table stays a table: linear between its rows.
    """
    if width == 1.0:
        return acceptance
    if isinstance(acceptance, RoundAcceptance):
        angles, values = _cut(acceptance.incidence_deg * width, acceptance.acceptance_fraction)
        return replace(acceptance, incidence_deg=angles, acceptance_fraction=values)
    transverse, rows = _cut(acceptance.transverse_deg * width, acceptance.acceptance_fraction)
    longitudinal, columns = _cut(acceptance.longitudinal_deg * width, rows.T)
    return replace(
        acceptance, transverse_deg=transverse, longitudinal_deg=longitudinal, acceptance_fraction=columns.T
    )


def _cut(angles_deg: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows (n,) and values (n, ...) between -90 and 90 degrees, with a row made at a cut."""
    inside = angles_deg[(angles_deg >= -90.0) & (angles_deg <= 90.0)]
    ends = [np.array([end]) for end in (-90.0, 90.0) if angles_deg[0] < end < angles_deg[-1]]
    kept = np.unique(np.concatenate([inside, *ends]))
    at = np.clip(np.searchsorted(angles_deg, kept, side="right") - 1, 0, len(angles_deg) - 2)
    share = (kept - angles_deg[at]) / (angles_deg[at + 1] - angles_deg[at])
    share = share.reshape(-1, *([1] * (values.ndim - 1)))
    return kept, values[at] * (1.0 - share) + values[at + 1] * share


def raised(site: Site, by_deg: float) -> Site:
    mask = site.horizon
    assert isinstance(mask, HorizonMask)
    return replace(
        site, horizon=HorizonMask(azimuth_deg=mask.azimuth_deg, elevation_deg=mask.elevation_deg + by_deg)
    )


def turned(collector: Collector, tilt: float, azimuth: float) -> Collector:
    return replace(
        collector,
        mounts=tuple(
            replace(m, tilt_deg=m.tilt_deg + tilt, azimuth_deg=m.azimuth_deg + azimuth)
            for m in collector.mounts
        ),
    )


def scaled_acceptance(collector: Collector, factor: float) -> Collector:
    table = collector.acceptance
    assert isinstance(table, RoundAcceptance)
    return replace(
        collector, acceptance=replace(table, acceptance_fraction=table.acceptance_fraction * factor)
    )


def fibre(collector: Collector, **changes: object) -> Collector:
    assert collector.fibre is not None
    return replace(collector, fibre=replace(collector.fibre, **changes))  # type: ignore[arg-type]


def attenuated(collector: Collector, factor: float) -> Collector:
    assert collector.fibre is not None
    table = collector.fibre.attenuation
    assert not isinstance(table, float)
    return fibre(
        collector, attenuation=replace(table, attenuation_db_per_km=table.attenuation_db_per_km * factor)
    )


def shield(collector: Collector, **changes: float) -> Collector:
    assert collector.shield is not None
    return replace(collector, shield=replace(collector.shield, **changes))


def dustier(site: Site, factor: float) -> Site:
    assert site.dust is not None
    return replace(site, dust=replace(site.dust, loss_per_day=site.dust.loss_per_day * factor))


def thicker(site: Site, factor: float) -> Site:
    depth = site.optical_depth
    assert depth is not None
    assert not isinstance(depth, float)
    return replace(site, optical_depth=replace(depth, optical_depth=depth.optical_depth * factor))


Change = Callable[[Site, Collector], tuple[Site, Collector]]
CHANGES: list[tuple[tuple[str, str, str, str], dict[str, float], Change]] = [
    (MOON, {}, lambda s, c: (s, c)),
    (MARS, {}, lambda s, c: (s, c)),
    (MOON, {"horizon_height_deg": 0.173}, lambda s, c: (raised(s, 0.173), c)),
    (MOON, {"horizon_height_deg": -0.21}, lambda s, c: (raised(s, -0.21), c)),
    (MOON, {"mount_tilt_deg": -4.0, "mount_azimuth_deg": 7.0}, lambda s, c: (s, turned(c, -4.0, 7.0))),
    (MARS, {"mount_tilt_deg": 3.0, "mount_azimuth_deg": -9.0}, lambda s, c: (s, turned(c, 3.0, -9.0))),
    (MOON, {"acceptance_scale": 0.9}, lambda s, c: (s, scaled_acceptance(c, 0.9))),
    (
        MOON,
        {"acceptance_width": 0.87},
        lambda s, c: (s, replace(c, acceptance=stretched(c.acceptance_table, 0.87))),
    ),
    (
        MARS,
        {"acceptance_width": 1.13},
        lambda s, c: (s, replace(c, acceptance=stretched(c.acceptance_table, 1.13))),
    ),
    (MOON, {"film_transmittance": 0.8}, lambda s, c: (s, shield(c, film_transmittance=0.8))),
    (MOON, {"fibre_attenuation": 1.7}, lambda s, c: (s, attenuated(c, 1.7))),
    (MOON, {"fibre_coupling": 0.5}, lambda s, c: (s, fibre(c, coupling=0.5))),
    (MOON, {"fibre_darkening": 30.0}, lambda s, c: (s, fibre(c, darkening_db_per_km_per_year=60.0))),
    (
        MOON,
        {"dust_rate": 3000.0, "shield_removal": 0.4},
        lambda s, c: (dustier(s, 3000.0), shield(c, removal=0.4)),
    ),
    (MARS, {"dust_rate": 4.0}, lambda s, c: (dustier(s, 4.0), c)),
    (MARS, {"optical_depth": 1.8}, lambda s, c: (thicker(s, 1.8), c)),
]


@pytest.mark.parametrize(
    ("case", "values", "change"),
    CHANGES,
    ids=[f"{case[0][:4]}-{'-'.join(values) or 'unchanged'}" for case, values, _ in CHANGES],
)
def test_a_draw_is_a_full_run(
    case: tuple[str, str, str, str],
    values: dict[str, float],
    change: Change,
    run_of: Callable[..., DrawnRun],
    nouns: Callable[..., tuple[Site, Collector]],
) -> None:
    """Energy within 5e-4 and rows within 2 % of the peak: the full run's own tolerance is 1e-3, its acceptance reads 96
    points of the disc where the draw's lookup is smooth, and an edge of the disc crosses an edge of a row a
    little off. A gap within a fine step at either end.
    """
    run = run_of(case)
    told = estimate(*change(*nouns(case)), case[2], case[3])
    full = told["delivered_power_w"].values
    drawn, gap_hours = delivered_with_gap(run, values)
    step_hours = run.row_hours / run.sky.steps_per_row
    assert gap_hours == pytest.approx(told.yieldsim.longest_gap_hours, abs=2.0 * step_hours)
    if values:
        # the change is one that matters
        assert abs(delivered_w(run_of(case), {}).sum() / full.sum() - 1.0) > 5e-3
    assert drawn.sum() == pytest.approx(full.sum(), rel=5e-4)
    np.testing.assert_allclose(drawn, full, rtol=0.0, atol=0.02 * full.max())


def test_a_draw_of_two_angled_optics_is_a_full_run(
    run_of: Callable[..., DrawnRun], nouns: Callable[..., tuple[Site, Collector]]
) -> None:
    site, collector = nouns(MOON)
    own = turned(two_angled(collector), 0.0, 5.0)
    wide = replace(own, acceptance=stretched(own.acceptance_table, 1.1))
    full = estimate(site, wide, MOON[2], MOON[3])["delivered_power_w"].values
    drawn = delivered_w(run_of(MOON, True), {"acceptance_width": 1.1, "mount_azimuth_deg": 5.0})
    assert drawn.sum() == pytest.approx(full.sum(), rel=1e-3)


def test_irradiance_is_a_factor_and_acceptance_stays_below_one(run_of: Callable[..., DrawnRun]) -> None:
    run = run_of(MOON)
    plain = delivered_w(run, {})
    np.testing.assert_allclose(delivered_w(run, {"irradiance": 1.01}), 1.01 * plain, rtol=1e-12)
    peak = float(run.setting.collector.acceptance_table.acceptance_fraction.max())
    np.testing.assert_allclose(delivered_w(run, {"acceptance_scale": 9.0}), plain / peak, rtol=1e-12)


def test_stretched_tables_are_cut_at_ninety_degrees() -> None:
    table = RoundAcceptance(
        incidence_deg=[0.0, 60.0, 80.0], acceptance_fraction=[1.0, 0.8, 0.0], source="disc"
    )
    wide = stretched(table, 1.25)
    assert isinstance(wide, RoundAcceptance)
    assert wide.incidence_deg.tolist() == [0.0, 75.0, 90.0]
    # 90 is three fifths of the way from 75 to 100
    np.testing.assert_allclose(wide.acceptance_fraction, [1.0, 0.8, 0.8 * 0.4], rtol=1e-12)


# ---------------------------------------------------------------- a whole budget


def test_a_budget_says_how_sure_it_is(nouns: Callable[..., tuple[Site, Collector]]) -> None:
    """Loads and store drawn too: the nominal draw is the budget itself, and a heavier load is what matters."""
    site, collector = nouns(MOON)
    ds = estimate(site, collector, MOON[2], MOON[3])
    mean_w = float(ds["delivered_power_w"].mean())
    loads = (Load(name="all day", kind="heat", amount=1.2 * mean_w),)
    own = LoadPlan(name="a", loads=loads, storage=Storage(capacity_kwh=2.0, initial_fraction=0.5))
    doubts = plan(
        ("load", "normal", (1.0, 0.1)),
        ("storage_capacity", "uniform", (0.8, 1.2)),
        ("irradiance", "normal", (1.0, 0.001)),
        draws=128,
    )
    series = budget(ds, own, site=site, collector=collector, uncertain=doubts)
    summary = json.loads(series.attrs["summary"])
    sure = summary["uncertainty"]
    # the lookup's departure from the estimate
    assert abs(sure["nominal_departure"]) < 5e-4
    assert sure["nominal"]["served_fraction"] == pytest.approx(
        summary["served_fraction"]["all day"], abs=1e-3
    )
    assert sure["nominal"]["unserved_kwh"] == pytest.approx(summary["unserved_kwh"], rel=2e-3)
    drawn = series["drawn_input"].values
    served = series["drawn_served_fraction"].values
    assert np.corrcoef(drawn[:, 0], served)[0, 1] < -0.95
    shares = sure["ranking"]["served_fraction"]["shares"]
    assert shares[0]["what"] == "load"
    assert sum(row["first"] for row in shares) == pytest.approx(1.0, abs=0.05)
    worst = sure["shortfall"]
    assert summary["unserved_kwh"] < worst["p90_unserved_kwh"] < worst["p99_unserved_kwh"]
    assert any("in 10 of 100 cases they lack more than" in line for line in summary["warnings"])
    # light is not moved by loads or store
    assert sure["ranking"]["delivered_kwh"]["shares"][0]["what"] == "irradiance"


def test_draws_of_another_light_are_refused(nouns: Callable[..., tuple[Site, Collector]]) -> None:
    """Of units at two sites a budget drew 70.4 % served at P90 where the estimate's own light serves 99.0 %."""
    site, collector = nouns(MOON)
    ds = estimate(site, collector, "2027-05-10", "2027-05-20")
    own = LoadPlan(name="a", loads=(Load(name="all day", kind="heat", amount=1.0),))
    other = replace(collector, aperture_area_m2=1.2 * collector.aperture_area_m2)
    doubts = plan(("irradiance", "normal", (1.0, 0.001)), draws=64)
    with pytest.raises(CannotCompute, match=r"departs from the estimate's light by \+20\.0%"):
        budget(ds, own, site=site, collector=other, uncertain=doubts)
