"""Facings whose energy, gaps and optimum are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.model import RoundAcceptance
from yieldsim.base.numerics.vectors import angle_between_deg, direction_enu_xyz
from yieldsim.planning import tracking
from yieldsim.planning.orientation.best_facing import best_facing
from yieldsim.planning.orientation.facing_map import facing_map
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.planning.orientation.objectives import FacingProblem
from yieldsim.planning.orientation.pointing_tolerance import losses_on_a_crooked_mast, losses_when_off
from yieldsim.planning.unit_sets.design import choose_units


def cut_off_at(angle_deg, source="disc"):
    """Everything within an angle, nothing beyond; made for the disc so that edges are sharp."""
    return RoundAcceptance(
        incidence_deg=[0.0, angle_deg - 1e-6, angle_deg], acceptance_fraction=[1.0, 1.0, 0.0], source=source
    )


FLAT_PLATE = RoundAcceptance(incidence_deg=[0.0, 90.0], acceptance_fraction=[1.0, 1.0], source="disc")


def circling(steps, turns, elevation_deg=0.0):
    """The Sun of a pole: round the horizon at one elevation."""
    azimuth = (np.arange(steps) + 0.5) * 360.0 * turns / steps
    return direction_enu_xyz(azimuth % 360.0, np.full(steps, elevation_deg))


def some_facings(count, low=0.0, high=180.0, seed=1):
    rng = np.random.default_rng(seed)
    return facings(rng.uniform(low, high, count), rng.uniform(0.0, 360.0, count))


@pytest.mark.parametrize("angle_deg", [10.0, 35.0])
def test_uniform_sky_gives_every_facing_the_projected_share(weighed, angle_deg):
    # a spiral from zenith to nadir, even in height, lights every part of the sphere alike; a facing takes
    # the light of its cone times the cosine: pi sin^2(a) of 4 pi
    count, turns = 120_000, 240
    height = 1.0 - 2.0 * (np.arange(count) + 0.5) / count
    sun = direction_enu_xyz((np.arange(count) * 360.0 * turns / count) % 360.0, np.degrees(np.arcsin(height)))
    prospect = weighed(sun, np.full(count, 1000.0), cut_off_at(angle_deg), step_minutes=4, cell_deg=0.25)
    hours = count * 4 / 60.0
    expected = hours * np.sin(np.radians(angle_deg)) ** 2 / 4.0
    some = some_facings(200, 45.0, 135.0)
    energy = prospect.year.kwh(some.axes_enu_xyz, some.tilt_deg)
    # turns of the spiral lie 0.5 to 0.7 deg apart there: the rim cuts them unevenly
    np.testing.assert_allclose(energy, expected, rtol=0.01)
    assert energy.mean() == pytest.approx(expected, rel=1e-3)


def test_a_fixed_sun_is_the_best_facing_and_losses_are_those_of_the_curve(weighed, light_hours):
    table = RoundAcceptance(
        incidence_deg=[0, 5, 10, 15], acceptance_fraction=[0.9, 0.85, 0.5, 0.0], source="disc"
    )
    sun = np.repeat(direction_enu_xyz([222.0], [31.0]), 8760, axis=0)
    prospect = weighed(sun, np.full(8760, 500.0), table)
    for goal in ("annual", "worst-month", "shortest-gap"):
        found = best_facing(FacingProblem(prospect, goal))
        off = angle_between_deg(found.facing.axes_enu_xyz[0, 2], sun[0])
        assert off < (0.02 if goal != "shortest-gap" else 15.0)
    best = best_facing(FacingProblem(prospect, "annual"))
    assert best.score == pytest.approx(0.9 * 0.5 * 8760, rel=1e-4)
    assert best.score <= best.bound <= best.score * 1.01
    gap, light = prospect.gap_hours(best.facing), light_hours(prospect, best.facing)
    assert (gap[0], light[0]) == (0.0, 8760.0)
    for row in losses_when_off(prospect, facings(59.0, 222.0), (2.0, 8.0)):
        off = row["off_deg"]
        kept = np.interp(off, table.incidence_deg, table.acceptance_fraction) / 0.9 * np.cos(np.radians(off))
        assert row["mean_loss_fraction"] == pytest.approx(1.0 - kept, abs=2e-4)
        assert row["worst_loss_fraction"] == pytest.approx(1.0 - kept, abs=2e-4)


def test_a_crooked_mast_moves_the_aperture_as_far_as_it_leans(weighed):
    sun = np.repeat(direction_enu_xyz([222.0], [31.0]), 100, axis=0)
    prospect = weighed(sun, np.full(100, 500.0), FLAT_PLATE)
    facing = facings(59.0, 222.0)
    lean = losses_on_a_crooked_mast(prospect, facing, 6.0, 0.0)
    assert lean["furthest_off_deg"] == pytest.approx(6.0, abs=1e-6)
    assert lean["worst_loss_fraction"] == pytest.approx(1.0 - np.cos(np.radians(6.0)), rel=1e-3)
    # a mean over the disc of leans: towards the facing in full, across it by cos(tilt); loss x^2 / 2,
    # and <x^2> = 6^2 / 4 (1 + cos^2 tilt)
    mean = np.radians(6.0) ** 2 / 8.0 * (1.0 + np.cos(np.radians(59.0)) ** 2)
    assert lean["expected_loss_fraction"] == pytest.approx(mean, rel=0.02)
    turn = losses_on_a_crooked_mast(prospect, facing, 0.0, 10.0)
    away = np.degrees(2.0 * np.arcsin(np.sin(np.radians(59.0)) * np.sin(np.radians(5.0))))
    assert turn["furthest_off_deg"] == pytest.approx(away, rel=1e-9)


def test_polar_sun_gives_the_same_from_every_azimuth(weighed):
    a = 20.0
    prospect = weighed(circling(8766, 12.369), np.full(8766, 1000.0), cut_off_at(a))
    round_the_horizon = facings(90.0, np.arange(0.0, 360.0, 7.3))
    energy = prospect.annual_kwh(round_the_horizon)
    # a step is 0.51 deg of a window of 40; twelve or thirteen passages
    np.testing.assert_allclose(energy, energy.mean(), rtol=0.06)
    whole = weighed(circling(8640, 12), np.full(8640, 1000.0), cut_off_at(a))
    even = whole.annual_kwh(round_the_horizon)
    np.testing.assert_allclose(even, even.mean(), rtol=2e-3)
    assert even.mean() == pytest.approx(8640.0 * np.sin(np.radians(a)) / np.pi, rel=2e-3)


def test_units_of_acceptance_2a_cover_2a_n_degrees(weighed):
    a, per_turn = 45.0, 720
    prospect = weighed(circling(2 * per_turn, 2), np.full(2 * per_turn, 1000.0), cut_off_at(a))
    plan = choose_units(prospect, "shortest-gap", 4)
    hours_per_deg = per_turn / 360.0
    for able in plan.curve:
        # the dark left over is shared out evenly; steps are half a degree, lit or not as a whole
        expected_deg = max(360.0 - 2.0 * a * able.units, 0.0) / able.units
        assert able.longest_gap_hours / hours_per_deg == pytest.approx(expected_deg, abs=1.0)
        lit = able.hours_delivering / (2 * per_turn)
        assert lit == pytest.approx(min(able.units * 2.0 * a / 360.0, 1.0), abs=0.01)
        # the bound speaks of every facing, tried or not: cones half a diagonal of its grid wider, and a search for
        # windows that is cut short
        wider_deg = 2.0 * 0.76 * 0.6 * plan.candidate_step_deg
        assert able.upper_bound <= able.longest_gap_hours
        assert able.upper_bound / hours_per_deg >= max(expected_deg - wider_deg, 0.0) * 0.93 - 2.0


@pytest.mark.slow
def test_as_many_units_as_the_circle_needs(weighed):
    prospect = weighed(circling(2 * 720, 2), np.full(2 * 720, 1000.0), cut_off_at(30.5))
    reached = [able.longest_gap_hours for able in choose_units(prospect, "shortest-gap", 6).curve]
    assert (np.array(reached[:5]) > 0.0).all()
    assert reached[5] == 0.0


def test_equatorial_sun_is_the_same_for_east_and_west(weighed):
    hour = (np.arange(8640) + 0.5) * 360.0 / 720.0
    up = np.cos(np.radians(hour))
    sun = np.stack([np.sin(np.radians(hour)), np.zeros_like(hour), up], axis=1)
    prospect = weighed(sun, np.where(up > 0.0, 1000.0, 0.0), cut_off_at(25.0))
    tilts = np.arange(0.0, 91.0, 5.0)
    east, west = (prospect.annual_kwh(facings(tilts, azimuth)) for azimuth in (90.0, 270.0))
    np.testing.assert_allclose(east, west, rtol=1e-9)
    north, south = (prospect.annual_kwh(facings(tilts, azimuth)) for azimuth in (0.0, 180.0))
    np.testing.assert_allclose(north, south, rtol=1e-9)
    # all of the window is above the horizon up to 65 deg of tilt: 2 sin(a) / 360 of the turn
    expected = 8640.0 * np.sin(np.radians(25.0)) / np.pi
    np.testing.assert_allclose(east[tilts <= 65.0], expected, rtol=5e-3)


def test_flat_plate_faces_the_sum_of_all_light(weighed):
    # energy is |sum w s| cos(angle to it) as long as all light comes from in front
    rng = np.random.default_rng(5)
    hour = np.radians(np.linspace(-50.0, 50.0, 2000))
    sun = np.stack([np.sin(hour), 0.4 * np.cos(hour), 0.9165 * np.cos(hour)], axis=1)
    sun /= np.linalg.norm(sun, axis=1, keepdims=True)
    power = rng.uniform(0.0, 1000.0, 2000)
    prospect = weighed(sun, power, FLAT_PLATE)
    total = (power[:, None] * sun).sum(axis=0) / 1000.0
    found = best_facing(FacingProblem(prospect, "annual"))
    assert angle_between_deg(found.facing.axes_enu_xyz[0, 2], total) < 0.3
    assert found.score == pytest.approx(np.linalg.norm(total), rel=1e-5)


def test_turning_everything_changes_nothing(weighed, light_hours):
    rng = np.random.default_rng(11)
    azimuth = (np.arange(8766) * 0.508) % 360.0
    elevation = 1.5 * np.sin(np.arange(8766) / 1300.0)
    power = np.where(np.sin(np.radians(3.0 * azimuth)) > rng.uniform(-1.0, 0.2, 8766), 700.0, 0.0)
    table = RoundAcceptance(incidence_deg=[0, 8, 12], acceptance_fraction=[0.8, 0.7, 0.0], source="point")
    looked, turned = (
        weighed(direction_enu_xyz((azimuth + turn) % 360.0, elevation), power, table) for turn in (0.0, 77.3)
    )
    some = some_facings(60, 70.0, 110.0)
    also = facings(some.tilt_deg, some.azimuth_deg + 77.3)
    # cells fall differently; the light of their means does not (see the bound)
    np.testing.assert_allclose(looked.annual_kwh(some), turned.annual_kwh(also), rtol=3e-3, atol=0.05)
    np.testing.assert_array_equal(light_hours(looked, some), light_hours(turned, also))
    first, second = best_facing(FacingProblem(looked, "annual")), best_facing(FacingProblem(turned, "annual"))
    assert first.score == pytest.approx(second.score, rel=1e-3)


# ---------------------------------------------------------------- followers


def year_light(prospect):
    return tracking.SunLight.of_sky(prospect.year.sky)


def test_followers_of_a_circling_sun(weighed):
    e, a = 12.0, 30.0
    prospect = weighed(circling(8640, 12, e), np.full(8640, 1000.0), cut_off_at(a))
    found = tracking.followers(prospect.track, prospect.year.ready, -90.0, light=year_light(prospect))
    by_name = {one.axes: one for one in found}
    assert found[0].axes == tracking.TWO_AXES
    assert found[0].kwh == pytest.approx(8640.0, rel=1e-4)
    assert found[0].longest_gap_hours == 0.0
    # a vertical axis with the aperture at the Sun's elevation follows it all the way
    assert by_name[tracking.VERTICAL].kwh == pytest.approx(8640.0, rel=1e-4)
    assert by_name[tracking.VERTICAL].tilt_deg == pytest.approx(90.0 - e, abs=0.05)
    # a polar axle stands upright at the pole, square to the horizon: off by the elevation
    assert by_name["polar axis"].kwh == pytest.approx(8640.0 * np.cos(np.radians(e)), rel=1e-4)
    # a level axle along north: off by asin(cos e cos azimuth), inside a for the rest of the turn
    azimuth = np.radians(np.arange(0.0, 360.0, 0.01))
    off = np.arcsin(np.cos(np.radians(e)) * np.cos(azimuth))
    share = np.where(np.abs(off) < np.radians(a), np.cos(off), 0.0).mean()
    for name in ("horizontal north-south axis", "horizontal east-west axis"):
        assert by_name[name].kwh == pytest.approx(8640.0 * share, rel=5e-3)
        dark_hours = 720.0 * np.degrees(np.arccos(np.sin(np.radians(a)) / np.cos(np.radians(e)))) / 180.0
        assert by_name[name].longest_gap_hours == pytest.approx(dark_hours, abs=2.0)


def test_standstill_takes_its_share_and_lengthens_the_gap(weighed):
    prospect = weighed(circling(8640, 12), np.full(8640, 1000.0), cut_off_at(30.0))
    free, held = (
        tracking.followers(
            prospect.track,
            prospect.year.ready,
            0.0,
            light=year_light(prospect),
            downtime_fraction=f,
            stop_hours=h,
        )[0]
        for f, h in ((0.0, 0.0), (0.15, 36.0))
    )
    assert held.kwh == pytest.approx(0.85 * free.kwh)
    assert held.longest_gap_hours == free.longest_gap_hours + 36.0


def test_a_follower_s_gap_that_the_run_s_end_cuts_is_marked(weighed):
    power = np.full(8640, 1000.0)
    dark_at_the_end, dark_within = power.copy(), power.copy()
    dark_at_the_end[8000:] = 0.0
    dark_within[4000:4640] = 0.0
    for power_w, cut in ((dark_at_the_end, True), (dark_within, False)):
        prospect = weighed(circling(8640, 12), power_w, cut_off_at(30.0))
        both_axes = tracking.followers(prospect.track, prospect.year.ready, 0.0, light=year_light(prospect))[
            0
        ]
        assert both_axes.longest_gap_is_cut is cut
        assert both_axes.longest_gap_hours == pytest.approx(640.0, rel=0.01)


def test_fixed_units_for_one_follower():
    # a circling Sun and acceptance +-a: a fixed unit has sin(a) / pi of what a follower has
    assert tracking.units_for_energy(1000.0, 1000.0 * np.sin(np.radians(30.0)) / np.pi) == pytest.approx(
        2.0 * np.pi
    )
    assert tracking.units_for_energy(1000.0, 0.0) is None


def test_the_map_covers_the_whole_sky(weighed):
    prospect = weighed(circling(720, 1), np.full(720, 1000.0), cut_off_at(20.0))
    found = facing_map(prospect, 5.0, by_month=True)
    assert found.annual_kwh.shape == (37, 72)
    assert (found.tilt_deg[[0, -1]] == [0.0, 180.0]).all()
    np.testing.assert_allclose(found.month_kwh.sum(axis=0), found.annual_kwh, rtol=1e-12)
    assert found.annual_kwh[0].max() == 0.0
    assert found.annual_kwh[18].min() > 0.0
