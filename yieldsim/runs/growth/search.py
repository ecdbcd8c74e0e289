"""One combination of site, mast and collector through all phases: a bound, and the best plan of whole units found."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.plans.design import DesignPlan
from yieldsim.runs.design.combinations import Combination, prepared, serving_of, sunlight_of
from yieldsim.runs.growth.phases import PhaseSpan, landing_of, store_left, units_left

if TYPE_CHECKING:
    from yieldsim.planning.growth.branches import Proved
    from yieldsim.planning.growth.phases import Landing, Phase
    from yieldsim.planning.growth.whole_units import Plan

Json = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Planned:
    """What was found for a combination.

    least    what no plan of it costs less than; infinite where none serves
    proved   None where nothing serves
    plan     None: none was found, or none that is worth it
    """

    number: int
    least: float
    between: bool
    proved: Proved | None
    plan: Plan | None


@lru_cache(maxsize=1)  # nouns are frozen; a run asks for one combination several times in a row
def phases_of(plan: DesignPlan, combination: Combination, spans: tuple[PhaseSpan, ...]) -> tuple[Phase, ...]:
    """The phases laid out: sunlight of their dates, their loads, how old what has landed is."""
    from yieldsim.planning.growth.phases import Phase

    found = []
    for one in spans:
        ready = prepared(combination, one.span)
        found.append(
            Phase(
                sunlight=sunlight_of(plan, ready),
                # of stores of given capacities there may be several: a phase may need any in all
                serving=serving_of(replace(one.plan, store_choices_kwh=()), ready),
                units_left=units_left(spans, one.number, plan, combination),
                store_left=store_left(spans, one.number, plan),
            )
        )
    return tuple(found)


def plan_one(
    plan: DesignPlan, combination: Combination, spans: tuple[PhaseSpan, ...], best_cost: float = math.inf
) -> Planned:
    """Bound and plan of a combination; no plan is looked for once the bound passes `best_cost`."""
    from yieldsim.planning.growth.branches import proved
    from yieldsim.planning.growth.column_generation import grown
    from yieldsim.planning.growth.whole_units import near_split
    from yieldsim.planning.system.column_generation import Infeasible

    phases, landing = phases_of(plan, combination, spans), landing_of(plan, combination, spans)
    split = None
    with suppress(Infeasible):
        split = grown(phases, landing, turning=not plan.facings)
    if split is None:
        return Planned(number=combination.number, least=math.inf, between=True, proved=None, plan=None)
    made = None
    turning = not plan.facings
    if split.least < best_cost:
        made = near_split(split, phases, landing, turning=turning)
        if made is None and np.isfinite(landing.most_kg).any():
            # what is begun within the limits may miss what lies within them all the same
            free = unlimited(phases, landing, turning=turning)
            made = free if free is not None and (free.mass_kg <= landing.most_kg).all() else None
    reached = math.inf if made is None else made.cost
    proof = proved(split, phases, landing, turning=turning, reached=reached)
    return Planned(
        number=combination.number,
        least=proof.least,
        between=turning and split.everywhere is not None,
        proved=proof,
        plan=made,
    )


def unlimited(phases: tuple[Phase, ...], landing: Landing, *, turning: bool) -> Plan | None:
    """Whole units by flights that may land any mass; None where none were found that serve."""
    from yieldsim.planning.growth.column_generation import grown
    from yieldsim.planning.growth.whole_units import near_split
    from yieldsim.planning.system.column_generation import Infeasible

    roomy = replace(landing, most_kg=np.full(landing.flights, np.inf))
    with suppress(Infeasible):
        return near_split(grown(phases, roomy, turning=turning), phases, roomy, turning=turning)
    return None


def to_keep(value: object) -> Any:
    """What was found as plain values, by the names of its fields."""
    if is_dataclass(value):
        return {one.name: to_keep(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, np.ndarray):
        return value.tolist()
    return [to_keep(one) for one in value] if isinstance(value, tuple) else value


def kept_plan(known: Json) -> Planned:
    """What was kept."""
    from yieldsim.planning.growth.branches import Case, Proved
    from yieldsim.planning.growth.programme import FlightPrices
    from yieldsim.planning.growth.whole_units import Plan
    from yieldsim.planning.orientation.mount_frames import Facings
    from yieldsim.planning.system.dual_bound import RowPrices

    def of(kind: Any, part: Json | None, **others: Any) -> Any:
        if part is None:
            return None
        facings = {"facings": Facings(*map(np.array, part["facings"]))} if "facings" in part else {}
        arrays = {name: np.array(one) if isinstance(one, list) else one for name, one in part.items()}
        return kind(**(arrays | facings | others))

    proof = known["proved"]
    if proof is not None:
        cases = tuple(
            of(
                Case,
                one,
                rows=tuple(of(RowPrices, row) for row in one.pop("rows")),
                flights=of(FlightPrices, one.pop("flights")),
            )
            for one in proof.pop("cases")
        )
        proof = of(Proved, proof, cases=cases)
    return Planned(**(known | {"proved": proof, "plan": of(Plan, known["plan"])}))


def quick_bound(plan: DesignPlan, combination: Combination, spans: tuple[PhaseSpan, ...]) -> float:
    """What no plan of a combination costs less than, from each phase by itself: what has landed until then is at least as heavy
    as what would serve it new."""
    from yieldsim.runs.design.search import look

    landing = landing_of(plan, combination, spans)
    found = 0.0
    for one in spans:
        alone = look(replace(one.plan, store_choices_kwh=()), combination, one.span, True).least
        until = one.number + 1
        share = 1.0 / until if landing.largest else float(landing.weight[:until].min())
        found = max(found, alone * share)
    return found
