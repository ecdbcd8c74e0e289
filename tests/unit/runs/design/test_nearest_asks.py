"""Asks that nothing serves: the dark is told whatever split units might do, and no share is called the most unproven."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from yieldsim.base.model import Notes
from yieldsim.runs.design.combinations import Span, combinations_of
from yieldsim.runs.design.infeasible import why_none_at
from yieldsim.runs.design.run import read_plan
from yieldsim.runs.design.search import look

SITES = Path(__file__).resolve().parents[4] / "sites"
WITH_A_NIGHT = Span(start="2027-03-01", end="2027-03-31", interval_minutes=240.0)
MORE, NEARLY_ALL = 0.97, 0.934
"""Shares of what is asked then: more than any number of units serves without a store, and less than split ones do."""


def why(share, **changes):
    """What is said of the demo with a share that is asked, and other changes."""
    plan, _ = read_plan(SITES / "lantern-ridge.design.toml", Notes())
    load = replace(plan.load, reliability=share, **changes.pop("load", {}))
    plan = replace(plan, load=load, **changes)
    one = combinations_of(plan)[0]
    return why_none_at(plan, one, look(plan, one, WITH_A_NIGHT, False), WITH_A_NIGHT)


def test_the_nearest_share_without_a_store_is_near():
    """A third of the load was told to be the nearest share, with 19 of 1000 units, and the night was no reason."""
    text = why(MORE, load={"storage": None})
    assert "the longest stretch without light is 23 hours" in text
    assert "the load file has no [storage]" in text
    assert "0 kWh of storage" not in text
    served, most = (float(text.split(words)[0].split()[-1]) for words in (" by ", " at most"))
    assert 0.92 < served <= most < NEARLY_ALL + 0.005


def test_a_share_that_is_not_proven_to_be_the_most_is_not_called_so():
    """Just less than the share asked was said to be the most there is, though the programme gives that share itself."""
    text = why(NEARLY_ALL, load={"storage": None})
    assert "no whole ones were found" in text
    assert "the longest stretch without light is 23 hours" in text
    assert "at most" not in text
    assert "a reliability of 0.9" in text


def test_a_store_that_serves_is_told_where_none_is_allowed():
    text = why(MORE, most_store_kwh=0.0)
    assert "0 kWh of storage" in text
    assert "kWh of storage ([store])" in text


def test_one_unit_is_no_units():
    assert "with up to 1 unit." in why(MORE, most_units=1)
