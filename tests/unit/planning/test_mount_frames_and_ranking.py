"""Facings in numbers: axes, roundings, crooked masts; and sites put in order."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.model import Mount
from yieldsim.base.numerics.vectors import angle_between_deg, mount_axes_enu_xyz
from yieldsim.planning.orientation.best_facing import in_hundredths
from yieldsim.planning.orientation.mount_frames import (
    Facings,
    facings,
    facings_of_axes,
    leaned,
    of_mounts,
    on_a_crooked_mast,
    sky_grid,
    spread_over_sky,
)
from yieldsim.planning.orientation.pattern_search import distinct, search_turned
from yieldsim.planning.site_ranking import kept_by_stage, ranked, units_for_power


def drawn(count=60, seed=1):
    rng = np.random.default_rng(seed)
    return facings(rng.uniform(0, 180, count), rng.uniform(0, 360, count), rng.uniform(-180, 180, count))


def test_axes_are_those_of_one_mount_and_come_back():
    some = drawn()
    axes = some.axes_enu_xyz
    for i in range(some.count):
        np.testing.assert_allclose(axes[i], mount_axes_enu_xyz(*(column[i] for column in some)), atol=1e-12)
    np.testing.assert_allclose(facings_of_axes(axes), some, atol=1e-9)


def test_mounts_are_whole_hundredths_in_the_ranges_of_a_file():
    some = facings([0.001, 179.999, 45.678], [359.999, -0.001, 12.345], [180.0, -180.004, 33.333])
    mounts = [some.mount(i, 3) for i in range(3)]
    assert [m.azimuth_deg for m in mounts] == [0.0, 0.0, 12.35]
    assert [m.tilt_deg for m in mounts] == [0.0, 180.0, 45.68]
    assert [m.roll_deg for m in mounts] == [-180.0, -180.0, 33.33]
    assert all(m.count == 3 for m in mounts)
    np.testing.assert_allclose(
        of_mounts((Mount(tilt_deg=5.0, azimuth_deg=6.0, roll_deg=7.0),)), [[5.0], [6.0], [7.0]]
    )


def test_a_lean_is_off_by_that_angle_all_round():
    some = drawn(20)
    off = leaned(some, np.array([0.5, 3.0, 40.0, 3.0]), np.array([0.0, 90.0, 200.0, 270.0]))
    moved = angle_between_deg(off.axes_enu_xyz[:, 2], np.repeat(some.axes_enu_xyz[:, 2], 4, axis=0))
    np.testing.assert_allclose(moved.reshape(20, 4), np.tile([0.5, 3.0, 40.0, 3.0], (20, 1)), atol=1e-9)


def test_a_mast_leans_and_turns_as_a_rigid_whole():
    some = drawn(10)
    upright = on_a_crooked_mast(some, np.zeros(1), np.zeros(1), np.zeros(1))
    np.testing.assert_allclose(upright.axes_enu_xyz, some.axes_enu_xyz, atol=1e-12)
    turned = on_a_crooked_mast(some, np.zeros(1), np.zeros(1), np.array([7.0]))
    np.testing.assert_allclose(turned.tilt_deg, some.tilt_deg, atol=1e-9)
    np.testing.assert_allclose(
        (turned.azimuth_deg - some.azimuth_deg - 7.0 + 180.0) % 360.0, 180.0, atol=1e-9
    )
    straight_up = on_a_crooked_mast(facings(0.0, 0.0), np.array([4.0]), np.array([130.0]), np.zeros(1))
    assert (straight_up.tilt_deg[0], straight_up.azimuth_deg[0]) == pytest.approx((4.0, 130.0))
    # angles between the apertures of one mast stay
    both = on_a_crooked_mast(some, np.array([3.0]), np.array([77.0]), np.array([5.0]))
    before, after = some.axes_enu_xyz[:, 2], both.axes_enu_xyz[:, 2]
    np.testing.assert_allclose(before @ before.T, after @ after.T, atol=1e-12)


def test_grids_leave_no_hole():
    tilts, azimuths = sky_grid(7.0)
    assert (tilts[0], tilts[-1], azimuths[0]) == (0.0, 180.0, 0.0)
    assert np.diff(tilts).max() <= 7.0 * 1.05
    assert azimuths[-1] + np.diff(azimuths)[0] == pytest.approx(360.0)
    even = spread_over_sky(5.0, np.array([0.0, 30.0]))
    assert (even.roll_deg[:2] == [0.0, 30.0]).all()
    normals = even.take(slice(None, None, 2)).axes_enu_xyz[:, 2]
    nearest = (drawn(3000, 2).axes_enu_xyz[:, 2] @ normals.T).max(axis=1)
    # the distance that bounds over the whole sky rest on
    assert np.degrees(np.arccos(nearest.min())) <= 0.76 * 5.0


def test_distinct_places_of_normals_and_of_whole_mounts():
    some = facings([10.0, 11.0, 60.0, 11.0], 0.0, [0.0, 0.0, 0.0, 40.0])
    worth, axes = np.array([1.0, 2.0, 0.5, 1.5]), some.axes_enu_xyz
    assert distinct(axes, worth, 3.0, 5, rolls=False) == [1, 2]
    assert distinct(axes, worth, 3.0, 5) == [1, 3, 2]
    assert distinct(axes, worth, 3.0, 2) == [1, 3]
    assert distinct(axes, worth, 0.5, 5, rolls=False) == [1, 0, 2]


def test_search_climbs_to_the_top_and_reports_whole_hundredths():
    top = facings(63.217, 201.553).axes_enu_xyz[0, 2]

    def score(some, at_least):
        return -angle_between_deg(some.axes_enu_xyz[:, 2], top)

    starts = facings([40.0, 90.0], [180.0, 250.0])
    found, value = search_turned(
        lambda some, at_least: score(some, at_least)[:, None],
        lambda measures: measures[:, 0],
        starts,
        5.0,
        finest_deg=0.005,
        patience=2,
        rolls=False,
    )
    assert not found.roll_deg.any()
    assert value[0] == value.max()
    assert -value[0] < 0.005
    rounded, reached = in_hundredths(score, found)
    assert (rounded.tilt_deg[0], rounded.azimuth_deg[0]) == pytest.approx((63.22, 201.55), abs=0.011)
    assert -reached < 0.01


# ---------------------------------------------------------------- ranking


def row(name, **values):
    base = {
        "annual_kwh": 10.0,
        "worst_month_kwh": 1.0,
        "longest_gap_whole_hours": 50.0,
        "hours_delivering_per_year": 100.0,
    }
    return {"site": {"name": name}, "units_for_power": None, **base, **values}


def test_sites_in_the_order_of_the_goal():
    rows = [
        row("a", annual_kwh=5.0, longest_gap_whole_hours=9.0),
        row("b", annual_kwh=7.0),
        row("c", annual_kwh=7.0),
    ]
    assert [(r["site"]["name"], r["rank"]) for r in ranked(rows, "annual")] == [("b", 1), ("c", 1), ("a", 3)]
    assert ranked(rows, "shortest-gap")[0]["site"]["name"] == "a"
    with_units = [row("x", units_for_power=4), row("y"), row("z", units_for_power=2)]
    assert [r["site"]["name"] for r in ranked(with_units, "units")] == ["z", "x", "y"]


def test_units_for_a_mean_power():
    # 3 units give 30 W on average: 100 W takes ten
    assert units_for_power(100.0, 30.0, 3) == 10
    assert units_for_power(100.0, 30.01, 3) == 10
    assert units_for_power(101.0, 30.0, 3) == 11
    assert units_for_power(1.0, 30.0, 3) == 1
    assert units_for_power(100.0, 0.0, 3) is None


def test_what_each_stage_keeps():
    kept = kept_by_stage(
        [
            {"stage": "sunlight", "kwh": 10.0},
            {"stage": "dust", "kwh": 5.0},
            {"stage": "x", "kwh": 0.0},
            {"stage": "y", "kwh": 0.0},
        ]
    )
    assert kept == [
        {"stage": "dust", "kept_fraction": 0.5},
        {"stage": "x", "kept_fraction": 0.0},
        {"stage": "y", "kept_fraction": None},
    ]


def test_facings_name_their_columns():
    assert Facings._fields == ("tilt_deg", "azimuth_deg", "roll_deg")
