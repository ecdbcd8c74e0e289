"""The front of shares served: no share has a heavier design than a larger one, and every row serves its share."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from yieldsim.runs.design.combinations import laid_out, prices_of
from yieldsim.runs.design.tradeoffs import by_reliability

FEW = Path(__file__).with_name("test_few_units.py")


def few_units():
    """The module whose small design this is."""
    spec = importlib.util.spec_from_file_location("few_units", FEW)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def rows(tmp_path_factory):
    few = few_units()
    plan, combination, found = few.small_design(tmp_path_factory.mktemp("front"))
    _, serving, sunlight = laid_out(plan, combination, few.SPAN)
    return found, by_reliability(plan, combination, found, serving, sunlight, prices_of(plan, combination)[0])


def test_more_served_is_never_lighter(rows):
    masses = [row["mass_kg"] for row in rows[1]]
    assert len(masses) >= 7
    assert masses == sorted(masses)
    assert masses[0] < masses[-1]


def test_the_design_is_the_row_of_its_own_share(rows):
    found, table = rows
    own = next(row for row in table if row["reliability"] == 0.99)
    assert own["units"] == found.units
    assert own["mass_kg"] == pytest.approx(found.mass_kg, rel=1e-9)
    assert table[-1]["longest_outage_hours"] == 0.0
