"""Who is served first, by a rule that does not ask for the order of a file.

Loads come by priority, then by the rank that the file may give them, then

    light   to whom each unit of it spares the store most: largest direct / store efficiency, loads that the
            store can't serve first of all
    store   to whom makes most of each unit out of it: largest store efficiency

and loads alike in all of this (and, if they can wait, in how long) share what there is in the same
proportion of what they lack.

Where all loads have one rank the first rule leaves the least for the store to give in each row, so that the
state of the store is never below that of any other dispatch which serves the same loads in full (as long as
no load gets more from light through the store than directly): what it can't serve wholly, no foresight could.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

ALIKE = 1e-12
"""Efficiencies closer than this share are the same."""


class Turns(NamedTuple):
    """Two orders of loads, each as places (loads,) and the number of the turn that each of those places has."""

    light_order: NDArray[np.int64]
    light_turn: NDArray[np.int64]
    store_order: NDArray[np.int64]
    store_turn: NDArray[np.int64]


def turns_of(
    priority: NDArray[np.int64],
    file_rank: NDArray[np.int64],
    direct_efficiency: FloatArray,
    store_efficiency: FloatArray,
    window_rows: NDArray[np.int64],
) -> Turns:
    """Turns of loads, (loads,) each.

    file_rank   lower goes first within a priority
    """
    spared = np.full(len(priority), np.inf)
    np.divide(direct_efficiency, store_efficiency, out=spared, where=store_efficiency > 0.0)
    rows = range(len(priority))
    light: list[tuple[float, ...]] = [
        (int(priority[j]), int(file_rank[j]), -spared[j], -direct_efficiency[j], int(window_rows[j]))
        for j in rows
    ]
    store: list[tuple[float, ...]] = [
        (int(priority[j]), int(file_rank[j]), -store_efficiency[j], int(window_rows[j])) for j in rows
    ]
    return Turns(*_turns(light), *_turns(store))


def _turns(keys: list[tuple[float, ...]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Places in the order of their keys, and a number for each that rises where the key does."""
    order = sorted(range(len(keys)), key=keys.__getitem__)
    number, turn = 0, []
    for place, load in enumerate(order):
        if place and not np.allclose(keys[load], keys[order[place - 1]], rtol=ALIKE, atol=0.0):
            number += 1
        turn.append(number)
    return np.array(order, dtype=np.int64), np.array(turn, dtype=np.int64)


@njit(cache=True)
def hand_round(
    available: float,
    wanted: FloatArray,
    per_unit: FloatArray,
    order: NDArray[np.int64],
    turn: NDArray[np.int64],
    priority: NDArray[np.int64],
    which: int,
    given: FloatArray,
) -> float:
    """Hand what is available to the loads of one priority, turn after turn; what was taken of it.

    wanted     (loads,)  useful energy lacking
    per_unit   (loads,)  useful energy per unit handed out; loads that make nothing of it get none
    given      (loads,)  useful energy handed to loads of this priority, overwritten; others are left alone
    """
    count = order.shape[0]
    taken = 0.0
    first = 0
    while first < count:
        last = first
        total = 0.0
        while last < count and turn[last] == turn[first]:
            j = order[last]
            if priority[j] == which:
                given[j] = 0.0
                if per_unit[j] > 0.0 and wanted[j] > 0.0:
                    total += wanted[j] / per_unit[j]
            last += 1
        left = max(available - taken, 0.0)
        if total > 0.0 and left > 0.0:
            share = 1.0 if total <= left else left / total
            for place in range(first, last):
                j = order[place]
                if priority[j] == which and per_unit[j] > 0.0 and wanted[j] > 0.0:
                    given[j] = wanted[j] * share
            taken = taken + total if total <= left else available
        first = last
    return taken
