"""Units turned by hand: the best plans of turns against every plan there is, the systems made of them against fixed ones."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from yieldsim.planning.hand_turns import best_turns
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.planning.system.least_with_hand_turns import followed, plans, with_turns
from yieldsim.planning.system.terms import Prices


def every_plan(worth, first, turns):
    """The most that a plan of up to so many turns gathers that begins with a facing."""
    rows, facings = worth.shape
    best = worth[:, first].sum()
    for count in range(1, turns + 1):
        for moments in itertools.combinations(range(1, rows), count):
            for others in itertools.product(range(facings), repeat=count):
                edges = [0, *moments, rows]
                faced = [first, *others]
                parts = (worth[a:b, f].sum() for a, b, f in zip(edges, edges[1:], faced, strict=False))
                best = max(best, sum(parts))
    return best


@pytest.mark.parametrize("turns", [0, 1, 2])
def test_plans_are_the_best_of_all(turns):
    worth = np.random.default_rng(3).random((9, 3))
    best, turned, target = plans(worth, turns)
    for first in range(3):
        assert best[first] == pytest.approx(every_plan(worth, first, turns), rel=1e-12)
        assert followed(worth, turned, target, first, turns).sum() == pytest.approx(best[first], rel=1e-12)
    # the one that orient finds with as many turns
    assert best.max() == pytest.approx(best_turns(worth, turns)[turns][0], rel=1e-12)


def test_turns_never_cost_and_the_bound_holds(place):
    one = place(seed=2, days=4, asked_w=2.0, candidates=12, choices_kwh=())
    prices = Prices(per_unit=0.3, per_kwh=20.0)
    terms = one.serving.terms(repeats=True)
    split = relaxed(one.sunlight, terms, prices, turning=False)
    fixed = with_turns(split, one.light_kwh, one.serving, terms, prices, 0)
    assert fixed.least == pytest.approx(split.least, rel=5e-3)
    before = fixed
    for turns in (1, 3):
        found = with_turns(split, one.light_kwh, one.serving, terms, prices, turns, before)
        assert found.least <= before.least * (1 + 2e-3)
        assert found.least <= found.cost
        assert found.cost <= before.cost * (1 + 1e-9)
        before = found
    assert before.least < 0.99 * fixed.least
