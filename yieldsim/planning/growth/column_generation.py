"""The least cost of all phases together if units could be split: as `system.column_generation`, over flights and phases.

A facing comes in where a unit of some flight there is worth more than it costs; facings turn towards what units of a flight are
worth most in all phases that they live to see; blocks are cut phase by phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.flight_skies import flight_sky
from yieldsim.planning.growth.phases import Landing, Lights, Phase
from yieldsim.planning.growth.programme import (
    Answer,
    Master,
    Proof,
    dearest,
    least_cost,
    prices_of_mass,
    proven,
    told_blocks,
)
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.system.column_generation import (
    BLOCK_HOURS,
    FIRST_FACINGS,
    LEAST_UNITS,
    MORE_FACINGS,
    QUICK_EFFORT,
    WORTH_MORE,
    Infeasible,
)
from yieldsim.planning.system.pricing import climbed, worth_bound
from yieldsim.planning.system.row_aggregation import Blocks, even, turning_points

BOUND_EFFORT, NEARLY_WORTH_IT = 16.0, 0.985
STANDS_STILL, TURNS_LITTLE = 2e-4, 1e-3
"""Gains of the cost for which blocks are no longer cut, and facings no longer turned."""
MOST_CUTS, MOST_TURNS, SAME_WAY_DEG = 4, 2, 0.1
LEAST_PRICE = 0.1
"""A unit that has to be landed costs nothing more: it is held against so much of its mass."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Grown:
    """The least cost with units that may be split, and what proves it.

    lights_kwh   by phase and flight (rows, facings)  of one new unit of each
    everywhere   least cost over every facing between them too; None where that is not known
    worth_anywhere   (flights,)  what no unit of a flight is worth more than at the prices; None the same
    """

    facings: Facings
    lights_kwh: tuple[Lights, ...]
    blocks: tuple[Blocks, ...]
    answer: Answer
    proof: Proof
    everywhere: float | None = None
    worth_anywhere: FloatArray | None = None

    @property
    def least(self) -> float:
        """What no plan costs less than."""
        return self.proof.least if self.everywhere is None else min(self.everywhere, self.proof.least)


class _Kept(NamedTuple):
    """A solution, and its programme with all that the solver knows of it."""

    found: Grown
    master: Master


def candidates_of(phases: Sequence[Phase]) -> Facings:
    """The facings that are priced one by one: those of the first phase's sky, of both where there are two sites, and those of later
    phases whose Sun is elsewhere, as where each is run over a part of a year."""
    first = phases[0]
    some = first.sunlight.candidates
    if first.elsewhere is not None:
        return together(some, first.elsewhere.candidates)
    # given ones are the same for all
    for phase in phases[1:] if first.sunlight.step_deg > 0.0 else ():
        more = phase.sunlight.candidates
        nearest = (more.axes_enu_xyz[:, 2] @ some.axes_enu_xyz[:, 2].T).max(axis=1)
        far = np.flatnonzero(nearest < np.cos(np.radians(0.5 * first.sunlight.step_deg)))
        some = together(some, more.take(far)) if len(far) else some
    return some


def grown(phases: Sequence[Phase], landing: Landing, *, turning: bool = True) -> Grown:
    """Solve for a place. Raises Infeasible.

    turning   whether facings may turn between the candidates
    """
    some = candidates_of(phases)
    lights = tuple(phase.lights_kwh(some) for phase in phases)
    kept = _over_facings(phases, landing, some, lights, _days(phases))
    if not turning:
        return _cut(kept, phases, landing).found
    # facings turn first, while blocks are few
    kept = _settled(_cut(_settled(kept, phases, landing), phases, landing), phases, landing)
    return bounded_everywhere(kept.found, phases, landing)


def _settled(kept: _Kept, phases: Sequence[Phase], landing: Landing) -> _Kept:
    """Facings turned until the cost stands still."""
    for _ in range(MOST_TURNS):
        before = kept.found.answer.cost
        kept = _turned(kept, phases, landing)
        if kept.found.answer.cost > before * (1.0 - TURNS_LITTLE):
            break
    return kept


def solved_again(
    found: Grown,
    phases: Sequence[Phase],
    landing: Landing,
    blocks: tuple[Blocks, ...] | None = None,
    *,
    turning: bool,
) -> Grown:
    """A solution within other limits over the facings that are known. Raises Infeasible.

    blocks   None: days, and a quick bound of the facings between those that are known
    """
    start = _promising(found, landing)
    blocks_of = blocks or _days(phases)
    other = _over_facings(phases, landing, found.facings, found.lights_kwh, blocks_of, start).found
    effort = QUICK_EFFORT if blocks is None else BOUND_EFFORT
    return bounded_everywhere(other, phases, landing, effort) if turning else other


def _days(phases: Sequence[Phase]) -> tuple[Blocks, ...]:
    return tuple(
        even(phase.terms.rows, max(round(BLOCK_HOURS / phase.sunlight.row_hours), 1)) for phase in phases
    )


def _over_facings(
    phases: Sequence[Phase],
    landing: Landing,
    some: Facings,
    lights_kwh: tuple[Lights, ...],
    blocks: tuple[Blocks, ...],
    start: np.ndarray | None = None,
    master: Master | None = None,
) -> _Kept:
    """Column generation over facings whose light is known.

    start    those to begin with
    master   the programme of some of them over the same blocks
    """
    active = start
    if active is None:
        active = np.zeros(0, np.int64)
        for light in (light for lights in lights_kwh for light in {id(one): one for one in lights}.values()):
            best = np.argsort(-light.sum(axis=0), kind="stable")[: FIRST_FACINGS // 2]
            fortnights = even(len(light), max(len(light) // 26, 1)).sums(light).argmax(axis=1)
            active = np.union1d(active, np.union1d(best, fortnights))
    told = [told_blocks(*one) for one in zip(phases, lights_kwh, blocks, strict=True)]
    if master is None or not master.tells(told):
        master = Master(phases, blocks, landing, told)
    new = active
    while True:
        new = np.setdiff1d(new, master.places)
        if len(new):
            master.admit(new, [tuple(light[:, new] for light in lights) for lights in lights_kwh])
        answer = master.answer()
        if answer is None:
            new = np.setdiff1d(np.arange(some.count), master.places)
            if len(new) == 0:
                raise Infeasible
            continue
        proof = proven(answer, phases, lights_kwh, landing)
        ratio = _worth_over_price(proof.unit, answer, landing)
        better = np.setdiff1d(np.flatnonzero(ratio > 1.0 + WORTH_MORE), master.places)
        if len(better) == 0:
            break
        new = better[np.argsort(-ratio[better], kind="stable")[:MORE_FACINGS]]
    units = np.zeros((landing.flights, some.count))
    units[:, master.places] = answer.units
    answer = replace(answer, units=units)
    found = Grown(facings=some, lights_kwh=lights_kwh, blocks=blocks, answer=answer, proof=proof)
    return _Kept(found, master)


def _worth_over_price(unit: FloatArray, answer: Answer, landing: Landing) -> FloatArray:
    """By facing, the most that a unit of any flight there is worth for what it costs, (facings,)."""
    per_unit, _ = prices_of_mass(answer.flight_prices, landing)
    least = np.maximum(LEAST_PRICE * landing.per_unit_kg * landing.weights, 1e-300)
    return np.asarray((unit / np.maximum(per_unit, least)[:, None]).max(axis=0))


def _light_and_units(found: Grown, place: int, phase: Phase) -> tuple[FloatArray, float]:
    """Light of a phase, (rows,), with the split units that have landed, and how many those are."""
    units = found.answer.units[: phase.flights]
    parts = (
        left * (light @ own)
        for left, light, own in zip(phase.units_left, found.lights_kwh[place], units, strict=True)
    )
    return np.asarray(sum(parts)), float(units.sum())


def _cut(kept: _Kept, phases: Sequence[Phase], landing: Landing) -> _Kept:
    """Cut blocks where the run of a phase turns from lacking light to having it to spare, until the cost stands still."""
    for _ in range(MOST_CUTS):
        found = kept.found
        blocks = tuple(
            cut.split(_turning_points(found, place, phase))
            for place, (cut, phase) in enumerate(zip(found.blocks, phases, strict=True))
        )
        if all(len(a.first) == len(b.first) for a, b in zip(blocks, found.blocks, strict=True)):
            break
        start = _promising(found, landing)
        kept = _over_facings(phases, landing, found.facings, found.lights_kwh, blocks, start)
        if kept.found.answer.cost <= found.answer.cost * (1.0 + STANDS_STILL):
            break
    return kept


def _turning_points(found: Grown, place: int, phase: Phase) -> np.ndarray:
    light, units = _light_and_units(found, place, phase)
    return turning_points(light, phase.terms, units)


def _promising(found: Grown, landing: Landing) -> np.ndarray:
    """Facings in use, and those nearly worth their price."""
    ratio = _worth_over_price(found.proof.unit, found.answer, landing)
    used = found.answer.units.max(axis=0) > LEAST_UNITS
    return np.flatnonzero(used | (ratio > NEARLY_WORTH_IT * ratio.max()))


def _turned(kept: _Kept, phases: Sequence[Phase], landing: Landing) -> _Kept:
    """The same with facings beside those in use, turned towards what units of each flight are worth most."""
    first, found = phases[0].sunlight, kept.found
    reached = []
    for flight in range(landing.flights):
        used = found.answer.units[flight] > LEAST_UNITS
        near = found.proof.unit[flight] > 0.99 * found.proof.unit[flight].max()
        sky = flight_sky(phases, flight, found.answer.prices)
        if sky is not None and used.any():
            starts = found.facings.take(np.flatnonzero(used | near))
            reached.append(climbed(first, sky, starts, (first.step_deg or 4.0) * 0.25))
    if not reached:
        return kept
    more = together(*reached)
    # climbs from many places end at the same few
    poses = np.round(more.axes_enu_xyz.reshape(-1, 9) / np.radians(SAME_WAY_DEG))
    more = more.take(np.sort(np.unique(poses, axis=0, return_index=True)[1]))
    lights = tuple(
        _joined(known, phase.lights_kwh(more)) for known, phase in zip(found.lights_kwh, phases, strict=True)
    )
    start = np.append(_promising(found, landing), found.facings.count + np.arange(more.count))
    return _over_facings(
        phases, landing, together(found.facings, more), lights, found.blocks, start, kept.master
    )


def _joined(known: Lights, more: Lights) -> Lights:
    """Further facings beside those that are known; flights that share an array go on sharing it."""
    made: dict[int, FloatArray] = {}
    for one, other in zip(known, more, strict=True):
        if id(one) not in made:
            made[id(one)] = np.concatenate([one, other], axis=1)
    return tuple(made[id(one)] for one in known)


def bounded_everywhere(
    found: Grown, phases: Sequence[Phase], landing: Landing, effort: float = BOUND_EFFORT
) -> Grown:
    """What the prices prove over every facing."""
    anywhere = np.zeros(landing.flights)
    for flight in range(landing.flights):
        sky = flight_sky(phases, flight, found.answer.prices)
        if sky is None:
            return found
        own, best = float(found.proof.own[flight]), float(found.proof.unit[flight].max())
        most = worth_bound(sky, max(best - own, 1e-300), effort)[0]
        anywhere[flight] = max(most + own, best)
    proof = found.proof
    prices = dearest(proof.value, anywhere, proof.store, landing)
    listed, least = (
        least_cost(proof.value, unit, proof.store, prices, landing)
        for unit in (proof.unit.max(axis=1), anywhere)
    )
    proof = replace(proof, least=listed, flight_prices=prices)
    return replace(found, proof=proof, everywhere=least, worth_anywhere=anywhere)
