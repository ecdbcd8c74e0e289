"""Whole units by annealing: its dispatch against that of budgets, its sets against all that there are."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.planning.habitat.dispatch import asking, dispatch, store_of
from yieldsim.planning.habitat.shortfall import known_run, taken_over
from yieldsim.planning.system.annealing import (
    RepeatingCase,
    annealed,
    lacking,
    lacking_beside,
    near_number,
    swept,
)
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.planning.system.terms import Prices
from yieldsim.planning.system.whole_units import all_sets
from yieldsim.runs.design.search import few_near


@pytest.mark.parametrize(
    "case",
    [
        {},
        {"shield_w": 0.4},
        {"charge_power_w": 1.2, "discharge_power_w": 0.6},
        {"measure": "hours"},
    ],
    ids=["energy", "shields", "limits", "hours"],
)
def test_a_run_lacks_what_the_dispatch_lacks(place, case):
    one = place(seed=2, asked_w=0.9, **case)
    serving, capacity, units = one.serving, 0.015, 3
    rows = serving.repeating_rows
    light = np.ascontiguousarray(one.light_kwh[:rows, [1, 4, 7]].sum(axis=1))
    new = replace(serving.storage, fade_per_year=0.0, fade_per_cycle=0.0)
    needs = serving.needs_of(units)
    store = store_of(new, 1.0, capacity)._replace(start_kwh=0.7 * capacity)
    flows = dispatch(light, asking(needs, needs.asked_kwh[:rows]), store)
    short = flows.unserved.sum(axis=1)
    expected = np.count_nonzero(short) if serving.measure == "hours" else short.sum()
    judge = RepeatingCase.of(serving, units)
    found, end = lacking(light, capacity, 0.7 * capacity, np.inf, judge)
    assert expected > judge.allowed > 0.0
    assert found + judge.allowed == pytest.approx(expected, rel=1e-9)
    assert end == pytest.approx(flows.stored[-1], abs=1e-9 * capacity)
    # beside a known run, of which some stretches of light are changed
    known, beside, rng = known_run(rows), light.copy(), np.random.default_rng(5)
    for stretches in ([[0, rows]], [[0, 3], [40, 45]], [[7, 30], [90, 91], [rows - 9, rows]], []):
        for begun, ended in stretches:
            beside[begun:ended] *= rng.random(ended - begun) * 2.0
        changed = np.array([*stretches, [rows, rows]])
        found, ran = lacking_beside(beside, capacity, 0.7 * capacity, np.inf, changed, known, judge)
        assert found == pytest.approx(lacking(beside, capacity, 0.7 * capacity, np.inf, judge)[0], rel=1e-9)
        assert ran <= rows
        taken_over(known, ran)


@pytest.mark.parametrize("seed", range(6))
def test_few_units_come_out_as_the_best_of_all_sets(place, seed):
    prices = Prices(per_unit=0.3, per_kwh=20.0, most_units=4.0)
    one = place(seed=seed, asked_w=0.45)
    best = all_sets(one.sunlight.candidates, one.light_kwh, one.serving, prices, 0.0)
    terms = one.serving.terms(repeats=True)
    split = relaxed(one.sunlight, terms, prices, turning=False)
    found = near_number(split, one.serving, prices, one.sunlight)
    assert math.isfinite(best.cost)
    assert found[0].cost == pytest.approx(best.cost, rel=1e-12)
    assert found[0].capacity_kwh == best.capacity_kwh


@pytest.mark.parametrize("seed", range(6))
def test_more_units_than_split_ones_are_tried_while_they_are_cheaper(place, seed):
    """One unit serves at a time, whatever it gives: split ones are far too few, and two more were the last that was looked at."""
    prices = Prices(per_unit=0.05, per_kwh=20.0, most_units=6.0)
    one = place(seed=seed, asked_w=0.3, choices_kwh=(), candidates=8)
    sunlight, terms = one.sunlight.of_whole_units(one.serving.terms(repeats=True))
    split = relaxed(sunlight, terms, prices, turning=False)
    best = all_sets(sunlight.candidates, one.light_kwh, one.serving, prices, 0.0)
    found = few_near(split, one.serving, prices, sunlight, turning=False)
    assert split.units.sum() < 1.2
    assert found.cost == pytest.approx(best.cost, rel=1e-4)


def test_units_far_from_split_ones_are_found_below_a_known_cost(place):
    """Of any number between, where a set is known that costs much more than split units: all are told, not the next two alone."""
    prices = Prices(per_unit=0.05, per_kwh=20.0, most_units=6.0)
    one = place(seed=0, asked_w=0.3, choices_kwh=(), candidates=8)
    sunlight, terms = one.sunlight.of_whole_units(one.serving.terms(repeats=True))
    split = relaxed(sunlight, terms, prices, turning=False)
    near = near_number(split, one.serving, prices, sunlight)
    found = near_number(split, one.serving, prices, sunlight, below=0.3)
    assert max(one.units for one in near) == 2
    assert found[0].units == 3
    assert found[0].cost < 0.98 * near[0].cost


def test_without_a_store_what_is_left_is_looked_through(place):
    """Hardly any trials leave a set that lacks something; giving single units the best of all facings mends that, as far as it can."""
    one = place(seed=1, asked_w=3.0, reliability=0.57, candidates=120, choices_kwh=())
    serving = replace(one.serving, storage=None)
    light = np.ascontiguousarray(one.light_kwh[: serving.repeating_rows].T)
    begun = np.array([8, 24, 40, 56, 72, 88, 104])
    judge = RepeatingCase.of(serving, len(begun))
    itself = np.arange(len(light))[:, None]
    lacks, _ = lacking(light[begun].sum(axis=0), 0.0, 0.0, np.inf, judge)
    assert lacks > 0.0
    cost, found = annealed(light, itself, begun, 9.0, (0.3, 0.0, 0.0), np.zeros(0), 1, 0, judge)
    assert cost == pytest.approx(0.3 * len(begun))
    assert lacking(light[found].sum(axis=0), 0.0, 0.0, np.inf, judge)[0] <= 0.0
    # two units less cannot serve: where that ends, no single one does better
    few = begun[:4].copy()
    short = swept(light, few, np.inf, judge)
    beside = light[few].sum(axis=0) - light[few][:, None] + light[None]
    others = [lacking(one, 0.0, 0.0, np.inf, judge)[0] for one in beside.reshape(-1, light.shape[1])]
    assert 0.0 < short <= min(others) + 1e-12
