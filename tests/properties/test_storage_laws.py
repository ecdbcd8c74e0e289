"""Laws of the dispatch: nothing is made or lost, priorities hold, more light, store or units never serve less."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.base.load_model import Storage
from yieldsim.planning.habitat.dispatch import (
    DEFERRABLE,
    ESSENTIAL,
    SHEDDABLE,
    Flows,
    Needs,
    Store,
    dispatch,
    needs_from,
    store_of,
)
from yieldsim.planning.habitat.shortfall import tally, unserved_kwh

SHARE = st.floats(0.0, 1.0)
EFFICIENCY = st.floats(0.05, 1.0)


@st.composite
def cases(draw: st.DrawFn) -> tuple[np.ndarray, Needs, Store]:
    rows, loads = draw(st.integers(1, 40)), draw(st.integers(1, 4))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    size = 10.0 ** rng.uniform(-6.0, 4.0)
    light = size * rng.uniform(0.0, 3.0, rows) * (rng.uniform(size=rows) < draw(SHARE))
    asked = size * rng.uniform(0.0, 1.0, (rows, loads)) * (rng.uniform(size=(rows, loads)) < draw(SHARE))
    least = draw(st.floats(0.0, 0.9))
    storage = Storage(
        capacity_kwh=draw(st.sampled_from([0.0, 0.5, 5.0, 50.0])) * size,
        converter_efficiency=draw(EFFICIENCY),
        charge_efficiency=draw(EFFICIENCY),
        discharge_efficiency=draw(EFFICIENCY),
        charge_power_w=draw(st.sampled_from([None, 700.0 * size])),
        discharge_power_w=draw(st.sampled_from([None, 300.0 * size])),
        standing_loss_per_day=draw(st.sampled_from([0.0, 0.01, 0.5])),
        least_fraction=least,
        initial_fraction=draw(st.floats(least, 1.0)),
        reserve_fraction=draw(st.floats(least, 1.0)),
        fade_per_cycle=draw(st.sampled_from([0.0, 0.01])),
        fade_per_year=draw(st.sampled_from([0.0, 0.5])),
    )
    needs = needs_from(
        asked,
        rng.uniform(0.05, 1.0, loads),
        rng.uniform(0.05, 2.0, loads) * rng.integers(0, 2, loads),
        rng.integers(0, 3, loads),
        rng.integers(0, 8, loads),
        np.where(rng.uniform(size=loads) < 0.5, np.inf, size * rng.uniform(0.1, 2.0, loads)),
        rng.integers(1, 3, loads),
    )
    return light, needs, store_of(storage, draw(st.sampled_from([0.25, 1.0, 24.0])))


@settings(max_examples=300, deadline=None)
@given(cases())
def test_nothing_is_made_or_lost(case: tuple[np.ndarray, Needs, Store]) -> None:
    light, needs, store = case
    flows = dispatch(light, needs, store)
    scale = max(float(light.sum()), float(needs.asked_kwh.sum()), store.capacity_kwh, 1e-300)
    used = (flows.direct / needs.direct_efficiency).sum(axis=1)
    # sums of some tens of terms: a few dozen roundings
    np.testing.assert_allclose(used + flows.charging + flows.curtailed, light, rtol=1e-12, atol=1e-13 * scale)
    before = np.concatenate([[store.start_kwh], flows.stored[:-1]])
    change = flows.charging * store.take_in - flows.drawn / store.hand_out - flows.lost
    np.testing.assert_allclose(flows.stored - before, change, rtol=0.0, atol=1e-12 * scale)
    out = np.divide(
        flows.from_store,
        needs.store_efficiency,
        out=np.zeros_like(flows.direct),
        where=needs.store_efficiency > 0.0,
    )
    np.testing.assert_allclose(out.sum(axis=1), flows.drawn, rtol=1e-12, atol=1e-13 * scale)
    total = flows.direct + flows.from_store + flows.unserved
    np.testing.assert_allclose(total.sum(axis=0), needs.asked_kwh.sum(axis=0), rtol=1e-10, atol=1e-12 * scale)
    now = needs.rank != DEFERRABLE
    np.testing.assert_allclose(total[:, now], needs.asked_kwh[:, now], rtol=1e-10, atol=1e-12 * scale)


@settings(max_examples=300, deadline=None)
@given(cases())
def test_limits_and_order_hold(case: tuple[np.ndarray, Needs, Store]) -> None:
    light, needs, store = case
    flows = dispatch(light, needs, store)
    slack = 1e-9 * max(float(light.sum()), float(needs.asked_kwh.sum()), store.capacity_kwh, 1e-300)
    for part in flows:
        assert (part >= -slack).all()
    assert (flows.stored <= flows.capacity + slack).all()
    assert (flows.charging * store.enter <= store.enter_kwh + slack).all()
    assert (flows.drawn <= store.leave_kwh + slack).all()
    assert not ((flows.charging > slack) & (flows.drawn > slack)).any()
    lacking = (flows.unserved * (needs.rank == ESSENTIAL)).sum(axis=1) > slack
    others = needs.rank != ESSENTIAL
    # in a row that fails an essential load, nothing is curtailed or stored, and no other load gets light or storage
    assert (flows.curtailed[lacking] <= slack).all()
    assert (flows.charging[lacking] <= slack).all()
    assert (flows.direct[lacking][:, others] <= slack).all()
    able = (needs.store_efficiency[needs.rank == ESSENTIAL] > 0.0).all()
    if able:
        assert (flows.from_store[lacking][:, others] <= slack).all()


@settings(max_examples=200, deadline=None)
@given(cases(), st.floats(1.0, 4.0))
def test_more_light_never_serves_essential_loads_less(
    case: tuple[np.ndarray, Needs, Store], factor: float
) -> None:
    light, needs, store = case
    # one essential load: with several of unlike efficiencies the first may take what would have served the others better
    needs = needs._replace(rank=np.where(np.arange(len(needs.rank)) == 0, ESSENTIAL, SHEDDABLE))
    store = store._replace(reserve=1.0, fade_per_kwh=0.0)
    slack = 1e-9 * max(float(needs.asked_kwh.sum()), 1e-300)
    less, more = (dispatch(light * by, needs, store) for by in (1.0, factor))
    assert more.unserved[:, 0].sum() <= less.unserved[:, 0].sum() + slack
    fuller = dispatch(light, needs, store._replace(start_kwh=store.capacity_kwh))
    assert fuller.unserved[:, 0].sum() <= less.unserved[:, 0].sum() + slack


@settings(max_examples=100, deadline=None)
@given(cases())
def test_the_short_count_is_that_of_the_whole_run(case: tuple[np.ndarray, Needs, Store]) -> None:
    light, needs, store = case
    flows, count = dispatch(light, needs, store), tally(light, needs, store)
    counted = (
        needs.rank == ESSENTIAL if (needs.rank == ESSENTIAL).any() else np.ones_like(needs.rank, dtype=bool)
    )
    lacking = flows.unserved[:, counted].sum(axis=1)
    assert count.unserved_kwh == pytest.approx(float(lacking.sum()), rel=1e-12, abs=1e-300)
    assert count.unserved_rows == np.count_nonzero(lacking)
    # essential loads alone are followed by another kernel, which rounds otherwise
    assert count.end_kwh == pytest.approx(flows.stored[-1], rel=1e-12, abs=1e-12 * store.capacity_kwh)
    assert unserved_kwh(light[None], needs, store)[0] == pytest.approx(
        float(flows.unserved.sum()), rel=1e-12, abs=1e-300
    )
    if count.unserved_rows > 1:
        stopped = tally(light, needs, store, count.unserved_rows - 1, by_rows=True)
        assert stopped.unserved_rows == count.unserved_rows
        assert stopped.rows <= count.rows


# ---------------------------------------------------------------- a readable twin

twin = run_path(str(Path(__file__).with_name("storage_twin.py")))["twin"]


@settings(max_examples=300, deadline=None)
@given(cases())
def test_the_kernel_agrees_with_its_twin(case: tuple[np.ndarray, Needs, Store]) -> None:
    light, needs, store = case
    scale = max(float(light.sum()), float(needs.asked_kwh.sum()), store.capacity_kwh, 1e-300)
    for name, mine, other in zip(
        Flows._fields, dispatch(light, needs, store), twin(light, needs, store), strict=True
    ):
        # the two add in another order
        np.testing.assert_allclose(mine, other, rtol=1e-9, atol=1e-9 * scale, err_msg=name)
