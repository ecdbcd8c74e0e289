"""Flights whose phases serve in 90 of 100 draws of what is uncertain, not in the nominal run alone.

As `runs.design.confidence`, with a margin for each phase: loads are asked for with it, flights planned for that, and the draws of
every phase made with its load as it is. Margins are widened and halved until all phases hold and none is wider than it need be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from yieldsim.base.errors import CannotCompute
from yieldsim.runs.design.confidence import CLOSE, FIRST_STEP, LARGEST, MOST_TRIALS, holds
from yieldsim.runs.growth.phases import PhaseSpan
from yieldsim.runs.growth.search import Planned
from yieldsim.runs.growth.verify import BuiltPlan

Spans = tuple[PhaseSpan, ...]
Margins = tuple[float, ...]


def confident(
    spans: Spans, planned: Callable[[Spans], Planned], built: Callable[[Planned], BuiltPlan | None], first: BuiltPlan
) -> tuple[BuiltPlan, Margins]:  # fmt: skip
    """The lightest plan found that holds, and the margins on the loads of its phases. Raises CannotCompute where none is enough.

    planned, built   a plan for phases that ask so much, and how the phases as they are run with it
    first            of the nominal run
    """
    low, high = [1.0] * len(spans), [LARGEST] * len(spans)
    factors, steps = [1.0] * len(spans), [FIRST_STEP] * len(spans)
    best: tuple[BuiltPlan, Margins] | None = None
    made = first
    for _ in range(MOST_TRIALS):
        held_by = [
            holds(phase.summary, one.plan.load.reliability)
            for phase, one in zip(made.phases, spans, strict=True)
        ]
        if all(held_by) and (best is None or made.cost < best[0].cost):
            best = (made, tuple(factors))
        for place, held in enumerate(held_by):
            if held:
                high[place] = min(high[place], factors[place])
            else:
                low[place] = max(low[place], factors[place])
                # more units of other phases may have carried it before
                high[place] = high[place] if high[place] > low[place] else LARGEST
            if high[place] < LARGEST:
                close = high[place] - low[place] <= CLOSE
                factors[place] = high[place] if close else 0.5 * (low[place] + high[place])
            elif not held:
                factors[place] = min(factors[place] + steps[place], LARGEST)
                steps[place] *= 2.0
        if best is not None and tuple(factors) == best[1]:
            break
        asking = tuple(
            replace(one, plan=replace(one.plan, load=one.plan.load.demanding(factor)))
            for one, factor in zip(spans, factors, strict=True)
        )
        tried = built(planned(asking))
        if tried is None:
            # nothing serves with larger margins
            break
        made = tried
    if best is None:
        raise CannotCompute(
            f"no margins on the loads up to {LARGEST:g} were found with which every phase is served in 90 of 100 draws"
        )
    return best
