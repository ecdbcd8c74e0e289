"""The best of all small sets, one by one, and the bound in cases that is held against it."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np

from yieldsim.planning.branching.branch_and_bound import branched
from yieldsim.planning.habitat.dispatch import asking, dispatch, store_of


def serves(place, light, units, capacity):
    """Served as asked in the run and over and over: written down once more, by dispatches alone."""
    serving = place.serving
    needs = asking(serving.needs, serving.needs.asked_kwh * np.where(serving.by_units, units, 1.0))
    share = serving.reliability

    def enough(flows, asked):
        lacking = flows.unserved.sum(axis=1)
        if serving.measure == "hours":
            allowed = math.floor((1.0 - share) * np.count_nonzero(asked.sum(axis=1)) + 1e-9)
            return np.count_nonzero(lacking) <= allowed, float(flows.stored[-1])
        return lacking.sum() <= (1.0 - share) * asked.sum(), float(flows.stored[-1])

    if not enough(dispatch(light, needs, store_of(serving.storage, 1.0, capacity)), needs.asked_kwh)[0]:
        return False
    new = replace(serving.storage, fade_per_year=0.0, fade_per_cycle=0.0)
    store = store_of(new, 1.0, capacity)._replace(start_kwh=capacity)
    for _ in range(60):
        good, end = enough(dispatch(light, needs, store), needs.asked_kwh)
        if not good:
            return False
        if end >= store.start_kwh - 1e-7 * capacity:
            return True
        store = store._replace(start_kwh=end)
    return False


def enumerated(place, prices):
    """The least cost of all sets of up to so many units with each of the stores."""
    best = (math.inf, None, None)
    light = place.light_kwh
    for units in range(1, int(prices.most_units) + 1):
        for places in itertools.combinations_with_replacement(range(light.shape[1]), units):
            total = light[:, places].sum(axis=1)
            for capacity in place.serving.choices_kwh:
                cost = units * prices.per_unit + capacity * prices.per_kwh
                if cost < best[0] and serves(place, total, units, capacity):
                    best = (cost, places, capacity)
    return best


def in_cases(split, place, terms, prices, cost, share=1.0):
    """Cases until a share of the cost is proven, or as many as are tried."""
    return branched(
        split,
        place.sunlight,
        terms,
        prices,
        cost,
        lambda best: share * best,
        lambda _: cost,
        turning=False,
        effort=0.1,
    )
