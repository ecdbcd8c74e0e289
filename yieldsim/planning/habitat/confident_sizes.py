"""Sizes with confidence: the smallest that hold in so many of 100 draws.

A larger size is taken to hold in every draw in which a smaller one does, so that each draw is run only for
sizes that nothing yet decides; what is found has been checked.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

CLOSE = 2e-3
"""The size is found to this share."""


def confident_size(
    holds: Callable[[int, float], bool],
    draws: int,
    share: float,
    start: float,
    most: float,
    *,
    whole: bool = False,
) -> float | None:
    """The smallest size that holds in a share of the draws; None if none up to `most` does.

    holds   whether a size holds in a draw
    whole   sizes are whole numbers
    """
    fails_at, holds_at = np.full(draws, -np.inf), np.full(draws, np.inf)
    needed = math.ceil(share * draws - 1e-9)

    def enough(size: float) -> bool:
        good = int(np.count_nonzero(holds_at <= size))
        bad = int(np.count_nonzero(fails_at >= size))
        for draw in np.flatnonzero((holds_at > size) & (fails_at < size)):
            if good >= needed or bad > draws - needed:
                break
            if holds(int(draw), size):
                holds_at[draw] = size
                good += 1
            else:
                fails_at[draw] = size
                bad += 1
        return good >= needed

    low, high = 0.0, float(min(start, most))
    while not enough(high):
        if high >= most:
            return None
        low, high = high, min(2.0 * high, most)
    while (high - low > 1.0) if whole else (high - low > CLOSE * high and high > 1e-9):
        middle = float((int(low) + int(high)) // 2) if whole else 0.5 * (low + high)
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
