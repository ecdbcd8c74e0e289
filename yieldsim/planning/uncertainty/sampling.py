"""Quasi-random draws of uncertain inputs.

Draws are scrambled Sobol points, in REPLICATES independent scrambles: each fills the space evenly, and the
spread between their answers is an honest standard error (A. B. Owen, "Monte Carlo variance of scrambled net
quadrature", SIAM J. Numer. Anal. 34, 1997; from memory). Seeds are derived from the plan's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.load_model import DOUBTS, UncertainInput, UncertainPlan
from yieldsim.base.numerics.vectors import FloatArray

REPLICATES = 8


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
