"""Wrong arguments from Python are told like wrong files: InputError, by name."""

import math
from dataclasses import replace

import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.model import BiaxialAcceptance, Dust, Fibre, HorizonMask, Mount, RoundAcceptance, Shield
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.estimate.output import summary_of
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.noun_checks import noun_problems

SITE, COLLECTOR = sites_folder() / "lantern-ridge.toml", sites_folder() / "wide.collector.toml"


@pytest.mark.parametrize(
    ("site", "collector", "told"), [(None, COLLECTOR, "site"), (SITE, 3, "collector"), ([], {}, "site is")]
)
def test_neither_file_nor_noun(site, collector, told):
    with pytest.raises(InputError, match=told):
        estimate(site, collector)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"tolerance": None}, "tolerance"),
        ({"tolerance": 0.5}, "tolerance"),
        ({"interval_minutes": True}, "interval_minutes"),
        ({"interval_minutes": "60"}, "interval_minutes"),
        ({"years": "1"}, "years"),
        ({"kernels": "none.bsp"}, r"none\.bsp"),
        ({"kernels": [5]}, "kernels is 5"),
        ({"interval_minutes": 1, "years": 10}, "rows"),
        ({"start": True}, "start"),
    ],
)
def test_options_by_name(options, told):
    with pytest.raises(InputError, match=told):
        estimate(SITE, COLLECTOR, **options)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"latitude_deg": 100.0}, "latitude_deg is 100.0; allowed: -90 to 90"),
        ({"latitude_deg": math.nan}, "latitude_deg is nan"),
        ({"mast_height_m": None}, "mast_height_m is None"),
        (
            {"horizon": HorizonMask(azimuth_deg=[0.0, 10.0], elevation_deg=[0.0, 91.0])},
            r"horizon.elevation_deg holds",
        ),
        ({"dust": Dust(loss_per_day=1.0)}, "dust.loss_per_day is 1.0"),
        ({"optical_depth": -1.0}, "optical_depth is -1"),
    ],
)
def test_sites_made_by_hand_are_checked(changes, told):
    with pytest.raises(InputError, match=told):
        estimate(replace(read_site(SITE).noun, **changes), COLLECTOR)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"aperture_area_m2": -1.0}, "aperture_area_m2 is -1.0; allowed: more than 0"),
        ({"mounts": ()}, "mounts is empty"),
        ({"mounts": (Mount(tilt_deg=math.inf, azimuth_deg=0.0),)}, "mounts #1 tilt_deg is inf"),
        ({"mounts": (Mount(tilt_deg=0.0, azimuth_deg=0.0, count=0),)}, "mounts #1 count is 0"),
        ({"shield": Shield(removal=1.2)}, "shield.removal is 1.2"),
        (
            {"shield": Shield(cycle_hours=1.0, duty_minutes=90.0)},
            "shield.duty_minutes is 90; allowed: at most",
        ),
        ({"fibre": Fibre(length_m=-3.0)}, "fibre.length_m is -3.0"),
        (
            {"acceptance": RoundAcceptance(incidence_deg=[0, 9], acceptance_fraction=[2, 0], source="disc")},
            r"acceptance.acceptance_fraction holds 2; allowed: 0 to 1",
        ),
        (
            {"acceptance": RoundAcceptance(incidence_deg=[9, 0], acceptance_fraction=[1, 0], source="disc")},
            r"acceptance.incidence_deg doesn't increase",
        ),
        (
            {
                "acceptance": BiaxialAcceptance(
                    transverse_deg=[0, 9],
                    longitudinal_deg=[0, 9],
                    acceptance_fraction=[[1, 0]],
                    source="disc",
                )
            },
            r"acceptance.acceptance_fraction has the shape \(1, 2\); allowed: \(2, 2\)",
        ),
    ],
)
def test_collectors_made_by_hand_are_checked(changes, told):
    with pytest.raises(InputError, match=told):
        estimate(SITE, replace(read_collector(COLLECTOR).noun, **changes))


def test_demo_nouns_pass_the_checks():
    for path in sites_folder().glob("*.collector.toml"):
        assert list(noun_problems(read_collector(path).noun)) == []
    for path in sites_folder().glob("*.toml"):
        if len(path.suffixes) == 1:
            assert list(noun_problems(read_site(path).noun)) == []


def test_a_mount_that_sees_nothing_is_told():
    up = replace(read_collector(COLLECTOR).noun, mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),))
    warnings = summary_of(estimate(SITE, up, "2027-01-01", "2027-01-03"))["warnings"]
    assert any("delivers nothing" in line and "tilt 0" in line for line in warnings)
