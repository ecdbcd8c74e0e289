"""One combination: a bound on what it costs, and the best whole design found for it."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.model import Mount
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.plans.design import DesignPlan
from yieldsim.runs.design.combinations import (
    UNITS_TIE,
    Combination,
    Span,
    cost_of,
    laid_out,
    mass_kg,
    most_delivered_kwh,
    prices_of,
)

if TYPE_CHECKING:
    from yieldsim.planning.branching.branch_programme import Branched
    from yieldsim.planning.system.column_generation import Relaxed
    from yieldsim.planning.system.pricing import Sunlight
    from yieldsim.planning.system.serving import Serving
    from yieldsim.planning.system.terms import Prices, Terms
    from yieldsim.planning.system.whole_units import WholeSet
    from yieldsim.runs.setup.prepare import Prepared


CLOSE_GAP = 0.019
"""Bounds this near to a design are not brought nearer."""
HAIR_MORE = (1.001, 1.004)
"""Where a set falls short by an estimate's own light, which differs from that of the search by less than a thousandth, sets are sought
that serve so many times as much, first with little to spare, then with more."""
BEST_TURNED, WORTH_TURNING, TIMES_GAIN = 2, 1.02, 8.0
"""So many sets of different numbers of units are turned in continuous angles, if they cost at most this much of the best, and less
than that turned if they gain so many times as much by it."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Looked:
    """A first look at a combination.

    least         what no design of it costs less than; infinite where none serves
    candidates    facings that were priced one by one, and how far apart they are
    best_unit_kwh   of one unit of the best of them over the run
    dark_hours    the longest stretch without light at the place
    """

    number: int
    least: float
    candidates: int
    step_deg: float
    best_unit_kwh: float
    dark_hours: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Designed:
    """The best design found for a combination, and its bound.

    least       what no design of the combination costs less than
    mounts      facings and counts; None: no design was found, or none that is worth it
    cost        of the objective; infinite without a design
    split_units, split_kwh   of the solution with units that may be split, which is `split`
    branches    what proves the bound: cases of few whole units
    most_kwh    what no design delivers more than, where the objective asks for that
    by_fillings whether the bound counts how often whole units fill the store, which holds for the dispatch of budget alone
    """

    number: int
    least: float
    mounts: tuple[Mount, ...] | None
    capacity_kwh: float
    cost: float
    mass_kg: float
    complete: bool
    split_units: float
    split_kwh: float
    facings_priced: int
    by_fillings: bool = False
    split: Relaxed | None = None
    branches: Branched | None = None
    terms: Terms | None = None
    most_kwh: float = math.inf

    @property
    def units(self) -> int:
        """How many; 0 without a design."""
        return sum(mount.count for mount in self.mounts or ())


PLAIN = (
    "number",
    "least",
    "capacity_kwh",
    "cost",
    "mass_kg",
    "complete",
    "split_units",
    "split_kwh",
    "facings_priced",
    "by_fillings",
)


def to_keep(found: Designed) -> dict[str, Any]:
    """A design without its proof as plain values."""
    mounts = None if found.mounts is None else [asdict(mount) for mount in found.mounts]
    return {name: getattr(found, name) for name in PLAIN} | {"mounts": mounts}


def kept_design(known: dict[str, Any]) -> Designed:
    """The design that was kept."""
    mounts = known["mounts"]
    return Designed(**(known | {"mounts": None if mounts is None else tuple(Mount(**one) for one in mounts)}))


def whole_bound(plan: DesignPlan, least: float, once: float, most_kwh: float) -> float:
    """A bound in the objective's terms: units are whole.

    most_kwh   what no design delivers more than
    """
    if plan.objective == "mass-per-kwh":
        return (least + once) / most_kwh
    if plan.objective == "units":
        return float(math.ceil(least - UNITS_TIE - 1e-6))
    return least + once


def look(plan: DesignPlan, combination: Combination, span: Span, among_others: bool) -> Looked:
    """A quick bound, over hours merged into days.

    among_others   False: there is nothing to compare it with, and no bound is worked out
    """
    from yieldsim.planning.system.column_generation import (
        QUICK_EFFORT,
        Infeasible,
        bounded_everywhere,
        over_candidates,
    )

    _, serving, sunlight = laid_out(plan, combination, span)
    prices, once = prices_of(plan, combination)
    light = sunlight.light_kwh(sunlight.candidates)
    terms = serving.terms(repeats=True)
    least = math.inf if among_others else 0.0
    if among_others:
        with suppress(Infeasible):
            found = over_candidates(sunlight, light, terms, prices)
            if not plan.facings:
                found = bounded_everywhere(found, sunlight, terms, prices, effort=QUICK_EFFORT)
            least = whole_bound(plan, found.least, once, most_delivered_kwh(plan, sunlight))
    return Looked(
        number=combination.number,
        least=least,
        candidates=sunlight.candidates.count,
        step_deg=sunlight.step_deg,
        best_unit_kwh=float(light.sum(axis=0).max(initial=0.0)),
        dark_hours=sunlight.prospect.dark_gap_hours,
    )


def design_one(plan: DesignPlan, combination: Combination, span: Span, best_cost: float) -> Designed:
    """The best design found, checked against an estimate's own light; left off once its bound passes `best_cost`."""
    from yieldsim.planning.branching.branch_and_bound import branched
    from yieldsim.planning.branching.branch_programme import unbranched
    from yieldsim.planning.branching.most_delivered import all_delivering, least_rate, most_delivered
    from yieldsim.planning.system.column_generation import Infeasible, relaxed
    from yieldsim.planning.system.joint_turns import jointly_turned
    from yieldsim.planning.system.whole_units import all_sets

    ready, serving, sunlight = laid_out(plan, combination, span)
    prices, once = prices_of(plan, combination)
    sunlight, terms = sunlight.of_whole_units(serving.terms(repeats=True))
    turning = not plan.facings
    given = (
        None if turning else (sunlight.candidates, sunlight.light_kwh(sunlight.candidates), serving, prices)
    )
    most_kwh = most_delivered_kwh(plan, sunlight)
    try:
        split = relaxed(
            sunlight,
            terms,
            prices,
            worth_knowing=lambda least: whole_bound(plan, least, once, most_kwh) < best_cost,
            turning=turning,
        )
    except Infeasible:
        return _none(combination)
    least = whole_bound(plan, split.least, once, most_kwh)
    whole: WholeSet | None = None
    branches = unbranched(split)
    if least < best_cost:
        if plan.objective == "mass-per-kwh":
            rated = least_rate(split, sunlight, terms, prices, once, turning=turning)
            branches = rated.branched
            whole = None if given is None else all_delivering(*given, once)
            if whole is None:
                whole = most_delivered(rated, sunlight, serving, terms, prices, once, turning=turning)
        elif given is not None:
            whole = all_sets(*given, split.proof.least)
        if whole is None and plan.objective != "mass-per-kwh":
            whole = few_near(split, serving, prices, sunlight, turning=turning)
        if whole is not None and plan.objective != "mass-per-kwh":
            tried = [whole]
            if turning:
                cheaper = jointly_turned(split, serving, prices, sunlight, terms, whole.cost)
                tried += [] if cheaper is None else [cheaper]

            def sought(near: Relaxed) -> float:
                """Another solution of split units leads to other facings."""
                found = (
                    None
                    if tried[0].complete
                    else whole_near(near, serving, prices, sunlight, turning=turning)
                )
                tried.extend([] if found is None else [found])
                return min(one.cost for one in tried)

            branches = branched(
                split,
                sunlight,
                terms,
                prices,
                min(one.cost for one in tried),
                # what can't come near the best of all combinations is bounded no closer
                lambda cost: close_enough(plan, min(cost, best_cost - once), once),
                sought,
                turning=turning,
            )
            whole = min(tried, key=lambda one: one.cost)
    mounts, capacity, cost, mass = None, 0.0, math.inf, math.inf
    if whole is not None:
        mounts = mounts_of(whole)
        found = checked(ready, mounts, serving, whole.capacity_kwh)
        for multiplier in HAIR_MORE if plan.objective != "mass-per-kwh" else ():
            if found is not None:
                break
            again = few_near(split, serving.demanding(multiplier), prices, sunlight, turning=turning)
            if again is not None:
                whole, mounts = replace(again, complete=False), mounts_of(again)
                found = checked(ready, mounts, serving, whole.capacity_kwh)
        if found is None:
            mounts = None
        else:
            capacity = found
            units = sum(mount.count for mount in mounts)
            mass = mass_kg(plan, combination, units, capacity)
            cost = cost_of(plan, mass, units, float(whole.light_kwh.sum()))
    complete = whole is not None and whole.complete and mounts is not None
    least = max(least, branches.rate or whole_bound(plan, branches.least, once, most_kwh))
    return Designed(
        number=combination.number,
        least=max(least, cost) if complete else least,
        mounts=mounts,
        capacity_kwh=capacity,
        cost=cost,
        mass_kg=mass,
        complete=complete,
        split_units=float(split.units.sum()),
        split_kwh=split.capacity_kwh,
        facings_priced=split.facings.count,
        split=split,
        by_fillings=branches.by_fillings,
        branches=branches,
        terms=terms,
        most_kwh=most_kwh,
    )


def close_enough(plan: DesignPlan, cost: float, once: float) -> float:
    """The bound with which a design of a cost, both without what it costs once, is proven to CLOSE_GAP."""
    if plan.objective == "units":
        return math.ceil(cost - UNITS_TIE) - 1.0 + 2.0 * UNITS_TIE
    return (1.0 - CLOSE_GAP) * (cost + once) - once


def few_near(
    split: Relaxed, serving: Serving, prices: Prices, sunlight: Sunlight, *, turning: bool
) -> WholeSet | None:
    """Few units by annealing, the best sets turned; more of them, or where that finds none, near to the split ones."""
    from yieldsim.planning.system.annealing import MORE, near_number
    from yieldsim.planning.system.local_search import SINGLE_UNITS, polished

    found: list[WholeSet] = []
    if split.units.sum() <= SINGLE_UNITS:
        found = near_number(split, serving, prices, sunlight)
        if found and found[0].units >= math.floor(split.units.sum()) + MORE:
            # of the most units that were tried: more may be cheaper still
            found += near_number(split, serving, prices, sunlight, below=found[0].cost)
            cheapest = {one.units: one for one in sorted(found, key=lambda one: -one.cost)}
            found = sorted(cheapest.values(), key=lambda one: one.cost)
    near: WholeSet | None = None
    if not found:
        near = whole_near(split, serving, prices, sunlight, turning=turning)
        if split.units.sum() > SINGLE_UNITS:
            return near
        # nothing that costs about as much as split units serves: what does may be far from them
        below = math.inf if near is None else near.cost
        found = near_number(split, serving, prices, sunlight, any_cost=near is None, below=below)
        if not found:
            return near
    if not turning:
        return min([found[0]] if near is None else [near, found[0]], key=lambda one: one.cost)
    best = polished(found[0], serving, prices, sunlight.light_kwh)
    most = min(WORTH_TURNING * found[0].cost, best.cost + TIMES_GAIN * (found[0].cost - best.cost))
    others = [one for one in found[1:BEST_TURNED] if one.cost <= most]
    turned_sets = [best, *(polished(one, serving, prices, sunlight.light_kwh) for one in others)]
    return min(turned_sets if near is None else [near, *turned_sets], key=lambda one: one.cost)


def whole_near(
    split: Relaxed, serving: Serving, prices: Prices, sunlight: Sunlight, *, turning: bool
) -> WholeSet | None:
    """Whole units near to split ones, turned; None if none serves."""
    from yieldsim.planning.system.local_search import SINGLE_UNITS, polished
    from yieldsim.planning.system.whole_units import FEW_UNITS, near_split

    found = near_split(split, serving, prices, sunlight.light_kwh, turning=turning)
    if found is None or not turning:
        return found
    found = polished(found, serving, prices, sunlight.light_kwh)
    number = math.ceil(split.units.sum())
    if FEW_UNITS < number <= SINGLE_UNITS:
        # fewer units than serve at first may when each is turned
        fewer = near_split(split, serving, prices, sunlight.light_kwh, turning=True, units=number)
        if fewer is not None:
            fewer = polished(fewer, serving, prices, sunlight.light_kwh)
            found = min(found, fewer, key=lambda one: one.cost)
    return found


def _none(combination: Combination) -> Designed:
    """Nothing serves there."""
    return Designed(
        number=combination.number,
        least=math.inf,
        mounts=None,
        capacity_kwh=0.0,
        cost=math.inf,
        mass_kg=math.inf,
        complete=False,
        split_units=0.0,
        split_kwh=0.0,
        facings_priced=0,
    )


def mounts_of(whole: WholeSet) -> tuple[Mount, ...]:
    """Facings to a hundredth of a degree, and how many units each has; the same ones together."""
    counts: dict[tuple[float, float, float], int] = {}
    for place in range(whole.facings.count):
        one = whole.facings.mount(place)
        key = (one.tilt_deg, one.azimuth_deg, one.roll_deg)
        counts[key] = counts.get(key, 0) + int(whole.counts[place])
    return tuple(
        Mount(tilt_deg=tilt, azimuth_deg=azimuth, roll_deg=roll, count=count)
        for (tilt, azimuth, roll), count in sorted(counts.items(), key=lambda item: item[0][1])
    )


def checked(ready: Prepared, mounts: tuple[Mount, ...], serving: Serving, near_kwh: float) -> float | None:
    """The smallest capacity that serves by the light of an estimate itself; None if none does.

    ready   prepared for the combination
    """
    light = estimated_light_kwh(ready, mounts)
    units = sum(mount.count for mount in mounts)
    return serving.capacity_kwh(light, units, near_kwh or None)


def estimated_light_kwh(ready: Prepared, mounts: tuple[Mount, ...]) -> FloatArray:
    """Light of a design by row, as an estimate gives it, (rows,), kWh."""
    from yieldsim.energy.integration import converge
    from yieldsim.runs.estimate.run import TOLERANCE

    result, _ = converge(turned(ready, mounts).setting, ready.grid, TOLERANCE)
    power_w = result.series["delivered_power_w"].values
    return np.asarray(power_w * (ready.grid.interval_s / 3.6e6))


def turned(ready: Prepared, mounts: tuple[Mount, ...]) -> Prepared:
    """A prepared run with other mounts; dust follows their tilts."""
    collector = replace(ready.setting.collector, mounts=mounts)
    return replace(ready, setting=replace(ready.setting, collector=collector))
