"""Few units against the dark: coverings against exhaustive search, a circling Sun against plain geometry."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from yieldsim.base.model import Mount, RoundAcceptance
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.energy.sunlit import MOST_STEPS, LitStepsGathering
from yieldsim.optics.acceptance_lookup import lookup
from yieldsim.planning.sunlight.sunlit_series import joined, longest_gap_steps
from yieldsim.planning.unit_sets.set_cover import RunLists, united
from yieldsim.planning.unit_sets.units_matching_tracker import covering, few, units_for_gaps

RADIUS_DEG = np.array([0.2666])
START = np.datetime64("2027-01-01", "ns")


def fewest(served):
    facings = served.shape[1]
    for count in range(1, facings + 1):
        for some in combinations(range(facings), count):
            if served[:, some].any(axis=1).all():
                return count
    raise AssertionError


@pytest.mark.parametrize("seed", range(30))
def test_coverings_are_whole_and_nearly_the_smallest(seed):
    rng = np.random.default_rng(seed)
    served = rng.random((25, 11)) < 0.25
    served[np.arange(25), rng.integers(0, 11, 25)] = True
    chosen = covering(served, 24)
    assert served[:, chosen].any(axis=1).all()
    assert len(set(chosen)) == len(chosen)
    for facing in chosen:
        rest = [other for other in chosen if other != facing]
        assert not served[:, rest].any(axis=1).all()
    assert fewest(served) <= len(chosen) <= fewest(served) + 1


def test_coverings_of_rings_are_the_smallest():
    # 40 windows round a ring, each facing serves 7 of them in a row: six are needed, plain greed takes more
    served = (np.arange(40)[:, None] - np.arange(40)[None, :]) % 40 < 7
    assert len(covering(served, 24)) == 6


@pytest.mark.parametrize("seed", range(8))
def test_sets_keep_the_gap(seed):
    rng = np.random.default_rng(seed)
    lists = []
    for _ in range(12):
        starts = np.sort(rng.integers(0, 370, 9))
        lists.append(joined(starts, starts + rng.integers(2, 30, 9)))
    run_lists = RunLists.of(lists, 400)
    gaps = []
    for most in (20, 40, 80, 160, 400):
        chosen = few(run_lists, most)
        if chosen is None:
            continue
        held = (np.zeros(0, dtype=np.int64),) * 2
        for facing in chosen:
            held = united(held, lists[facing])
        assert longest_gap_steps(held, 400)[0] <= most
        gaps.append(len(chosen))
    assert len(gaps) >= 3
    assert gaps == sorted(gaps, reverse=True)
    assert few(run_lists, 400) == []


def circling(elevation_deg, hours=12 * 720, dark=(), most_steps=None):
    """A Sun once round the horizon in 720 hours, dark where told."""
    hour = np.arange(hours)
    gathering = LitStepsGathering(START, hours, 3600.0, 1, most_steps=most_steps)
    power = np.full(hours, 500.0)
    for first, last in dark:
        power[(hour % 720 >= first) & (hour % 720 < last)] = 0.0
    sun = direction_enu_xyz(hour * 0.5 % 360.0, np.full(hours, elevation_deg))
    for first in range(0, hours, 1000):
        gathering.add(first, sun[first : first + 1000], power[first : first + 1000])
    return gathering.finished()


@pytest.mark.parametrize(("half_deg", "gap_hours"), [(30.0, 40.0), (20.0, 74.0), (12.0, 24.0), (5.0, 100.0)])
def test_units_round_a_circling_sun(half_deg, gap_hours):
    """Each unit sees the Sun through 2 h of azimuth, sin(h/2) = sin(a/2) / cos e; between units the gap may open."""
    elevation = 10.0
    table = RoundAcceptance(
        incidence_deg=[0.0, half_deg, half_deg + 1e-6], acceptance_fraction=[1.0, 1.0, 0.0], source="disc"
    )
    track = circling(elevation)
    half = np.degrees(2.0 * np.arcsin(np.sin(np.radians(half_deg / 2.0)) / np.cos(np.radians(elevation))))
    expected = int(np.ceil(360.0 / (2.0 * half + 0.5 * 1.05 * gap_hours)))
    found = units_for_gaps(track, lookup(table, RADIUS_DEG), (), [gap_hours])[0]
    assert expected <= found <= expected + 1


def test_mounts_given_are_tried_and_the_unreachable_is_told():
    table = RoundAcceptance(incidence_deg=[0.0, 40.0], acceptance_fraction=[1.0, 0.0], source="point")
    optics = lookup(table, RADIUS_DEG)
    track = circling(5.0, dark=[(0, 300)])
    # 300 hours are dark for everyone
    assert units_for_gaps(track, optics, (), [200.0, 300.0])[0] is None
    assert units_for_gaps(track, optics, (Mount(tilt_deg=85.0, azimuth_deg=255.0),), [700.0]) == [1]
    assert units_for_gaps(circling(5.0, dark=[(0, 720)]), optics, (), [10.0]) == [None]


def test_thinned_tracks_keep_every_so_many_steps():
    track = circling(5.0, dark=[(0, 300)])
    thin = track.thinned(7)
    assert thin.step_hours == pytest.approx(7.0)
    assert thin.step_count == int(np.ceil(track.step_count / 7))
    assert set(thin.step * 7) <= set(track.step)
    assert abs(len(thin.step) * 7 - len(track.step)) < 7 * 13
    assert (np.diff(thin.step[: thin.run_last[0] + 1]) == 1).all()


def test_bare_tracks_have_their_power_times_a_factor_and_one_disc():
    bare = replace(circling(5.0, hours=10), radius_class=np.arange(10)).bare(1.5)
    np.testing.assert_array_equal(bare.power_w, np.full(10, 750.0, dtype=np.float32))
    assert not bare.radius_class.any()


def test_long_runs_keep_a_bounded_number_of_steps():
    whole, kept = (circling(5.0, hours=hours, most_steps=1000) for hours in (999, 8640))
    assert len(whole.step) == 999
    assert kept.step_s == 9 * 3600.0
    assert kept.step_count == 960
    np.testing.assert_array_equal(kept.step, np.arange(960))
    # every ninth hour, wherever the blocks were cut
    azimuth = np.degrees(np.arctan2(kept.sun_enu_xyz[:, 0], kept.sun_enu_xyz[:, 1])) % 360.0
    off = (azimuth - np.arange(960) * 4.5 + 180.0) % 360.0 - 180.0
    assert np.abs(off).max() < 1e-4
    assert kept.fastest_rad == pytest.approx(np.radians(4.5) * np.cos(np.radians(5.0)), rel=2e-3)
    assert MOST_STEPS >= 1_000_000
