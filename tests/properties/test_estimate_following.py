"""What an estimate says of mounts that follow the Sun: against its own series, against orient, against plain geometry."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.model import Collector, Dust, HorizonMask, Mount, RoundAcceptance, Site
from yieldsim.files.inputs.readers import read_body
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.estimate.output import summary_of
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.orient.run import orient

SPAN = ("2027-01-05", "2027-04-01")
RIDGE = Site(
    name="ridge",
    body=read_body("moon").noun,
    latitude_deg=-89.2,
    longitude_deg=120.0,
    mast_height_m=5.0,
    horizon=HorizonMask(azimuth_deg=[0, 90, 200, 300], elevation_deg=[0.5, -1.0, 0.8, -0.5]),
    dust=Dust(loss_per_day=5e-3),
)
UNIT = Collector(
    name="unit",
    aperture_area_m2=0.2,
    mounts=(Mount(tilt_deg=89.0, azimuth_deg=30.0, count=3), Mount(tilt_deg=89.0, azimuth_deg=150.0)),
    acceptance=RoundAcceptance(
        incidence_deg=[0, 20, 30, 35], acceptance_fraction=[0.9, 0.8, 0.3, 0.0], source="point"
    ),
)


@pytest.fixture(scope="module")
def ridge():
    return summary_of(estimate(RIDGE, UNIT, *SPAN))


def test_two_axes_deliver_what_the_series_of_the_estimate_says(ridge):
    found = ridge["following"]
    both = found["followers"][0]
    assert both["axes"] == "two axes"
    # single precision in the steps kept
    assert 4 * both["kwh_per_unit"] == pytest.approx(ridge["sun_following_kwh"], rel=1e-5)
    assert found["fixed_kwh_per_unit"] == pytest.approx(ridge["delivered_kwh"] / 4, rel=1e-12)
    assert found["fixed_longest_gap_hours"] == ridge["longest_gap_hours"]
    assert both["fixed_units_for_same_energy"] == pytest.approx(1.0 / ridge["capture_fraction"], rel=1e-5)
    assert max(row["kwh_per_unit"] for row in found["followers"]) == both["kwh_per_unit"]
    assert found["best_single_axis"] == found["followers"][1]["axes"]
    assert both["longest_gap_hours"] <= ridge["longest_gap_hours"]


def test_followers_are_those_of_orient(ridge):
    """The same apertures by the compressed sky of `orient`, which knows nothing of the mounts; three months are no year, so
    both tell what is delivered in the span."""
    asked = json.loads(orient(RIDGE, UNIT, *SPAN, step_deg=5.0).attrs["summary"])["following"]
    here = {row["axes"]: row for row in ridge["following"]["followers"]}
    assert {row["axes"] for row in asked["followers"]} == set(here)
    for row in asked["followers"]:
        own = here[row["axes"]]
        assert own["kwh_per_unit"] == pytest.approx(row["annual_kwh_per_unit"], rel=2e-3)
        # a step of each
        assert own["longest_gap_hours"] == pytest.approx(row["longest_gap_hours"], abs=1.0)
        assert own["fixed_units_for_same_gap"] == row["fixed_units_for_same_gap"]


def test_a_level_axle_at_the_equator_of_a_body_without_season():
    """On Mercury (obliquity 0.03 deg) the Sun passes the zenith: an axle to the north is square to it all day."""
    plain = Site(name="plain", body=read_body("mercury").noun, latitude_deg=0.0, longitude_deg=40.0)
    found = summary_of(estimate(plain, UNIT, "2027-01-01", "2027-07-01"))["following"]["followers"]
    rows = {row["axes"]: row for row in found}
    both = rows["two axes"]["kwh_per_unit"]
    assert rows["horizontal north-south axis"]["kwh_per_unit"] == pytest.approx(both, rel=1e-3)
    assert rows["polar axis"]["kwh_per_unit"] == pytest.approx(both, rel=1e-3)
    # across its way it is a fixed aperture that looks up: the Sun is within 35 deg of it for 70 of 180 deg
    assert rows["horizontal east-west axis"]["kwh_per_unit"] < 0.4 * both
    assert rows["horizontal east-west axis"]["longest_gap_hours"] > rows["two axes"]["longest_gap_hours"]


def test_standstill(ridge):
    held = summary_of(estimate(RIDGE, UNIT, *SPAN, tracker_downtime_fraction=0.2, tracker_stop_hours=48.0))
    assert held["delivered_kwh"] == ridge["delivered_kwh"]
    assert held["sun_following_kwh"] == ridge["sun_following_kwh"]
    for free, own in zip(ridge["following"]["followers"], held["following"]["followers"], strict=True):
        assert own["kwh_per_unit"] == pytest.approx(0.8 * free["kwh_per_unit"], rel=1e-12)
        assert own["longest_gap_hours"] == free["longest_gap_hours"] + 48.0
    assert held["provenance"]["options"]["tracker_downtime_fraction"] == 0.2
    assert held["provenance"]["options"]["tracker_stop_hours"] == 48.0
    with pytest.raises(InputError) as caught:
        estimate(RIDGE, UNIT, *SPAN, tracker_downtime_fraction=1.2, tracker_stop_hours=-1.0)
    assert {problem.key for problem in caught.value.problems} == {
        "tracker_downtime_fraction",
        "tracker_stop_hours",
    }
    with pytest.raises(InputError, match="tracker_stop_hours"):
        estimate(RIDGE, UNIT, *SPAN, tracker_stop_hours="48")


def test_a_site_in_the_dark_has_no_followers_to_speak_of():
    hole = replace(RIDGE, horizon=HorizonMask(azimuth_deg=[0, 180], elevation_deg=[60, 60]))
    found = summary_of(estimate(hole, UNIT, "2027-01-05", "2027-01-19"))["following"]
    assert found["fixed_kwh_per_unit"] == 0.0
    for row in found["followers"]:
        assert row["kwh_per_unit"] == 0.0
        assert row["longest_gap_hours"] == 14 * 24.0
        assert row["fixed_units_for_same_energy"] is None
        assert row["fixed_units_for_same_gap"] is None


def test_two_angle_optics_turn_the_wide_side_along_the_axle():
    """A wide trough on a polar axle keeps the Sun in its narrow plane: as good as two axes but for the cosine."""
    from yieldsim.base.model import BiaxialAcceptance

    fan = BiaxialAcceptance(
        transverse_deg=[0.0, 4.0, 5.0],
        longitudinal_deg=[0.0, 50.0, 60.0],
        acceptance_fraction=np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 0.0]]),
        source="disc",
    )
    plain = Site(name="plain", body=read_body("mars").noun, latitude_deg=18.0, longitude_deg=77.0)
    for turned in (fan, replace_axes(fan)):
        rows = summary_of(estimate(plain, replace(UNIT, acceptance=turned), "2027-01-05", "2027-01-19"))
        found = {row["axes"]: row["kwh_per_unit"] for row in rows["following"]["followers"]}
        declination = 24.0
        assert found["polar axis"] > np.cos(np.radians(declination)) * found["two axes"]
        assert found["polar axis"] < found["two axes"]


def replace_axes(table):
    return replace(
        table,
        transverse_deg=table.longitudinal_deg,
        longitudinal_deg=table.transverse_deg,
        acceptance_fraction=np.array(table.acceptance_fraction).T,
    )


def test_the_shipped_site_says_it():
    ds = estimate(
        sites_folder() / "lantern-ridge.toml",
        sites_folder() / "wide.collector.toml",
        "2027-01-01",
        "2027-07-01",
    )
    found = summary_of(ds)["following"]
    # a ring of nine faces shares the Sun: each unit sees it for about 41 of 360 deg, at a cosine and an acceptance below 1
    assert found["followers"][0]["fixed_units_for_same_energy"] > 360.0 / 41.0
    assert found["followers"][0]["fixed_units_for_same_gap"] <= 9
