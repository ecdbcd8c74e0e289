"""Facings of whole units turned in continuous angles, together with the store: the last thing done to a set.

Every unit, or every mount where there are many, is moved a step in azimuth and in tilt by turns; what makes the system better is
kept, and the step is halved where nothing does. Each trial is judged by `Serving`. With the counts fixed, cheaper means a smaller
store, so that facings are chosen for the hours that empty it; `most_delivered` weighs what is delivered, too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, leaned, together
from yieldsim.planning.system.annealing import Dispatched, lacks
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices
from yieldsim.planning.system.whole_units import FEW_UNITS, Counts, WholeSet

SINGLE_UNITS = 24
"""Up to so many units are turned one by one; of more, those of one facing together."""
STEPS_DEG, STEPS_OF_FEW_DEG = (4.0, 2.0, 1.0, 0.5), (16.0, 8.0, 4.0, 2.0, 1.0, 0.5)
WAYS_DEG = (90.0, 270.0, 0.0, 180.0)
"""Leans tried: along the level axis of the aperture, and up and down its slope."""
MOST_TRIALS = 1500
GAIN, ROUNDING_KWH = 2e-5, 1e-9


class Reached(Protocol):
    """A number of units as good as they have been found, with their light in all (rows,)."""

    total_kwh: FloatArray

    def improves(self, tried_kwh: FloatArray) -> bool:
        """Whether another light in all makes them better; it is kept then."""
        ...


@dataclass(slots=True, eq=False)
class _SmallerStore:
    serving: Serving
    from_above: Dispatched
    units: int
    total_kwh: FloatArray
    capacity_kwh: float

    def improves(self, tried_kwh: FloatArray) -> bool:
        # only what saves something is looked at further
        enough = self.capacity_kwh * (1.0 - GAIN)
        # the programme's terms serve more than the dispatch does, and say so a hundred times faster
        rows = len(self.from_above.asked_kwh)
        if lacks(tried_kwh[:rows], float(self.units), enough, self.from_above) > ROUNDING_KWH:
            return False
        found = self.serving.capacity_kwh(tried_kwh, self.units, enough, enough)
        if found is None or found >= self.capacity_kwh:
            return False
        self.total_kwh, self.capacity_kwh = tried_kwh, found
        return True


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
        some, counts = one_by_one(whole)
    light, units = light_of(some), whole.units
    from_above = Dispatched.of(serving.terms(repeats=True))
    reached = _SmallerStore(serving, from_above, units, light @ counts.astype(np.float64), whole.capacity_kwh)
    steps = STEPS_OF_FEW_DEG if units <= FEW_UNITS else STEPS_DEG
    some = turned_by_turns(some, counts, light, reached, steps, light_of)
    cost = units * objective.per_unit + reached.capacity_kwh * objective.per_kwh
    if cost >= whole.cost or not math.isfinite(cost):
        return whole
    return WholeSet(
        facings=some, counts=counts, capacity_kwh=reached.capacity_kwh, light_kwh=reached.total_kwh, cost=cost
    )


def one_by_one(whole: WholeSet) -> tuple[Facings, Counts]:
    """Every unit with a facing of its own."""
    return whole.facings.take(np.repeat(np.arange(whole.facings.count), whole.counts)), np.ones(
        whole.units, np.int64
    )


def turned_by_turns(
    some: Facings, counts: Counts, light_kwh: FloatArray, reached: Reached, steps_deg: Sequence[float],
    light_of: Callable[[Facings], FloatArray], *, rolls: bool = False,
) -> Facings:  # fmt: skip
    """Facings (n,) turned as long as that improves what is reached.

    counts      (n,)  units that turn together
    light_kwh   (rows, n)  of one unit of each, changed with them
    rolls       whether optics are rolled about their axes, too
    """
    columns, trials = [np.array(column) for column in some], 0
    for step in steps_deg:
        gained = True
        while gained and trials < MOST_TRIALS:
            gained = False
            for place in range(some.count):
                near = _around(Facings(*(column[[place]] for column in columns)), step, rolls=rolls)
                beside = light_of(near)
                for way in range(near.count):
                    trials += 1
                    if reached.improves(
                        reached.total_kwh + counts[place] * (beside[:, way] - light_kwh[:, place])
                    ):
                        light_kwh[:, place], gained = beside[:, way], True
                        for column, turned in zip(columns, near, strict=True):
                            column[place] = turned[way]
                        break
                if trials >= MOST_TRIALS:
                    break
    return Facings(*columns)


def _around(one: Facings, step_deg: float, *, rolls: bool) -> Facings:
    near = leaned(one, np.full(len(WAYS_DEG), step_deg), np.array(WAYS_DEG))
    turned = [one._replace(roll_deg=one.roll_deg + by) for by in (-step_deg, step_deg)] if rolls else []
    return together(near, *turned)
