"""Gaps that an end of the run cuts, against independent long runs that hold them whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import yieldsim

SITES = Path(__file__).resolve().parents[2] / "sites"
PLAIN, SKYWARD = SITES / "rust-plain.toml", SITES / "skyward.collector.toml"
RIDGE, NARROW = SITES / "lantern-ridge.toml", SITES / "narrow.collector.toml"


def gap_around(summary: dict, moment: str) -> dict:
    return next(row for row in summary["gaps"] if row["start_utc"] <= moment <= row["end_utc"])


def test_a_martian_winter_cut_by_the_end_is_told_whole() -> None:
    """Half of the Martian year holds 34 days of a dark that lasts 218; the whole year's run has it between its ends."""
    cut = yieldsim.estimate(PLAIN, SKYWARD, end="2028-01-01", tolerance=0.01).yieldsim.summary
    whole = yieldsim.estimate(PLAIN, SKYWARD, tolerance=0.01).yieldsim.summary
    assert cut["longest_gap_hours"] == pytest.approx(825.2, abs=0.5)
    assert cut["longest_gap_at_least"]
    assert cut["gaps"][0]["at_least"]
    assert not whole["longest_gap_at_least"]
    # the search takes the steps of the run
    step_h = cut["convergence"]["step_s"] / 3600.0
    assert cut["longest_gap_whole_hours"] == pytest.approx(whole["longest_gap_hours"], abs=2.0 * step_h)
    assert cut["longest_gap_whole_known"]
    assert cut["longest_gap_whole_end_utc"][:13] == whole["longest_gap_end_utc"][:13]
    assert cut["warnings"][0].startswith("the span is not whole seasons: it covers 53% of a Martian year")
    assert "34.4 days, is cut by its ends: in all 217.6 days" in cut["warnings"][1]
    assert cut["span_warnings"] == cut["warnings"][:2]
    assert not any("whole seasons" in line or "cut by" in line for line in whole["warnings"])


def test_a_gap_cut_at_both_ends_goes_on_both_ways() -> None:
    """A run that lies wholly within the dark of another."""
    long = yieldsim.estimate(RIDGE, NARROW, "2027-01-01", "2027-04-01", tolerance=0.01).yieldsim.summary
    inner = max((row for row in long["gaps"] if not row["at_least"]), key=lambda row: float(row["hours"]))
    start = np.datetime64(inner["start_utc"].rstrip("Z"), "h") + 6
    end = np.datetime64(inner["end_utc"].rstrip("Z"), "h") - 6
    cut = yieldsim.estimate(RIDGE, NARROW, str(start), str(end), tolerance=0.01).yieldsim.summary
    (gap,) = cut["gaps"]
    assert gap["at_least"]
    assert gap["hours"] == pytest.approx(cut["days"] * 24.0)
    step_h = max(one["convergence"]["step_s"] for one in (cut, long)) / 3600.0
    assert gap["whole_known"]
    assert gap["whole_hours"] == pytest.approx(inner["hours"], abs=2.0 * step_h)


def test_a_mount_that_never_delivers_has_no_known_end() -> None:
    from dataclasses import replace

    site, design = yieldsim.read_site(PLAIN), yieldsim.read_collector(SKYWARD)
    from yieldsim.base.model import Mount

    down = replace(design, mounts=(Mount(tilt_deg=179.0, azimuth_deg=0.0),))
    summary = yieldsim.estimate(site, down, "2027-02-01", "2027-02-03", tolerance=0.01).yieldsim.summary
    assert summary["delivered_kwh"] == 0.0
    (gap,) = summary["gaps"]
    assert gap["at_least"]
    assert not gap["whole_known"]
    assert gap["whole_hours"] > 2.0 * 687.0 * 24.0


@pytest.mark.slow
def test_orient_and_rank_mark_it_too() -> None:
    span = {"end": "2028-01-01"}
    facing = yieldsim.orient(PLAIN, SKYWARD, **span, step_deg=5.0, interval_minutes=60.0).yieldsim.summary
    level = next(row for row in facing["compare"] if row["tilt_deg"] == 0.0)
    assert level["longest_gap_at_least"]
    assert level["longest_gap_whole_hours"] > level["longest_gap_hours"] + 24.0 * 30.0
    following = facing["following"]
    assert following["fixed_longest_gap_at_least"] == facing["best"][0]["longest_gap_at_least"]
    assert "whole seasons" in facing["warnings"][0]
    assert facing["period"]["annual_figures_per"] == "365 days"
    ranked = yieldsim.rank([PLAIN], SKYWARD, **span, tolerance=0.01).yieldsim.summary
    row = ranked["sites"][0]
    assert row["longest_gap_at_least"]
    assert row["longest_gap_whole_hours"] == pytest.approx(5223.3, abs=1.0)
    assert "whole seasons" in ranked["warnings"][0]
    assert "217.6 days" in ranked["warnings"][1]


def test_martian_energy_by_solar_longitude_and_by_sol() -> None:
    """Lengths of the twelfths of the Martian year in sols: the calendar of the Mars Climate Database (values from memory)."""
    ds = yieldsim.estimate(PLAIN, SKYWARD, tolerance=0.01)
    summary = ds.yieldsim.summary
    rows = summary["seasonal_kwh"]
    assert sum(row["kwh"] for row in rows) == pytest.approx(summary["delivered_kwh"], rel=1e-9)
    lasting: dict[float, float] = {}
    for row in rows:
        lasting[row["solar_longitude_from_deg"]] = (
            lasting.get(row["solar_longitude_from_deg"], 0.0) + row["solar_days"]
        )
    known = [61, 66, 66, 65, 60, 54, 50, 46, 47, 47, 51, 56]
    assert [lasting[30.0 * k] for k in range(12)] == pytest.approx(known, abs=1.0)
    assert summary["period"]["year"] == "Martian year"
    assert summary["period"]["whole_seasons"]
    assert summary["days"] == pytest.approx(687.42, abs=0.01)


def test_budgets_begin_with_what_the_span_makes_of_them() -> None:
    ds = yieldsim.estimate(PLAIN, SKYWARD, "2027-06-01", "2027-06-20", tolerance=0.01)
    told = yieldsim.budget(ds, SITES / "sol-house.load.toml").yieldsim.summary["warnings"]
    assert told[0].startswith("the span is not whole seasons: it covers 3% of a Martian year")


def test_a_lunar_month_is_no_year_either() -> None:
    summary = yieldsim.estimate(RIDGE, NARROW, "2027-01-01", "2027-02-01", tolerance=0.01).yieldsim.summary
    assert summary["warnings"][0].startswith("the span is not whole seasons: it covers 8% of a year of Moon")
    assert summary["seasonal_kwh"] == []
