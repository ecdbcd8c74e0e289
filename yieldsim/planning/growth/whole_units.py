"""Whole units and stores by flight that serve every phase by the budget's dispatch, near to the best split units.

Each flight has facings of its own. Counts are rounded along the flights, so that what has landed until each phase is near to what
the split units say; then single units are added, taken away or moved, to another facing or another flight, as long as the plan gets
cheaper. A phase needs some capacity beside its light; what stores to land for that with which flight is a small linear programme.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import DAYS_PER_YEAR, HOURS_PER_DAY
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.column_generation import Grown
from yieldsim.planning.growth.fewer_units import with_fewer
from yieldsim.planning.growth.integer_programme import whole_counts
from yieldsim.planning.growth.phases import Landing, Phase
from yieldsim.planning.habitat.dispatch import dispatch, store_of
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.system.column_generation import LEAST_UNITS
from yieldsim.planning.system.whole_units import FEW_UNITS, NEARLY, gathered, rounded

Counts = NDArray[np.int64]
MOST_TRIALS = 240
LARGER = 1.001
SLACK = 1e-9
"""A store of exactly what is needed is enough."""
ROUNDING = 2e-5
"""Capacities are told in six digits, rounded up: flights keep room for that."""
MOST_STARTS = 27


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Plan:
    """Units and stores by flight that serve every phase.

    flight, counts   (mounts,)  which flight lands a mount, and its units
    facings          of the mounts
    capacity_kwh     (flights,)  landed, new
    needed_kwh       (phases,)  what is needed of capacity in each, as it is then
    """

    facings: Facings
    flight: Counts
    counts: Counts
    capacity_kwh: FloatArray
    needed_kwh: FloatArray
    mass_kg: FloatArray
    cost: float


class Trials:
    """Plans judged one by one; what a phase needs is worked out once for each set of units it has."""

    def __init__(
        self, phases: Sequence[Phase], landing: Landing, flight: Counts, light_kwh: Sequence[FloatArray]
    ) -> None:
        """flight (mounts,) of each mount; light_kwh by phase (rows, mounts) of one new unit of each."""
        self.phases, self.landing, self.flight = phases, landing, flight
        self._light = light_kwh
        self._needed: list[dict[bytes, float | None]] = [{} for _ in phases]
        self._near: list[float | None] = [None] * len(phases)
        self.count = 0

    def light(self, place: int, counts: Counts) -> FloatArray:
        """Light of a phase, (rows,)."""
        aged = aged_units(self.phases[place], self.flight, counts)
        used = np.flatnonzero(aged)
        return np.asarray(self._light[place][:, used] @ aged[used])

    def needed_kwh(self, place: int, counts: Counts) -> float | None:
        """The capacity with which a phase is served; None where it isn't."""
        phase = self.phases[place]
        there = np.where(self.flight < phase.flights, counts, 0)
        key = there.tobytes()
        if key not in self._needed[place]:
            units = int(there.sum())
            self.count += 1
            found = None
            if units > 0:
                found = phase.serving.capacity_kwh(
                    self.light(place, counts), units, self._near[place], self.landing.most_kwh
                )
            self._needed[place][key] = found
            self._near[place] = found or self._near[place]
        return self._needed[place][key]

    def units(self, counts: Counts) -> FloatArray:
        """Of each flight, (flights,)."""
        return np.bincount(self.flight, counts, self.landing.flights).astype(np.float64)

    def plan(self, counts: Counts, below: float = math.inf) -> tuple[float, FloatArray, FloatArray] | None:
        """Cost, stores by flight and capacity needed by phase of some counts; None where they don't serve for less."""
        units = self.units(counts)
        bare = self.landing.mass_kg(units, np.zeros(self.landing.flights))
        full = (bare > self.landing.most_kg * (1.0 + 1e-12)).any() or units.sum() > self.landing.most_units
        if full or self.landing.cost(bare) >= below:
            return None
        needed = np.zeros(len(self.phases))
        for place in range(len(self.phases)):
            found = self.needed_kwh(place, counts)
            if found is None:
                return None
            needed[place] = found
        stores = stores_for(self.phases, self.landing, units, needed)
        if stores is None:
            return None
        cost = self.landing.cost(self.landing.mass_kg(units, stores))
        if cost >= below or not self._hold(counts, stores, needed):
            return None
        return cost, stores, needed

    def _hold(self, counts: Counts, stores: FloatArray, needed: FloatArray) -> bool:
        """Whether phases whose stores are larger than they need are served all the same: a larger store loses more standing."""
        for place, phase in enumerate(self.phases):
            capacity = float(phase.store_left @ stores[: phase.flights])
            if capacity <= needed[place] * LARGER:
                continue
            units, light = int(counts[self.flight < phase.flights].sum()), self.light(place, counts)
            if not phase.serving.holds(phase.serving.case(light, units), light, units, capacity):
                return False
        return True


def mount_light_kwh(phase: Phase, some: Facings, flight: Counts) -> FloatArray:
    """Light (rows, mounts) of one new unit of each mount, where its flight lands; that of later flights is of no use yet."""
    lights = phase.lights_kwh(some, whole_days=False)
    if phase.elsewhere is None:
        return lights[0]
    return np.where(flight[None, :] == 0, lights[0], lights[-1])


def aged_units(phase: Phase, flight: Counts, counts: Counts) -> FloatArray:
    """Units of each mount as so many new ones, (mounts,), in a phase; none of later flights."""
    left = phase.units_left[np.minimum(flight, phase.flights - 1)]
    return np.where(flight < phase.flights, left * counts, 0.0)


def stores_for(
    phases: Sequence[Phase],
    landing: Landing,
    units: FloatArray,
    needed_kwh: FloatArray,
    store_left: Sequence[FloatArray] | None = None,
) -> FloatArray | None:
    """The stores to land with each flight, kWh (flights,), cheapest, for capacities that phases need; None where flights are full.

    store_left   what is left of them in each phase; as the phases say when None
    """
    from scipy.optimize import LinearConstraint, milp

    flights, choices = landing.flights, np.array(landing.choices_kwh or (1.0,))
    whole = bool(landing.choices_kwh)
    if not (needed_kwh > 0.0).any():
        return np.zeros(flights)
    left = np.zeros((len(phases), flights))
    for place, phase in enumerate(phases):
        left[place, : phase.flights] = phase.store_left if store_left is None else store_left[place]
    # columns: of each flight how many stores of each capacity, or kWh of it; the last one is the largest flight
    each = np.kron(np.eye(flights), choices[None, :])
    bare = landing.once_kg + landing.per_unit_kg * units
    room = (landing.most_kg - bare) * (1.0 if whole else 1.0 - ROUNDING)
    rows = [
        (left @ each, needed_kwh * (1.0 - SLACK if whole else 1.0), np.inf, 0.0),
        (landing.per_kwh_kg * each, -np.inf, room, 0.0),
        (np.ones((1, flights)) @ each, -np.inf, landing.most_kwh, 0.0),
    ]
    if landing.largest:
        rows.append((landing.per_kwh_kg * each, -np.inf, -bare, -1.0))
    # where a kWh weighs nothing, less of it is better still
    cost = np.maximum(landing.per_kwh_kg * landing.weights, 1e-9) @ each
    found = milp(
        np.append(cost, 1.0 if landing.largest else 0.0),
        constraints=[
            LinearConstraint(np.column_stack([matrix, np.full(len(matrix), last)]), low, high)
            for matrix, low, high, last in rows
        ],
        integrality=np.append(np.full(each.shape[1], int(whole)), 0),
        options={"mip_rel_gap": 0.0},
    )
    if found.status != 0:
        return None
    stores = np.asarray(found.x[:-1])
    if whole:
        return np.asarray(each @ np.round(stores))
    return np.array([_up(float(one)) for one in stores])


def _up(capacity_kwh: float) -> float:
    """A capacity in whole ten-thousandths of its leading digit, no less."""
    if capacity_kwh <= 1e-9:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(capacity_kwh)) - 5)
    return float(f"{math.ceil(capacity_kwh / unit - 1e-6) * unit:.7g}")


def near_split(found: Grown, phases: Sequence[Phase], landing: Landing, *, turning: bool) -> Plan | None:
    """The best plan found near to split units; None where none serves."""
    few = float(found.answer.units.sum()) <= FEW_UNITS
    parts, shares, flight = [], [], []
    for k in range(landing.flights):
        used = np.flatnonzero(found.answer.units[k] > LEAST_UNITS)
        if few and not turning:
            worth = found.proof.unit[k]
            used = np.union1d(used, np.flatnonzero(worth > NEARLY * worth.max()))
        if len(used) == 0:
            continue
        some, own = found.facings.take(used), found.answer.units[k, used]
        if turning:
            some, own = gathered(some, own)
        parts.append(some)
        shares.append(own)
        flight.append(np.full(some.count, k))
    some, share, of = together(*parts), np.concatenate(shares), np.concatenate(flight)
    light = [mount_light_kwh(phase, some, of) for phase in phases]
    trials = Trials(phases, landing, of, light)
    starts = [_start(share, of, trials)]
    if few:
        # of more units it takes long, and rounding comes as near
        starts.append(whole_counts(phases, landing, found.blocks, some, of))
    counts, cost = None, math.inf
    for start in starts:
        if start is None or trials.plan(start) is None:
            continue
        trials.count = 0  # of each start
        reached, its = _swapped(start, share, trials)
        if its < cost:
            counts, cost = reached, its
    if counts is None:
        return None
    plan = _planned(some, counts, trials)
    assert plan is not None
    if few and all(phase.serving.storage is None for phase in phases):
        return _fewest(plan, found, phases, landing)
    return plan


def _planned(some: Facings, counts: Counts, trials: Trials) -> Plan | None:
    made = trials.plan(counts)
    if made is None:
        return None
    used = np.flatnonzero(counts)
    return Plan(
        facings=some.take(used),
        flight=trials.flight[used],
        counts=counts[used],
        capacity_kwh=made[1],
        needed_kwh=made[2],
        mass_kg=trials.landing.mass_kg(trials.units(counts), made[1]),
        cost=made[0],
    )


def _fewest(plan: Plan, found: Grown, phases: Sequence[Phase], landing: Landing) -> Plan:
    """A plan with as few units as can be found that serve without a store."""
    each = np.repeat(np.arange(plan.facings.count), plan.counts)
    normals = plan.facings.axes_enu_xyz[each, 2]
    for flight, places in reversed(with_fewer(found, phases, landing, plan.flight[each], normals)):
        mounts, counts = np.unique(np.stack([flight, places]), axis=1, return_counts=True)
        some, of = found.facings.take(mounts[1]), mounts[0]
        light = [mount_light_kwh(phase, some, of) for phase in phases]
        fewer = _planned(some, counts, Trials(phases, landing, of, light))
        if fewer is not None and fewer.cost < plan.cost:
            return fewer
    return plan


def _start(share: FloatArray, flight: Counts, trials: Trials) -> Counts | None:
    """The cheapest of counts whose sums along the flights are near to the split ones, or larger ones that serve."""
    flights = trials.landing.flights
    summed = np.cumsum([share[flight == k].sum() for k in range(flights)])

    def counted(totals: Sequence[int]) -> Counts:
        counts = np.zeros(len(share), np.int64)
        before = 0
        for k, total in enumerate(totals):
            own = flight == k
            if own.any():
                counts[own] = rounded(np.maximum(share[own], 1e-12), max(total - before, 0))
                before = max(total, before)
        return counts

    best, cost = None, math.inf
    for more in range(0, 40, 2):
        ways = [(math.floor(total) + more, math.floor(total) + more + 1) for total in summed]
        for totals in itertools.islice(itertools.product(*ways), MOST_STARTS):
            counts = counted(totals)
            made = trials.plan(counts, cost)
            if made is not None:
                best, cost = counts, made[0]
        if best is not None:
            return best
    return None


def _swapped(counts: Counts, share: FloatArray, trials: Trials) -> tuple[Counts, float]:
    """The best plan reached by adding, taking away or moving single units."""
    made = trials.plan(counts)
    assert made is not None
    cost = made[0]
    better = True
    while better and trials.count < MOST_TRIALS:
        better = False
        surplus = counts - share
        out = [place for place in np.argsort(-surplus, kind="stable") if counts[place] > 0]
        into = list(np.argsort(surplus, kind="stable"))
        moves: list[tuple[int | None, int | None]] = [(place, None) for place in out]
        moves += [(a, b) for a in out for b in into if a != b]
        moves += [(None, place) for place in into]
        moves.sort(key=lambda move: _away(move, surplus))
        for fro, to in moves:
            tried = counts.copy()
            if fro is not None:
                tried[fro] -= 1
            if to is not None:
                tried[to] += 1
            found = trials.plan(tried, cost * (1.0 - 1e-9))
            if found is not None:
                counts, cost, better = tried, found[0], True
                break
            if trials.count >= MOST_TRIALS:
                break
    return counts, cost


def _away(move: tuple[int | None, int | None], surplus: FloatArray) -> float:
    """How far a move leads away from the split counts: the change of the sum of squares."""
    fro, to = move
    change = 0.0
    if fro is not None:
        change += 1.0 - 2.0 * float(surplus[fro])
    if to is not None:
        change += 1.0 + 2.0 * float(surplus[to])
    return change


def cycles_a_year(phases: Sequence[Phase], made: Plan) -> FloatArray:
    """Full cycles of the stores that there are, a year of 365.25 days, in each phase, (phases,)."""
    found = np.zeros(len(phases))
    for place, phase in enumerate(phases):
        capacity = float(phase.store_left @ made.capacity_kwh[: phase.flights])
        if capacity <= 0.0:
            continue
        units = int(made.counts[made.flight < phase.flights].sum())
        store = store_of(phase.serving.storage, phase.serving.row_hours, capacity)
        light = mount_light_kwh(phase, made.facings, made.flight) @ aged_units(
            phase, made.flight, made.counts
        )
        flows = dispatch(light, phase.serving.needs_of(units), store)
        years = len(flows.drawn) * phase.serving.row_hours / HOURS_PER_DAY / DAYS_PER_YEAR
        found[place] = float(flows.drawn.sum()) / store.hand_out / capacity / years
    return found
