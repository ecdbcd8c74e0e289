"""Turns by hand against complete enumeration, and between a fixed mount and one that never errs."""

import itertools

import numpy as np
import pytest

from yieldsim.base.model import RoundAcceptance
from yieldsim.planning.hand_turns import best_turns, turned_by_hand
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.planning.system.pricing import Sunlight


def enumerated(light, turns):
    """The best of all moments and facings."""
    rows = len(light)
    best = 0.0
    for made in range(turns + 1):
        for moments in itertools.combinations(range(1, rows), made):
            edges = (0, *moments, rows)
            best = max(best, sum(light[a:b].sum(axis=0).max() for a, b in itertools.pairwise(edges)))
    return best


@pytest.mark.parametrize("seed", range(5))
def test_moments_and_facings_are_the_best_of_all(seed):
    light = np.random.default_rng(seed).random((11, 4)) ** 3
    for turns, (energy, starts, places) in enumerate(best_turns(light, 3)):
        assert energy == pytest.approx(enumerated(light, turns), rel=1e-12)
        ends = np.append(starts[1:], len(light))
        kept = sum(light[a:b, place].sum() for a, b, place in zip(starts, ends, places, strict=True))
        assert kept == pytest.approx(energy, rel=1e-12)
        assert len(starts) <= turns + 1


def test_each_turn_brings_less_than_following_the_sun(weighed):
    """A Sun that goes half around the horizon in a year of ninety days: a turn a week follows it nearly."""
    rows = 90 * 24
    azimuth = np.linspace(0.0, np.pi, rows)
    sun = np.stack([np.sin(azimuth), np.cos(azimuth), np.full(rows, 0.05)], axis=1)
    sun /= np.linalg.norm(sun, axis=1, keepdims=True)
    acceptance = RoundAcceptance(
        incidence_deg=np.array([0.0, 15.0, 20.0]),
        acceptance_fraction=np.array([1.0, 1.0, 0.0]),
        source="disc",
    )
    prospect = weighed(sun, np.full(rows, 1000.0), acceptance)
    some = facings(87.0, np.arange(0.0, 180.0, 7.0))
    found = turned_by_hand(Sunlight(prospect=prospect, row_hours=1.0, candidates=some, step_deg=7.0), 6)
    energies = np.array([one.kwh for one in found])
    assert (np.diff(energies) > 0.0).all()
    assert energies[-1] < rows
    # seven stretches of 25.7 deg each: within 13 deg of the Sun the cosine alone is lost, sin(12.86 deg) / 12.86 deg
    assert energies[-1] == pytest.approx(rows * np.sinc(12.857 / 180.0), rel=2e-3)
    # moments are even, facings amid their stretches
    assert np.diff(found[-1].first_row) == pytest.approx(np.full(6, rows / 7.0), rel=0.05)
    middles = (np.arange(7) + 0.5) * 180.0 / 7.0
    assert found[-1].facings.azimuth_deg == pytest.approx(middles, abs=1.5)
