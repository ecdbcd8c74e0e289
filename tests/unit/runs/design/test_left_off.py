"""A combination is left off by what no facing betters, not by what its candidates prove."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from yieldsim.base.model import BiaxialAcceptance, Notes
from yieldsim.base.plans.design import CollectorChoice
from yieldsim.files.inputs.readers import read_collector
from yieldsim.planning.system.column_generation import over_candidates, relaxed
from yieldsim.runs.design.combinations import Span, combinations_of, laid_out, prices_of, waves
from yieldsim.runs.design.run import read_plan
from yieldsim.runs.design.search import look

SITES = Path(__file__).resolve().parents[4] / "sites"


def test_a_bound_that_spares_a_closer_one_is_not_above_a_split_design():
    """Narrow optics gain much between the candidates: over these alone the bound stood 2 % above a design with turned units."""
    plan, _ = read_plan(SITES / "lantern-ridge.design.toml", Notes())
    narrow = SITES / "insulated.collector.toml"
    plan = replace(plan, collectors=(CollectorChoice(file=narrow, noun=read_collector(narrow).noun),))
    one = combinations_of(plan)[0]
    _, serving, sunlight = laid_out(plan, one, Span(start="2027-01-01", end="2027-01-06"))
    prices, _ = prices_of(plan, one)
    terms = serving.terms(repeats=True)
    whole = relaxed(sunlight, terms, prices)
    asked = []
    for share in (0.99, 1.001):
        limit = share * whole.cost
        left = relaxed(
            sunlight,
            terms,
            prices,
            worth_knowing=lambda least, at=limit: not asked.append(least) and least < at,
        )
        assert left.least <= whole.cost
    # the candidates' own bound was above what turned units cost
    assert max(asked) > 1.01 * whole.cost
    # a limit that no design meets is told from the first bound that holds
    spared = relaxed(sunlight, terms, prices, worth_knowing=lambda least: least < 0.5 * whole.cost)
    assert spared.cost > whole.cost


def test_a_first_look_at_two_angle_optics_bounds_turned_units_too():
    """Over the candidates alone a trough's bound stood 0.7 % above what units turned between them cost."""
    plan, _ = read_plan(SITES / "lantern-ridge.design.toml", Notes())
    trough = BiaxialAcceptance(
        transverse_deg=np.arange(0.0, 9.0, 2.0),
        longitudinal_deg=np.arange(0.0, 41.0, 10.0),
        acceptance_fraction=np.outer([0.8, 0.8, 0.7, 0.3, 0.0], [1.0, 1.0, 1.0, 0.8, 0.0]),
        source="disc",
    )
    plan = replace(
        plan,
        collectors=tuple(replace(one, noun=replace(one.noun, acceptance=trough)) for one in plan.collectors),
    )
    one, span = combinations_of(plan)[0], Span(start="2027-01-01", end="2027-01-06")
    _, serving, sunlight = laid_out(plan, one, span)
    prices, once = prices_of(plan, one)
    terms = serving.terms(repeats=True)
    reached = relaxed(sunlight, terms, prices)
    first = over_candidates(sunlight, sunlight.light_kwh(sunlight.candidates), terms, prices)
    assert first.proof.least > 1.005 * reached.cost
    assert look(plan, one, span, True).least <= once + reached.cost
    assert reached.least > 0.9 * reached.cost


def test_the_first_combination_goes_alone_and_every_other_once():
    for count in range(7):
        found = list(waves(list(range(count))))
        assert [one for some in found for one in some] == list(range(count))
        assert all(len(some) == (1 if number == 0 else 2) for number, some in enumerate(found[:-1]))
        assert len(found[0]) <= 1
