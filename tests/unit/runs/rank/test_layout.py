"""Rank judges what will be built: the layout of the file, one facing, or a set; and what a load gets at each site."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from yieldsim import InputError, budget, estimate
from yieldsim.cli.commands.rank import answer_lines
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.rank.run import rank, summary_of

SITES = [sites_folder() / f"{name}.toml" for name in ("lantern-ridge", "long-meadow")]
RING = sites_folder() / "wide.collector.toml"
LOAD = sites_folder() / "habitat.load.toml"
SPAN = ("2027-03-01", "2027-05-01")


def found(**asked: Any) -> dict[str, Any]:
    return summary_of(rank(SITES, RING, *SPAN, **asked))


def test_a_ring_is_ranked_as_laid_out() -> None:
    summary = found()
    ridge = next(row for row in summary["sites"] if row["site"]["name"] == "Lantern Ridge")
    own = estimate(SITES[0], RING, *SPAN).yieldsim.summary
    assert summary["facing"] == "given"
    assert summary["layout"] == "216 units as laid out on 9 mounts"
    assert ridge["longest_gap_hours"] == pytest.approx(own["longest_gap_hours"])
    assert ridge["delivered_kwh"] == pytest.approx(own["delivered_kwh"])
    assert len(ridge["mounts"]) == 9


@pytest.mark.slow
def test_one_mount_is_turned_to_each_site_s_best_facing() -> None:
    ring = read_collector(RING).noun
    summary = summary_of(rank(SITES, replace(ring, mounts=ring.mounts[:1]), *SPAN))
    assert summary["facing"] == "best"
    assert summary["layout"] == "all 24 units at each site in the one orientation best for annual"
    assert not any("set aside" in line for line in summary["warnings"])


@pytest.mark.slow
def test_mounts_set_aside_are_told_right_behind_the_span() -> None:
    summary = found(facing="best")
    spans = len(
        [line for row in summary["sites"] for line in row["span_warnings"]][: len(summary["warnings"])]
    )
    assert "the span is not whole seasons" in summary["warnings"][0]
    assert any("9 mounts are set aside" in line for line in summary["warnings"][1 : 1 + spans])
    assert summary["sites"][0]["facing"] is not None


@pytest.mark.slow
def test_a_set_of_units_leaves_shorter_gaps_than_one_facing() -> None:
    one = summary_of(rank(SITES[:1], RING, *SPAN, facing="set", units=1, goal="shortest-gap"))
    four = summary_of(rank(SITES[:1], RING, *SPAN, facing="set", units=4, goal="shortest-gap"))
    assert four["layout"] == "4 units at each site in the set of orientations found best for shortest-gap"
    assert sum(mount["count"] for mount in four["sites"][0]["mounts"]) == 4
    assert four["sites"][0]["longest_gap_hours"] < one["sites"][0]["longest_gap_hours"]


def test_a_load_is_served_as_budget_serves_it() -> None:
    summary = found(load=LOAD, goal="load")
    served = [row["served_fraction"] for row in summary["sites"]]
    assert served == sorted(served, reverse=True)
    ridge = next(row for row in summary["sites"] if row["site"]["name"] == "Lantern Ridge")
    ds = estimate(SITES[0], RING, *SPAN)
    own = budget(
        ds, LOAD, site=read_site(SITES[0]).noun, collector=read_collector(RING).noun
    ).yieldsim.summary
    assert ridge["served_fraction"] == pytest.approx(own["served_fraction_by_priority"]["essential"])
    assert ridge["smallest_storage_kwh"] == pytest.approx(own["smallest_storage_kwh"])
    assert ridge["smallest_units"] == own["smallest_units"]
    lines = answer_lines(summary)
    assert any("served of the load" in line for line in lines)
    assert max(len(line) for line in lines if "caution" not in line) <= 80


def test_sizes_needed_are_never_rounded_to_where_they_fail() -> None:
    summary = found(load=LOAD, goal="load")
    ridge = next(row for row in summary["sites"] if row["site"]["name"] == "Lantern Ridge")
    ridge["smallest_storage_kwh"], ridge["smallest_units"] = 1.6623, 12345
    lines = answer_lines(summary)
    assert any(line.split()[:2] == ["storage", "needed"] and "1.67 kWh" in line for line in lines)
    assert any(line.split()[:2] == ["units", "needed"] and "12345" in line for line in lines)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"facing": "set"}, "say how many with --units"),
        ({"units": 3}, "only for orientations chosen as a set"),
        ({"facing": "set", "units": 0}, "1 to 64"),
        ({"facing": "sets"}, "did you mean set?"),
        ({"goal": "load"}, "name one with --load"),
        ({"goal": "load", "load": "absent.toml"}, "absent.toml"),
    ],
)
def test_what_does_not_fit_is_refused(asked: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as caught:
        found(**asked)
    assert words in str(caught.value)
