"""The steps that a run begins with: fine enough for the Sun's motion, whatever the length of the rows."""

import pytest

from yieldsim.energy.integration import first_steps
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.text.bundled import sites_folder


@pytest.mark.parametrize("interval_s", [60.0, 600.0, 3600.0, 21_600.0, 86_400.0])
@pytest.mark.parametrize(("site", "collector"), [("long-meadow", "skyward"), ("rust-plain", "narrow")])
def test_no_step_is_longer_than_half_an_hour(interval_s, site, collector):
    place = read_site(sites_folder() / f"{site}.toml").noun
    design = read_collector(sites_folder() / f"{collector}.collector.toml").noun
    step_s = interval_s / first_steps(place, design, interval_s)
    assert step_s <= 1800.0
    # a quarter of the half-width: 3 deg for the narrow funnel, at most 8 for the wide one
    degrees_per_s = 0.1 / place.body.mean_solar_day_hours
    assert step_s * degrees_per_s <= {"skyward": 2.0, "narrow": 0.76}[collector]


def test_a_row_of_a_minute_is_not_cut_where_the_sun_creeps():
    place = read_site(sites_folder() / "long-meadow.toml").noun
    design = read_collector(sites_folder() / "skyward.collector.toml").noun
    assert first_steps(place, design, 60.0) == 1
