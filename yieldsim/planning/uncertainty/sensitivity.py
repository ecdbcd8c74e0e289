"""Which uncertain input matters most.

The ranking is by variance shares (Sobol indices): a quadratic surface is fitted to three quarters of the
draws, tested on the rest, and handed to `scipy.stats.sobol_indices`, which would need (inputs + 2) times as
many runs of the model itself. The tested share of the variance that it explains is reported beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from yieldsim.base.load_model import UncertainPlan
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.uncertainty.sampling import Draws

RANKING_POINTS = 4096
TESTED_SHARE = 4
"""One draw in so many tests the surface instead of shaping it."""


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
