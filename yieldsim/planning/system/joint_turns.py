"""A given number of whole units, all turned together: facings for sets that no rounding of split units comes near to.

Where units are few, each must do the work of several facings that the split solution mixes. So the split units are laid out by
azimuth and cut into stretches of one unit each, which faces the mean of its stretch; cut at several places, that is several
beginnings. Each is led on by linear programmes of one unit per facing that may lean a step to any side, by smaller and smaller steps
(light is nearly linear in small turns; F. Palacios-Gomez, L. Lasdon, M. Engquist, "Nonlinear optimization by successive linear
programming", Management Science 28, 1982; from memory): a unit's next facing is the mean of those the programme mixes. Blocks are
cut where the run turns on the way. A beginning need not serve: shortfall beyond what is allowed may be had at a price that is too
dear.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, carried, facings_of_axes, leaned, together
from yieldsim.planning.system.column_generation import LEAST_UNITS, Infeasible, Relaxed, solved_again
from yieldsim.planning.system.linear_programme import TOO_DEAR, buying_shortfall, programme
from yieldsim.planning.system.local_search import SINGLE_UNITS, polished
from yieldsim.planning.system.pricing import Sunlight
from yieldsim.planning.system.row_aggregation import Blocks, turning_points
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices, Terms
from yieldsim.planning.system.whole_units import FEW_UNITS, Trials, WholeSet, gathered, rounded

FEWER, MORE = 1, 2
"""Numbers of units tried below and above the split one."""
BEGINNINGS, BEGINNINGS_OF_MANY, LED_ON = 4, 2, 3
"""How many, and how many of them that cost least after coarse steps are led on by fine ones."""
COARSE, FINE = (1.25, 1.0, 0.7, 0.5, 0.35), (0.3, 0.15, 0.08, 0.04)
"""Steps, in those between candidates: they are as wide as the optics accept."""
WAYS_DEG: FloatArray = np.linspace(0.0, 315.0, 8)
MOST_BLOCKS = 500
"""Of more blocks (a year of 19 narrow units has 1,100) all programmes together take minutes, and gained nothing."""
FAR_OFF, NEARLY = 1.02, 1.005
"""Beginnings that cost so many times the best design after HOPELESS_AFTER coarse steps are given up; and those that cost less than so
many times it after all coarse ones are led on by fine ones, which bring 0.5 % at most."""
HOPELESS_AFTER = 2
MORE_ASKED = (3e-4, 1e-3, 2e-3, 4e-3)
"""The programme foresees and merges rows, so that what it just serves a dispatch does not: so much more is asked of it."""


def jointly_turned(
    split: Relaxed, serving: Serving, objective: Prices, sunlight: Sunlight, terms: Terms, cost: float
) -> WholeSet | None:
    """The best of sets about as many as the split units; None where none that costs less than `cost` is found."""
    total = float(split.units.sum())
    if total > SINGLE_UNITS or len(split.blocks.first) > MOST_BLOCKS:
        return None
    best: WholeSet | None = None
    about = math.floor(total)
    for units in sorted(range(max(about - FEWER, 1), about + MORE + 1), key=lambda one: abs(one - total)):
        limited = replace(objective, least_units=float(units), most_units=float(units))
        if units > objective.most_units or units * objective.per_unit >= cost:
            continue
        try:
            start = solved_again(split, sunlight, terms, limited)
        except Infeasible:
            continue
        if start.cost >= cost:
            continue
        found = _of_number(start, units, serving, objective, sunlight, terms, cost)
        if found is not None and found.cost < cost:
            best, cost = found, found.cost
    return best


def stretches(some: Facings, shares: FloatArray, units: int, offset: float) -> Facings:
    """Single units at the means of stretches of one unit each, by azimuth, (units,).

    shares   (facings,)  of split units
    offset   where the first stretch begins, in units
    """
    order = np.argsort(np.mod(some.azimuth_deg, 360.0), kind="stable")
    axes = some.axes_enu_xyz[order]
    share = shares[order] * units / shares.sum()
    end = np.cumsum(share)
    found = []
    for first in np.arange(units) + offset:
        inside = np.zeros(len(share))
        for around in (0.0, float(units)):
            high, low = np.minimum(end + around, first + 1.0), np.maximum(end - share + around, first)
            inside += np.clip(high - low, 0.0, None)
        normal = inside @ axes[:, 2]
        found.append(carried(axes[int(inside.argmax())], normal / np.linalg.norm(normal)))
    return facings_of_axes(np.stack(found))


def _rounded(some: Facings, shares: FloatArray, units: int) -> Facings:
    """Single units of facings gathered and rounded."""
    few, sums = gathered(some, shares)
    return few.take(np.repeat(np.arange(few.count), rounded(sums, units)))


@dataclass(frozen=True, slots=True, eq=False)
class _Reached:
    """Facings, blocks cut for them, and what the last programme cost; its store."""

    some: Facings
    blocks: Blocks
    cost: float
    capacity_kwh: float


def _of_number(
    start: Relaxed, units: int, serving: Serving, objective: Prices, sunlight: Sunlight, terms: Terms, cost: float
) -> WholeSet | None:  # fmt: skip
    """The best set found of so many units; None where none serves."""
    used = np.flatnonzero(start.units > LEAST_UNITS)
    some, shares = start.facings.take(used), start.units[used]
    beginnings = BEGINNINGS if units <= FEW_UNITS else BEGINNINGS_OF_MANY
    dear = TOO_DEAR * start.cost

    def led(begin: _Reached, steps: tuple[float, ...], more_asked: float) -> _Reached:
        asking = replace(terms, asked_kwh=(1.0 + more_asked) * terms.asked_kwh)
        for taken, step in enumerate(steps):
            if taken >= HOPELESS_AFTER and begin.cost > FAR_OFF * cost:
                break
            begin = _led_on(begin, step * sunlight.step_deg, sunlight, asking, objective, dear)
        return begin

    begins = [stretches(some, shares, units, place / beginnings) for place in range(beginnings)]
    begins.append(_rounded(some, shares, units))
    # the solver lets go of the interpreter
    with ThreadPoolExecutor(2) as threads:
        reached = list(
            threads.map(
                lambda one: led(_Reached(one, start.blocks, math.inf, 0.0), COARSE, MORE_ASKED[0]), begins
            )
        )
        near = [one for one in sorted(reached, key=lambda one: one.cost) if one.cost < NEARLY * cost]
        fine = list(threads.map(lambda one: led(one, FINE, MORE_ASKED[0]), near[:LED_ON]))
    ones, best = np.ones(units, np.int64), None
    for one in fine:
        for more_asked in MORE_ASKED:
            if more_asked > MORE_ASKED[0]:
                one = led(one, FINE, more_asked)
            if one.cost >= cost:
                break
            trials = Trials(sunlight.light_kwh(one.some), serving, objective, one.capacity_kwh)
            if (capacity := trials.capacity(ones)) is not None:
                light, reached_cost = trials.light(ones), trials.cost(ones)
                whole = WholeSet(
                    facings=one.some, counts=ones, capacity_kwh=capacity, light_kwh=light, cost=reached_cost
                )
                whole = polished(whole, serving, objective, sunlight.light_kwh)
                if whole.cost < cost:
                    best, cost = whole, whole.cost
                break
    return best


def _led_on(
    begin: _Reached, step_deg: float, sunlight: Sunlight, terms: Terms, objective: Prices, dear: float
) -> _Reached:
    """Every unit turned by up to about a step towards what costs least together.

    dear   price of shortfall as large as what is allowed
    """
    from scipy.optimize import linprog
    from scipy.sparse import coo_array

    some, blocks = begin.some, begin.blocks
    near = [some, leaned(some, np.full(len(WAYS_DEG), step_deg), WAYS_DEG)]
    place = np.arange(some.count)
    unit = [place, np.repeat(place, len(WAYS_DEG))]
    if sunlight.prospect.rolls_matter:
        for roll in (-step_deg, step_deg):
            near.append(some._replace(roll_deg=some.roll_deg + roll))
            unit.append(place)
    tried, of = together(*near), np.concatenate(unit)
    light = sunlight.light_kwh(tried)[: terms.rows]
    lit = blocks.sums(np.asarray(sunlight.lit[: terms.rows], dtype=np.float64)) > 0.0
    spare = blocks.sums(terms.spare_kwh(light))
    made = programme(blocks.sums(light), lit, terms, blocks, objective, spare)
    made = buying_shortfall(made, terms, dear)
    one_each = coo_array((np.ones(len(of)), (of, np.arange(len(of)))), shape=(some.count, len(made.cost)))
    found = linprog(
        made.cost,
        A_ub=made.matrix,
        b_ub=made.most,
        A_eq=one_each.tocsr(),
        b_eq=np.ones(some.count),
        bounds=np.stack([np.zeros(len(made.upper)), made.upper], axis=1),
        method="highs",
    )
    if found.status != 0:
        # the store's limits allow none, or the solver gave up: no way on from here
        return replace(begin, cost=math.inf)
    share = np.asarray(found.x[: made.facings])
    capacity = float(found.x[made.facings]) * made.scale_kwh
    total, units = light @ share, float(some.count)
    at = turning_points(total, terms, units)
    mean = np.zeros((some.count, 3, 3))
    np.add.at(mean, of, share[:, None, None] * tried.axes_enu_xyz)
    return _Reached(
        some=facings_of_axes(_upright(mean)),
        blocks=blocks.split(at),
        cost=float(found.fun),
        capacity_kwh=capacity,
    )


def _upright(mean: FloatArray) -> FloatArray:
    """Axes x, y, z at right angles again, of means of some that lie near to each other, (n, 3, 3)."""
    normal = mean[:, 2] / np.linalg.norm(mean[:, 2], axis=1, keepdims=True)
    across = mean[:, 0] - (mean[:, 0] * normal).sum(axis=1, keepdims=True) * normal
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    return np.stack([across, np.cross(normal, across), normal], axis=1)
