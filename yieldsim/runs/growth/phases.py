"""When each phase is, how old what has landed is by then, and what each is run as.

A phase is run over its first year of the body (or as far as it lasts, where that is less), with units and stores as old as in its
last such stretch: light of its first year, wear of its last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.constants import DAYS_PER_YEAR, SECONDS_PER_DAY
from yieldsim.base.errors import InputError, Problem
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.plans.design import DesignPlan, GrowthPhase
from yieldsim.runs.design.combinations import Combination, Span, once_kg, store_kg_per_kwh

if TYPE_CHECKING:
    from yieldsim.planning.growth.phases import Landing

SHORTEST_DAYS = 1.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhaseSpan:
    """A phase in time.

    plan        the design's with this phase's load
    begin_utc, end_utc   of the phase
    span        what is run of it
    """

    number: int
    phase: GrowthPhase
    plan: DesignPlan
    begin_utc: np.datetime64
    end_utc: np.datetime64
    span: Span

    @property
    def run_years(self) -> float:
        """Length of what is run."""
        return years_between(np.datetime64(self.span.start), np.datetime64(self.span.end))


def years_between(first: np.datetime64, last: np.datetime64) -> float:
    """Years of 365.25 days from one moment to another."""
    return float((last - first) / np.timedelta64(1, "s")) / SECONDS_PER_DAY / DAYS_PER_YEAR


def phase_spans(
    plan: DesignPlan,
    combination: Combination,
    years: float | None,
    span: str | None,
    interval_minutes: float,
    kernels: Sequence[Path],
    where: str,
) -> tuple[PhaseSpan, ...]:
    """All phases. Raises InputError where some are shorter than a day.

    where   the file that names them, for people
    """
    from yieldsim.runs.run_span import run_span

    begins = [np.datetime64(one.date_utc, "ns") for one in plan.phases]
    found: list[PhaseSpan] = []
    short: list[Problem] = []
    for number, phase in enumerate(plan.phases):
        run = run_span(
            combination.site.body,
            begins[number],
            years=years,
            span=span,
            interval_minutes=interval_minutes,
            kernels=tuple(kernels),
        )
        last = run.end_utc.astype("datetime64[ns]")
        if number + 1 < len(begins):
            end = begins[number + 1]
        else:
            end = np.datetime64(plan.growth.until_utc, "ns") if plan.growth.until_utc else last
        # whole rows: the next phase's date may fall within one
        row = np.timedelta64(round(interval_minutes * 60.0), "s")
        rows = int(np.floor((min(last, end) - begins[number]) / row))
        stop = begins[number] + rows * row
        if rows * interval_minutes < SHORTEST_DAYS * 24.0 * 60.0:
            short.append(Problem(where, f'phase "{phase.name}"', "is shorter than a day", "a day or more"))
        found.append(
            PhaseSpan(
                number=number,
                phase=phase,
                plan=replace(plan, load=phase.load, load_file=phase.load_file),
                begin_utc=begins[number],
                end_utc=end,
                span=Span(
                    start=str(begins[number].astype("datetime64[s]")),
                    end=str(stop.astype("datetime64[s]")),
                    interval_minutes=interval_minutes,
                    kernels=tuple(kernels),
                ),
            )
        )
    if short:
        raise InputError(short)
    return tuple(found)


def units_left(
    spans: Sequence[PhaseSpan], number: int, plan: DesignPlan, combination: Combination
) -> FloatArray:
    """Of each flight until a phase, (flights,): what its units still deliver when the phase's run begins.

    The run itself counts darkening by years and dose of a new unit's fibre, and its lens's dose. The lens's darkening by years is
    taken as at the phase's end; where dose slows down or hastens, what is left of the fibre is as in the run's worse end.
    """
    from yieldsim.energy.fibre import darkening_transmittance
    from yieldsim.energy.radiation_loss import fibre_left, lens_left

    collector, own, life = combination.collector, spans[number], plan.load.life
    fibre = collector.fibre
    run_s = np.array([0.0, own.run_years]) * DAYS_PER_YEAR * SECONDS_PER_DAY
    loss = life.lens_darkening_per_year if life is not None else 0.0
    left = []
    for flight in range(number + 1):
        at_end = years_between(spans[flight].begin_utc, own.end_utc)
        before_s = max(at_end - own.run_years, 0.0) * DAYS_PER_YEAR * SECONDS_PER_DAY
        share = (1.0 - loss) ** at_end
        if fibre is not None:
            share *= float(darkening_transmittance(fibre, before_s))
        share *= float(lens_left(collector, before_s) / lens_left(collector, 0.0))
        share *= float((fibre_left(collector, before_s + run_s) / fibre_left(collector, run_s)).min())
        left.append(share)
    return np.array(left)


def store_left(
    spans: Sequence[PhaseSpan], number: int, plan: DesignPlan, cycles_a_year: FloatArray | None = None
) -> FloatArray:
    """Of each flight until a phase, (flights,): what is left of its store's capacity when the phase's run begins.

    cycles_a_year   (phases,)  full cycles; None: fade by years alone
    """
    storage, own = plan.load.storage, spans[number]
    if storage is None:
        return np.ones(number + 1)
    left = []
    for flight in range(number + 1):
        at_end = years_between(spans[flight].begin_utc, own.end_utc)
        before_run = max(at_end - own.run_years, 0.0)
        fade = storage.fade_per_year * before_run
        if cycles_a_year is not None:
            for passed in range(flight, number):
                fade += (
                    storage.fade_per_cycle
                    * float(cycles_a_year[passed])
                    * years_between(spans[passed].begin_utc, spans[passed].end_utc)
                )
            fade += (
                storage.fade_per_cycle
                * float(cycles_a_year[number])
                * max(years_between(own.begin_utc, own.end_utc) - own.run_years, 0.0)
            )
        left.append(max(1.0 - fade, 0.0))
    return np.array(left)


def landing_of(plan: DesignPlan, combination: Combination, spans: Sequence[PhaseSpan]) -> Landing:
    """What landing costs at a combination: mast, converter and what every design has come with the first flight."""
    from yieldsim.planning.growth.phases import Landing

    flights = len(spans)
    # a flight may land no store, whether that is named or not
    choices = tuple(one for one in plan.store_choices_kwh if one > 0.0)
    most = np.inf if plan.most_store_kwh is None else plan.most_store_kwh
    once = np.zeros(flights)
    once[0] = once_kg(plan, combination.site.mast_height_m)
    later = np.array([years_between(spans[0].begin_utc, one.begin_utc) for one in spans])
    return Landing(
        per_unit_kg=combination.collector.mass_kg or 0.0,
        per_kwh_kg=store_kg_per_kwh(plan),
        once_kg=once,
        weight=(1.0 - plan.growth.discount_per_year) ** later,
        most_kg=np.array([np.inf if one.phase.most_kg is None else one.phase.most_kg for one in spans]),
        largest=plan.growth.least == "largest-flight",
        most_units=float(plan.most_units),
        most_kwh=0.0 if plan.store_choices_kwh and not choices else most,
        choices_kwh=choices,
    )
