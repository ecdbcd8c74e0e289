"""A page can be drawn where a mount that follows the Sun is dark nearly all the time: no fixed unit is darker than that."""

from dataclasses import replace

import yieldsim
from yieldsim.files.inputs.readers import read_site
from yieldsim.files.text.bundled import sites_folder
from yieldsim.report.estimate.summary_schema import estimate_summary


def test_no_unit_at_all_has_the_gap_of_a_poor_axis():
    pole = replace(read_site(sites_folder() / "long-meadow.toml").noun, latitude_deg=90.0)
    ds = yieldsim.estimate(pole, sites_folder() / "wide.collector.toml", "2027-01-01", "2027-02-01")
    rows = estimate_summary(ds)["following"]["followers"]
    assert min(row["fixed_units_for_same_gap"] for row in rows) == 0
