"""A closer bound where units are few: they come in whole numbers.

With split units the least cost lies at n and a half, say. A real design has n units or fewer, or n + 1 or more: each is a programme
of its own, and the cheaper of the two bounds every design. Where n units serve with no store, the first is left to the programme
that counts units:

    least  N + tie C / C_cap   is more than   n + tie   =>   no design of up to n units has a store of up to C_cap

and C_cap is so large that a store beyond it costs more than the best design by itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

from yieldsim.planning.system.column_generation import Infeasible, Relaxed, bounded_everywhere, solved_again
from yieldsim.planning.system.pricing import Sunlight
from yieldsim.planning.system.terms import Prices, Terms

MOST_UNITS = 20.0
"""Of more units one more is less than what the bound misses anyway."""
FEW_UNITS, NEARBY = 8, (0, 1, 2, 3)
"""Up to so many units, whole sets are sought from so many more than the split number, too."""
TIE = 1e-3
LITTLE = 3e-3
CAP_RATIO = 30.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Branch:
    """One of two cases, and its proof.

    least       what no design of it costs less than; infinite where there is none
    proof       what proves it, under `objective`
    objective   with its limit of units; or counting units, where it excludes the case (`counts_units`)
    """

    least: float
    proof: Relaxed
    objective: Prices
    counts_units: bool = False


def branches_of(
    split: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices, *, turning: bool
) -> tuple[Branch, ...]:
    """Both cases; the whole of it as one where units are many.

    split   solved for the objective without either limit
    """
    whole = Branch(least=split.least, proof=split, objective=objective)
    number = float(split.units.sum())
    few = math.floor(number + 1e-9)
    if number > MOST_UNITS or number - few < 1e-6 or objective.most_units < few + 1:
        return (whole,)
    up = replace(objective, least_units=few + 1.0)
    if number > FEW_UNITS:
        with suppress(Infeasible):
            if solved_again(split, sunlight, terms, up, turning=False).cost < split.cost * (1.0 + LITTLE):
                # a unit more costs next to nothing: nor would the bound gain more
                return (whole,)
    more = _solved(split, sunlight, terms, up, turning=turning)
    if more is None:
        return (whole,)
    if few == 0:
        return (more,) if more.least > whole.least else (whole,)
    less = _solved(split, sunlight, terms, replace(objective, most_units=float(few)), turning=turning)
    if less is None:
        less = _excluded(split, sunlight, terms, objective, few, turning=turning)
    # blocks were cut for the whole of it: the programmes of both cases need not prove more
    return (whole,) if less is None or min(less.least, more.least) <= whole.least else (less, more)


def nearby_numbers(split: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices) -> Iterator[Relaxed]:
    """Where units are few: solutions of whole numbers of units about the split one, each unit split; to begin searches from."""
    number = math.floor(float(split.units.sum()) + 1e-9)
    if number > FEW_UNITS:
        return
    for units in (number + more for more in NEARBY if 0 < number + more <= objective.most_units):
        so_many = replace(objective, least_units=float(units), most_units=float(units))
        with suppress(Infeasible):
            yield solved_again(split, sunlight, terms, so_many, turning=False)


def _solved(
    split: Relaxed,
    sunlight: Sunlight,
    terms: Terms,
    objective: Prices,
    *,
    turning: bool,
    closely: bool = True,
) -> Branch | None:
    try:
        found = solved_again(split, sunlight, terms, objective, turning=turning and closely)
    except Infeasible:
        return None
    if turning:
        found = bounded_everywhere(found, sunlight, terms, objective)
    return Branch(least=found.least, proof=found, objective=objective)


def _excluded(
    split: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices, few: int, *, turning: bool
) -> Branch | None:
    """The proof that so few units don't serve; None where it is not to be had."""
    if objective.per_kwh <= 0.0:
        return None
    cap = min(CAP_RATIO * max(split.capacity_kwh, split.cost / objective.per_kwh), objective.most_kwh)
    counting = Prices(per_unit=1.0, per_kwh=TIE / cap, most_kwh=cap)
    found = _solved(split, sunlight, terms, counting, turning=turning, closely=False)
    if found is None or found.least <= few + TIE:
        return None
    # within the case no design is cheaper than its store beyond the cap
    return Branch(
        least=math.inf if cap == objective.most_kwh else cap * objective.per_kwh,
        proof=found.proof,
        objective=counting,
        counts_units=True,
    )
