"""The table of combinations: one is chosen, others are as good, dearer, or fail when they are built."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from yieldsim.base.model import Mount, Notes
from yieldsim.runs.design.combinations import combinations_of
from yieldsim.runs.design.run import read_plan
from yieldsim.runs.design.search import Designed, Looked
from yieldsim.runs.design.summary import combination_rows, runners_up

SITES = Path(__file__).resolve().parents[4] / "sites"
MASTS_M = (10.0, 5.0, 2.0, 1.0)


def of_masts(costs, masses):
    """Combinations of masts, a look at each, and designs of those that cost something."""
    plan, _ = read_plan(SITES / "lantern-ridge.design.toml", Notes())
    everything = combinations_of(replace(plan, mast_heights_m=MASTS_M[: len(costs)]))
    looked = [
        Looked(number=one.number, least=1.0, candidates=9, step_deg=5.0, best_unit_kwh=2.0, dark_hours=0.0)
        for one in everything
    ]
    designed = {
        number: Designed(
            number=number,
            least=1.0,
            mounts=(Mount(tilt_deg=90.0, azimuth_deg=0.0, count=4),),
            capacity_kwh=0.3,
            cost=cost,
            mass_kg=mass,
            complete=False,
            split_units=3.4,
            split_kwh=0.3,
            facings_priced=9,
        )
        for number, (cost, mass) in enumerate(zip(costs, masses, strict=True))
        if math.isfinite(cost)
    }
    return everything, looked, designed


def test_of_equally_many_units_one_is_chosen():
    """Every combination of so many units was said to be chosen, and runners-up were told against the first of them."""
    rows = combination_rows(*of_masts([4.0, 4.0, 5.0], [5.1, 4.8, 4.2]), 1)
    outcomes = [row["outcome"] for row in rows]
    assert outcomes == ["designed, and no better", "chosen", "designed, and dearer"]


def test_a_design_whose_budget_fails_is_not_chosen():
    """One that cost less before it was built was said to be chosen, though another was."""
    rows = combination_rows(*of_masts([3.0, 4.0, math.inf, 6.0], [4.0, 4.8, math.inf, 6.0]), 1)
    outcomes = [row["outcome"] for row in rows]
    assert outcomes == ["designed, and its budget fails", "chosen", "no whole design found", "designed, and dearer"]  # fmt: skip


def test_a_runner_up_of_as_many_units_is_told_by_its_mass():
    rows = combination_rows(*of_masts([4.0, 4.0], [5.1, 4.8]), 1)
    other = [row | {"site": "Other Ridge"} if row["outcome"] != "chosen" else row for row in rows]
    (lost,) = runners_up(other)
    assert lost["combination"] == 0
    assert lost["why"].startswith("4 against 4; 5.1 kg against 4.8;")
