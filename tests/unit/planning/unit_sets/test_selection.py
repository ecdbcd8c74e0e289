"""Sets of units: unions of stretches, gaps and bounds against plain counting; choosers against exhaustive search."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
import pytest

from yieldsim.planning.sunlight.sunlit_series import joined
from yieldsim.planning.unit_sets.max_min_month import MonthChooser, best_mix
from yieldsim.planning.unit_sets.selection import LoadChooser
from yieldsim.planning.unit_sets.set_cover import (
    RunLists,
    gaps_with,
    least_gap_steps,
    least_units,
    scanned,
    united,
)
from yieldsim.planning.unit_sets.shortest_gap import GapChooser

STEPS = 400


def random_lists(seed, facings=9, stretches=7):
    rng = np.random.default_rng(seed)
    lists = []
    for _ in range(facings):
        starts = np.sort(rng.integers(0, STEPS - 30, stretches))
        lists.append(joined(starts, starts + rng.integers(2, 30, stretches)))
    return RunLists.of(lists, STEPS)


def steps_of(lists, chosen):
    lit = np.zeros(STEPS, dtype=bool)
    for facing in chosen:
        for start, end in zip(*lists.runs(facing), strict=True):
            lit[start:end] = True
    return lit


def longest_dark(lit):
    edges = np.flatnonzero(np.diff(np.concatenate([[1], lit.astype(int), [1]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def every_gap(lit):
    edges = np.flatnonzero(np.diff(np.concatenate([[1], lit.astype(int), [1]])))
    return edges[1::2] - edges[::2]


@pytest.mark.parametrize("seed", range(5))
def test_unions_and_gaps_are_those_of_the_steps(seed):
    lists = random_lists(seed)
    held = united(lists.runs(0), lists.runs(1))
    both = steps_of(lists, [0, 1])
    found = np.zeros(STEPS, dtype=bool)
    for start, end in zip(*held, strict=True):
        found[start:end] = True
    np.testing.assert_array_equal(found, both)
    gaps = gaps_with(held, lists)
    for facing in range(lists.count):
        lit = steps_of(lists, [0, 1, facing])
        assert gaps[facing, 0] == longest_dark(lit)
        assert gaps[facing, 1] == pytest.approx(np.sqrt((every_gap(lit).astype(float) ** 2).sum()))


def best_of_all(chooser, units):
    return max(
        chooser.value(list(some)) for some in combinations_with_replacement(range(chooser.count), units)
    )


def grown_to(chooser, units):
    best = []
    for _ in range(units):
        best = max(chooser.larger(best), key=chooser.value)
    assert len(best) == units
    return best


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("units", [1, 2, 3])
def test_gap_bound_holds_and_sets_come_close(seed, units):
    lists = random_lists(seed)
    dark = longest_dark(steps_of(lists, range(lists.count)))
    chooser = GapChooser(lists, None, dark)
    best = best_of_all(chooser, units)
    chosen = grown_to(chooser, units)
    found = chooser.value(chosen)
    assert found <= best + 1e-9
    assert best <= chooser.bound(units, chosen) + 1e-9
    assert -found <= -best * 1.02 + 1e-9
    # what the order of time finds is better than what it is given, and nothing where that is the best already
    better = chooser.scanned(units, found)
    shortest, own = -int(np.ceil(best)), longest_dark(steps_of(lists, chosen))
    assert better is None or longest_dark(steps_of(lists, better)) < own
    assert (better is None) == (own == shortest)


def test_covering_a_circle_once_is_found_in_the_order_of_time():
    # stretches of 60 steps starting every 10: 400 steps take seven of them, or six with gaps of 8
    lists = RunLists.of([(np.array([k]), np.array([k + 60])) for k in range(0, 341, 10)], STEPS)
    assert len(scanned(lists, 0, 10)) == 7
    assert scanned(lists, 0, 6) is None
    assert len(scanned(lists, 10, 6)) == 6
    assert least_units(lists, 1, 100.0) == pytest.approx(400 / 60, rel=0.05)
    assert least_units(lists, 1, 100.0) <= 7.0
    assert least_gap_steps(lists, 7, 0, 60, {}) == 0
    # five units lit 300 of 400 steps: 100 dark ones in at most six gaps
    assert 5 <= least_gap_steps(lists, 5, 0, 60, {}) <= 20


def test_gaps_that_no_unit_can_end():
    lists = RunLists.of([(np.array([0, 100]), np.array([50, 150])), (np.array([40]), np.array([90]))], STEPS)
    assert least_units(lists, 240, 50.0) == np.inf
    assert least_gap_steps(lists, 50, 0, 250, {}) >= 248
    empty = RunLists.of([], STEPS)
    assert empty.count == 0


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("units", [1, 2, 4])
def test_month_bound_holds_and_sets_come_close(seed, units):
    rng = np.random.default_rng(seed)
    kwh = rng.uniform(0.0, 1.0, (8, 5)) * rng.integers(0, 2, (8, 5)) + 0.02
    chooser = MonthChooser(kwh)
    best = best_of_all(chooser, units)
    chosen = grown_to(chooser, units)
    assert chooser.value(chosen) <= best + 1e-12
    assert best <= chooser.bound(units, chosen) + 1e-12
    assert chooser.value(chosen) >= 0.97 * best


def test_dual_weights_make_a_bound_for_facings_never_listed():
    rng = np.random.default_rng(3)
    kwh = rng.uniform(0.0, 1.0, (40, 6))
    listed = MonthChooser(kwh[:10], lambda weights: float((kwh @ weights).max()))
    share, weights, mixed = best_mix(kwh)
    assert share.sum() == pytest.approx(1.0)
    assert weights.sum() == pytest.approx(1.0)
    assert mixed == pytest.approx((share @ kwh).min(), rel=1e-6)
    assert mixed == pytest.approx((kwh @ weights).max(), rel=1e-6)
    for units in (1, 3):
        assert listed.bound(units, []) >= units * mixed - 1e-9


@pytest.mark.parametrize("seed", range(5))
def test_load_bound_holds_and_sets_come_close(seed):
    rng = np.random.default_rng(seed)
    hours = 60
    power = np.maximum(np.sin(np.arange(hours) / 9.0 + rng.uniform(0, 6, (6, 1))), 0.0) * rng.uniform(
        30, 90, (6, 1)
    )
    asked = np.full(hours, 60.0)

    def use(light_w):
        """An ideal store of 0.2 kWh between light and one steady load."""
        stored, served = 0.0, 0.0
        for light, need in zip(light_w / 1000.0, asked / 1000.0, strict=True):
            direct = min(light, need)
            drawn = min(need - direct, stored)
            stored = min(stored - drawn + light - direct, 0.2)
            served += direct + drawn
        return served

    def uses(light_w):
        return np.apply_along_axis(use, -1, light_w)

    for units in (1, 2, 3):
        chooser = LoadChooser(power, uses, asked.sum() / 1000.0, 1.0)
        best = best_of_all(chooser, units)
        chosen = grown_to(chooser, units)
        assert chooser.value(chosen) <= best + 1e-12
        assert best <= chooser.bound(units, chosen) + 1e-9
        assert chooser.value(chosen) >= 0.995 * best
        assert chooser.bound(units, chosen) <= asked.sum() / 1000.0 + 1e-12
