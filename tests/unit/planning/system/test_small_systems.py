"""Small systems against complete enumeration and against the programme written down a second time, row by row."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from tests.unit.planning.system.enumeration import enumerated, in_cases, serves
from yieldsim.base.model import RoundAcceptance
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.planning.branching.most_delivered import least_rate, most_delivered
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.planning.system.dual_bound import RowPrices, bound
from yieldsim.planning.system.joint_turns import jointly_turned, stretches
from yieldsim.planning.system.linear_programme import programme, solved
from yieldsim.planning.system.pricing import Sunlight, SurplusRows, priced, told_apart
from yieldsim.planning.system.row_aggregation import even
from yieldsim.planning.system.terms import Prices
from yieldsim.planning.system.whole_units import all_sets, near_split

MASS = Prices(per_unit=0.3, per_kwh=20.0, most_units=6.0)


@pytest.mark.parametrize("seed", range(6))
def test_the_best_of_all_small_sets_is_found(place, seed):
    """Up to four units, twelve orientations, three stores."""
    prices = Prices(per_unit=0.3, per_kwh=20.0, most_units=4.0)
    one = place(seed=seed, asked_w=0.45)
    cost, _, capacity = enumerated(one, prices)
    found = all_sets(one.sunlight.candidates, one.light_kwh, one.serving, prices, 0.0)
    assert math.isfinite(cost)
    assert found is not None
    assert found.complete
    assert found.cost == pytest.approx(cost, rel=1e-12)
    assert found.capacity_kwh == capacity


@pytest.mark.parametrize(
    "case",
    [
        {},
        {"measure": "hours"},
        {"shield_w": 0.4},
        {"charge_power_w": 1.2, "discharge_power_w": 0.6},
        {"least": 0.0, "loss": 0.0},
        {"reliability": 1.0},
    ],
    ids=["energy", "hours", "shields", "limits", "no losses", "all"],
)
@pytest.mark.parametrize("seed", [2, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 3))])
def test_no_small_system_is_below_its_bound(place, seed, case):
    """Bounds of repeated and of single runs, over merged rows, against the best of all sets there are."""
    prices = Prices(per_unit=0.3, per_kwh=20.0, most_units=4.0)
    one = place(seed=seed, candidates=8, asked_w=0.35, **case)
    cost, _, _ = enumerated(one, prices)
    assert math.isfinite(cost)
    for repeats in (True, False):
        split = relaxed(one.sunlight, one.serving.terms(repeats=repeats), prices, turning=False)
        assert 0.0 < split.least <= cost * (1.0 + 1e-9)
        assert split.least == pytest.approx(split.cost, rel=0.02)
        found = in_cases(split, one, one.serving.terms(repeats=repeats), prices, cost)
        assert split.least <= found.least <= cost * (1.0 + 1e-9)
        sunlight, terms = one.sunlight.of_whole_units(one.serving.terms(repeats=repeats))
        whole = relaxed(sunlight, terms, prices, turning=False)
        assert split.least * (1.0 - 1e-6) <= whole.least <= cost * (1.0 + 1e-9)
        assert whole.least == pytest.approx(whole.cost, rel=0.02)


def by_rows(terms, light, prices):
    """The programme written down a second time, densely, for single rows and one kind of load, repeated or not."""
    rows, facings = light.shape
    n = facings + 1 + 4 * rows
    x, size = slice(0, facings), facings
    e, c, direct, stored = (facings + 1 + k * rows + np.arange(rows) for k in range(4))
    A, b = [], []

    def row(right, **parts):
        line = np.zeros(n)
        for place, value in parts.values():
            line[place] += value
        A.append(line)
        b.append(right)

    for t in range(rows):
        row(0.0, x=(x, -light[t]), l=(direct[t], 1.0 / terms.direct[0]), c=(c[t], 1.0))
        before = (e[t - 1], -terms.keep)
        if t == 0 and terms.start_share is not None:
            before = (size, -terms.keep * terms.start_share)
        right = terms.keep * terms.slack_kwh if t == 0 and terms.start_share is not None else 0.0
        row(right, e=(e[t], 1.0), before=before, c=(c[t], -terms.take_in), f=(stored[t], terms.per_drawn[0]))
        row(terms.slack_kwh, e=(e[t], 1.0), size=(size, -terms.usable[t]))
        row(terms.asked_kwh[t, 0], l=(direct[t], 1.0), f=(stored[t], 1.0))
    row(terms.allowed - terms.asked_kwh.sum(), l=(direct, -1.0), f=(stored, -1.0))
    cost = np.zeros(n)
    cost[x], cost[size] = prices.per_unit, prices.per_kwh
    return linprog(cost, A_ub=np.array(A), b_ub=np.array(b), bounds=(0.0, None)).fun


@pytest.mark.parametrize("repeats", [True, False], ids=["repeated", "once"])
def test_rows_as_blocks_of_one_are_the_programme_itself(place, repeats):
    # of a standing loss as batteries have it: merging rows leaves a part of it out
    one = place(seed=4, days=3, candidates=6, loss=0.001)
    terms, light = one.serving.terms(repeats=repeats), one.light_kwh
    prices = Prices(per_unit=0.3, per_kwh=20.0)
    right = by_rows(terms, light, prices)
    lit = light.any(axis=1)
    single = solved(light, lit, terms, even(terms.rows, 1), prices)
    assert single.cost == pytest.approx(right, rel=1e-7)
    for length in (2, 5, 24):
        blocks = even(terms.rows, length)
        merged = solved(blocks.sums(light), blocks.sums(lit * 1.0) > 0.0, terms, blocks, prices)
        assert merged.cost <= right * (1.0 + 1e-7)
    split = relaxed(one.sunlight, terms, prices, turning=False)
    assert split.least <= right * (1.0 + 1e-7)
    assert split.least >= right * (1.0 - 1e-3)


def test_any_prices_bound_and_none_too_high(place):
    """Prices drawn at random, and the solver's own spoilt: never above the true least cost."""
    one = place(seed=5, days=3, candidates=6)
    terms, light = one.serving.terms(repeats=True), one.light_kwh
    prices = Prices(per_unit=0.3, per_kwh=20.0)
    right = by_rows(terms, light, prices)
    best = relaxed(one.sunlight, terms, prices, turning=False)
    rng = np.random.default_rng(1)
    for spoilt in range(40):
        factor = np.exp(rng.normal(0.0, 0.02 * spoilt, terms.rows))
        state = best.prices.state * factor
        found = bound(
            RowPrices(
                light=np.maximum(best.prices.light * rng.permuted(factor), terms.take_in * state),
                direct=np.zeros(terms.rows),
                state=state,
                leave=best.prices.leave,
                short=best.prices.short * float(factor[0]),
            ),
            light,
            terms,
            prices,
        )
        assert found.least <= right * (1.0 + 1e-9)


def test_any_prices_of_direct_service_bound_whole_units(place):
    """Drawn at random beside those of the solver, and its own: never above the programme of whole units, which does not know them."""
    one = place(seed=5, days=3, candidates=6, asked_w=0.5, shield_w=0.4)
    prices = Prices(per_unit=0.3, per_kwh=20.0)
    terms, light = one.serving.terms(repeats=True).of_whole_units(), one.light_kwh
    right, _ = whole_optimum(terms, light, prices)
    best = relaxed(one.sunlight, terms, prices, turning=False)
    assert best.prices.direct.any()
    # closer than units that may be split
    split = relaxed(one.sunlight, one.serving.terms(repeats=True), prices, turning=False)
    assert split.least * 1.01 < best.least <= right * (1.0 + 1e-9)
    rng = np.random.default_rng(1)
    for spoilt in range(40):
        drawn = 0.02 * spoilt * best.prices.direct.max() * rng.random(terms.rows)
        found = bound(replace(best.prices, direct=best.prices.direct + drawn), light, terms, prices)
        assert found.least <= right * (1.0 + 1e-9)


def test_whole_units_are_priced_over_the_sky_at_no_less_than_they_are_worth(weighed):
    """Four steps an hour of a Sun behind hills, dimmed at times: any facing, any prices."""
    steps = 4 * 24 * 20
    rng = np.random.default_rng(3)
    azimuth, elevation = np.arange(steps) * 0.127 % 360.0, 1.5 * np.sin(np.arange(steps) / 150.0)
    power = 40.0 * np.clip(elevation + 0.6, 0.0, 1.0) * np.where(rng.random(steps) < 0.1, 0.3, 1.0)
    acceptance = RoundAcceptance(
        incidence_deg=[0.0, 2.0, 3.0, 4.0], acceptance_fraction=[0.8, 0.8, 0.3, 0.0], source="point"
    )
    prospect = weighed(direction_enu_xyz(azimuth, elevation), power, acceptance, step_minutes=15, steps=4)
    asked = np.where(np.arange(steps // 4) % 7 < 5, 0.01, 0.006)
    surplus = SurplusRows.of(prospect, asked)
    assert surplus is not None
    told = told_apart(prospect.year, (surplus,))
    some = facings(rng.uniform(85.0, 95.0, 60), rng.uniform(0.0, 360.0, 60))
    sunlight = Sunlight(
        prospect=prospect, row_hours=1.0, candidates=some, step_deg=3.0, surplus=surplus, told=told
    )
    light, direct = rng.random(len(asked)), rng.random(len(asked)) * (rng.random(len(asked)) < 0.7)
    kwh = sunlight.light_kwh(some)
    serving = direct @ np.minimum(kwh, asked[:, None])
    at_prices = priced(sunlight, light, direct)
    read = at_prices.annual_kwh(some) * at_prices.years - light @ kwh
    # cells of the sky are read at their mean directions: a bound adds what that may miss
    assert np.all(read >= serving - 2e-3 * (light @ kwh))
    assert np.all(read + at_prices.year.cell_error_kwh(some.axes_enu_xyz, some.tilt_deg) >= serving)
    seen = serving > 0.1 * serving.max()
    assert np.median(read[seen] / serving[seen]) < 1.2
    # a Sun that moves far in a row is left alone
    fast = weighed(direction_enu_xyz(20.0 * azimuth, elevation), power, acceptance, step_minutes=15, steps=4)
    assert SurplusRows.of(fast, asked) is None


def whole_optimum(terms, light, prices):
    """The programme of single rows with whole units: its best value and its units by facing."""
    made = programme(light, light.any(axis=1), terms, even(terms.rows, 1), prices)
    whole = np.zeros(len(made.cost))
    whole[: made.facings] = 1
    found = milp(
        made.cost,
        constraints=LinearConstraint(made.matrix, ub=made.most),
        bounds=Bounds(0.0, made.upper),
        integrality=whole,
        options={"mip_rel_gap": 2e-3, "time_limit": 120.0},
    )
    return found.fun, np.rint(found.x[: made.facings]).astype(int)


@pytest.mark.parametrize("seed", [3, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(3))])
def test_whole_units_against_an_integer_programme(place, seed):
    """Not heavier by more than 1 % than that programme's units with the store that they need; no bound above the programme."""
    one = place(seed=seed, days=4, asked_w=3.0, candidates=24, choices_kwh=())
    prices = Prices(per_unit=0.3, per_kwh=20.0)
    terms = one.serving.terms(repeats=True)
    split = relaxed(one.sunlight, terms, prices, turning=False)
    found = near_split(split, one.serving, prices, one.sunlight.light_kwh, turning=False)
    cases = in_cases(split, one, terms, prices, found.cost)
    best, counts = whole_optimum(terms, one.light_kwh, prices)
    capacity = one.serving.capacity_kwh(one.light_kwh @ counts, int(counts.sum()))
    assert found.units >= 6
    assert serves(one, found.light_kwh, found.units, found.capacity_kwh)
    assert not serves(one, found.light_kwh, found.units, 0.99 * found.capacity_kwh)
    assert max(split.least, 0.98 * best) <= cases.least <= best * (1.0 + 1e-6)
    assert len(cases.cases) > 1
    assert found.cost <= 1.01 * (prices.per_unit * counts.sum() + prices.per_kwh * capacity)


def test_the_most_delivered_for_its_mass_against_every_set(place):
    """Four units, all of them used: some serve, others face where a unit gets most; no set delivers a kWh for less than the bound."""
    one = place(seed=2, candidates=6, asked_w=0.3, choices_kwh=())
    prices = Prices(per_unit=0.3, per_kwh=20.0, most_units=4.0, least_units=4.0)
    terms, light, once = one.serving.terms(repeats=True), one.light_kwh, 1.0
    split = relaxed(one.sunlight, terms, prices, turning=False)
    rated = least_rate(split, one.sunlight, terms, prices, once, turning=False)
    found = most_delivered(rated, one.sunlight, one.serving, terms, prices, once, turning=False)
    best = math.inf
    for places in itertools.combinations_with_replacement(range(light.shape[1]), 4):
        total = light[:, places].sum(axis=1)
        capacity = one.serving.capacity_kwh(total, 4)
        if capacity is not None:
            best = min(best, (once + 4 * 0.3 + 20.0 * capacity) / total.sum())
    ratio = (once + found.cost) / found.light_kwh.sum()
    # closer than with every unit delivering what the best one does
    loose = (once + split.least) / (4.0 * light.sum(axis=0).max())
    assert found.units == 4
    assert loose <= rated.branched.rate <= best * (1.0 + 1e-9)
    assert rated.branched.rate > 0.9 * best
    assert best * (1.0 - 1e-3) <= ratio <= 1.01 * best


def test_stretches_of_one_unit_each_take_all_that_was_split(place):
    here = place(seed=1)
    some = here.sunlight.candidates
    shares = np.linspace(0.1, 0.5, some.count)
    for offset in (0.0, 0.25, 0.75):
        found = stretches(some, shares, 3, offset)
        assert found.count == 3
        # by azimuth, a stretch's mean lies between those before and after it
        assert np.all(np.diff(np.unwrap(np.radians(found.azimuth_deg))) > 0.0)
    alone = stretches(some.take([0]), np.array([0.6]), 1, 0.0)
    assert np.allclose(np.stack(alone), np.stack(some.take([0])), atol=1e-9)


@pytest.mark.parametrize("seed", [3, pytest.param(0, marks=pytest.mark.slow)])
def test_units_turned_together_cost_less_than_any_at_the_candidates_and_serve(place, seed):
    here = place(seed=seed, candidates=6, choices_kwh=())
    terms = here.serving.terms(repeats=True)
    sunlight = replace(here.sunlight, step_deg=6.0)
    split = relaxed(sunlight, terms, MASS)
    known = all_sets(here.sunlight.candidates, here.light_kwh, here.serving, MASS, 0.0)
    assert known is not None
    found = jointly_turned(split, here.serving, MASS, sunlight, terms, math.inf)
    assert found is not None
    assert split.least <= found.cost < known.cost
    light = here.sunlight.light_kwh(found.facings) @ found.counts
    assert serves(here, light, found.units, found.capacity_kwh)
    assert found.cost == pytest.approx(found.units * MASS.per_unit + found.capacity_kwh * MASS.per_kwh)
    # nothing is looked for where nothing can be
    assert jointly_turned(split, here.serving, MASS, sunlight, terms, 0.5 * split.least) is None
