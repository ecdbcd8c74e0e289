"""What is reached how often: P50, P90, P99 of an outcome from its draws, with standard errors.

P90 of an outcome is the value that is reached or bettered in 90 of 100 cases: of energy the 10th percentile,
of a gap's length the 90th.
"""

from __future__ import annotations

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.uncertainty.sampling import REPLICATES

LEVELS = (50, 90, 99)


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
