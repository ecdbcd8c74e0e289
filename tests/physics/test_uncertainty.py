"""Draws against analytic propagation, rankings against known shares, re-weighted skies against full runs."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import lognorm, norm, triang, uniform

from yieldsim.base.load_model import DOUBTS, Load, LoadPlan, Storage, UncertainInput, UncertainPlan
from yieldsim.base.model import Acceptance, BiaxialAcceptance, Collector, HorizonMask, RoundAcceptance, Site
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.text.bundled import sites_folder
from yieldsim.planning.uncertainty import sensitivity
from yieldsim.planning.uncertainty.perturbed_estimate import DrawnRun, delivered_w, drawn_run
from yieldsim.planning.uncertainty.precomputed_sky import drawn_sky
from yieldsim.runs.budget.run import budget
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.setup.prepare import prepare


def plan(*inputs: tuple[str, str, tuple[float, ...]], draws: int = 1024, seed: int = 3) -> UncertainPlan:
    return UncertainPlan(
        inputs=tuple(
            UncertainInput(what=what, distribution=kind, parameters=numbers)  # type: ignore[arg-type]
            for what, kind, numbers in inputs
        ),
        draws=draws,
        seed=seed,
    )


# ---------------------------------------------------------------- draws


@pytest.mark.parametrize(
    ("kind", "numbers", "known"),
    [
        ("normal", (2.0, 0.3), norm(2.0, 0.3)),
        ("uniform", (0.5, 4.0), uniform(0.5, 3.5)),
        ("triangular", (0.2, 0.5, 2.0), triang(0.3 / 1.8, 0.2, 1.8)),
        ("triangular", (0.2, 0.2, 2.0), triang(0.0, 0.2, 1.8)),
        ("lognormal", (1.5, 0.4), lognorm(0.4, scale=1.5)),
    ],
)
def test_distributions_are_those_of_scipy(kind: str, numbers: tuple[float, ...], known: object) -> None:
    places = np.linspace(0.001, 0.999, 101)
    one = UncertainInput(what="dust_rate", distribution=kind, parameters=numbers)  # type: ignore[arg-type]
    np.testing.assert_allclose(sensitivity.quantile(one, places), known.ppf(places), rtol=1e-10)  # type: ignore[attr-defined]


def test_draws_fill_evenly_and_are_the_same_again() -> None:
    own = plan(("dust_rate", "uniform", (0.0, 1.0)), ("irradiance", "uniform", (0.0, 1.0)), draws=512)
    draws = sensitivity.draw(own)
    np.testing.assert_array_equal(draws.value, sensitivity.draw(own).value)
    other = sensitivity.draw(replace(own, seed=4))
    assert not np.array_equal(draws.value, other.value)
    # each scramble of 64 points holds one in every sixty-fourth of either axis: a (0, 6, 2)-net
    for part in draws.uniform.reshape(sensitivity.REPLICATES, 64, 2):
        for column in part.T:
            assert sorted(np.floor(column * 64).astype(int)) == list(range(64))


def test_draws_keep_to_the_physical_range() -> None:
    draws = sensitivity.draw(plan(("shield_removal", "normal", (0.98, 0.02))))
    assert draws.value.max() == DOUBTS["shield_removal"].span[1] == 1.0
    # above 1 lie 15.9 % of a normal distribution from one standard deviation on
    assert draws.clipped[0] / 1024 == pytest.approx(1.0 - norm.cdf(1.0), abs=0.01)


# ---------------------------------------------------------------- analytic propagation


def test_one_linear_factor() -> None:
    """E = E0 s, s normal: P50, P90, P99 are E0 (mean - z sd) with z = 0, 1.2816, 2.3263."""
    draws = sensitivity.draw(plan(("acceptance_scale", "normal", (1.0, 0.05))))
    found = sensitivity.figures(200.0 * draws.value[:, 0], True)
    for level, z in ((50, 0.0), (90, 1.28155), (99, 2.32635)):
        # quasi-random: 8 scrambles of 128 points, an eighth of a step of the 1st percentile at worst
        assert found[f"p{level}"] == pytest.approx(200.0 * (1.0 - 0.05 * z), abs=0.35 if level == 99 else 0.1)
    assert found["mean"] == pytest.approx(200.0, abs=0.01)
    assert found["standard_deviation"] == pytest.approx(10.0, rel=0.01)
    gap = sensitivity.figures(200.0 * draws.value[:, 0], False)
    assert gap["p90"] == pytest.approx(200.0 * (1.0 + 0.05 * 1.28155), abs=0.1)


def test_a_product_of_independent_factors() -> None:
    """Mean of a product is the product of means; E[X^2] likewise: variance = prod (m^2 + s^2) - prod m^2."""
    draws = sensitivity.draw(
        plan(
            ("irradiance", "normal", (1.0, 0.02)),
            ("acceptance_scale", "uniform", (0.9, 1.1)),
            ("film_transmittance", "triangular", (0.8, 0.9, 0.95)),
            ("fibre_attenuation", "lognormal", (1.0, 0.1)),
            draws=4096,
        )
    )
    means = (1.0, 1.0, 2.65 / 3.0, math.exp(0.005))
    squares = (
        1.0 + 4e-4,
        1.0 + 0.2**2 / 12.0,
        (2.65 / 3.0) ** 2 + (0.8**2 + 0.9**2 + 0.95**2 - 0.8 * 0.9 - 0.8 * 0.95 - 0.9 * 0.95) / 18.0,
        math.exp(0.02),
    )
    found = sensitivity.figures(draws.value.prod(axis=1), True)
    assert found["mean"] == pytest.approx(math.prod(means), rel=5e-4)
    sd = math.sqrt(math.prod(squares) - math.prod(means) ** 2)
    assert found["standard_deviation"] == pytest.approx(sd, rel=0.01)


def test_the_standard_error_is_honest() -> None:
    """Means over 40 seeds scatter about as much as each seed says it may."""
    own = plan(("irradiance", "lognormal", (1.0, 0.5)), ("dust_rate", "normal", (1.0, 0.3)), draws=256)
    values, errors = [], []
    for seed in range(40):
        draws = sensitivity.draw(replace(own, seed=seed))
        found = sensitivity.figures(draws.value[:, 0] * draws.value[:, 1], True)
        values.append(found["mean"])
        errors.append(found["mean_error"])
    # 40 seeds know a scatter to 11 %, the mean of 40 errors of 7 degrees of freedom to 4 %: three of the former
    assert np.std(values, ddof=1) == pytest.approx(float(np.sqrt(np.mean(np.square(errors)))), rel=0.34)


def test_convergence_ends_at_the_answer() -> None:
    draws = sensitivity.draw(plan(("irradiance", "normal", (1.0, 0.1))))
    rows = sensitivity.convergence(draws.value[:, 0], True)
    assert [row["draws"] for row in rows] == [128, 256, 512, 1024]
    assert rows[-1]["p90"] == sensitivity.figures(draws.value[:, 0], True)["p90"]


# ---------------------------------------------------------------- rankings


def test_shares_of_a_linear_sum() -> None:
    """Y = sum a X: shares a^2 var X / sum; normal, uniform and triangular X of known variances."""
    draws = sensitivity.draw(
        plan(
            ("irradiance", "normal", (1.0, 0.3)),
            ("dust_rate", "uniform", (0.0, 1.0)),
            ("fibre_darkening", "normal", (2.0, 0.1)),
        )
    )
    values = draws.value @ np.array([1.0, 2.0, 3.0])
    parts = np.array([0.09, 4.0 / 12.0, 9.0 * 0.01])
    found = sensitivity.ranking(draws, values)
    assert found is not None
    assert found.explained > 0.9999
    # scipy's estimator with 4096 points: a few thousandths
    np.testing.assert_allclose(found.first, parts / parts.sum(), atol=0.01)
    np.testing.assert_allclose(found.total, parts / parts.sum(), atol=0.01)


def test_shares_of_a_product_of_centred_factors() -> None:
    """Y = X1 X2 of zero means: neither alone, both together; first order 0, total 1."""
    draws = sensitivity.draw(
        plan(("horizon_height_deg", "normal", (0.0, 1.0)), ("mount_tilt_deg", "normal", (0.0, 2.0)))
    )
    found = sensitivity.ranking(draws, draws.value[:, 0] * draws.value[:, 1])
    assert found is not None
    np.testing.assert_allclose(found.first, 0.0, atol=0.02)
    np.testing.assert_allclose(found.total, 1.0, atol=0.02)


def test_what_a_quadratic_cannot_follow_is_owned_up_to() -> None:
    draws = sensitivity.draw(
        plan(("dust_rate", "uniform", (0.0, 1.0)), ("irradiance", "uniform", (0.0, 1.0)))
    )
    found = sensitivity.ranking(draws, np.sin(25.0 * draws.value[:, 0]))
    assert found is not None
    assert found.explained < 0.2
    assert sensitivity.ranking(draws, np.full(1024, 3.0)) is None
    single = sensitivity.draw(plan(("dust_rate", "uniform", (0.0, 1.0))))
    one = sensitivity.ranking(single, single.value[:, 0])
    assert one is not None
    assert one.total == (1.0,)


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
    little off.
    """
    full = estimate(*change(*nouns(case)), case[2], case[3])["delivered_power_w"].values
    drawn = delivered_w(run_of(case), values)
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
