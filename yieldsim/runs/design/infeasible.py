"""Why nothing serves an ask, and the nearest ones that something serves."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from yieldsim.base.plans.design import DesignPlan
from yieldsim.planning.system.column_generation import BLOCK_HOURS, Infeasible, over_candidates
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices
from yieldsim.planning.system.whole_units import NEXT_TO_NOTHING, WholeSet, all_sets, near_split
from yieldsim.runs.design.combinations import (
    Combination,
    Span,
    laid_out,
    prices_of,
)
from yieldsim.runs.design.search import Looked

MANY_UNITS = 1.0e7
HALVINGS = 12
HALVINGS_OF_WHOLE, MOST_TRIALS = 8, 50
MOST_ROWS = 1500
"""Of programmes without a store: a year of hours would take minutes."""
Least = Callable[[Serving, Prices], tuple[float, float] | None]
"""Units and capacity that are needed at least under an objective."""
Whole = Callable[[Serving, Prices], WholeSet | None]
"""Whole units and a store that serve."""


def why_none(plan: DesignPlan, everything: list[Combination], looked: list[Looked], span: Span) -> str:
    """The reason, and the nearest asks, at the combination with the most light a unit. Whole systems that serve, and what
    split units need at the least."""
    best = max(looked, key=lambda one: (one.best_unit_kwh, -one.number))
    return why_none_at(plan, everything[best.number], best, span)


def why_none_at(plan: DesignPlan, combination: Combination, best: Looked, span: Span) -> str:
    """The same at one combination, at which a first look was had."""
    asked = f'"{plan.load.name}" at {plan.load.reliability:.6g} of {plan.load.reliability_of}'
    if best.best_unit_kwh == 0.0:
        return f"nothing serves {asked}: no light is delivered at any site"
    _, serving, sunlight = laid_out(plan, combination, span)
    prices, _ = prices_of(plan, combination)
    light = sunlight.light_kwh(sunlight.candidates)
    # without a store light serves in its own row: whole days of it would serve at night
    block_hours = BLOCK_HOURS if prices.most_kwh > 0.0 else light.shape[0] / MOST_ROWS * serving.row_hours

    def least(serving: Serving, objective: Prices) -> tuple[float, float] | None:
        """Units and capacity that are needed at least, split units allowed; None where nothing does."""
        try:
            found = over_candidates(sunlight, light, serving.terms(repeats=True), objective, block_hours)
        except Infeasible:
            return None
        return float(found.units.sum()), found.capacity_kwh

    def whole(serving: Serving, objective: Prices) -> WholeSet | None:
        """The best whole units found; None if none serves."""
        found = None
        if plan.facings:
            found = all_sets(sunlight.candidates, light, serving, objective, 0.0)
        if found is None:
            with suppress(Infeasible):
                split = over_candidates(sunlight, light, serving.terms(repeats=True), objective, block_hours)
                found = near_split(
                    split, serving, objective, sunlight.light_kwh, turning=not plan.facings, most_trials=MOST_TRIALS
                )  # fmt: skip
        return found

    limits = f"up to {_units(plan.most_units)}"
    if plan.load.storage is None:
        limits += " and no store (the load file has no [storage])"
    elif math.isfinite(prices.most_kwh):
        limits += f" and {prices.most_kwh:.4g} kWh of storage"
    ways = [_fewest(serving, prices, least, whole), _smallest(serving, prices, least, whole)]
    ways = [way for way in [*ways, _highest_share(serving, prices, least, whole)] if way]
    if best.dark_hours > 0.0:
        reason = f"the longest stretch without light is {best.dark_hours:.0f} hours"
    else:
        reason = "there is light all the time, but too little of it"
    if least(serving, prices) is not None:
        reason += "; units that may be split might do, but no whole ones were found that serve"
    elif not ways:
        reason = (
            f"no number of units and no store carry it: {reason}, and "
            "what larger stores keep they lose standing, or loads draw on what no light reaches"
        )
    nearest = f"; what serves: {'; or '.join(ways)}" if ways else ""
    return f"nothing serves {asked} with {limits}. At {combination.name}, which has the most light a unit, {reason}{nearest}"


def _fewest(serving: Serving, prices: Prices, least: Least, whole: Whole) -> str:
    """Units needed with the store as it is limited, in words; nothing where they are not what lacks."""
    many = replace(prices, most_units=MANY_UNITS, per_unit=1.0, per_kwh=NEXT_TO_NOTHING)
    needed = least(serving, many)
    if needed is None:
        return ""
    found = whole(serving, many)
    if needed[0] <= prices.most_units:
        return (
            f"{_system(found)} (most_units)" if found is not None and found.units > prices.most_units else ""
        )
    bound = f"at least {_units(math.ceil(needed[0] - 1e-6))} (most_units)"
    return bound if found is None else f"{_system(found)}, {bound}"


def _smallest(serving: Serving, prices: Prices, least: Least, whole: Whole) -> str:
    """Capacity needed with as many units as there may be, in words."""
    if not math.isfinite(prices.most_kwh):
        return ""
    large = replace(prices, most_kwh=math.inf, per_unit=NEXT_TO_NOTHING, per_kwh=1.0)
    needed = least(serving, large)
    if needed is None:
        return ""
    found = whole(replace(serving, choices_kwh=(), most_kwh=math.inf), large)
    if needed[1] <= prices.most_kwh:
        return (
            f"{_system(found)} ([store])"
            if found is not None and found.capacity_kwh > prices.most_kwh
            else ""
        )
    bound = f"at least {needed[1]:.4g} kWh of storage ([store])"
    return bound if found is None else f"{_system(found)}, {bound}"


def _highest_share(serving: Serving, prices: Prices, least: Least, whole: Whole) -> str:
    """The largest share that something serves within the limits, in words, rounded down."""
    low, high = 0.0, serving.reliability
    # what is asked is no bound where split units might serve it
    bounded = least(serving, prices) is None
    low = low if bounded else high
    for _ in range(HALVINGS if bounded else 0):
        middle = 0.5 * (low + high)
        if least(replace(serving, reliability=middle), prices) is None:
            high = middle
        else:
            low = middle
    if low < 1e-4:
        return ""
    bound = f"a reliability of {math.floor(low * 1e4) / 1e4:.4f} at most ([sizing] of the load file)"
    served, found, high = 0.0, None, low
    for _ in range(HALVINGS_OF_WHOLE):
        share = math.floor(0.5e4 * (served + high)) / 1e4
        if (tried := whole(replace(serving, reliability=share), prices)) is None:
            high = share
        else:
            served, found = share, tried
    if not bounded:
        return (
            ""
            if found is None
            else f"a reliability of {served:.4f} by {_system(found)} ([sizing] of the load file)"
        )
    return bound if found is None else f"{served:.4f} by {_system(found)}, {bound}"


def _system(found: WholeSet) -> str:
    return f"{_units(found.units)} with {found.capacity_kwh:.4g} kWh"


def _units(count: int) -> str:
    return f"{count} unit{'s' * (count != 1)}"
