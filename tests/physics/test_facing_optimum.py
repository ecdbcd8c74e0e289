"""The best facing found against fine brute force: ridges with several peaks, a narrow acceptance, two angles with roll, Mars."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.model import BiaxialAcceptance, RoundAcceptance
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.planning.orientation.best_facing import annual_bound, best_facing
from yieldsim.planning.orientation.facing_map import facing_map
from yieldsim.planning.orientation.mount_frames import facings, leaned, spread_over_sky
from yieldsim.planning.orientation.objectives import FacingProblem

NARROW = RoundAcceptance(incidence_deg=[0, 0.8, 1.2], acceptance_fraction=[0.9, 0.85, 0.0], source="point")
WIDE = RoundAcceptance(
    incidence_deg=[0, 10, 20, 25], acceptance_fraction=[0.9, 0.85, 0.6, 0.0], source="point"
)
TROUGH = BiaxialAcceptance(
    transverse_deg=[0, 4, 6],
    longitudinal_deg=[0, 20, 40, 50],
    acceptance_fraction=[[0.8, 0.75, 0.5, 0.0], [0.75, 0.7, 0.45, 0.0], [0.0, 0.0, 0.0, 0.0]],
    source="point",
)


def ridge(seed, steps=8766 * 2, amplitude_deg=1.6):
    """A polar Sun behind a ragged skyline: several peaks of light round the horizon."""
    rng = np.random.default_rng(seed)
    azimuth = np.arange(steps) * 0.25 % 360.0
    elevation = amplitude_deg * np.sin(np.arange(steps) * 2.0 * np.pi / 17000.0)
    skyline = np.interp(azimuth, np.arange(0, 361, 15), np.append(s := rng.uniform(-2.0, 1.5, 24), s[0]))
    power = np.clip((elevation - skyline) / 0.54 + 0.5, 0.0, 1.0) * 300.0
    return direction_enu_xyz(azimuth, elevation), power


def martian(latitude_deg=22.0, steps=8766 * 6):
    """Days of 24.66 h with the Sun's declination swinging by 25 degrees over half a Martian year, through dusty air."""
    hour = np.arange(steps) / 6.0
    declination = np.radians(25.0 * np.sin(2.0 * np.pi * hour / 16488.0 + 0.7))
    angle, lat = 2.0 * np.pi * hour / 24.6597, np.radians(latitude_deg)
    sun = np.stack(
        [
            -np.cos(declination) * np.sin(angle),
            np.cos(lat) * np.sin(declination) - np.sin(lat) * np.cos(declination) * np.cos(angle),
            np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(angle),
        ],
        axis=1,
    )
    return sun, np.where(sun[:, 2] > 0.02, 120.0 * np.exp(-0.6 / np.maximum(sun[:, 2], 0.02)), 0.0)


def brute_force(prospect, score, step_deg, rolls=(0.0,)):
    """The best of an even grid over the whole sky, then of ever finer grids about its fifty best places."""
    grid = spread_over_sky(step_deg, np.array(rolls))
    value = score(grid)
    grid, value = grid.take(value > 0.5 * value.max()), value[value > 0.5 * value.max()]
    best = value.max()
    step = step_deg
    while step > 0.03:
        places = np.argsort(-value)[:50]
        off, toward = np.tile([step / 2.0, step], 8), np.repeat(np.arange(8) * 45.0, 2)
        around = leaned(grid.take(places), off, toward)
        if len(rolls) > 1:
            turn = np.repeat([-2.0, 0.0, 2.0], around.count) * step
            around = facings(*(np.tile(c, 3) for c in around[:2]), np.tile(around.roll_deg, 3) + turn)
        grid, value = around, score(around)
        best, step = max(best, value.max()), step / 2.0
    return float(best)


@pytest.mark.parametrize("seed", [1, 2, pytest.param(3, marks=pytest.mark.slow)])
@pytest.mark.parametrize("table", [NARROW, WIDE], ids=["narrow", "wide"])
def test_ridges(weighed, seed, table):
    prospect = weighed(*ridge(seed), table, step_minutes=30, steps=2)
    found = best_facing(FacingProblem(prospect, "annual"))
    best = brute_force(prospect, prospect.annual_kwh, 0.5)
    assert found.score >= 0.998 * best
    assert found.bound >= best
    month = best_facing(FacingProblem(prospect, "worst-month"))
    assert month.score >= 0.998 * brute_force(
        prospect, lambda some: FacingProblem(prospect, "worst-month").score(some), 1.0
    )


def test_martian_plain(weighed):
    prospect = weighed(*martian(), WIDE, step_minutes=10, steps=6)
    found = best_facing(FacingProblem(prospect, "annual"))
    best = brute_force(prospect, prospect.annual_kwh, 1.5)
    assert found.score >= 0.998 * best
    assert best <= found.bound <= 1.1 * best
    month = best_facing(FacingProblem(prospect, "worst-month"))
    assert month.score >= 0.998 * brute_force(
        prospect, lambda some: FacingProblem(prospect, "worst-month").score(some), 3.0
    )


def test_two_angles_with_roll(weighed):
    for sky, minutes in ((ridge(4), 30), (martian(5.0, 8766 * 3), 20)):
        prospect = weighed(*sky, TROUGH, step_minutes=minutes, cell_deg=1.0)
        found = best_facing(FacingProblem(prospect, "annual"))
        best = brute_force(prospect, prospect.annual_kwh, 6.0, rolls=np.arange(0.0, 180.0, 15.0))
        assert found.score >= 0.998 * best


@pytest.mark.parametrize("seed", [5, pytest.param(6, marks=pytest.mark.slow)])
def test_shortest_gap(weighed, seed):
    prospect = weighed(*ridge(seed), WIDE, step_minutes=30, steps=2)
    found = best_facing(FacingProblem(prospect, "shortest-gap"))
    grid = spread_over_sky(0.75, np.zeros(1))
    gap = prospect.gap_hours(grid)
    assert -found.score <= gap.min() / 0.998 + prospect.track.step_hours


def test_bound_holds_where_the_best_is_not_known(weighed):
    prospect = weighed(*ridge(7), WIDE, step_minutes=30, steps=2)
    bound, better = annual_bound(prospect, 0.5 * float(facing_map(prospect, 4.0).annual_kwh.max()))
    best = best_facing(FacingProblem(prospect, "annual")).score
    assert bound >= best
    assert better is not None
    assert prospect.annual_kwh(better)[0] > 0.9 * best


def test_dust_by_tilt_moves_the_best_facing_and_is_bounded(weighed):
    from yieldsim.base.model import Dust
    from yieldsim.energy.soiling import DustHistory
    from yieldsim.energy.soiling_interpolation import DustRates

    sun, power = martian(steps=8766 * 3)
    days = np.arange(len(power)) * 20.0 / 1440.0
    dust = Dust(loss_per_day=0.005, tilt_exponent=1.5)
    history = DustHistory(start_tdb_s=np.zeros(1), load_days=np.zeros(1), days_per_day=1.0)
    rates = DustRates.for_run(dust, history, days[-1] * 86400.0)
    prospect = weighed(sun, power, WIDE, step_minutes=20, steps=3, dust=rates, load_days=days)
    clean = weighed(sun, power, WIDE, step_minutes=20, steps=3)
    found, without = (
        best_facing(FacingProblem(prospect, "annual")),
        best_facing(FacingProblem(clean, "annual")),
    )
    assert found.facing.tilt_deg[0] > without.facing.tilt_deg[0] + 0.5
    best = brute_force(prospect, prospect.annual_kwh, 3.0)
    assert 0.998 * best <= found.score <= found.bound
    assert found.bound >= best
    stepped = prospect.power_w(found.facing).sum() / 1000.0 / prospect.years
    assert found.score == pytest.approx(stepped, rel=2e-3)
