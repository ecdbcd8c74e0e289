"""Sets that share the year: whole sets against trying all, mixes against one linear programme over all facings, joint moves."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
import pytest

from yieldsim.base.model import BiaxialAcceptance, Mount, RoundAcceptance
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.planning.orientation.objectives import FacingProblem
from yieldsim.planning.unit_sets.design import begun, choose_units, distinct_sets, gathered, polished
from yieldsim.planning.unit_sets.max_min_month import (
    MonthChooser,
    best_mix,
    moved_together,
    priced_mix,
    sharing_facings,
)
from yieldsim.planning.unit_sets.performance import Watch

TROUGH = BiaxialAcceptance(
    transverse_deg=[0, 4, 8],
    longitudinal_deg=[0, 25, 45],
    acceptance_fraction=[[0.9, 0.7, 0.0], [0.8, 0.6, 0.0], [0.0, 0.0, 0.0]],
    source="disc",
)
CONE = RoundAcceptance(incidence_deg=[0, 8, 16], acceptance_fraction=[0.9, 0.7, 0.0], source="disc")


def year_of_a_garden(steps=366 * 72):
    """Twenty minutes a step at 45 deg north with a declination of 23.4 deg: high Sun in summer, low in winter."""
    hour = np.arange(steps) / 3.0
    declination = np.radians(23.4) * np.sin(2.0 * np.pi * (hour - 1920.0) / 8784.0)
    angle, lat = 2.0 * np.pi * hour * 1.003 / 24.0, np.radians(45.0)
    up = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(angle)
    north = np.cos(lat) * np.sin(declination) - np.sin(lat) * np.cos(declination) * np.cos(angle)
    east = -np.cos(declination) * np.sin(angle)
    return np.stack([east, north, up], axis=1), np.where(up > 0.0, 100.0, 0.0)


@pytest.mark.parametrize("units", [2, 3])
def test_whole_sets_are_the_best_of_all(units):
    for seed in range(5):
        kwh = np.random.default_rng(seed).uniform(0.0, 1.0, (14, 12)) ** 3
        chosen = MonthChooser(kwh).whole(units)
        assert len(chosen) == units
        known = max(
            kwh[list(some)].sum(axis=0).min() for some in combinations_with_replacement(range(14), units)
        )
        assert kwh[chosen].sum(axis=0).min() == pytest.approx(known, rel=2e-4)


def test_a_mix_found_facing_by_facing_is_the_mix_of_all():
    for seed in range(4):
        kwh = np.random.default_rng(seed).uniform(0.0, 1.0, (600, 12)) ** 2
        mix, price = priced_mix(kwh)
        whole = best_mix(kwh).poorest_kwh
        assert best_mix(kwh[mix]).poorest_kwh == pytest.approx(whole, rel=2e-3)
        # no facing is worth more by the weights than the mix: they bound it
        assert whole * (1.0 - 1e-9) <= price.max() <= whole * 1.002 * 1.002


@pytest.mark.slow
def test_facings_that_share_the_year_hold_more_than_the_best_one(weighed):
    prospect = weighed(*year_of_a_garden(), TROUGH, step_minutes=20, steps=3)
    some = sharing_facings(prospect)
    months = prospect.month_kwh(some)[:, prospect.whole_months]
    plan = choose_units(prospect, "worst-month", 2)
    one, two = plan.curve
    assert two.value > 2.2 * one.value
    assert best_mix(months).poorest_kwh > one.value
    # two tilts, for the high Sun and for the low
    tilts = sorted(mount.tilt_deg for mount in plan.mounts)
    assert tilts[-1] - tilts[0] > 8.0


@pytest.mark.parametrize("table", [TROUGH, CONE], ids=["two angles", "round"])
def test_moving_units_together_never_hurts_and_helps_where_one_alone_cannot(weighed, table):
    prospect = weighed(*year_of_a_garden(), table, step_minutes=20, steps=3)
    start = facings([42.0, 50.0], [178.0, 181.0], [88.0, 91.0] if table is TROUGH else 0.0)
    counts = np.array([2, 1])
    before = FacingProblem(prospect, "worst-month").worth(counts @ prospect.month_kwh(start)[None])[0]
    moved, after = moved_together(prospect, start, counts, scout=True)
    assert after == pytest.approx(
        FacingProblem(prospect, "worst-month").worth(counts @ prospect.month_kwh(moved, scout=True)[None])[0],
        rel=1e-9,
    )
    finest, last = moved_together(prospect, moved, counts)
    assert last == pytest.approx(
        FacingProblem(prospect, "worst-month").worth(counts @ prospect.month_kwh(finest)[None])[0], rel=1e-9
    )
    assert last > 1.05 * before
    if table is CONE:
        assert not finest.roll_deg.any()


def test_units_moved_one_by_one_beside_the_rest_use_more(weighed):
    """A load that takes so much and no more at a time, no store."""
    prospect = weighed(
        *year_of_a_garden(),
        TROUGH,
        step_minutes=20,
        steps=3,
        use=lambda power_w: np.minimum(power_w, 20.0).sum(axis=-1) / 1000.0,
    )
    both = facings([45.0, 65.0], 180.0, 90.0)
    watch = Watch(prospect, "load")
    before = watch.worth((both.mount(0, 2),))
    mounts = polished(prospect, "load", both, 6.0, [0, 0], watch, thorough=True)
    assert sum(mount.count for mount in mounts) == 2
    assert watch.worth(mounts) > 1.01 * before


def test_a_sun_that_never_moves_is_shared_by_all(weighed):
    sun = np.repeat(direction_enu_xyz([120.0], [40.0]), 2200, axis=0)
    plan = choose_units(weighed(sun, np.full(2200, 100.0), TROUGH), "worst-month", 2)
    assert plan.curve[1].value == pytest.approx(2.0 * plan.curve[0].value, rel=1e-3)


def test_units_that_face_nearly_the_same_way_share_a_mount(weighed):
    prospect = weighed(*year_of_a_garden(), CONE, step_minutes=20, steps=3)
    watch = Watch(prospect, "worst-month")
    faces = [(48.0, 180.0, 1), (48.01, 180.02, 2), (48.02, 180.0, 1), (70.0, 180.0, 1), (48.6, 180.0, 1)]
    mounts = tuple(Mount(tilt_deg=tilt, azimuth_deg=azimuth, count=count) for tilt, azimuth, count in faces)
    fewer = gathered(mounts, watch)
    assert sum(mount.count for mount in fewer) == 6
    assert 2 <= len(fewer) < 5
    assert any(mount.tilt_deg == 70.0 for mount in fewer)
    assert watch.worth(fewer) >= watch.worth(mounts) * (1.0 - 3e-4)


def test_drawn_sets_are_the_same_each_time_and_of_the_mix():
    kwh = np.random.default_rng(1).uniform(0.0, 1.0, (30, 6))
    chooser = MonthChooser(kwh)
    share = best_mix(kwh).share
    drawn = chooser.drawn(5, 3)
    chooser.add(2.0 * kwh[:4])
    assert chooser.drawn(5, 3) == drawn
    assert [len(one) for one in drawn] == [5, 5, 5]
    assert all(share[place] > 0.0 for one in drawn for place in one)
    # sets may take what was added, the bound stays that of the first
    assert chooser.count == 34
    assert chooser.bound(3, []) == MonthChooser(kwh).bound(3, [])


def test_drawn_sets_stay_apart_where_no_set_lights_every_month():
    """Exchanges would make them all the one of the best year: it stays dark however its units are turned a little."""
    chooser = MonthChooser(np.diag([1.0, 1.5, 2.0]))
    drawn = chooser.drawn(2, 12)
    assert chooser.poorest_kwh([0, 1]) == 0.0
    assert [begun(chooser, one) for one in drawn] == drawn
    assert len(distinct_sets(drawn)) > 2
    # three can: exchanges bring each set there
    assert {tuple(sorted(begun(chooser, one))) for one in chooser.drawn(3, 12)} == {(0, 1, 2)}
