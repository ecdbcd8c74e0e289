"""Whole units by annealing: its dispatch against that of budgets, its sets against all that there are."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.planning.habitat.dispatch import dispatch, store_of
from yieldsim.planning.system.annealing import Dispatched, near_number, run_once
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.planning.system.terms import Prices
from yieldsim.planning.system.whole_units import all_sets


@pytest.mark.parametrize(
    "case",
    [
        {"least": 0.0},
        {"loss": 0.0},
        {"least": 0.0, "shield_w": 0.4},
        {"least": 0.0, "charge_power_w": 1.2, "discharge_power_w": 0.6},
    ],
    ids=["no least state", "no losses", "shields", "limits"],
)
def test_a_run_lacks_what_the_dispatch_lacks(place, case):
    one = place(seed=2, asked_w=0.9, **case)
    serving, capacity, units = one.serving, 0.015, 3
    light = one.light_kwh[:, [1, 4, 7]].sum(axis=1)
    terms = serving.terms(repeats=True)
    rows = terms.rows
    needs = serving.needs_of(units)
    new = replace(serving.storage, fade_per_year=0.0, fade_per_cycle=0.0)
    flows = dispatch(light, needs, store_of(new, 1.0, capacity)._replace(start_kwh=capacity))
    expected = flows.unserved[:rows].sum()
    none = np.zeros(len(light))
    start = terms.usable[0] * capacity
    short, state = run_once(light, none, none, units, capacity, start, np.inf, Dispatched.of(terms))
    assert expected > 0.0
    assert short == pytest.approx(expected, rel=1e-9)
    floor = new.least_fraction * capacity
    assert state == pytest.approx(flows.stored[rows - 1] - floor, abs=1e-9 * capacity)


@pytest.mark.parametrize("seed", range(6))
def test_few_units_come_out_as_the_best_of_all_sets(place, seed):
    prices = Prices(per_unit=0.3, per_kwh=20.0, most_units=4.0)
    one = place(seed=seed, asked_w=0.45)
    best = all_sets(one.sunlight.candidates, one.light_kwh, one.serving, prices, 0.0)
    terms = one.serving.terms(repeats=True)
    split = relaxed(one.sunlight, terms, prices, turning=False)
    found = near_number(split, one.serving, prices, terms, one.sunlight)
    assert math.isfinite(best.cost)
    assert found[0].cost == pytest.approx(best.cost, rel=1e-12)
    assert found[0].capacity_kwh == best.capacity_kwh
