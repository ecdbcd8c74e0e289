"""Why nothing serves an ask, and the nearest one that something may serve."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from yieldsim.base.plans.design import DesignPlan
from yieldsim.planning.system.column_generation import Infeasible, over_candidates
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices
from yieldsim.runs.design.combinations import (
    Combination,
    Span,
    laid_out,
    prices_of,
)
from yieldsim.runs.design.search import Looked

MANY_UNITS = 1.0e7
HALVINGS = 12
NEXT_TO_NOTHING = 1e-6
Least = Callable[[Serving, Prices], tuple[float, float] | None]
"""Units and capacity that are needed at least under an objective."""


def why_none(plan: DesignPlan, everything: list[Combination], looked: list[Looked], span: Span) -> str:
    """The reason, and the nearest asks, at the combination with the most light a unit. All sizes are lower bounds: less is no use."""
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

    def least(serving: Serving, objective: Prices) -> tuple[float, float] | None:
        """Units and capacity that are needed at least, split units allowed; None where nothing does."""
        try:
            found = over_candidates(sunlight, light, serving.terms(repeats=True), objective)
        except Infeasible:
            return None
        return float(found.units.sum()), found.capacity_kwh

    limits = f"up to {plan.most_units} units"
    if math.isfinite(prices.most_kwh):
        limits += f" and {prices.most_kwh:.4g} kWh of storage"
    ways = []
    if (units := _fewest(serving, prices, least)) is not None:
        ways.append(f"at least {math.ceil(units - 1e-6)} units (most_units)")
    if (capacity := _smallest(serving, prices, least)) is not None:
        ways.append(f"at least {capacity:.4g} kWh of storage ([store])")
    share = _highest_share(serving, prices, least)
    if share is not None:
        ways.append(f"a reliability of {share:.4f} at most ([sizing] of the load file)")
    if least(serving, prices) is not None:
        reason = "units may be split there, but no whole ones were found that serve"
    elif not ways:
        reason = (
            f"no number of units and no store carry it: the longest stretch without light is {best.dark_hours:.0f} hours, and "
            "what larger stores keep they lose standing, or loads draw on what no light reaches"
        )
    else:
        reason = f"the longest stretch without light is {best.dark_hours:.0f} hours"
    nearest = f"; what may serve: {'; or '.join(ways)}" if ways else ""
    return f"nothing serves {asked} with {limits}. At {combination.name}, which has the most light a unit, {reason}{nearest}"


def _fewest(serving: Serving, prices: Prices, least: Least) -> float | None:
    """Units needed with the store as it is limited."""
    found = least(serving, replace(prices, most_units=MANY_UNITS, per_unit=1.0, per_kwh=NEXT_TO_NOTHING))
    return None if found is None or found[0] <= prices.most_units else float(found[0])


def _smallest(serving: Serving, prices: Prices, least: Least) -> float | None:
    """Capacity needed with as many units as there may be."""
    if not math.isfinite(prices.most_kwh):
        return None
    found = least(serving, replace(prices, most_kwh=math.inf, per_unit=NEXT_TO_NOTHING, per_kwh=1.0))
    return None if found is None or found[1] <= prices.most_kwh else float(found[1])


def _highest_share(serving: Serving, prices: Prices, least: Least) -> float | None:
    """The largest share that something may serve within the limits, rounded down."""
    low, high = 0.0, serving.reliability
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if least(replace(serving, reliability=middle), prices) is None:
            high = middle
        else:
            low = middle
    return math.floor(low * 1e4) / 1e4 if low > 0.0 else None
