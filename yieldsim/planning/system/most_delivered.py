"""A number of units that serve the loads and deliver as much as they can for their mass.

Some of the units, with a store, are chosen to serve; the others face where one gets most. How many serve is tried: the more, the
smaller the store, the less is delivered. Single units are moved at the end.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import numpy as np

from yieldsim.planning.orientation.mount_frames import together
from yieldsim.planning.system.column_generation import Infeasible, Relaxed, solved_again
from yieldsim.planning.system.pricing import Sunlight, climbed, priced
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices, Terms
from yieldsim.planning.system.whole_units import WholeSet, near_split

SERVING_SHARES = (1.0, 0.85, 0.7, 0.55, 0.4, 0.3, 0.2, 0.1)
MOST_TRIALS = 60
MORE_FACINGS, MOST_MOVES, GAIN = 12, 600, 1e-6
"""Facings beside those of the set that single units are moved to, and how many moves are tried."""


def most_delivered(
    split: Relaxed, sunlight: Sunlight, serving: Serving, terms: Terms, objective: Prices, once: float, *, turning: bool
) -> WholeSet | None:  # fmt: skip
    """The set of so many units found whose mass for each kWh delivered is least; None if none serves.

    split       of that number of units
    objective   whose most units are used
    once        what a design costs beside units and store
    """
    units = int(objective.most_units)
    light = sunlight.light_kwh(sunlight.candidates)
    best = sunlight.candidates.take([int(light.sum(axis=0).argmax())])
    if turning:
        best = climbed(sunlight, priced(sunlight, np.ones(len(light))), best, 0.25 * sunlight.step_deg)
    best_light = sunlight.light_kwh(best)[:, 0]
    found: WholeSet | None = None
    ratio = np.inf
    for share in SERVING_SHARES:
        number = max(1, round(share * units))
        prices = replace(objective, least_units=0.0, most_units=float(number))
        whole = None
        with suppress(Infeasible):
            near = solved_again(
                split, sunlight, terms, replace(prices, least_units=float(number)), turning=False
            )
            whole = near_split(
                near, serving, prices, sunlight.light_kwh, turning=turning, most_trials=MOST_TRIALS
            )
        if whole is None:
            break
        more = units - whole.units
        total = whole.light_kwh + more * best_light
        capacity = serving.capacity_kwh(total, units, whole.capacity_kwh or None)
        if capacity is None:
            continue
        cost = units * objective.per_unit + capacity * objective.per_kwh
        if (once + cost) / float(total.sum()) < ratio:
            ratio = (once + cost) / float(total.sum())
            found = WholeSet(
                facings=together(whole.facings, best),
                counts=np.append(whole.counts, more),
                capacity_kwh=capacity,
                light_kwh=total,
                cost=cost,
            )
    return None if found is None else _moved(found, split, sunlight, serving, objective, once)


def _moved(
    whole: WholeSet, split: Relaxed, sunlight: Sunlight, serving: Serving, objective: Prices, once: float
) -> WholeSet:  # fmt: skip
    """The same number of units, moved one by one where that makes a delivered kWh weigh less."""
    worth, energy = split.proof.unit, split.light_kwh.sum(axis=0)
    shown = np.argsort(
        -np.maximum(worth / max(float(worth.max()), 1e-300), energy / energy.max()), kind="stable"
    )[:MORE_FACINGS]
    some = together(whole.facings, split.facings.take(shown))
    light = sunlight.light_kwh(some)
    counts = np.append(whole.counts, np.zeros(len(shown), np.int64))
    units, total, capacity = whole.units, whole.light_kwh, whole.capacity_kwh
    ratio, cost, trials, better = (once + whole.cost) / float(total.sum()), whole.cost, 0, True
    while better and trials < MOST_MOVES:
        better = False
        for out in np.flatnonzero(counts).tolist():
            for into in range(some.count):
                if into == out or trials >= MOST_MOVES:
                    continue
                tried = total + light[:, into] - light[:, out]
                # the largest store with which the move would pay
                most = (ratio * float(tried.sum()) - once - units * objective.per_unit) / max(
                    objective.per_kwh, 1e-300
                )
                if most <= 0.0:
                    continue
                trials += 1
                needed = serving.capacity_kwh(tried, units, capacity or None, min(most, objective.most_kwh))
                if needed is None:
                    continue
                price = units * objective.per_unit + needed * objective.per_kwh
                if (once + price) / float(tried.sum()) < ratio * (1.0 - GAIN):
                    ratio, cost = (once + price) / float(tried.sum()), price
                    total, capacity, better = tried, needed, True
                    counts[out] -= 1
                    counts[into] += 1
                    break
    used = np.flatnonzero(counts)
    return WholeSet(
        facings=some.take(used), counts=counts[used], capacity_kwh=capacity, light_kwh=total, cost=cost
    )
