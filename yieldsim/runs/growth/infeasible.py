"""Why no plan serves all phases, and the nearest ask."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from yieldsim.base.plans.design import DesignPlan
from yieldsim.runs.design.combinations import Combination
from yieldsim.runs.growth.phases import PhaseSpan, landing_of
from yieldsim.runs.growth.search import phases_of, unlimited

ROUNDING = 1e-4
"""Budgets of a plan's files let stores grow by a rounding."""


def why_none(plan: DesignPlan, combination: Combination, spans: tuple[PhaseSpan, ...]) -> str:
    """The reason at a combination: a phase that nothing serves, or flights too small, with what they would have to land.

    Told are flights of whole units that serve, and what split units need at the least: less is no use.
    """
    from yieldsim.planning.growth.column_generation import grown
    from yieldsim.planning.system.column_generation import Infeasible
    from yieldsim.runs.design.infeasible import why_none_at
    from yieldsim.runs.design.search import look

    landing = landing_of(plan, combination, spans)
    phases = phases_of(plan, combination, spans)
    ways = []
    roomy = replace(landing, most_kg=np.full(landing.flights, np.inf))
    try:
        free = grown(phases, roomy, turning=False)
    except Infeasible:
        for one in spans:
            seen = look(one.plan, combination, one.span, True)
            if not math.isfinite(seen.least):
                return f'phase "{one.phase.name}": {why_none_at(one.plan, combination, seen, one.span)}'
        return (
            "each phase can be served by itself, and not all of them together within most_units and the store's most_kwh: units "
            "and stores that have aged take more of both"
        )
    limited = [one for one in spans if one.phase.most_kg is not None]
    if not limited:
        return "units may be split there, but no whole ones were found that serve every phase"
    for one in limited:
        # as little as possible with this flight, the others as they are limited
        k = one.number
        weight = np.full(landing.flights, 1e-6)
        weight[k] = 1.0
        most = landing.most_kg.copy()
        most[k] = np.inf
        try:
            found = grown(phases, replace(landing, weight=weight, most_kg=most, largest=False), turning=False)
        except Infeasible:
            continue
        mass = landing.mass_kg(found.answer.units.sum(axis=1), found.answer.capacity_kwh)[k]
        if mass > landing.most_kg[k]:
            ways.append(f'most_kg of "{one.phase.name}" at least {mass:.4g}')
    least = landing.mass_kg(free.answer.units.sum(axis=1), free.answer.capacity_kwh)
    told = ", ".join(f"{mass:.4g} kg" for mass in least)
    if not ways:
        ways = [f"flights of {told}, which is the least of all without limits"]
    whole = unlimited(phases, landing, turning=not plan.facings)
    serves = ""
    if whole is not None:
        serves = "; whole units serve with flights of " + ", ".join(
            f"{_up(mass)} kg" for mass in whole.mass_kg
        )
    return (
        f"at {combination.name} no flights within their most_kg serve every phase. Without limits the least is {told}; what may "
        f"serve, units split: {'; or '.join(ways)}{serves}"
    )


def _up(mass_kg: float) -> str:
    """A mass in four digits, rounded up with room for stores of capacities rounded up."""
    if mass_kg <= 0.0:
        return "0"
    mass_kg *= 1.0 + ROUNDING
    digit = 10.0 ** (math.floor(math.log10(mass_kg)) - 3)
    return f"{math.ceil(mass_kg / digit) * digit:.6g}"
