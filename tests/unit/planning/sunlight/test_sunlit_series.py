"""Stretches of light found by leaps against looking at every step."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.model import BiaxialAcceptance, Dust, RoundAcceptance
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.energy.soiling import DustHistory
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.optics.acceptance import acceptance_at
from yieldsim.optics.acceptance_interpolator import light
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.planning.orientation.objectives import FacingProblem
from yieldsim.planning.sunlight.sunlit_series import (
    delivering_runs,
    is_cut,
    joined,
    lit_runs,
    longest_gap_steps,
)

ROUND = RoundAcceptance(incidence_deg=[0, 9, 12], acceptance_fraction=[0.9, 0.8, 0.0], source="point")
HOLLOW = RoundAcceptance(
    incidence_deg=[0, 2, 4, 9, 12], acceptance_fraction=[0.5, 0.0, 0.0, 0.6, 0.0], source="point"
)
TROUGH = BiaxialAcceptance(
    transverse_deg=[0, 5, 8],
    longitudinal_deg=[-10, 20, 40],
    acceptance_fraction=[[0.3, 0.8, 0.5], [0.25, 0.7, 0.4], [0.1, 0.2, 0.1]],
    source="point",
)
STEPS = 6000


def sky(seed=3):
    rng = np.random.default_rng(seed)
    turn = np.arange(STEPS) * 0.31
    sun = direction_enu_xyz(turn % 360.0, 14.0 * np.sin(turn / 500.0))
    power = np.where(
        np.interp(turn % 360.0, np.arange(0, 361, 30), rng.uniform(-1, 1.5, 13)) > 0.0, 500.0, 0.0
    )
    return sun, power


def some_facings(seed=5, count=25):
    rng = np.random.default_rng(seed)
    return facings(rng.uniform(60, 110, count), rng.uniform(0, 360, count), rng.uniform(-90, 90, count))


@pytest.mark.parametrize("table", [ROUND, HOLLOW, TROUGH], ids=["round", "hollow", "trough"])
def test_runs_gaps_and_hours_are_those_of_every_step(weighed, table, light_hours):
    sun, power = sky()
    prospect = weighed(sun, power, table, step_minutes=30, steps=2)
    some = some_facings()
    gap, light = prospect.gap_hours(some), light_hours(prospect, some)
    for i, axes in enumerate(some.axes_enu_xyz):
        every = (power > 0.0) & (acceptance_at(table, sun.astype(np.float32) @ axes.T, 0.2666) > 0.0)
        starts, ends = delivering_runs(prospect.track, prospect.year.ready, axes, float(some.tilt_deg[i]))
        found = np.zeros(STEPS, dtype=bool)
        for start, end in zip(starts, ends, strict=True):
            found[start:end] = True
        # a step at an edge may hang on which of the outermost points of the disc is turned to it
        assert (found != every).sum() <= 0.01 * max(every.sum(), 100)
        edges = np.flatnonzero(np.diff(np.concatenate([[1], found.astype(int), [1]])))
        assert gap[i] == pytest.approx(0.5 * max((edges[1::2] - edges[::2]).max(initial=0), 0))
        assert light[i] == pytest.approx(0.5 * found.sum())
        assert longest_gap_steps((starts, ends), STEPS)[0] * 0.5 == gap[i]


def test_giving_up_early_changes_nothing_below_the_limit(weighed):
    prospect = weighed(*sky(), ROUND, step_minutes=30, steps=2)
    some = some_facings(count=60)
    gap = prospect.gap_hours(some)
    limit = float(np.median(gap))
    score = FacingProblem(prospect, "shortest-gap").score(some, at_least=np.full(60, -limit))
    plain = FacingProblem(prospect, "shortest-gap").score(some)
    np.testing.assert_array_equal(score[gap <= limit], plain[gap <= limit])
    assert np.isinf(score[gap > limit + 1.0]).all()


def test_power_series_adds_up_to_the_energy(weighed):
    prospect = weighed(*sky(), ROUND, step_minutes=30, steps=2)
    some = some_facings(count=12)
    stepped = prospect.power_w(some).sum(axis=1) / 1000.0
    # the sweep spreads each step over its way (0.31 deg), the series reads its middle
    np.testing.assert_allclose(
        stepped, prospect.year.kwh(some.axes_enu_xyz, some.tilt_deg), atol=3e-3 * stepped.max()
    )


@pytest.mark.parametrize("table", [ROUND, HOLLOW, TROUGH], ids=["round", "hollow", "trough"])
def test_power_is_that_of_every_step(weighed, table):
    """Dark steps are passed over by how fast the Sun moves; here each is read."""
    sun, power = sky()
    prospect = weighed(sun, power, table, step_minutes=30, steps=2)
    track, ready, some = prospect.track, prospect.year.ready, some_facings(count=40)
    read = np.zeros((some.count, STEPS))
    for i, axes in enumerate(some.axes_enu_xyz):
        mount = track.sun_enu_xyz.astype(np.float64) @ axes.T
        read[i, track.step] = track.power_w * [light(ready, 0, *one) for one in mount]
    assert (read.sum(axis=1) > 0.0).sum() > 10
    every = read.reshape(some.count, -1, 2).mean(axis=2)
    # the order of sums moves a direction by 1e-16, steep edges make some 1e-13 W of it
    np.testing.assert_allclose(prospect.power_w(some), every, atol=1e-10)


def test_means_of_neighbours_keep_the_light_and_nearly_the_power(weighed):
    sun, power = sky()
    prospect = weighed(sun, power, TROUGH, step_minutes=30, steps=12)
    track, some = prospect.track, some_facings(count=200)
    means = track.averaged(5.0)
    # 5 doesn't divide the interval's 12 steps
    assert (means.steps_per_interval, means.step_s, means.step_count) == (3, 4 * track.step_s, STEPS // 4)
    assert (track.averaged(0.3), means.step_hours) == (track, 4 * track.step_hours)
    np.testing.assert_allclose(
        np.bincount(means.step // 3, means.power_w) / 3.0,
        np.bincount(track.step // 12, track.power_w) / 12.0,
        rtol=1e-6,
    )
    exact = prospect.power_w(some).sum(axis=1)
    near = replace(prospect, scout_power=means).power_w(some, scout=True).sum(axis=1)
    # four steps span 1.2 degrees of a table whose narrower half is 8 wide, with edges at its ends
    assert np.abs(near - exact).max() < 5e-3 * exact.max()


def test_lit_runs_and_what_no_mount_can_shorten(weighed):
    sun, power = sky()
    prospect = weighed(sun, power, ROUND, step_minutes=30, steps=2)
    starts, ends = lit_runs(prospect.track)
    assert (ends - starts).sum() == (power > 0.0).sum()
    edges = np.flatnonzero(np.diff(np.concatenate([[1], (power > 0.0).astype(int), [1]])))
    assert prospect.dark_gap_hours == 0.5 * (edges[1::2] - edges[::2]).max()
    gap = prospect.gap_hours(some_facings())
    assert (gap >= prospect.dark_gap_hours).all()


def test_joined_unites_overlaps_and_neighbours():
    starts, ends = joined(np.array([5, 0, 7, 20]), np.array([8, 3, 12, 22]))
    assert (starts.tolist(), ends.tolist()) == ([0, 5, 20], [3, 12, 22])
    starts, ends = joined(np.array([0, 3]), np.array([3, 6]))
    assert (starts.tolist(), ends.tolist()) == ([0], [6])
    assert longest_gap_steps((np.zeros(0, int), np.zeros(0, int)), 40) == (40, 0)
    assert longest_gap_steps((np.array([2, 9]), np.array([5, 10])), 20) == (10, 10)


def test_a_stretch_that_touches_an_end_is_cut():
    assert is_cut(0, 4, 20)
    assert is_cut(10, 10, 20)
    assert is_cut(0, 20, 20)
    assert not is_cut(1, 18, 20)
    assert not is_cut(0, 0, 20), "no stretch at all"


def test_dust_that_shuts_out_all_light_ends_delivery(weighed, light_hours):
    dust = Dust(loss_per_day=0.05, model="linear", tilt_exponent=1.0)
    history = DustHistory(start_tdb_s=np.zeros(1), load_days=np.zeros(1), days_per_day=1.0)
    days = np.arange(960) / 24.0
    rates = DustRates.for_run(dust, history, 40.0 * 86400.0)
    sun = np.repeat(direction_enu_xyz([180.0], [45.0]), 960, axis=0)
    prospect = weighed(sun, np.full(960, 100.0), ROUND, dust=rates, load_days=days)
    # a level rate of cos 45: shut after 20 / cos(45) days
    gap, light = prospect.gap_hours(facings(45.0, 180.0)), light_hours(prospect, facings(45.0, 180.0))
    assert light[0] == pytest.approx(480.0 / np.cos(np.radians(45.0)), abs=1.0)
    assert gap[0] == pytest.approx(960.0 - light[0])
    upright = light_hours(prospect, facings(50.0, 180.0))[0]
    assert upright > light[0]
    assert prospect.power_w(facings(45.0, 180.0))[0, 700] == 0.0


def test_nothing_lit(weighed, light_hours):
    prospect = weighed(sky()[0], np.zeros(STEPS), ROUND, step_minutes=30)
    gap, light = prospect.gap_hours(some_facings(count=3)), light_hours(prospect, some_facings(count=3))
    assert (gap == 0.5 * STEPS).all()
    assert (light == 0.0).all()
    assert prospect.annual_kwh(some_facings(count=3)).max() == 0.0
