"""Dispatch held to the best that any dispatch could do, by linear programmes solved with HiGHS (through scipy)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import lil_matrix

from yieldsim.base.load_model import Storage
from yieldsim.planning.habitat.dispatch import (
    DEFERRABLE,
    ESSENTIAL,
    SHEDDABLE,
    Needs,
    Store,
    dispatch,
    needs_from,
    store_of,
)
from yieldsim.planning.habitat.foresight import _reachable, _solved, foresight_storage_kwh
from yieldsim.planning.habitat.sizing import Case, case_of, smallest_storage_kwh

ROWS = 48
SEEDS = range(16)


def best_served(light: np.ndarray, needs: Needs, store: Store, weight: np.ndarray) -> float:
    """Largest weighted sum of served energy over all dispatches, every row known beforehand.

    Variables by row: direct (loads), drawn for each load (loads), charged, stored at the end. Deferrable
    loads may be served at any time from when they ask to the end of their window: sums, not single requests,
    so an upper bound.
    """
    rows, loads = needs.asked_kwh.shape
    width = 2 * loads + 2
    count = rows * width

    def at(row: int, place: int) -> int:
        return row * width + place

    charged, stored = 2 * loads, 2 * loads + 1
    balance, limits, most = lil_matrix((rows, count)), [], []
    right = np.zeros(rows)
    upper = np.full(count, np.inf)
    for t in range(rows):
        # state: E1 = keep E0 + fill (take_in c - sum drawn / hand_out)
        balance[t, at(t, stored)] = 1.0
        balance[t, at(t, charged)] = -store.fill * store.take_in
        for j in range(loads):
            upper[at(t, loads + j)] = np.inf if needs.store_efficiency[j] > 0.0 else 0.0
            if needs.store_efficiency[j] > 0.0:
                balance[t, at(t, loads + j)] = store.fill / store.hand_out
        if t > 0:
            balance[t, at(t - 1, stored)] = -store.keep
        else:
            right[t] = store.keep * store.start_kwh
        upper[at(t, stored)] = store.capacity_kwh
        upper[at(t, charged)] = store.enter_kwh / store.enter
        row = {at(t, charged): 1.0} | {at(t, j): 1.0 / needs.direct_efficiency[j] for j in range(loads)}
        limits.append(row)
        most.append(light[t])
        limits.append({at(t, loads + j): 1.0 for j in range(loads)})
        most.append(store.leave_kwh)
        for j in range(loads):
            now = {at(t, j): 1.0, at(t, loads + j): needs.store_efficiency[j]}
            if needs.rank[j] == DEFERRABLE:
                before = {key: v for u in range(t + 1) for key, v in _both(at, u, j, loads, needs).items()}
                after = {key: v for u in range(t, rows) for key, v in _both(at, u, j, loads, needs).items()}
                limits.append(before)
                most.append(needs.gathered_kwh[t + 1, j])
                limits.append(after)
                still = max(t - int(needs.window_rows[j]), 0)
                most.append(needs.gathered_kwh[rows, j] - needs.gathered_kwh[still, j])
                limits.append(now)
                most.append(min(needs.most_kwh[j], 1e9))
            else:
                limits.append(now)
                most.append(needs.asked_kwh[t, j])
    matrix = lil_matrix((len(limits), count))
    for number, row in enumerate(limits):
        for place, value in row.items():
            matrix[number, place] = value
    gain = np.zeros(count)
    for t in range(rows):
        for j in range(loads):
            gain[at(t, j)] = -weight[j]
            gain[at(t, loads + j)] = -weight[j] * needs.store_efficiency[j]
    lower = np.zeros(count)
    for t in range(rows):
        lower[at(t, stored)] = store.least * store.capacity_kwh if store.least else 0.0
    finite = np.array([value < math.inf for value in most])
    found = linprog(
        gain,
        A_ub=matrix.tocsr()[finite],
        b_ub=np.array(most)[finite],
        A_eq=balance.tocsr(),
        b_eq=right,
        bounds=np.stack([lower, upper], axis=1),
        method="highs",
    )
    assert found.status == 0, found.message
    return -float(found.fun)


def _both(at: object, row: int, load: int, loads: int, needs: Needs) -> dict[int, float]:
    assert callable(at)
    return {at(row, load): 1.0, at(row, loads + load): float(needs.store_efficiency[load])}


def a_case(seed: int, ranks: list[int]) -> tuple[np.ndarray, Needs, Storage]:
    """Light of broken days, loads that come and go, a store with every loss and limit."""
    rng = np.random.default_rng(seed)
    day = np.sin(np.arange(ROWS) / 24.0 * 2.0 * np.pi) > rng.uniform(-0.4, 0.4)
    light = np.where(day, rng.uniform(0.5, 6.0, ROWS), 0.0) * (rng.uniform(size=ROWS) > 0.2)
    asked = rng.uniform(0.0, 1.5, (ROWS, len(ranks))) * (rng.uniform(size=(ROWS, len(ranks))) > 0.3)
    storage = Storage(
        capacity_kwh=float(rng.uniform(1.0, 15.0)),
        converter_efficiency=float(rng.uniform(0.3, 1.0)),
        charge_efficiency=float(rng.uniform(0.7, 1.0)),
        discharge_efficiency=float(rng.uniform(0.7, 1.0)),
        charge_power_w=float(rng.uniform(500.0, 4000.0)) if seed % 2 else None,
        discharge_power_w=float(rng.uniform(300.0, 2000.0)) if seed % 3 else None,
        standing_loss_per_day=float(rng.uniform(0.0, 0.05)),
        initial_fraction=float(rng.uniform(0.0, 1.0)),
    )
    from_store = rng.uniform(0.4, 1.2, len(ranks)) * (rng.uniform(size=len(ranks)) > 0.15)
    through = (
        storage.converter_efficiency * storage.charge_efficiency * storage.discharge_efficiency * from_store
    )
    # the way through the store is never the better one: loads that gain by it are named in a warning
    needs = needs_from(
        asked,
        np.maximum(rng.uniform(0.3, 1.0, len(ranks)), through),
        from_store,
        np.array(ranks),
        np.where(np.array(ranks) == DEFERRABLE, rng.integers(0, 12, len(ranks)), 0),
        np.where(np.array(ranks) == DEFERRABLE, rng.uniform(0.5, 4.0, len(ranks)), np.inf),
    )
    return light, needs, storage


def served(needs: Needs, flows: object) -> np.ndarray:
    return np.asarray((flows.direct + flows.from_store).sum(axis=0))  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", SEEDS)
def test_one_load_gets_all_that_any_dispatch_could_give(seed: int) -> None:
    """Serving now never costs more later than it gives: for one load the rule of the rows is the optimum."""
    light, needs, storage = a_case(seed, [ESSENTIAL])
    store = store_of(storage, 1.0)
    best = best_served(light, needs, store, np.ones(1))
    # HiGHS solves to 1e-7
    assert served(needs, dispatch(light, needs, store))[0] == pytest.approx(best, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_with_the_whole_store_in_reserve_others_take_nothing_from_the_essential_load(seed: int) -> None:
    light, needs, storage = a_case(seed, [ESSENTIAL, DEFERRABLE, SHEDDABLE])
    store = store_of(storage, 1.0)._replace(reserve=1.0)
    best = best_served(light, needs, store, np.array([1.0, 0.0, 0.0]))
    assert served(needs, dispatch(light, needs, store))[0] == pytest.approx(best, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("reserve", [0.0, 0.4, 1.0])
def test_no_dispatch_beats_the_bound(seed: int, reserve: float) -> None:
    light, needs, storage = a_case(seed, [ESSENTIAL, ESSENTIAL, DEFERRABLE, SHEDDABLE])
    store = store_of(storage, 1.0)._replace(reserve=reserve)
    weight = np.array([100.0, 100.0, 10.0, 1.0])
    best = best_served(light, needs, store, weight)
    reached = float(served(needs, dispatch(light, needs, store)) @ weight)
    assert reached <= best * (1.0 + 1e-7) + 1e-6
    if reserve == 1.0:
        # and the rule is no straw man
        assert reached >= 0.85 * best


# ---------------------------------------------------------------- sizes


def sized(seed: int, reliability: float, ranks: list[int], reserve: float = 1.0) -> Case:
    """Twenty such days with light enough, no limit on charging."""
    rows = 24 * 20
    rng = np.random.default_rng(seed)
    day = np.arange(rows) % 24 < 12
    light = np.where(day, rng.uniform(4.0, 16.0, rows), 0.0) * np.repeat(rng.uniform(0.2, 1.0, 20), 24)
    asked = rng.uniform(0.0, 1.0, (rows, len(ranks))) * (rng.uniform(size=(rows, len(ranks))) > 0.3)
    storage = Storage(
        capacity_kwh=1.0, converter_efficiency=0.6, charge_efficiency=0.9, discharge_efficiency=0.9,
        standing_loss_per_day=0.01, reserve_fraction=reserve,
    )  # fmt: skip
    stored = rng.uniform(0.5, 1.2, len(ranks))
    stored[-1] = stored[-1] if len(ranks) < 3 else 0.0
    direct = np.maximum(rng.uniform(0.3, 1.0, len(ranks)), 0.6 * 0.81 * stored)
    needs = needs_from(asked, direct, stored, np.array(ranks))
    clock = (np.arange(rows) + 0.5) % 24.0
    return case_of(light, 1, needs, storage, clock, 1.0, reliability, "energy")


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("loads", [1, 2])
def test_the_rule_needs_no_larger_store_than_foresight_where_all_is_served(seed: int, loads: int) -> None:
    """Essential loads of unlike efficiencies, served in full: light where it spares the store most is the optimum."""
    case = sized(seed, 1.0, [ESSENTIAL] * loads)
    rule, best = smallest_storage_kwh(case, 1), foresight_storage_kwh(case)
    assert (rule is None) == (best is None)
    if rule is not None and best is not None:
        # the rule's size is found to 1e-6, a state that repeats to 1e-7 of it
        assert rule == pytest.approx(best, rel=1e-5)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("reliability", [0.95, 0.8])
def test_foresight_is_a_bound_where_less_is_served(seed: int, reliability: float) -> None:
    case = sized(seed, reliability, [ESSENTIAL, ESSENTIAL])
    rule, best = smallest_storage_kwh(case, 1), foresight_storage_kwh(case)
    assert best is not None
    assert rule is not None
    assert best <= rule * (1.0 + 1e-6)
    # and the rule is no straw man
    assert rule <= 1.6 * best


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("least", "loss_per_day"), [(0.0, 0.01), (0.3, 0.3), (0.6, 0.1)])
def test_rows_of_plenty_merged_give_the_same_store(seed: int, least: float, loss_per_day: float) -> None:
    """A high least level that leaks fast: some levels can't be reached row by row, and the rows are then told apart again."""
    case = sized(seed, 0.9, [ESSENTIAL, ESSENTIAL])
    storage = replace(case.storage, least_fraction=least, standing_loss_per_day=loss_per_day)
    store = store_of(storage, 1.0)
    merged, apart = (
        _solved(case.light_kwh, case.needs, store, case.reliability, merged=merged)
        for merged in (True, False)
    )
    # HiGHS solves to 1e-7
    assert merged == (None if apart is None else pytest.approx(apart, rel=1e-6))


def test_levels_of_merged_rows_are_reached_row_by_row() -> None:
    store = store_of(None, 1.0)._replace(keep=0.5, least=0.25)
    first, gain = np.array([0, 1]), np.array([0.0, 0.1, 2.0])
    # from 4 of 4: 2 and what is added, then half of that and 2 more; never under 1
    assert _reachable(4.0, np.array([4.0, 2.9]), first, gain, store)
    assert not _reachable(4.0, np.array([4.0, 3.2]), first, gain, store), "more than there is"
    assert not _reachable(4.0, np.array([4.0, 0.9]), first, gain, store), "below the least"
    assert not _reachable(4.0, np.array([1.0, 2.0]), first, gain, store), "under the least on the way"


def test_foresight_agrees_with_a_programme_written_out() -> None:
    """Every variable of every row, none taken for granted: against the short form."""
    case = sized(3, 0.7, [ESSENTIAL, ESSENTIAL, ESSENTIAL])
    needs, store = case.needs, store_of(case.storage, 1.0)
    rows, loads = needs.asked_kwh.shape
    width = 2 * loads + 2
    count = rows * width + 1
    balance, limits = lil_matrix((rows, count)), lil_matrix((rows * (loads + 2) + 1, count))
    right, upper = [], np.full(count, np.inf)
    line = 0
    for t in range(rows):
        at, before = t * width, (t - 1) % rows * width
        balance[t, at + 2 * loads + 1] = 1.0
        balance[t, before + 2 * loads + 1] = -store.keep
        balance[t, at + 2 * loads] = -store.fill * store.take_in
        limits[line, at + 2 * loads] = 1.0
        for j in range(loads):
            limits[line, at + j] = 1.0 / needs.direct_efficiency[j]
            if needs.store_efficiency[j] > 0.0:
                balance[t, at + loads + j] = store.fill / (store.hand_out * needs.store_efficiency[j])
            else:
                upper[at + loads + j] = 0.0
        right.append(case.light_kwh[t])
        line += 1
        for j in range(loads):
            limits[line, at + j] = limits[line, at + loads + j] = 1.0
            right.append(needs.asked_kwh[t, j])
            line += 1
            limits[rows * (loads + 2), at + j] = limits[rows * (loads + 2), at + loads + j] = -1.0
        limits[line, at + 2 * loads + 1] = 1.0
        limits[line, count - 1] = -1.0
        right.append(0.0)
        line += 1
    right.append(-0.7 * float(needs.asked_kwh.sum()))
    cost = np.zeros(count)
    cost[-1] = 1.0
    found = linprog(
        cost, A_ub=limits.tocsr(), b_ub=right, A_eq=balance.tocsr(), b_eq=np.zeros(rows),
        bounds=np.stack([np.zeros(count), upper], axis=1), method="highs",
    )  # fmt: skip
    assert found.status == 0
    assert found.x[-1] > 1.0
    # HiGHS solves to 1e-7
    assert foresight_storage_kwh(case) == pytest.approx(float(found.x[-1]), rel=1e-6)
