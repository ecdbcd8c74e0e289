"""The curve that a row's light is read through at its mean direction, against the light itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from yieldsim.planning.system.pricing import rows_through

STEP = math.radians(0.05)


def at_chord(curve, theta):
    """As kernels read a curve: linear in the chord, nothing beyond its end."""
    chord = 2.0 * np.sin(0.5 * theta) / STEP
    return np.interp(chord, np.arange(len(curve)), curve, right=0.0)


def curves(rng):
    """A plateau with a flank, a ring with a dark middle, a ragged one."""
    nodes = np.arange(90)
    yield np.clip((80.0 - nodes) / 40.0, 0.0, 1.0)
    yield np.exp(-(((nodes - 40.0) / 12.0) ** 2))
    yield np.clip(np.convolve(rng.random(90), np.ones(9) / 9.0, "same") * (90 - nodes) / 90.0, 0.0, 1.0)


def some_lights(rng):
    """Directions (n, 3) and shares: a stretch of the Sun's way, or a few lights any way within a third of a degree."""
    count = int(rng.integers(2, 9))
    along = np.linspace(-1.0, 1.0, count) if rng.random() < 0.5 else rng.uniform(-1.0, 1.0, count)
    way = rng.uniform(0.0, 2.0 * math.pi) + (rng.random() < 0.3) * rng.uniform(0.0, 6.0, count)
    off = rng.uniform(0.1, 1.0) * math.radians(0.3) * along
    sun = np.stack([off * np.cos(way), off * np.sin(way), np.ones(count)], axis=1)
    share = rng.random(count)
    return sun / np.linalg.norm(sun, axis=1)[:, None], share / share.sum()


@pytest.mark.parametrize("seed", range(4))
def test_no_light_comes_to_more(seed):
    rng = np.random.default_rng(seed)
    for curve in curves(rng):
        for _ in range(25):
            sun, share = some_lights(rng)
            centre = share @ sun
            mean = centre / np.linalg.norm(centre)
            apart = np.arccos(np.clip(sun @ mean, -1.0, 1.0)).max()
            square = (sun - centre).T @ ((sun - centre) * share[:, None])
            across, along = math.sqrt(np.linalg.eigvalsh(square)[-1]), math.sqrt(mean @ square @ mean)
            read = rows_through(curve, STEP, apart, across, along)
            theta, side = rng.uniform(0.0, math.radians(5.0), 400), rng.uniform(0.0, 2.0 * math.pi, 400)
            ways = np.linalg.svd(mean[None])[2][1:]
            aside = np.cos(side)[:, None] * ways[0] + np.sin(side)[:, None] * ways[1]
            facing = np.cos(theta)[:, None] * mean + np.sin(theta)[:, None] * aside
            light = at_chord(curve, np.arccos(np.clip(facing @ sun.T, -1.0, 1.0))) @ share
            # arccos of directions this near is good to 1e-7
            assert np.all(at_chord(read, theta) >= light - 1e-6)


def test_a_known_spread_makes_it_closer():
    """The Sun's even way through a row: about a third of what any light within reach could add."""
    curve = next(curves(np.random.default_rng(0)))
    apart, nodes = math.radians(0.3), np.arange(len(curve))

    def added(across, along, reach=apart):
        return float(((rows_through(curve, STEP, reach, across, along)[: len(curve)] - curve) * nodes).sum())

    still, unknown = added(0.0, 0.0, 0.0), added(1.0, 1.0)
    known = added(apart / math.sqrt(3.0), apart**2)
    assert still < known < still + 0.6 * (unknown - still)
