"""No facing at any roll is above the bound, and the bound is not far above the best."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from yieldsim.base.model import BiaxialAcceptance
from yieldsim.optics.acceptance_envelopes import widened_grid
from yieldsim.optics.acceptance_interpolator import light
from yieldsim.optics.acceptance_lookup import lookup
from yieldsim.optics.acceptance_planes import highest, planes_above
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.planning.orientation.turned_bound import turned_bound


def lopsided(transverse, longitudinal, aside):
    """A table with a ramp at each edge, its middle off the normal in one angle."""
    grid = np.clip((8.0 - np.abs(transverse - aside)) / 4.0, 0.0, 0.8)[:, None] * np.clip(
        (24.0 - np.abs(longitudinal)) / 8.0, 0.0, 1.0
    )
    return BiaxialAcceptance(
        transverse_deg=transverse, longitudinal_deg=longitudinal, acceptance_fraction=grid, source="disc"
    )


TABLES = (
    lopsided(np.arange(0.0, 9.0), np.arange(0.0, 26.0, 2.0), 0.0),
    lopsided(np.arange(-6.0, 13.0), np.arange(-24.0, 25.0, 2.0), 3.0),
)


@pytest.mark.parametrize("table", TABLES)
def test_a_widened_lookup_is_above_all_within_its_turns(table):
    ready = lookup(table, np.array([0.27]))
    rng = np.random.default_rng(3)
    for lean_deg, roll_deg in ((6.0, 8.0), (1.0, 2.0), (0.05, 0.1)):
        lean, roll = np.radians(lean_deg), np.radians(roll_deg)
        wide = widened_grid(ready, lean, roll)
        steepest = np.inf
        for _ in range(3000):
            cosine = 1.0 - rng.random() * (1.0 - np.cos(ready.reach_rad + lean))
            around, way = 2.0 * np.pi * rng.random(2)
            sine = np.sqrt(1.0 - cosine**2)
            seen = np.array([sine * np.cos(around), sine * np.sin(around), cosine])
            axis, turn = np.array([-np.sin(way), np.cos(way), 0.0]), lean * np.sqrt(rng.random())
            off = (
                seen * np.cos(turn)
                + np.cross(axis, seen) * np.sin(turn)
                + axis * (axis @ seen) * (1.0 - np.cos(turn))
            )
            turn = roll * (2.0 * rng.random() - 1.0)
            off = (
                np.cos(turn) * off[0] - np.sin(turn) * off[1],
                np.sin(turn) * off[0] + np.cos(turn) * off[1],
                off[2],
            )
            steepest = min(steepest, light(wide, 0, *seen) - light(ready, 0, *off))
        assert steepest >= -1e-12


@pytest.mark.parametrize("table", TABLES)
def test_planes_are_above_all_that_turned_optics_get(table):
    """Directions drawn, turned by a lean between two halves of a roll as in the proof: height and slope there are above the light."""
    ready = lookup(table, np.array([0.27]))
    rng = np.random.default_rng(4)
    for lean_deg, roll_deg in ((1.5, 2.0), (0.4, 1.0), (0.05, 0.1)):
        lean, roll = np.radians(lean_deg), np.radians(roll_deg)
        planes = planes_above(ready, lean, roll)
        grid = planes[1:7]
        wide = widened_grid(ready, lean, roll)
        least, over, over_wide = np.inf, 0.0, 0.0
        for _ in range(3000):
            cosine = 1.0 - rng.random() * (1.0 - np.cos(ready.reach_rad + 2.0 * lean))
            around, way = 2.0 * np.pi * rng.random(2)
            sine = np.sqrt(1.0 - cosine**2)
            seen = np.array([sine * np.cos(around), sine * np.sin(around), cosine])
            lean_by = lean * np.sqrt(rng.random()) * np.array([np.cos(way), np.sin(way), 0.0])
            roll_by = roll * (2.0 * rng.random() - 1.0) * np.array([0.0, 0.0, 1.0])
            turns = [Rotation.from_rotvec(by) for by in (0.5 * roll_by, lean_by, 0.5 * roll_by)]
            turned = (turns[0] * turns[1] * turns[2]).inv().apply(seen)
            height, *slope = highest(planes.values[0], *grid, *seen)
            least = min(least, height + slope @ (lean_by + roll_by) - light(ready, 0, *turned))
            over += height - light(ready, 0, *seen)
            over_wide += light(wide, 0, *seen) - light(ready, 0, *seen)
        assert least >= -1e-12
        # along ramps nothing is lost; around kinks and edges much less than without slopes
        assert over <= 0.75 * over_wide


@pytest.mark.parametrize(
    "table", [TABLES[0], *(pytest.param(table, marks=pytest.mark.slow) for table in TABLES[1:])]
)
def test_no_facing_is_above_the_bound(weighed, table):
    azimuth = np.radians(np.arange(0.0, 180.0, 3.0))
    up = np.radians(20.0 + 25.0 * np.sin(azimuth))
    sun = np.stack([np.sin(azimuth) * np.cos(up), np.cos(azimuth) * np.cos(up), np.sin(up)], axis=1)
    prospect = weighed(sun, 100.0 * (1.0 + 0.5 * np.sin(3.0 * azimuth)), table)
    rng = np.random.default_rng(5)
    some = facings(90.0 - 50.0 * rng.random(4000), 200.0 * rng.random(4000) - 10.0, 360.0 * rng.random(4000))
    for step in (8.0, 4.0, 2.0, 1.0, 0.5, 0.25):
        kwh = prospect.annual_kwh(some)
        some = some.take(np.argsort(-kwh)[:200])
        aside = step * rng.normal(size=(3, 20, 200))
        some = facings(
            *(
                np.concatenate([[column], column + off]).ravel()
                for column, off in zip(some, aside, strict=True)
            )
        )
    best = float(prospect.annual_kwh(some).max())
    loose, close = (turned_bound(prospect, best, effort) for effort in (0.3, 4.0))
    assert best <= close <= loose
    # what the patches of this effort leave
    assert close <= 1.025 * best


def test_optics_open_to_the_horizon_are_bounded_by_all_light(weighed):
    table = BiaxialAcceptance(
        transverse_deg=np.array([0.0, 88.0]),
        longitudinal_deg=np.array([0.0, 88.0]),
        acceptance_fraction=np.array([[0.9, 0.5], [0.5, 0.4]]),
        source="disc",
    )
    prospect = weighed(np.array([[0.0, 0.6, 0.8], [0.6, 0.0, 0.8]]), np.array([100.0, 50.0]), table)
    bound = turned_bound(prospect, 1e-3)
    assert bound == pytest.approx(0.9 * 0.15 / prospect.years, rel=0.01)
