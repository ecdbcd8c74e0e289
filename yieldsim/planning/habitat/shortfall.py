"""What loads lack, without a series of it: `planning.habitat.dispatch` where only sums are asked for.

Essential loads alone take a tenth of the time: none waits, no reserve is kept from any, and of loads alike one may as well go before
the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.dispatch import ESSENTIAL, SLACK, Needs, Store, dispatch, run

Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Tally:
    """A run in short: what the counted loads lacked, the state at the end, how many rows were run."""

    unserved_kwh: float
    unserved_rows: int
    end_kwh: float
    rows: int


def tally(
    light_kwh: FloatArray,
    needs: Needs,
    store: Store,
    most_unserved: float = math.inf,
    by_rows: bool = False,
) -> Tally:
    """A run that ends once essential loads (all, if none is) lack more than allowed.

    most_unserved   kWh, or rows if `by_rows`
    """
    light, most_unserved = np.ascontiguousarray(light_kwh), float(most_unserved)
    if (needs.rank == ESSENTIAL).all():
        most = (math.inf, most_unserved) if by_rows else (most_unserved, math.inf)
        unserved, count, end, rows = shortfall(light, needs, store, *most)
    else:
        limit = -most_unserved if by_rows else most_unserved
        kept = np.zeros((3, 0, 0)), np.zeros((6, 0))
        unserved, count, end, rows = run(light, *needs[:-2], *needs.turns, *store, limit, False, *kept)
    return Tally(unserved, int(count), end, int(rows))


def unserved_kwh(light_kwh: FloatArray, needs: Needs, store: Store) -> FloatArray:
    """What all loads lack together, whatever their priority, (n,): of several runs, (n, rows) of light."""
    if (needs.rank == ESSENTIAL).all():
        return np.asarray(_shortfalls(np.ascontiguousarray(light_kwh), needs, store))
    return np.array([dispatch(one, needs, store).unserved.sum() for one in light_kwh])


class KnownRun(NamedTuple):
    """A run of a store that does not fade, and one beside it whose light differs in some rows.

    state     (rows,)  at the end of each row
    lacked    (rows,)  in it, kWh
    before    (rows + 1, 2)  lacked before it, in kWh and in rows
    ran, ran_state, ran_lacked   (rows,)  the rows of the other run that were worked out, and the same of them
    """

    state: FloatArray
    lacked: FloatArray
    before: FloatArray
    ran: Places
    ran_state: FloatArray
    ran_lacked: FloatArray


@njit(cache=True)
def known_run(rows: int) -> KnownRun:
    """Room for one of so many rows."""
    return KnownRun(
        np.zeros(rows),
        np.zeros(rows),
        np.zeros((rows + 1, 2)),
        np.zeros(rows, np.int64),
        np.zeros(rows),
        np.zeros(rows),
    )


@njit(cache=True)
def taken_over(known: KnownRun, count: int) -> None:
    """The other run, of which so many rows were worked out, is the known one."""
    for place in range(count):
        row = known.ran[place]
        known.state[row], known.lacked[row] = known.ran_state[place], known.ran_lacked[place]
    first = known.ran[0]
    kwh, short = known.before[first]
    for row in range(first, len(known.state)):
        lacked = known.lacked[row]
        kwh += lacked
        short += lacked > 0.0
        known.before[row + 1, 0], known.before[row + 1, 1] = kwh, short


@njit(cache=True)
def shortfall(
    light_kwh: FloatArray, needs: Needs, store: Store, most_kwh: float, most_rows: float
) -> tuple[float, int, float, int]:
    """What loads lack that are all essential, kWh and rows with a shortfall; the state at the end, and how many rows were run.

    light_kwh             (rows,)  delivered light, >= 0
    most_kwh, most_rows   more unserved ends the run
    """
    none = np.zeros((0, 2), np.int64)
    return shortfall_beside(light_kwh, needs, store, most_kwh, most_rows, none, known_run(0))


@njit(cache=True)
def shortfall_beside(
    light_kwh: FloatArray,
    needs: Needs,
    store: Store,
    most_kwh: float,
    most_rows: float,
    changed: Places,
    known: KnownRun,
) -> tuple[float, int, float, int]:
    """The same of a run beside a known one: rows between those in which they differ are passed over once their states are the same.

    changed   (n + 1, 2)  from which row to before which light differs, rising, with the number of rows twice at the end;
              or none (0, 2), and all are run
    """
    asked, direct, stored = needs.asked_kwh, needs.direct_efficiency, needs.store_efficiency
    light_order, store_order = needs.turns.light_order, needs.turns.store_order
    rows, count = asked.shape
    rounding, per_direct = SLACK * needs.gathered_kwh[rows], 1.0 / direct
    keep, least, fades = store.keep, store.least, store.fade_per_row > 0.0 or store.fade_per_kwh > 0.0
    # what enters and leaves, as it counts in the state at the end of the row
    take_in, most_in = store.take_in * store.fill, store.enter_kwh / store.enter * store.take_in * store.fill
    most_out, per_stored = store.leave_kwh / store.hand_out * store.fill, np.zeros(count)
    place_of = np.zeros(count, np.int64)
    for place in range(count):
        place_of[light_order[place]] = place
        if stored[place] > 0.0:
            per_stored[place] = store.fill / (store.hand_out * stored[place])
    capacity, state, cycled_kwh = store.capacity_kwh, store.start_kwh, 0.0
    unserved, unserved_rows, t, ran, at = 0.0, 0, 0, 0, 0
    beside = len(changed) > 0
    of_state, before = known.state, known.before
    into, into_state, into_lacked = known.ran, known.ran_state, known.ran_lacked
    if beside and changed[0, 0] > 0:
        t = changed[0, 0]
        state, unserved, unserved_rows = of_state[t - 1], before[t, 0], int(before[t, 1])
    while t < rows:
        light, kept = light_kwh[t], state * keep
        if fades:
            fade = store.fade_per_row * t + store.fade_per_kwh * cycled_kwh
            capacity = store.capacity_kwh * max(1.0 - fade, 0.0)
            kept = min(kept, capacity)
        # loads before this place are served by light alone, it takes what is left, those behind get none
        last = 0
        while last < count:
            j = light_order[last]
            if light * direct[j] < asked[t, j]:
                break
            light -= asked[t, j] * per_direct[j]
            last += 1
        missing = 0.0
        if last == count:
            state = min(kept + min(light * take_in, most_in), capacity)
        else:
            most, drawn = min(max(kept - least * capacity, 0.0), most_out), 0.0
            for place in range(count):
                j = store_order[place]
                if place_of[j] < last:
                    continue
                lack, per = asked[t, j], per_stored[j]
                if place_of[j] == last:
                    lack -= light * direct[j]
                if per > 0.0:
                    wanted = lack * per
                    if drawn + wanted <= most:
                        drawn += wanted
                        continue
                    lack -= (most - drawn) / per
                    drawn = most
                if lack > rounding[j]:
                    missing += lack
            # an emptied store ends at zero, not at minus a rounding
            state = max(kept - drawn, 0.0)
            cycled_kwh += drawn / store.fill
            if missing > 0.0:
                unserved += missing
                unserved_rows += 1
        ran, t = ran + 1, t + 1
        if beside:
            into[ran - 1], into_state[ran - 1], into_lacked[ran - 1] = t - 1, state, missing
            while changed[at, 1] <= t < rows:
                at += 1
            if abs(state - of_state[t - 1]) <= SLACK * capacity:
                following = max(t, changed[at, 0]) if t < rows else rows
                unserved += before[following, 0] - before[t, 0]
                unserved_rows += int(before[following, 1] - before[t, 1])
                t, state = following, of_state[following - 1]
        if (missing > 0.0 or beside) and (unserved > most_kwh or unserved_rows > most_rows):
            break
    return unserved, unserved_rows, state, ran


@njit(cache=True)
def _shortfalls(light_kwh: FloatArray, needs: Needs, store: Store) -> FloatArray:
    """Of several runs, (n, rows), what they lack in kWh, (n,)."""
    found = np.empty(len(light_kwh))
    for run_of in range(len(light_kwh)):
        found[run_of] = shortfall(light_kwh[run_of], needs, store, np.inf, np.inf)[0]
    return found


@njit(cache=True)
def lit_stretches(light_kwh: FloatArray) -> tuple[Places, Places]:
    """From which row to before which facings have light, (n, 2), one facing after the other, and where each begins, (facings + 1,)."""
    found, first = [(0, 0) for _ in range(0)], np.zeros(len(light_kwh) + 1, np.int64)
    for place in range(len(light_kwh)):
        begun = -1
        for t in range(light_kwh.shape[1] + 1):
            lit = t < light_kwh.shape[1] and light_kwh[place, t] > 0.0
            if lit and begun < 0:
                begun = t
            elif not lit and begun >= 0:
                found.append((begun, t))
                begun = -1
        first[place + 1] = len(found)
    stretches = np.empty((len(found), 2), np.int64)
    for number, (begun, ended) in enumerate(found):
        stretches[number, 0], stretches[number, 1] = begun, ended
    return stretches, first


@njit(cache=True)
def either(one: Places, other: Places, rows: int, into: Places) -> int:
    """Stretches (n, 2) in either of two rising lists of them, rising, put down with the end of all rows behind; how many."""
    a, b, count = 0, 0, 0
    while a < len(one) or b < len(other):
        if b == len(other) or (a < len(one) and one[a, 0] <= other[b, 0]):
            begun, ended = one[a]
            a += 1
        else:
            begun, ended = other[b]
            b += 1
        if count > 0 and begun <= into[count - 1, 1]:
            into[count - 1, 1] = max(into[count - 1, 1], ended)
        else:
            into[count, 0], into[count, 1] = begun, ended
            count += 1
    into[count] = rows
    return count
