"""The smallest store that any dispatch could do with, every row of the run known beforehand: a linear programme.

    least C   with   E[t+1] = keep E[t] + fill (take_in c[t] - sum_j f[t,j] / (store_j hand_out)),   E[last] = E[first]
                     least C <= E[t] <= C,   sum_j l[t,j] / direct_j + c[t] <= light[t],   l[t,j] + f[t,j] <= asked[t,j]
                     sum (l + f) >= reliability * sum asked,   limits of charging and discharging

over the counted loads alone (nothing is kept for others), c light that charges, l and f what loads get directly
and out of the store. Rows whose light covers all that is asked serve it directly: where light is worth no less
directly than through the store this costs nothing. Loads alike are taken together.

Solved with HiGHS (Q. Huangfu, J. A. J. Hall, "Parallelizing the dual revised simplex method", Math. Prog. Comp. 10,
2018) through scipy.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.dispatch import Needs, Store, alike_together, some_of, store_of
from yieldsim.planning.habitat.reliability import counted
from yieldsim.planning.habitat.sizing import Case

MOST_ROWS = 20_000
"""Longer runs would keep a budget waiting for the programme."""
LONGEST_S = 20.0
Places = NDArray[np.int64]


def foresight_storage_kwh(case: Case) -> float | None:
    """The capacity, kWh; None where it is not to be had: by hours (no linear measure), too many rows, no solution,
    or a load that gets more from light through the store than directly.
    """
    needs = case.needs_of(case.units)
    needs = some_of(needs, counted(needs))
    store = store_of(case.storage, case.row_hours)
    through = store.take_in * store.hand_out * needs.store_efficiency
    if (
        case.measure != "energy"
        or len(case.light_kwh) > MOST_ROWS
        or (through > needs.direct_efficiency * (1.0 + 1e-9)).any()
    ):
        return None
    return _solved(case.light_kwh, alike_together(needs), store, case.reliability)


def _solved(
    light_kwh: FloatArray, needs: Needs, store: Store, reliability: float, *, merged: bool = True
) -> float | None:
    """merged   rows in which light covers all become one as long as they follow each other, what they charge together their one
    variable: a wider programme, whose answer holds where their own rows can reach the levels at its ends
    """
    from scipy.optimize import linprog
    from scipy.sparse import coo_array

    asked, direct, stored = needs.asked_kwh, needs.direct_efficiency, needs.store_efficiency
    surplus = light_kwh - (asked / direct).sum(axis=1)
    ample = surplus >= 0.0
    row, load = np.nonzero((asked > 0.0) & ~ample[:, None])
    sun = light_kwh[row] > 0.0
    able = stored[load] > 0.0
    charge = np.minimum(np.where(ample, surplus, light_kwh), store.enter_kwh / store.enter)
    first = np.flatnonzero(np.append(True, ~(merged & ample[1:] & ample[:-1])))
    ends = np.append(first[1:], len(ample))
    block = np.repeat(np.arange(len(first)), ends - first)
    # what is charged early stands longer
    most_charge = np.add.reduceat(charge * store.keep ** (ends[block] - 1 - np.arange(len(ample))), first)
    rows, row = len(first), block[row]
    # variables: C, E (rows), c (rows), l (dim pairs with light), f (dim pairs that the store serves)
    dim_l, dim_f = np.flatnonzero(sun), np.flatnonzero(able)
    at_e, at_c, at_l = 1, 1 + rows, 1 + 2 * rows
    at_f = at_l + len(dim_l)
    count = at_f + len(dim_f)
    step = np.arange(rows)
    balance = coo_array(
        (
            np.concatenate(
                [
                    np.ones(rows),
                    -(store.keep ** (ends - first)),
                    np.full(rows, -store.fill * store.take_in),
                    store.fill / (stored[load[dim_f]] * store.hand_out),
                ]
            ),
            (
                np.concatenate([step, step, step, row[dim_f]]),
                np.concatenate(
                    [at_e + step, at_e + (step - 1) % rows, at_c + step, at_f + np.arange(len(dim_f))]
                ),
            ),
        ),
        shape=(rows, count),
    )
    parts: list[tuple[FloatArray, Places, Places]] = []
    bounds_above: list[FloatArray] = []
    used = 0

    def limit(value: FloatArray, at_row: Places, at_column: Places, most: FloatArray) -> None:
        nonlocal used
        parts.append((value, at_row + used, at_column))
        bounds_above.append(most)
        used += len(most)

    both, twice = np.concatenate([step, step]), np.concatenate([at_e + step, np.zeros(rows, np.int64)])
    limit(np.repeat([1.0, -1.0], rows), both, twice, np.zeros(rows))
    if store.least > 0.0:
        limit(np.repeat([-1.0, store.least], rows), both, twice, np.zeros(rows))
    dim = np.flatnonzero(~ample & (light_kwh > 0.0))
    place = np.full(rows, -1)
    place[block[dim]] = np.arange(len(dim))
    limit(
        np.concatenate([1.0 / direct[load[dim_l]], np.ones(len(dim))]),
        np.concatenate([place[row[dim_l]], np.arange(len(dim))]),
        np.concatenate([at_l + np.arange(len(dim_l)), at_c + block[dim]]),
        light_kwh[dim],
    )
    pair = np.concatenate([dim_l, dim_f])
    limit(np.ones(len(pair)), pair, at_l + np.arange(len(pair)), asked[first[row], load])
    if math.isfinite(store.leave_kwh):
        limit(
            1.0 / stored[load[dim_f]],
            row[dim_f],
            at_f + np.arange(len(dim_f)),
            np.full(rows, store.leave_kwh),
        )
    needed = reliability * float(asked.sum()) - float(asked[ample].sum())
    limit(
        -np.ones(len(pair)), np.zeros(len(pair), np.int64), at_l + np.arange(len(pair)), np.array([-needed])
    )
    value, at_row, at_column = (np.concatenate(column) for column in zip(*parts, strict=True))
    upper = np.full(count, np.inf)
    upper[at_c : at_c + rows] = most_charge
    cost = np.zeros(count)
    cost[0] = 1.0
    found = linprog(
        cost,
        A_ub=coo_array((value, (at_row, at_column)), shape=(used, count)).tocsr(),
        b_ub=np.concatenate(bounds_above),
        A_eq=balance.tocsr(),
        b_eq=np.zeros(rows),
        bounds=np.stack([np.zeros(count), upper], axis=1),
        method="highs",
        options={"time_limit": LONGEST_S},
    )
    if found.status != 0:
        return None
    gain = store.fill * store.take_in * charge
    if merged and not _reachable(found.x[0], found.x[at_e : at_e + rows], first, gain, store):
        return _solved(light_kwh, needs, store, reliability, merged=False)
    return max(float(found.x[0]), 0.0)


def _reachable(capacity: float, levels: FloatArray, first: Places, gain: FloatArray, store: Store) -> bool:
    """Whether blocks of rows that only charge can take a store from each level to the next, between its least and its capacity.

    levels, first   (blocks,)  at their ends, and their first rows
    gain            (rows,)  what each row can add

    What can be reached after each row is all between a lowest and a highest level.
    """
    close, least = 1e-9 * max(capacity, 1e-9), store.least * capacity
    for block in np.flatnonzero(np.diff(np.append(first, len(gain))) > 1):
        low = high = levels[block - 1]
        for more in gain[first[block] : first[block + 1] if block + 1 < len(first) else None]:
            low, high = max(store.keep * low, least), min(store.keep * high + more, capacity)
            if high < least - close:
                return False
        if not low - close <= levels[block] <= high + close:
            return False
    return True
