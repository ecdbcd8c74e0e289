"""The front of mass against the share served: the lightest designs found for shares around that of the design.

A design that serves more also serves less, with a smaller store: each set found for one share is judged for all of them, and no share
has a heavier one than a larger share.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.plans.design import DesignPlan
from yieldsim.planning.habitat import reliability as habitat_reliability
from yieldsim.planning.habitat.dispatch import dispatch, store_of
from yieldsim.planning.system.serving import Serving
from yieldsim.runs.design.combinations import Combination, mass_kg
from yieldsim.runs.design.search import Designed

if TYPE_CHECKING:
    from yieldsim.planning.system.pricing import Sunlight
    from yieldsim.planning.system.terms import Prices
    from yieldsim.planning.system.whole_units import WholeSet

Json = dict[str, Any]
RELIABILITIES = (0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 1.0)
FRONT_TRIALS, FRONT_SETS = 50, 500
"""Sets of many units tried for each share; where there are no more of given orientations, all of them."""
AGAIN, EFFORT = 2, 0.25
"""How often few units that may be the lightest of a share are begun anew, and with how many trials: begun from those of a share near
to it they mostly come within a quarter of a percent of what four times as many find, and as often find lighter ones."""
MUCH = 3.0
"""What to aim at where a set serves a larger share with no store at all: so many times the cost of split units."""


def longest_outage_hours(serving: Serving, light_kwh: FloatArray, units: int, capacity_kwh: float) -> float:
    """Of the counted loads, in the run itself."""
    needs = serving.needs_of(units)
    flows = dispatch(light_kwh, needs, store_of(serving.storage, serving.row_hours, capacity_kwh))
    found = habitat_reliability.served(needs, flows, habitat_reliability.counted(needs))
    return found.longest_rows * serving.row_hours


def by_reliability(
    plan: DesignPlan,
    combination: Combination,
    best: Designed,
    serving: Serving,
    sunlight: Sunlight,
    prices: Prices,
) -> list[Json]:
    """The lightest designs found by share served, from the facings that were priced; for its own share the design itself, unless it
    is sought for its light or a larger share has a lighter one.
    """
    from yieldsim.planning.orientation.mount_frames import of_mounts
    from yieldsim.planning.system.whole_units import WholeSet

    assert best.mounts is not None
    facings, counts = of_mounts(best.mounts), np.array([mount.count for mount in best.mounts])
    light = sunlight.light_kwh(facings) @ counts.astype(np.float64)
    own = WholeSet(
        facings=facings, counts=counts, capacity_kwh=best.capacity_kwh, light_kwh=light, cost=best.cost
    )
    shares = sorted({*RELIABILITIES, serving.reliability})
    place = shares.index(serving.reliability)

    def sets_towards(away: Sequence[float]) -> list[WholeSet]:
        """Those for each share from near to far, each begun from the one before."""
        near = own
        towards: list[WholeSet] = []
        for share in away:
            asked, more = replace(serving, reliability=share), share > serving.reliability
            found = _sets_for(asked, near, best, sunlight, prices, plan, more=more)
            near = found[0] if found else near
            towards += found
        return towards

    # either way by itself: annealing lets go of the interpreter
    with ThreadPoolExecutor(2) as pool:
        down, up = pool.map(sets_towards, (shares[:place][::-1], shares[place + 1 :]))
    sets = [own, *down, *up]
    chosen: list[WholeSet | None] = []
    for share in reversed(shares):
        asked = replace(serving, reliability=share)
        # a design of most light for its mass is seldom the lightest that serves its share
        itself = share == serving.reliability and plan.objective != "mass-per-kwh"
        known = [own] if itself else [_judged(one, asked, prices) for one in sets]
        # of equally light ones that of the larger share
        some = [*known, *chosen[-1:]] if itself else [*chosen[-1:], *known]
        serves = [one for one in some if one is not None]
        chosen.append(min(serves, key=lambda one: _order(plan, combination, one), default=None))
    rows = zip(shares, reversed(chosen), strict=True)
    return [_row(share, one, plan, combination, serving) for share, one in rows]


def _order(plan: DesignPlan, combination: Combination, one: WholeSet) -> tuple[float, float]:
    """What a front puts first: light sets of many units, or few units with small stores."""
    if plan.objective == "units":
        return one.units, one.capacity_kwh
    return mass_kg(plan, combination, one.units, one.capacity_kwh), -one.units


def _row(
    share: float, one: WholeSet | None, plan: DesignPlan, combination: Combination, serving: Serving
) -> Json:
    row: Json = {"reliability": share, "units": None, "storage_kwh": None, "mass_kg": None}
    row["longest_outage_hours"] = None
    if one is None:
        return row
    return row | {
        "units": one.units,
        "storage_kwh": one.capacity_kwh,
        "mass_kg": mass_kg(plan, combination, one.units, one.capacity_kwh),
        "longest_outage_hours": longest_outage_hours(serving, one.light_kwh, one.units, one.capacity_kwh),
    }


def _judged(one: WholeSet, asked: Serving, prices: Prices) -> WholeSet | None:
    """The set with the store that it needs for another share; None where none is enough."""
    capacity = asked.capacity_kwh(one.light_kwh, one.units, one.capacity_kwh or None)
    if capacity is None:
        return None
    cost = one.units * prices.per_unit + capacity * prices.per_kwh
    return replace(one, capacity_kwh=capacity, cost=cost)


def _sets_for(
    asked: Serving, near: WholeSet, best: Designed, sunlight: Sunlight, prices: Prices, plan: DesignPlan, *, more: bool
) -> Sequence[WholeSet]:  # fmt: skip
    """Sets for a share, the cheapest first: all of a few given orientations where they are few; else few units by annealing from
    those of a share near to it, many from split ones.

    more   whether more is served than by those near
    """
    from yieldsim.planning.system.annealing import Choice
    from yieldsim.planning.system.column_generation import Infeasible, solved_again
    from yieldsim.planning.system.local_search import SINGLE_UNITS
    from yieldsim.planning.system.whole_units import all_sets, near_split

    split = best.split
    assert split is not None
    if plan.facings:
        candidates = sunlight.candidates
        one = all_sets(candidates, sunlight.light_kwh(candidates), asked, prices, 0.0, FRONT_SETS)
        if one is not None:
            return [one]
    if near.units <= SINGLE_UNITS:
        choice = Choice.of(split)
        units = np.repeat(choice.nearest(near.facings), near.counts)
        starts = [units, units[1:]] if near.units > 1 else [units]
        # no share smaller than that of the design has more units than a larger one
        starts += [np.append(units, units[:1])] if more else []
        known = _judged(near, asked, prices)
        aim = MUCH * split.cost if known is None else known.cost
        found = choice.sets(starts, aim, asked, prices, AGAIN, EFFORT)
        judged = (choice.judged(one, asked, prices, sunlight.light_kwh) for one in found)
        return sorted((one for one in judged if one is not None), key=lambda one: one.cost)
    try:
        other = solved_again(split, sunlight, asked.terms(repeats=True), prices)
    except Infeasible:
        return []
    one = near_split(
        other, asked, prices, sunlight.light_kwh, turning=not plan.facings, most_trials=FRONT_TRIALS
    )
    return [] if one is None else [one]
