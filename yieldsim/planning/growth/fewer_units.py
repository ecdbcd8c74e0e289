"""Plans of few units without a store, with one unit less as long as all phases are served.

No store makes up for a facing that is off: a unit is taken away, and each of the others in turn is given the facing with which all
phases together lack least, until they lack nothing or none gains.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.column_generation import Grown
from yieldsim.planning.growth.phases import Landing, Phase
from yieldsim.planning.system.annealing import RepeatingCase, lacking
from yieldsim.planning.system.column_generation import LEAST_UNITS
from yieldsim.planning.system.whole_units import NEARLY

Places = NDArray[np.int64]
HOPELESS = 0.05
"""A plan that lacks this share of what is asked, after a round of all units, is given up."""


class Search:
    """What phases lack with units of given flights and facings.

    pool   (facings,)  places, among those priced, of the facings that are tried
    """

    def __init__(self, found: Grown, phases: Sequence[Phase], units: int) -> None:
        """Facings in use, or worth nearly as much as the best of their flight."""
        worth = found.proof.unit / np.maximum(found.proof.unit.max(axis=1, keepdims=True), 1e-300)
        used = found.answer.units.max(axis=0) > LEAST_UNITS
        self.pool = np.flatnonzero(used | (worth.max(axis=0) > NEARLY))
        self._phases = phases
        self._light = [
            {id(light): np.ascontiguousarray(light[:, self.pool].T) for light in lights}
            for lights in found.lights_kwh
        ]
        self._of_flight = [[id(light) for light in lights] for lights in found.lights_kwh]
        self._cases = [RepeatingCase.of(phase.serving, units) for phase in phases]

    def light_kwh(self, place: int, flight: int) -> FloatArray:
        """Aged light of one unit of each facing of the pool in a phase, (facings, rows)."""
        left = float(self._phases[place].units_left[flight])
        return left * self._light[place][self._of_flight[place][flight]]

    def lacks(self, place: int, light_kwh: FloatArray, limit: float) -> float:
        """What a phase lacks, as a share of what it asks; a run ends where it is more than a limit."""
        case = self._cases[place]
        short, _ = lacking(light_kwh, 0.0, 0.0, limit * case.asked, case)
        return max(float(short), 0.0) / case.asked

    def swept(self, flight: Places, facing: Places) -> tuple[float, Places]:
        """What all phases lack once units have been given better facings, and these: places in the pool, (units,)."""
        facing, seen = facing.copy(), [np.flatnonzero(flight < phase.flights) for phase in self._phases]
        total = [
            sum((self.light_kwh(p, int(flight[u]))[facing[u]] for u in units), np.zeros(self._rows(p)))
            for p, units in enumerate(seen)
        ]
        lacks = [self.lacks(p, light, math.inf) for p, light in enumerate(total)]
        gained, rounds = True, 0
        while gained and sum(lacks) > 0.0 and (rounds == 0 or sum(lacks) < HOPELESS):
            gained, rounds = False, rounds + 1
            for unit in range(len(facing)):
                k, best = int(flight[unit]), sum(lacks)
                ahead = [p for p, phase in enumerate(self._phases) if k < phase.flights]
                light = {p: self.light_kwh(p, k) for p in ahead}
                beside = {p: total[p] - light[p][facing[unit]] for p in ahead}
                better = None
                for into in range(len(self.pool)):
                    tried = lacks.copy()
                    for p in ahead:
                        tried[p] = 0.0
                    for p in ahead:
                        kwh = np.maximum(beside[p] + light[p][into], 0.0)
                        tried[p] = self.lacks(p, kwh, best - sum(tried))
                        if sum(tried) >= best:
                            break
                    if sum(tried) < best:
                        better, best, lacks_then = into, sum(tried), tried
                if better is not None:
                    facing[unit], lacks, gained = better, lacks_then, True
                    for p in ahead:
                        total[p] = np.maximum(beside[p] + light[p][better], 0.0)
                if sum(lacks) <= 0.0:
                    break
        return sum(lacks), facing

    def _rows(self, place: int) -> int:
        return self._phases[place].terms.rows

    def nearest(self, found: Grown, normals: FloatArray) -> Places:
        """Places in the pool that are nearest to normals (n, 3)."""
        own = found.facings.take(self.pool).axes_enu_xyz[:, 2]
        return np.asarray((normals @ own.T).argmax(axis=1))


def with_fewer(
    found: Grown, phases: Sequence[Phase], landing: Landing, flight: Places, normals: FloatArray
) -> list[tuple[Places, Places]]:
    """Sets with ever fewer units, the smallest last: flights (units,) and places of facings among those priced.

    flight, normals   (units,), (units, 3)  of a plan that serves
    """
    search = Search(found, phases, len(flight))
    facing = search.nearest(found, normals)
    sets: list[tuple[Places, Places]] = []
    fewer = True
    while fewer and len(flight) > 1:
        fewer = False
        # what costs most to land is spared first, the latest of equals
        cost = np.broadcast_to(landing.weights + float(landing.largest), (landing.flights,))
        for k in sorted(set(flight.tolist()), key=lambda one: (-cost[one], -one)):
            own = np.flatnonzero(flight == k)
            left = [np.delete(np.arange(len(flight)), unit) for unit in own]
            ends = [search.swept(flight[rest], facing[rest]) for rest in left[:: max(len(left) // 2, 1)]]
            short, reached = min(ends, key=lambda end: end[0])
            if short <= 0.0:
                flight, facing, fewer = np.delete(flight, own[0]), reached, True
                sets.append((flight, search.pool[facing]))
                break
    return sets
