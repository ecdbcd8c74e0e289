"""Facings of whole units turned in continuous angles, together with the store: the last thing done to a set.

Every unit, or every mount where there are many, is moved a step in azimuth and in tilt by turns; what makes the system cheaper is
kept, and the step is halved where nothing does. Each trial is judged by `Serving`. With the counts fixed, cheaper means a smaller
store, so that facings are chosen for the hours that empty it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, leaned
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices
from yieldsim.planning.system.whole_units import FEW_UNITS, WholeSet

SINGLE_UNITS = 24
"""Up to so many units are turned one by one; of more, those of one facing together."""
STEPS_DEG, STEPS_OF_FEW_DEG = (4.0, 2.0, 1.0, 0.5), (16.0, 8.0, 4.0, 2.0, 1.0, 0.5)
WAYS_DEG = (90.0, 270.0, 0.0, 180.0)
"""Leans tried: along the level axis of the aperture, and up and down its slope."""
MOST_TRIALS = 1500
GAIN = 2e-5


def polished(
    whole: WholeSet, serving: Serving, objective: Prices, light_of: Callable[[Facings], FloatArray]
) -> WholeSet:
    """The same counts at facings that need a smaller store.

    light_of   light (rows, facings) of one unit of each of some facings
    """
    if serving.choices_kwh or objective.per_kwh <= 0.0 or whole.capacity_kwh <= 0.0:
        return whole
    some, counts = whole.facings, whole.counts
    if whole.units <= SINGLE_UNITS:
        some, counts = some.take(np.repeat(np.arange(some.count), counts)), np.ones(whole.units, np.int64)
    light = light_of(some)
    total = light @ counts.astype(np.float64)
    capacity, units, trials = whole.capacity_kwh, whole.units, 0
    for step in STEPS_OF_FEW_DEG if units <= FEW_UNITS else STEPS_DEG:
        gained = True
        while gained and trials < MOST_TRIALS:
            gained = False
            for place in range(some.count):
                near = leaned(some.take([place]), np.full(len(WAYS_DEG), step), np.array(WAYS_DEG))
                beside = light_of(near)
                for way in range(len(WAYS_DEG)):
                    tried = total + counts[place] * (beside[:, way] - light[:, place])
                    # only what saves something is looked at further
                    enough = capacity * (1.0 - GAIN)
                    trials += 1
                    found = serving.capacity_kwh(tried, units, enough, enough)
                    if found is not None and found < capacity:
                        some = Facings(
                            *(
                                _with(column, place, float(new[way]))
                                for column, new in zip(some, near, strict=True)
                            )
                        )
                        light[:, place], total, capacity, gained = beside[:, way], tried, found, True
                        break
                if trials >= MOST_TRIALS:
                    break
    cost = units * objective.per_unit + capacity * objective.per_kwh
    if cost >= whole.cost or not math.isfinite(cost):
        return whole
    return WholeSet(facings=some, counts=counts, capacity_kwh=capacity, light_kwh=total, cost=cost)


def _with(column: FloatArray, place: int, value: float) -> FloatArray:
    changed = column.copy()
    changed[place] = value
    return changed
