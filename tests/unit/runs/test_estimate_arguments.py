"""Wrong arguments from Python are told like wrong files: InputError, by name."""

import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.bundled import sites_folder
from yieldsim.runs.estimate import estimate

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
        ({"interval_minutes": 1, "years": 10}, "rows"),
        ({"start": True}, "start"),
    ],
)
def test_options_by_name(options, told):
    with pytest.raises(InputError, match=told):
        estimate(SITE, COLLECTOR, **options)


def test_a_mount_that_sees_nothing_is_told():
    from dataclasses import replace

    from yieldsim.base.nouns import Mount
    from yieldsim.files.inputs import read_collector
    from yieldsim.runs.deliver import summary_of

    up = replace(read_collector(COLLECTOR).noun, mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),))
    warnings = summary_of(estimate(SITE, up, "2027-01-01", "2027-01-03"))["warnings"]
    assert any("delivers nothing" in line and "tilt 0" in line for line in warnings)
