"""Units that are turned by hand a few times in a run: the least system of them, by column generation over plans of turns.

A column of the programme is a plan: which facing from when on. At the prices of a programme the plan worth most is found exactly, by
dynamic programming from the last row back (R. Bellman, "Dynamic Programming", Princeton 1957):

    value[n, f] of row t  =  price[t] light[t, f]  +  the larger of  value[n, f]  and  the largest of value[n - 1, .]   of row t + 1

with n turns left. So no plan between the facings given is worth more, and the prices bound every system of such units, as those of
`dual_bound` do of fixed ones. Each unit is turned at moments of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.system.column_generation import LEAST_UNITS, Infeasible, Relaxed
from yieldsim.planning.system.dual_bound import parts, row_prices, scaled, unit_worth
from yieldsim.planning.system.linear_programme import solved
from yieldsim.planning.system.serving import Serving
from yieldsim.planning.system.terms import Prices, Terms
from yieldsim.planning.system.whole_units import Trials, served_start, swapped

MOST_ROUNDS, NEW_COLUMNS = 40, 16
WORTH_MORE = 1e-3
MOST_TRIALS = 120


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Turned:
    """The least system found of units that are turned so often, and its bound.

    least      no system of whole or split units and of that many turns between the facings costs less
    units, capacity_kwh, cost   of whole units; None: none was found
    light_kwh  (rows, columns)  of one unit of each plan of turns that came in: others may start from them
    counts     (columns,)  units of each; all 0 where none was found
    """

    turns: int
    least: float
    units: int | None
    capacity_kwh: float | None
    cost: float
    kwh_per_unit: float | None
    light_kwh: FloatArray
    counts: NDArray[np.int64]


def with_turns(
    found: Relaxed, light_kwh: FloatArray, serving: Serving, terms: Terms, objective: Prices, turns: int,
    start: Turned | None = None,
) -> Turned:  # fmt: skip
    """The least system of units turned up to so often. Raises Infeasible.

    found       of fixed units at the place: its facings, blocks and prices are begun with
    light_kwh   (rows of the run, facings)  of one unit of each of its facings
    start       what was found for fewer turns, or units that are not turned: its plans are begun with, and its units are kept where
                none are cheaper
    """
    rows, blocks = terms.rows, found.blocks
    lit = np.asarray(light_kwh[:rows].any(axis=1))
    lit_blocks = blocks.sums(np.asarray(lit, dtype=np.float64)) > 0.0
    columns = light_kwh[:, found.units > LEAST_UNITS]
    if start is not None:
        columns = start.light_kwh if start.turns else np.concatenate([start.light_kwh, columns], axis=1)
    least, units, capacity = 0.0, np.zeros(0), 0.0
    for _ in range(MOST_ROUNDS):
        answer = solved(blocks.sums(columns[:rows]), lit_blocks, terms, blocks, objective)
        if answer is None:
            raise Infeasible
        units, capacity = answer.units, answer.capacity_kwh
        prices = row_prices(answer.prices, terms, blocks, lit)
        need, value, store = parts(prices, terms)
        own = float(unit_worth(prices, need, terms, np.zeros((rows, 1)))[0])
        finite = np.where(lit, prices.light, 0.0)
        best, turned, target = plans(np.ascontiguousarray(finite[:, None] * light_kwh[:rows]), turns)
        least = max(least, scaled(value, float(best.max()) + own, store, objective))
        better = np.flatnonzero(best + own > objective.per_unit * (1.0 + WORTH_MORE))
        if len(better) == 0:
            break
        first = better[np.argsort(-best[better], kind="stable")[:NEW_COLUMNS]]
        new = np.stack([followed(light_kwh, turned, target, int(place), turns) for place in first], axis=1)
        columns = np.concatenate([columns, new], axis=1)
    known: NDArray[np.int64] = np.zeros(columns.shape[1], np.int64)
    if start is not None:
        known[: len(start.counts)] = start.counts
    # the programme's last round brought columns that it did not weigh
    shares = np.append(units, np.zeros(len(known) - len(units)))
    used = np.flatnonzero((shares > LEAST_UNITS) | (known > 0))
    kept, shares, known = np.ascontiguousarray(columns[:, used]), shares[used], known[used]
    trials = Trials(kept, serving, objective, capacity)
    whole: NDArray[np.int64] = np.zeros(len(used), np.int64)
    cost = math.inf
    for counts in (served_start(shares, trials), known):
        if counts is None or not math.isfinite(trials.cost(counts)):
            continue
        trials.count = 0
        reached, its = swapped(counts, shares, trials, MOST_TRIALS)
        if its < cost:
            whole, cost = reached, its
    number = int(whole.sum())
    return Turned(
        turns=turns,
        least=min(least, cost),
        units=number or None,
        capacity_kwh=trials.capacity(whole) if number else None,
        cost=cost,
        kwh_per_unit=float(trials.light(whole).sum()) / number if number else None,
        light_kwh=kept,
        counts=whole,
    )


def unturned(
    light_kwh: FloatArray, counts: NDArray[np.int64], capacity_kwh: float, objective: Prices
) -> Turned:
    """Units that serve as they stand, for turns to begin with: light (rows, mounts) of one unit of each mount, and their counts."""
    units = int(counts.sum())
    return Turned(
        turns=0,
        least=0.0,
        units=units,
        capacity_kwh=capacity_kwh,
        cost=units * objective.per_unit + capacity_kwh * objective.per_kwh,
        kwh_per_unit=None,
        light_kwh=light_kwh,
        counts=counts,
    )


def plans(worth: FloatArray, turns: int) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.int64]]:
    """The best plans of up to so many turns by the facing that they begin with.

    worth     (rows, facings)  of the light of each row
    returns   worth of the best plan (facings,); whether it pays to turn after a row, by turns left and facing
              (rows, turns + 1, facings); whereto, by turns left after it (rows, turns + 1)
    """
    rows, facings = worth.shape
    turned = np.zeros((rows, turns + 1, facings), dtype=np.bool_)
    target = np.zeros((rows, turns + 1), dtype=np.int64)
    best = np.zeros(facings)
    _backward(worth, turns, best, turned, target)
    return best, turned, target


def followed(
    light_kwh: FloatArray, turned: NDArray[np.bool_], target: NDArray[np.int64], first: int, turns: int
) -> FloatArray:
    """Light (rows of the run,) of one unit by the best plan from a facing on; the last facing is kept beyond its rows."""
    rows = len(turned)
    facing, left, begun = first, turns, 0
    made = np.empty(len(light_kwh))
    while True:
        moments = np.flatnonzero(turned[begun:, left, facing])
        end = len(light_kwh) if left == 0 or len(moments) == 0 else begun + int(moments[0]) + 1
        made[begun:end] = light_kwh[begun:end, facing]
        if end >= min(rows, len(light_kwh)):
            made[end:] = light_kwh[end:, facing]
            return made
        left -= 1
        facing, begun = int(target[end - 1, left]), end


@njit(cache=True)
def _backward(
    worth: FloatArray,
    turns: int,
    best: FloatArray,
    turned: NDArray[np.bool_],
    target: NDArray[np.int64],
) -> None:
    rows, facings = worth.shape
    value = np.zeros((turns + 1, facings))
    top = np.zeros(turns + 1)
    for t in range(rows - 1, -1, -1):
        for n in range(turns + 1):
            place = 0
            for f in range(facings):
                if value[n, f] > value[n, place]:
                    place = f
            top[n], target[t, n] = value[n, place], place
        for n in range(turns, -1, -1):
            for f in range(facings):
                after = value[n, f]
                if n > 0 and top[n - 1] > after:
                    after = top[n - 1]
                    turned[t, n, f] = True
                value[n, f] = worth[t, f] + after
    for f in range(facings):
        best[f] = value[turns, f]
