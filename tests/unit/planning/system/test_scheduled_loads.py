"""Loads that ask at certain hours alone, stores that charge slowly, units that all but serve: bounds as close as the programme."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from yieldsim.planning.branching.branch_and_bound import branched
from yieldsim.planning.habitat.dispatch import asking
from yieldsim.planning.system.annealing import near_number
from yieldsim.planning.system.column_generation import over_candidates, relaxed
from yieldsim.planning.system.terms import Prices
from yieldsim.planning.system.whole_units import all_sets, near_split
from yieldsim.runs.design.search import few_near

PRICES = Prices(per_unit=0.5, per_kwh=8.0, most_units=6.0, most_kwh=0.04)


def scheduled(place, **given):
    """A small place whose load asks in one row of twelve."""
    small = place(**given)
    needs = small.serving.needs
    asks = (np.arange(len(needs.asked_kwh)) % 12 == 5)[:, None]
    return replace(small, serving=replace(small.serving, needs=asking(needs, needs.asked_kwh * asks)))


def least_by_rows(light, terms, prices):
    """The programme over single rows, of one kind of load and a run that repeats, by another hand: x, C, then l, f, c, e by row."""
    rows, facings = light.shape
    eye, none = np.eye(rows), np.zeros((rows, rows))
    before = np.roll(eye, -1, axis=1)

    def line(x, capacity, l, f, c, e):  # noqa: E741
        return np.hstack([x, capacity[:, None], l, f, c, e])

    no_x, no_c = np.zeros((rows, facings)), np.zeros(rows)
    asked, weight = terms.asked_kwh[:, 0], terms.weight[:, 0]
    matrix = np.vstack(
        [
            line(-light, no_c, eye / terms.direct[0], none, eye, none),
            line(
                no_x, no_c, none, terms.per_drawn[0] * eye, -terms.take_in * eye, eye - terms.keep * before.T
            ),
            line(no_x, -terms.usable, none, none, none, eye),
            line(no_x, no_c, eye, eye, none, none),
            np.concatenate([np.zeros(facings + 1), -weight, -weight, np.zeros(2 * rows)])[None, :],
            np.concatenate([np.ones(facings), np.zeros(1 + 4 * rows)])[None, :],
        ]
    )
    most = np.concatenate(
        [np.zeros(3 * rows), asked, [terms.allowed - weight @ asked, prices.most_units]],
    )
    enter = None if math.isinf(terms.enter_kwh) else terms.enter_kwh
    bounds = [(0.0, None)] * facings + [(0.0, prices.most_kwh)] + [(0.0, None)] * (2 * rows)
    bounds += [(0.0, enter)] * rows + [(0.0, None)] * rows
    cost = np.concatenate([np.full(facings, prices.per_unit), [prices.per_kwh], np.zeros(4 * rows)])
    return linprog(cost, A_ub=matrix, b_ub=most, bounds=bounds, method="highs").fun


@pytest.mark.parametrize("measure", ["energy", "hours"])
@pytest.mark.parametrize("charge_power_w", [None, 1.0])
def test_the_bound_is_near_the_programme_of_the_rows(place, measure, charge_power_w):
    """A limit of charging was paid for in rows without light, and a row in which nothing was asked made shortfall free by hours."""
    small = scheduled(place, measure=measure, charge_power_w=charge_power_w, asked_w=4.0, reliability=0.9)
    terms = small.serving.terms(repeats=True)
    split = relaxed(small.sunlight, terms, PRICES, turning=False)
    least = least_by_rows(small.light_kwh[: terms.rows], terms, PRICES)
    assert 0.97 * least <= split.proof.least <= least * (1.0 + 1e-6)
    assert split.proof.least == pytest.approx(split.cost, rel=1e-3)


def test_rows_in_which_nothing_is_asked_leave_a_block_its_weight(place):
    """Days merged into one row each, as the first look has them, told that nothing needs no unit at all."""
    small = scheduled(place, measure="hours", asked_w=4.0, reliability=0.9)
    terms = small.serving.terms(repeats=True)
    found = over_candidates(small.sunlight, small.light_kwh, terms, PRICES)
    assert found.proof.least >= 0.5 * least_by_rows(small.light_kwh[: terms.rows], terms, PRICES)


@pytest.mark.parametrize("reliability", [1.0, 0.8])
def test_a_light_load_takes_one_unit_and_is_proven(place, reliability):
    """A twentieth of a unit serves: without any, breaking that limit by a twentieth was not too dear, and its case was branched into
    at least one unit and none."""
    small = place(reliability=reliability, asked_w=0.02, measure="hours", candidates=6)
    sunlight, terms = small.sunlight.of_whole_units(small.serving.terms(repeats=True))
    split = relaxed(sunlight, terms, PRICES, turning=False)
    assert split.units.sum() < 0.1
    best = all_sets(sunlight.candidates, small.light_kwh, small.serving, PRICES, split.proof.least)
    found = branched(
        split,
        sunlight,
        terms,
        PRICES,
        best.cost,
        lambda cost: 0.98 * cost,
        lambda _: best.cost,
        turning=False,
    )
    assert best.units == 1
    assert PRICES.per_unit <= found.least <= best.cost * (1.0 + 1e-9)


def test_hours_that_never_come_take_one_unit_and_no_store(place):
    """Loads that ask nothing in the run are served by no units that are split: from none no whole ones were made."""
    small = place(choices_kwh=())
    needs = small.serving.needs
    serving = replace(small.serving, needs=asking(needs, 0.0 * needs.asked_kwh))
    split = relaxed(small.sunlight, serving.terms(repeats=True), PRICES, turning=False)
    light_of = small.sunlight.light_kwh
    near_number(split, serving, PRICES, small.sunlight)
    found = near_split(split, serving, PRICES, light_of, turning=True)
    assert (found.units, found.capacity_kwh) == (1, 0.0)


@pytest.mark.parametrize("measure", ["energy", "hours"])
def test_a_store_far_dearer_than_split_units_take_is_found(place, measure):
    """The stores there are were out of reach of all costs aimed at, and nothing was said to serve."""
    choices = {"choices_kwh": (0.005, 0.5), "measure": measure}
    small = place(seed=2, candidates=8, reliability=0.85, **choices)
    prices = replace(PRICES, most_units=3.0, most_kwh=0.5)
    sunlight, terms = small.sunlight.of_whole_units(small.serving.terms(repeats=True))
    split = relaxed(sunlight, terms, prices, turning=False)
    best = all_sets(sunlight.candidates, small.light_kwh, small.serving, prices, split.proof.least)
    found = few_near(split, small.serving, prices, sunlight, turning=True)
    assert found is not None
    assert best.cost * (1.0 - 1e-9) <= found.cost <= 1.01 * best.cost
