"""How often whole units fill a store, against the dispatch of budgets and against every set of units."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from tests.unit.planning.system.enumeration import enumerated, in_cases
from yieldsim.planning.habitat.dispatch import dispatch, store_of
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.planning.system.terms import Prices

PRICES = Prices(per_unit=0.3, per_kwh=20.0, most_units=4.0)


def told(place):
    """Terms with numbers of fillings, as branching has them."""
    terms = place.serving.terms(repeats=True)
    return replace(terms, fillings=terms.spells.numbers(place.light_kwh))


def left_the_store(place, light_kwh, capacity_kwh):
    """Taken off the state in a run that repeats itself, by dispatches alone."""
    serving = place.serving
    new = replace(serving.storage, fade_per_year=0.0, fade_per_cycle=0.0)
    store = store_of(new, 1.0, capacity_kwh)
    for _ in range(60):
        flows = dispatch(light_kwh, serving.needs, store)
        end = float(flows.stored[-1])
        if abs(end - store.start_kwh) <= 1e-12:
            break
        store = store._replace(start_kwh=end)
    assert abs(end - store.start_kwh) <= 1e-9
    return float((flows.from_store * serving.terms(repeats=True).per_drawn).sum())


@pytest.mark.parametrize("seed", range(4))
def test_no_dispatch_takes_more_out_of_the_store(place, seed):
    """Any sets, any stores, any k: and some come near to it."""
    one = place(seed=seed, candidates=8, asked_w=0.3, loss=0.0, least=0.0)
    terms, light = told(one), one.light_kwh
    assert terms.fills
    assert len(terms.fillings) > 3
    beyond = terms.spells.beyond_kwh(light)
    rng, nearest = np.random.default_rng(seed), 0.0
    for _ in range(150):
        some = rng.integers(0, light.shape[1], rng.integers(1, 4))
        capacity = float(10.0 ** rng.uniform(-3.0, -1.2))
        left = left_the_store(one, light[:, some].sum(axis=1), capacity)
        most = len(some) * terms.fillings * terms.usable.max() * capacity + beyond[:, some].sum(axis=1)
        assert left <= most.min() * (1.0 + 1e-9)
        nearest = max(nearest, left / most.min())
    assert nearest > 0.75


@pytest.mark.parametrize(
    "case", [{}, {"measure": "hours"}, {"discharge_power_w": 0.25}], ids=["energy", "hours", "limits"]
)
@pytest.mark.parametrize("seed", [0, 2, 5])
def test_no_set_of_strong_units_is_below_the_bound(place, seed, case):
    """One unit gives ten times what is asked: split ones need next to no store, whole ones do."""
    one = place(seed=seed, candidates=8, asked_w=0.2, loss=0.0, least=0.0, **case)
    cost, places, _ = enumerated(one, PRICES)
    assert places is not None
    sunlight, terms = one.sunlight.of_whole_units(one.serving.terms(repeats=True))
    split = relaxed(sunlight, terms, PRICES, turning=False)
    found = in_cases(split, one, terms, PRICES, cost)
    assert len(found.fillings)
    assert split.least <= found.least <= cost * (1.0 + 1e-9)
    untold = in_cases(split, one, replace(terms, slack_kwh=1e-12), PRICES, cost)
    assert len(untold.fillings) == 0
    assert found.least > 1.02 * untold.least


def test_a_dark_place_has_no_fillings(place):
    """Units too weak to serve alone begin no spell: what leaves the store is what they stored."""
    one = place(candidates=6, asked_w=6.0)
    assert len(told(one).fillings) == 0


def test_beyond_by_hand(place):
    """Eight rows: alone in the light in two of them, one weak, three spells with those between."""
    one = place()
    spells = replace(
        told(one).spells,
        needed_kwh=np.full(8, 2.0),
        drawn_kwh=np.array([1.0, 1.0, 1.0, 1.0, 1.0, 4.0, 1.0, 1.0]),
        take_in=0.5,
        fillings=np.array([1, 2, 3]),
    )
    #        alone | dark, weak | alone | dark, dark (4) | alone | dark
    light = np.array([3.0, 0.0, 1.0, 2.0, 0.0, 0.0, 2.5, 0.0])
    assert spells.numbers(light[:, None]).tolist() == [1, 2, 3]
    # spells of 2 (with 0.5 stored in it), 5 and 1
    assert spells.beyond_kwh(light[:, None])[:, 0].tolist() == [3.0, 1.5, 0.5]
    # never alone in the light: what its weak light stores
    assert spells.beyond_kwh(0.5 * light[:, None])[:, 0] == pytest.approx(0.25 * light.sum())


def test_the_longest_spells_are_left_out_whichever_row_the_run_begins_in(place):
    one = place(seed=1, candidates=8, asked_w=0.3)
    spells, light = told(one).spells, one.light_kwh
    for by in itertools.chain(range(0, len(light), 47), [1]):
        turned = replace(
            spells, needed_kwh=np.roll(spells.needed_kwh, by), drawn_kwh=np.roll(spells.drawn_kwh, by)
        )
        assert turned.beyond_kwh(np.roll(light, by, axis=0)) == pytest.approx(
            spells.beyond_kwh(light), rel=1e-12
        )
