"""What rank says a low skyline gives, against a second run of the same place over the bare body."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from yieldsim.base.model import HorizonMask, Site
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.runs.rank.run import rank, summary_of

SITES = Path(__file__).parents[4] / "sites"
SPAN = ("2027-02-20", "2027-03-21")
"""The last lunation of southern summer: over the bare body the Sun just rolls along the horizon."""


def reasons(*sites: Site) -> dict[str, Any]:
    collector = read_collector(SITES / "narrow.collector.toml").noun
    ds = rank(list(sites), replace(collector, mounts=collector.mounts[:1]), *SPAN, facing="given")
    return {row["site"]["name"]: row["reasons"] for row in summary_of(ds)["sites"]}


def test_a_low_skyline_s_gain_is_that_of_a_run_without_it() -> None:
    """Rows are read at their middles there, integrated in quarters here: over a lunation of 696 rows that differs by 1e-5;
    a run of rows misread would be 1 in 696."""
    ridge = read_site(SITES / "lantern-ridge.toml").noun
    wall = HorizonMask(azimuth_deg=np.array([0.0, 180.0]), elevation_deg=np.array([1.0, 1.0]))
    found = reasons(
        ridge, replace(ridge, name="bare", horizon=None), replace(ridge, name="wall", horizon=wall)
    )
    gain = found["Lantern Ridge"]["low_skyline_gain_fraction"]
    bare, with_skyline = (found[name]["sunlight_kwh_m2_per_year"] for name in ("bare", "Lantern Ridge"))
    assert gain > 1.0
    assert with_skyline / bare - 1.0 == pytest.approx(gain, rel=1e-3)
    assert found["bare"]["low_skyline_gain_fraction"] == 0.0
    assert found["wall"]["low_skyline_gain_fraction"] == 0.0
