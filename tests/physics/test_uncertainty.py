"""Draws against analytic propagation, rankings against known shares, re-weighted skies against full runs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import lognorm, norm, triang, uniform

from tests.physics.uncertain_plans import plan
from yieldsim.base.load_model import DOUBTS, UncertainInput
from yieldsim.planning.uncertainty import exceedance, sampling, sensitivity

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
    np.testing.assert_allclose(sampling.quantile(one, places), known.ppf(places), rtol=1e-10)  # type: ignore[attr-defined]


def test_draws_fill_evenly_and_are_the_same_again() -> None:
    own = plan(("dust_rate", "uniform", (0.0, 1.0)), ("irradiance", "uniform", (0.0, 1.0)), draws=512)
    draws = sampling.draw(own)
    np.testing.assert_array_equal(draws.value, sampling.draw(own).value)
    other = sampling.draw(replace(own, seed=4))
    assert not np.array_equal(draws.value, other.value)
    # each scramble of 64 points holds one in every sixty-fourth of either axis: a (0, 6, 2)-net
    for part in draws.uniform.reshape(sampling.REPLICATES, 64, 2):
        for column in part.T:
            assert sorted(np.floor(column * 64).astype(int)) == list(range(64))


def test_draws_keep_to_the_physical_range() -> None:
    draws = sampling.draw(plan(("shield_removal", "normal", (0.98, 0.02))))
    assert draws.value.max() == DOUBTS["shield_removal"].span[1] == 1.0
    # above 1 lie 15.9 % of a normal distribution from one standard deviation on
    assert draws.clipped[0] / 1024 == pytest.approx(1.0 - norm.cdf(1.0), abs=0.01)


# ---------------------------------------------------------------- analytic propagation


def test_one_linear_factor() -> None:
    """E = E0 s, s normal: P50, P90, P99 are E0 (mean - z sd) with z = 0, 1.2816, 2.3263."""
    draws = sampling.draw(plan(("acceptance_scale", "normal", (1.0, 0.05))))
    found = exceedance.figures(200.0 * draws.value[:, 0], True)
    for level, z in ((50, 0.0), (90, 1.28155), (99, 2.32635)):
        # quasi-random: 8 scrambles of 128 points, an eighth of a step of the 1st percentile at worst
        assert found[f"p{level}"] == pytest.approx(200.0 * (1.0 - 0.05 * z), abs=0.35 if level == 99 else 0.1)
    assert found["mean"] == pytest.approx(200.0, abs=0.01)
    assert found["standard_deviation"] == pytest.approx(10.0, rel=0.01)
    gap = exceedance.figures(200.0 * draws.value[:, 0], False)
    assert gap["p90"] == pytest.approx(200.0 * (1.0 + 0.05 * 1.28155), abs=0.1)


def test_a_product_of_independent_factors() -> None:
    """Mean of a product is the product of means; E[X^2] likewise: variance = prod (m^2 + s^2) - prod m^2."""
    draws = sampling.draw(
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
    found = exceedance.figures(draws.value.prod(axis=1), True)
    assert found["mean"] == pytest.approx(math.prod(means), rel=5e-4)
    sd = math.sqrt(math.prod(squares) - math.prod(means) ** 2)
    assert found["standard_deviation"] == pytest.approx(sd, rel=0.01)


def test_the_standard_error_is_honest() -> None:
    """Means over 40 seeds scatter about as much as each seed says it may."""
    own = plan(("irradiance", "lognormal", (1.0, 0.5)), ("dust_rate", "normal", (1.0, 0.3)), draws=256)
    values, errors = [], []
    for seed in range(40):
        draws = sampling.draw(replace(own, seed=seed))
        found = exceedance.figures(draws.value[:, 0] * draws.value[:, 1], True)
        values.append(found["mean"])
        errors.append(found["mean_error"])
    # 40 seeds know a scatter to 11 %, the mean of 40 errors of 7 degrees of freedom to 4 %: three of the former
    assert np.std(values, ddof=1) == pytest.approx(float(np.sqrt(np.mean(np.square(errors)))), rel=0.34)


def test_convergence_ends_at_the_answer() -> None:
    draws = sampling.draw(plan(("irradiance", "normal", (1.0, 0.1))))
    rows = exceedance.convergence(draws.value[:, 0], True)
    assert [row["draws"] for row in rows] == [128, 256, 512, 1024]
    assert rows[-1]["p90"] == exceedance.figures(draws.value[:, 0], True)["p90"]


# ---------------------------------------------------------------- rankings


def test_shares_of_a_linear_sum() -> None:
    """Y = sum a X: shares a^2 var X / sum; normal, uniform and triangular X of known variances."""
    draws = sampling.draw(
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
    draws = sampling.draw(
        plan(("horizon_height_deg", "normal", (0.0, 1.0)), ("mount_tilt_deg", "normal", (0.0, 2.0)))
    )
    found = sensitivity.ranking(draws, draws.value[:, 0] * draws.value[:, 1])
    assert found is not None
    np.testing.assert_allclose(found.first, 0.0, atol=0.02)
    np.testing.assert_allclose(found.total, 1.0, atol=0.02)


def test_what_a_quadratic_cannot_follow_is_owned_up_to() -> None:
    draws = sampling.draw(plan(("dust_rate", "uniform", (0.0, 1.0)), ("irradiance", "uniform", (0.0, 1.0))))
    found = sensitivity.ranking(draws, np.sin(25.0 * draws.value[:, 0]))
    assert found is not None
    assert found.explained < 0.2
    assert sensitivity.ranking(draws, np.full(1024, 3.0)) is None
    # varies in one draw, which is none of those kept aside
    rare = sensitivity.ranking(draws, np.where(np.arange(1024) == 0, 1.0, 0.0))
    assert rare is not None
    assert rare.explained == 0.0
    single = sampling.draw(plan(("dust_rate", "uniform", (0.0, 1.0))))
    one = sensitivity.ranking(single, single.value[:, 0])
    assert one is not None
    assert one.total == (1.0,)
