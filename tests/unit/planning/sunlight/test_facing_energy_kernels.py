"""Kernels of the sweep against plain NumPy: cells, lookups, stretches of azimuth, the error bound."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.model import BiaxialAcceptance, Dust, RoundAcceptance
from yieldsim.base.numerics.vectors import angle_between_deg, direction_enu_xyz
from yieldsim.energy.soiling import DustHistory, clean_fraction
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.optics.acceptance import acceptance_at
from yieldsim.optics.acceptance_envelopes import beyond_corners, widened
from yieldsim.optics.acceptance_interpolator import light
from yieldsim.optics.acceptance_lookup import cell_for_deg, lookup
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.planning.sunlight.facing_energy import Sweep
from yieldsim.planning.sunlight.facing_energy_kernels import half_stretch
from yieldsim.planning.sunlight.histogram import CLASS_BASE, FINEST_CELL_DEG, SkyCells, cell_numbers

RADIUS = 0.2666
ROUND = RoundAcceptance(
    incidence_deg=[0, 5, 10, 12], acceptance_fraction=[0.9, 0.8, 0.7, 0.0], source="point"
)
HARD = RoundAcceptance(incidence_deg=[0, 8], acceptance_fraction=[0.8, 0.8], source="point")
TROUGH = BiaxialAcceptance(
    transverse_deg=[0, 3, 6],
    longitudinal_deg=[-10, 20, 50],
    acceptance_fraction=[[0.3, 0.8, 0.5], [0.25, 0.7, 0.4], [0.1, 0.2, 0.0]],
    source="point",
)
HOLLOW = RoundAcceptance(
    incidence_deg=[0, 2, 4, 6, 8], acceptance_fraction=[0.5, 0.0, 0.0, 0.6, 0.0], source="point"
)


def directions_in_front(count, most_deg, seed):
    rng = np.random.default_rng(seed)
    off, turn = np.radians(rng.uniform(0.0, most_deg, count)), rng.uniform(0.0, 2.0 * np.pi, count)
    return np.stack([np.sin(off) * np.cos(turn), np.sin(off) * np.sin(turn), np.cos(off)], axis=1)


@pytest.mark.parametrize("table", [ROUND, HARD, TROUGH, HOLLOW], ids=["round", "hard", "trough", "hollow"])
def test_lookup_reads_what_the_table_gives_over_the_disc(table):
    ready = lookup(table, np.array([0.2, RADIUS]))
    sun = directions_in_front(4000, 70.0, 3)
    for number, radius in enumerate((0.2, RADIUS)):
        read = np.array([light(ready, number, *s) for s in sun])
        known = acceptance_at(table, sun, radius) * sun[:, 2]
        # 96 points of the disc see a hard edge in steps of 1/96 each and in rings; means agree far better
        assert np.abs(read - known).max() < 0.05
        assert abs((read - known).mean()) < 2e-4
    assert light(ready, 0, 0.0, 0.0, -1.0) == 0.0


@pytest.mark.parametrize("table", [ROUND, HARD], ids=["round", "hard"])
@pytest.mark.parametrize("by_deg", [0.02, 0.3, 2.0, 6.0])
def test_widened_lookup_is_at_least_everything_near(table, by_deg):
    ready = lookup(table, np.array([RADIUS]))
    wide = widened(ready, np.radians(by_deg))
    rng = np.random.default_rng(4)
    for s in directions_in_front(300, 60.0, 5):
        ahead = light(wide, 0, *s)
        step = rng.normal(size=(20, 3))
        step -= (step @ s)[:, None] * s
        step /= np.linalg.norm(step, axis=1, keepdims=True)
        angle = np.radians(by_deg) * np.sqrt(rng.uniform(0.0, 1.0, 20))[:, None]
        for near in np.cos(angle) * s + np.sin(angle) * step:
            assert light(ready, 0, *near) <= ahead + 1e-12


@pytest.mark.parametrize("table", [ROUND, HARD, HOLLOW], ids=["round", "hard", "hollow"])
@pytest.mark.parametrize("half_deg", [0.02, 0.1, 0.4])
def test_no_facing_of_a_patch_gets_more_than_its_corners_and_what_lies_beyond_them(table, half_deg):
    ready = lookup(table, np.array([RADIUS]))
    beyond = beyond_corners(ready, np.radians(half_deg * np.sqrt(2.0)))
    rng = np.random.default_rng(6)
    sides = np.array([[-1.0, -1.0], [-1.0, 1.0], [1.0, -1.0], [1.0, 1.0]])
    added = []
    for tilt in (25.0, 80.0, 140.0):
        wide = half_deg / np.sin(np.radians(tilt))
        along_edges = 30.0 + np.append(0.0, wide * sides[:, 1])
        axes = facings(np.append(tilt, tilt + half_deg * sides[:, 0]), along_edges).axes_enu_xyz
        for s in directions_in_front(200, 14.0, 7):
            sun = axes[0].T @ s
            seen = [light(ready, 0, *(axes[1 + corner] @ sun)) for corner in range(4)]
            most = light(beyond, 0, *s)
            added.append(most)
            across, along = rng.uniform(-1.0, 1.0, (10, 2)).T
            shares = (1.0 + np.outer(across, sides[:, 0])) * (1.0 + np.outer(along, sides[:, 1])) / 4.0
            within = facings(tilt + half_deg * across, 30.0 + wide * along).axes_enu_xyz
            for share, inside in zip(shares, within, strict=True):
                assert light(ready, 0, *(inside @ sun)) <= share @ seen + most + 1e-12
    # of the second order: it all but vanishes away from bends
    assert np.median(added) < 0.1 * half_deg


def test_cells_gather_every_bit_of_light_where_it_is():
    rng = np.random.default_rng(2)
    steps = 3000
    sun = direction_enu_xyz(np.arange(steps) * 0.5 % 360.0, 20.0 * np.sin(np.arange(steps) / 400.0))
    kwh = rng.uniform(0.1, 1.0, (2, steps))
    radius = np.where(np.arange(steps) < 2000, 0.26, 0.29)
    period = np.repeat([0, 1, 2], 1000)
    gathered = SkyCells(1.0, 2)
    for first in range(0, steps, 700):
        part = slice(first, first + 700)
        gathered.add(sun[part], np.arange(len(sun[part])), kwh[:, part], period[part], radius[part])
    sums, of_period, of_class, _, class_radius = gathered.finished()
    np.testing.assert_allclose(sums[:, :, 3].sum(axis=1), kwh.sum(axis=1))
    np.testing.assert_allclose(class_radius, [0.26, 0.29])
    for one in range(3):
        np.testing.assert_allclose(
            sums[:, of_period == one, 3].sum(axis=1), kwh[:, period == one].sum(axis=1)
        )
    np.testing.assert_allclose(sums[0, of_class == 1, 3].sum(), kwh[0, 2000:].sum())
    # the sum of light times direction is kept up to the bend of the Sun's way within a step
    moments = np.einsum("rt,tj->rj", kwh, sun)
    np.testing.assert_allclose(sums[:, :, :3].sum(axis=1), moments, atol=2e-5 * kwh.sum())
    # cells are small: no mean is further inside the sphere than a cell of 1 degree allows
    length = np.linalg.norm(sums[0, :, :3], axis=1) / sums[0, :, 3]
    assert length.max() <= 1.0 + 1e-12
    assert length.min() > np.cos(np.radians(0.75))


def test_cell_numbers_are_of_neighbours_only():
    rng = np.random.default_rng(8)
    sun = rng.normal(size=(20000, 3))
    sun /= np.linalg.norm(sun, axis=1, keepdims=True)
    number = cell_numbers(sun, 3.0)
    for one in np.unique(number)[:400]:
        own = sun[number == one]
        assert angle_between_deg(own, own[:1]).max() < 3.0 * 1.5
    assert (cell_numbers(2.5 * sun, 3.0) == number).all()


def test_wider_cells_and_merged_months_keep_the_light(weighed):
    sun = direction_enu_xyz(np.arange(8760) * 0.5 % 360.0, np.full(8760, 1.0))
    prospect = weighed(sun, np.random.default_rng(1).uniform(0, 500, 8760), ROUND)
    sky = prospect.months.sky
    assert sky.run_months.count == 12
    for other in (sky.merged(), sky.coarser(2.0), sky.coarser(2.0).merged()):
        np.testing.assert_allclose(other.sums.sum(axis=1), sky.sums.sum(axis=1))
    factor = np.arange(12.0)
    weighed_months = sky.merged(factor)
    assert weighed_months.total_kwh() == pytest.approx(
        sum(f * sky.sums[0, sky.period == k, 3].sum() for k, f in enumerate(factor))
    )
    assert sky.scaled(3.0).total_kwh() == pytest.approx(3.0 * sky.total_kwh())
    assert sky.merged().cell_count < sky.cell_count


@pytest.mark.parametrize("reach_deg", [0.5, 10.0, 45.0, 89.0, 90.0, 140.0])
def test_half_stretch_holds_the_whole_cone_and_little_more(reach_deg):
    rng = np.random.default_rng(6)
    cos_reach = np.cos(np.radians(reach_deg))
    for _ in range(60):
        normal, low = np.radians(rng.uniform(-90, 90, 2))
        high = min(low + np.radians(rng.uniform(0.2, 8.0)), np.pi / 2)
        trigonometry = [f(angle) for angle in (normal, low, high) for f in (np.sin, np.cos)]
        half = half_stretch(cos_reach, *trigonometry)
        e, turn = np.meshgrid(np.linspace(low, high, 80), np.linspace(0.0, np.pi, 3601))
        cosine = np.sin(normal) * np.sin(e) + np.cos(normal) * np.cos(e) * np.cos(turn)
        inside = cosine >= cos_reach + 1e-9
        widest = turn[inside].max() if inside.any() else -1.0
        assert half >= widest - 1e-6
        assert half <= max(widest, 0.0) + 0.15 or widest < 0.0


@pytest.mark.parametrize("table", [ROUND, HARD, TROUGH], ids=["round", "hard", "trough"])
@pytest.mark.parametrize("cell_deg", [pytest.param(0.1, marks=pytest.mark.slow), 0.5])
def test_sweep_equals_a_plain_sum_and_keeps_within_its_bound(weighed, table, cell_deg):
    rng = np.random.default_rng(9)
    steps = 6000
    turn = np.arange(steps) * 0.37
    sun = direction_enu_xyz(turn % 360.0, 25.0 * np.sin(turn / 900.0) + 5.0)
    power = np.where(sun[:, 2] > 0.0, rng.uniform(200.0, 900.0, steps), 0.0)
    prospect = weighed(sun, power, table, cell_deg=cell_deg)
    sweep = Sweep.of(prospect.year.sky, table)
    # half the sky lies in reach of the trough
    count = 6 if table is TROUGH else 30
    some = facings(
        rng.uniform(40.0, 110.0, count), rng.uniform(0.0, 360.0, count), rng.uniform(-90.0, 90.0, count)
    )
    axes = some.axes_enu_xyz
    # the plain sum: each step spread over its way as the cells do, no cells
    spread = 24
    way = np.gradient(sun, axis=0)
    shares = (np.arange(spread) + 0.5) / spread - 0.5
    fine = (sun[:, None] + shares[None, :, None] * way[:, None]).reshape(-1, 3)
    fine /= np.linalg.norm(fine, axis=1, keepdims=True)
    weight = np.repeat(power, spread) / spread / 1000.0
    kept = np.flatnonzero(weight > 0.0)
    exact = []
    for one in axes:
        inside = kept[(fine[kept] @ one[2]) > np.cos(sweep.ready.reach_rad)]
        local = fine[inside] @ one.T
        exact.append(sum(w * light(sweep.ready, 0, *s) for w, s in zip(weight[inside], local, strict=True)))
    swept, bound = sweep.kwh(axes, some.tilt_deg), sweep.cell_error_kwh(axes, some.tilt_deg)
    assert (np.abs(swept - exact) <= bound + 2e-4 * np.max(exact)).all()
    np.testing.assert_allclose(swept, exact, atol=(3e-4 if cell_deg == 0.1 else 6e-3) * np.max(exact))


def test_finer_features_ask_for_finer_cells():
    def cut_off(angle):
        return RoundAcceptance(
            incidence_deg=[0, angle - 0.01, angle], acceptance_fraction=[1, 1, 0], source="point"
        )

    widths = [cell_for_deg(cut_off(angle), RADIUS) for angle in (1.0, 10.0, 60.0)]
    assert widths == sorted(widths)
    assert widths[0] < 0.1
    smooth = RoundAcceptance(incidence_deg=[0, 90], acceptance_fraction=[1, 1], source="disc")
    assert cell_for_deg(smooth, RADIUS) == 1.0


# ---------------------------------------------------------------- dust by tilt


def history(days):
    return DustHistory(start_tdb_s=np.zeros(1), load_days=np.zeros(1), days_per_day=1.0), days * 86400.0


@pytest.mark.parametrize(
    ("dust", "polynomial"),
    [
        (Dust(loss_per_day=0.003, tilt_exponent=1.0), True),
        (Dust(loss_per_day=0.002, tilt_exponent=2.0, model="linear"), True),
        (Dust(loss_per_day=0.01, tilt_exponent=1.0, floor=0.5), False),
    ],
)
def test_rates_between_those_kept_are_as_exact_as_they_say(dust, polynomial):
    rates = DustRates.for_run(dust, *history(400.0))
    assert rates.by_tilt
    assert rates.polynomial == polynomial
    loads = np.linspace(0.0, 400.0, 77)
    for tilt in (0.0, 20.0, 47.0, 80.0, 90.0, 130.0):
        rate = rates.rate_of_tilt(np.array([tilt]))
        between = rates.shares(rate)[0] @ rates.clean_at_rates(loads)
        exact = clean_fraction(dust, loads * max(np.cos(np.radians(tilt)), 0.0) ** dust.tilt_exponent)
        if tilt == 90.0:
            exact = np.ones_like(loads)
        off = np.abs(between - exact).max() if polynomial else abs((between - exact).mean())
        assert off <= rates.error + 1e-4
        np.testing.assert_allclose(rates.clean_at(loads, tilt), exact, atol=1e-12)
    assert rates.error < (1e-4 if polynomial else 2e-3)


def test_one_rate_where_tilt_does_not_matter_and_none_beyond_a_level_aperture():
    assert len(DustRates.for_run(Dust(loss_per_day=0.003), *history(100.0)).rates) == 1
    tilted = DustRates.for_run(Dust(loss_per_day=0.003, tilt_exponent=1.0), *history(100.0))
    assert tilted.rates[0] == 0.0
    with pytest.raises(ValueError, match="leave those kept"):
        tilted.shares(np.array([1.1]))
    clear = DustRates.for_run(None, None, 0.0)
    assert (clear.clean_at_rates(np.ones(3)) == 1.0).all()


def test_cells_too_narrow_to_be_told_apart_are_refused():
    with pytest.raises(ValueError, match="deg at least"):
        SkyCells(0.01, 1)
    # a sphere has 41253 square degrees
    assert 41_253.0 / FINEST_CELL_DEG**2 < CLASS_BASE
