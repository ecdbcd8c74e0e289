"""Loads without a store: the bound is near to the design, since no store hands out in a row what it is given in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import linprog

from yieldsim.base.model import Notes
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.runs.design.combinations import Span, combinations_of, laid_out, prices_of
from yieldsim.runs.design.run import read_plan

SITES = Path(__file__).resolve().parents[4] / "sites"
SPAN = Span(start="2027-03-01", end="2027-03-31", interval_minutes=240.0)
GIVEN = tuple((90.0, azimuth, 0.0) for azimuth in range(0, 360, 30))


@pytest.fixture(scope="module", params=["energy", "hours"])
def of_given(request):
    """Light, terms and split units of given orientations, for the demo's load without a store."""
    plan, _ = read_plan(SITES / "lantern-ridge.design.toml", Notes())
    load = replace(plan.load, storage=None, reliability=0.6, reliability_of=request.param)
    plan = replace(plan, load=load, facings=GIVEN)
    one = combinations_of(plan)[0]
    _, serving, sunlight = laid_out(plan, one, SPAN)
    terms, prices = serving.terms(repeats=True), prices_of(plan, one)[0]
    return sunlight, terms, prices, relaxed(sunlight, terms, prices, turning=False)


def test_the_programme_is_that_of_the_rows(of_given):
    """Light was worth what a store of no capacity would have made of it, and what no store serves was served at night."""
    sunlight, terms, prices, split = of_given
    light = sunlight.light_kwh(sunlight.candidates)[: terms.rows]
    facings, rows = light.shape[1], terms.rows
    asked, weight = terms.asked_kwh.sum(axis=1), terms.weight[:, 0]
    # useful energy of each row is no more than its light makes, nor than what is asked
    matrix = np.zeros((rows + 1, facings + rows))
    matrix[:rows, :facings] = -light * terms.direct[0]
    matrix[:rows, facings:] = np.eye(rows)
    matrix[rows, facings:] = -weight
    most = np.append(np.zeros(rows), terms.allowed - weight @ asked)
    cost = np.append(np.full(facings, prices.per_unit), np.zeros(rows))
    bounds = [(0.0, None)] * facings + [(0.0, value) for value in asked]
    least = linprog(cost, A_ub=matrix, b_ub=most, bounds=bounds, method="highs").fun
    assert split.least <= least * (1.0 + 1e-6)
    # blocks are cut until merging gains next to nothing
    assert split.least >= 0.98 * least
