"""How sure: quasi-random draws of uncertain inputs, what is exceeded how often, and which input matters most.

Draws are scrambled Sobol points, in REPLICATES independent scrambles: each fills the space evenly, and the
spread between their answers is an honest standard error (A. B. Owen, "Monte Carlo variance of scrambled net
quadrature", SIAM J. Numer. Anal. 34, 1997; from memory). Seeds are derived from the plan's.

P90 of an outcome is the value that is reached or bettered in 90 of 100 cases: of energy the 10th percentile,
of a gap's length the 90th.

The ranking is by variance shares (Sobol indices): a quadratic surface is fitted to three quarters of the
draws, tested on the rest, and handed to `scipy.stats.sobol_indices`, which would need (inputs + 2) times as
many runs of the model itself. The tested share of the variance that it explains is reported beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.load_model import DOUBTS, UncertainInput, UncertainPlan
from yieldsim.base.numerics.vectors import FloatArray

REPLICATES = 8
LEVELS = (50, 90, 99)
RANKING_POINTS = 4096
TESTED_SHARE = 4
"""One draw in so many tests the surface instead of shaping it."""


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Drawn numbers.

    uniform   (draws, inputs)  places in the distributions, 0..1
    value     (draws, inputs)  the numbers, clipped to their physical range
    clipped   (inputs,)  how many were
    """

    plan: UncertainPlan
    uniform: FloatArray
    value: FloatArray
    clipped: NDArray[np.int64]

    def of(self, what: str) -> FloatArray | None:
        """Numbers drawn for an input, (draws,); None when it is not among them."""
        names = [one.what for one in self.plan.inputs]
        return self.value[:, names.index(what)] if what in names else None


def draw(plan: UncertainPlan) -> Draws:
    """The plan's draws: the same for the same plan."""
    from scipy.stats import qmc

    count = plan.draws // REPLICATES
    seeds = np.random.SeedSequence(plan.seed).spawn(REPLICATES)
    points = [
        qmc.Sobol(len(plan.inputs), scramble=True, rng=np.random.default_rng(seed)).random(count)
        for seed in seeds
    ]
    uniform = np.clip(np.concatenate(points), 1e-12, 1.0 - 1e-12)
    raw = np.stack([quantile(one, uniform[:, place]) for place, one in enumerate(plan.inputs)], axis=1)
    low = np.array([DOUBTS[one.what].span[0] for one in plan.inputs])
    high = np.array([DOUBTS[one.what].span[1] for one in plan.inputs])
    value = np.clip(raw, low, high)
    return Draws(plan, uniform, value, np.count_nonzero(value != raw, axis=0))


def quantile(one: UncertainInput, uniform: FloatArray) -> FloatArray:
    """The numbers at given places 0..1 of a distribution.

    >>> one = UncertainInput(what="dust_rate", distribution="triangular", parameters=(0.5, 1.0, 2.0))
    >>> quantile(one, np.array([0.0, 1.0 / 3.0, 1.0])).round(6)
    array([0.5, 1. , 2. ])
    """
    from scipy.special import ndtri

    if one.distribution == "measured":
        return np.asarray(np.floor(one.parameters[0] * uniform))
    first, second = one.parameters[0], one.parameters[1]
    if one.distribution == "normal":
        return np.asarray(first + second * ndtri(uniform))
    if one.distribution == "lognormal":
        return np.asarray(first * np.exp(second * ndtri(uniform)))
    if one.distribution == "uniform":
        return np.asarray(first + (second - first) * uniform)
    low, likely, high = one.parameters
    turn = (likely - low) / (high - low)
    rising = low + np.sqrt(np.maximum(uniform, 0.0) * (high - low) * (likely - low))
    falling = high - np.sqrt(np.maximum(1.0 - uniform, 0.0) * (high - low) * (high - likely))
    return np.asarray(np.where(uniform < turn, rising, falling))


# ---------------------------------------------------------------- what comes out


def reached(values: FloatArray, level: float, more_is_better: bool) -> float:
    """The value reached or bettered in `level` of 100 draws.

    >>> round(reached(np.arange(101.0), 90, True), 9), reached(np.arange(101.0), 90, False)
    (10.0, 90.0)
    """
    return float(np.quantile(values, 1.0 - level / 100.0 if more_is_better else level / 100.0))


def figures(values: FloatArray, more_is_better: bool) -> dict[str, float]:
    """P50, P90, P99, mean and standard deviation of an outcome (draws,), with standard errors of the first four."""
    parts = values.reshape(REPLICATES, -1)
    found: dict[str, float] = {}
    for level in LEVELS:
        found[f"p{level}"] = reached(values, level, more_is_better)
        found[f"p{level}_error"] = _error([reached(part, level, more_is_better) for part in parts])
    found["mean"], found["mean_error"] = float(values.mean()), _error([float(part.mean()) for part in parts])
    found["standard_deviation"] = float(values.std(ddof=1))
    return found


def _error(estimates: list[float]) -> float:
    """Standard error of the mean of independent estimates."""
    return float(np.std(estimates, ddof=1) / np.sqrt(len(estimates)))


def convergence(values: FloatArray, more_is_better: bool) -> list[dict[str, float]]:
    """P50, P90 and P99 from the first 1, 2, 4 and all 8 scrambles."""
    per = len(values) // REPLICATES
    return [
        {"draws": float(count * per)}
        | {f"p{level}": reached(values[: count * per], level, more_is_better) for level in LEVELS}
        for count in (1, 2, 4, 8)
    ]


# ---------------------------------------------------------------- which input matters


@dataclass(frozen=True, slots=True)
class Ranking:
    """Variance shares of the inputs, in the plan's order.

    first       share that goes with an input alone; total: with it and all it acts together with
    explained   share of the variance of draws kept aside that the surface foretells
    """

    first: tuple[float, ...]
    total: tuple[float, ...]
    explained: float


def ranking(draws: Draws, values: FloatArray) -> Ranking | None:
    """Which inputs the variance of an outcome (draws,) comes from; None where it does not vary."""
    from scipy.stats import sobol_indices, uniform

    spread = float(values.std())
    if spread <= 1e-12 * max(abs(float(values.mean())), 1e-300):
        return None
    scaled = (values - values.mean()) / spread
    test = np.arange(len(values)) % TESTED_SHARE == TESTED_SHARE - 1
    surface = quadratic_surface(draws.plan, draws.uniform[~test], scaled[~test])
    off = surface(draws.uniform[test]) - scaled[test]
    # what varies in a few draws may not do so in those kept aside: nothing of it is foretold
    aside = float(np.var(scaled[test]))
    explained = max(0.0, 1.0 - float(np.mean(off**2)) / aside) if aside > 0.0 else 0.0
    whole = quadratic_surface(draws.plan, draws.uniform, scaled)
    inputs = len(draws.plan.inputs)
    if inputs == 1:
        return Ranking((1.0,), (1.0,), explained)
    found = sobol_indices(
        func=lambda places: whole(places.T),
        n=RANKING_POINTS,
        dists=[uniform()] * inputs,
        rng=np.random.default_rng(draws.plan.seed),
    )
    first = np.clip(found.first_order.ravel(), 0.0, 1.0)
    total = np.clip(found.total_order.ravel(), 0.0, 1.0)
    return Ranking(tuple(first.tolist()), tuple(total.tolist()), explained)


def quadratic_surface(
    plan: UncertainPlan, uniform: FloatArray, values: FloatArray
) -> Callable[[FloatArray], FloatArray]:
    """Least-squares quadratic in all inputs, products included, from draws (n, inputs) and values (n,)."""
    coefficients, *_ = np.linalg.lstsq(_terms(plan, uniform), values, rcond=None)
    return lambda places: np.asarray(_terms(plan, places) @ coefficients)


def _terms(plan: UncertainPlan, uniform: FloatArray) -> FloatArray:
    """1, t, and all products t t of the inputs' own scales: standard normal, or -1..1 for bounded ones."""
    from scipy.special import ndtri

    own = [
        ndtri(np.clip(uniform[:, place], 1e-12, 1.0 - 1e-12))
        if one.distribution in ("normal", "lognormal")
        else 2.0 * uniform[:, place] - 1.0
        for place, one in enumerate(plan.inputs)
    ]
    columns = [np.ones(len(uniform)), *own]
    columns += [own[i] * own[j] for i in range(len(own)) for j in range(i, len(own))]
    return np.stack(columns, axis=1)
