"""The search of facings and rolls: smeared tables against turns drawn at random, peaks on ridges, edges of poorest months."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.model import BiaxialAcceptance, Dust
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.base.sun_disc import brightness
from yieldsim.energy.soiling import DustHistory
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.optics.acceptance import acceptance_at
from yieldsim.planning.orientation.best_facing import best_facing, in_hundredths
from yieldsim.planning.orientation.mount_frames import Facings, facings, facings_of_axes
from yieldsim.planning.orientation.objectives import FacingProblem
from yieldsim.planning.orientation.pattern_search import distinct, search_turned, turned
from yieldsim.planning.orientation.smeared_levels import GRID_DEG, ROLL_GRID_DEG, Level, finer, smeared_table

TROUGH = BiaxialAcceptance(
    transverse_deg=[0, 2, 4],
    longitudinal_deg=[-30, 0, 40],
    acceptance_fraction=[[0.5, 0.9, 0.3], [0.4, 0.8, 0.2], [0, 0, 0]],
    source="disc",
)
HAIR = BiaxialAcceptance(
    transverse_deg=[0, 0.7, 1.2],
    longitudinal_deg=[0, 45, 60],
    acceptance_fraction=[[0.9, 0.8, 0], [0.85, 0.75, 0], [0, 0, 0]],
    source="point",
)


def turn_between_deg(first, second):
    trace = np.einsum("...ij,...ij->...", first, second)
    return np.degrees(np.arccos(np.clip((trace - 1.0) / 2.0, -1.0, 1.0)))


def test_a_smeared_table_is_the_mean_over_turns():
    """Leans within a limb-darkened disc and rolls to both sides, drawn at random: 200,000 of them."""
    patch, roll = 1.8, 7.5
    smeared = smeared_table(TROUGH, patch, roll)
    rng = np.random.default_rng(5)
    count = 200_000
    # brightness falls from the centre of the disc to its limb: draw by rejection, as base.sun_disc weighs its points

    way = rng.uniform(-1.0, 1.0, (6 * count, 2))
    share = (way**2).sum(axis=1)
    inside = share < 1.0
    way, share = way[inside], share[inside]
    bright = brightness(np.sqrt(1.0 - share))
    way = way[rng.uniform(0.0, bright.max(), len(way)) < bright][:count]
    turns = np.concatenate([np.zeros((len(way), 2)), rng.uniform(-roll, roll, (len(way), 1))], axis=1)
    for t, el in ((0.0, 0.0), (3.0, 20.0), (5.0, -25.0), (1.0, 41.0), (8.0, 38.0)):
        sun = np.array([np.tan(np.radians(t)), np.tan(np.radians(el)), 1.0])
        sun /= np.linalg.norm(sun)
        # a patch about the Sun, then the roll
        across = np.cross(sun, [0.0, 1.0, 0.0])
        across /= np.linalg.norm(across)
        up = np.cross(across, sun)
        near = sun + np.radians(patch) * (way[:, :1] * across + way[:, 1:] * up)
        near /= np.linalg.norm(near, axis=1, keepdims=True)
        seen = np.einsum("nij,nj->ni", turned(np.broadcast_to(np.eye(3), (len(way), 3, 3)), turns), near)
        mean = float(acceptance_at(TROUGH, seen, 0.27).mean())
        assert float(acceptance_at(smeared, sun[None], 0.27)[0]) == pytest.approx(mean, abs=0.03)
    assert float(smeared.acceptance_fraction[:, [0, -1]].max()) == 0.0


def test_patches_are_cut_up_without_holes():
    """Any facing and roll near a coarse one lies nearer to one of the finer ones than their own patches reach."""

    class Steps:
        def __init__(self, step, roll):
            self.step_deg, self.roll_step_deg = step, roll

    above: Level = Steps(GRID_DEG, ROLL_GRID_DEG)  # type: ignore[assignment]
    below: Level = Steps(GRID_DEG / 2.0, ROLL_GRID_DEG / 4.0)  # type: ignore[assignment]
    one = facings(50.0, 120.0, 33.0)
    parts = finer(one, above, below)
    assert parts.count == 16
    rng = np.random.default_rng(6)
    vectors = rng.uniform(-0.5, 0.5, (500, 3)) * [GRID_DEG, GRID_DEG, ROLL_GRID_DEG]
    around = turned(np.repeat(one.axes_enu_xyz, 500, axis=0), vectors)
    apart = np.stack([turn_between_deg(around, axes) for axes in parts.axes_enu_xyz])
    furthest = np.hypot(GRID_DEG / 2.0 * np.sqrt(0.5), ROLL_GRID_DEG / 8.0)
    assert apart.min(axis=0).max() < 1.1 * furthest


def test_turns_are_about_the_mounts_own_axes():
    axes = facings([30.0, 80.0], [40.0, 250.0], [10.0, -60.0]).axes_enu_xyz
    rolled = turned(axes, np.array([0.0, 0.0, 25.0]))
    np.testing.assert_allclose(rolled[:, 2], axes[:, 2], atol=1e-12)
    np.testing.assert_allclose(facings_of_axes(rolled).roll_deg, [35.0, -35.0], atol=1e-9)
    about = turned(axes, np.array([7.0, 0.0, 0.0]))
    np.testing.assert_allclose(about[:, 0], axes[:, 0], atol=1e-12)
    np.testing.assert_allclose(turn_between_deg(about, axes), 7.0, atol=1e-9)
    # a right-handed turn about the transverse axis takes the longitudinal one towards the normal
    assert (np.einsum("nj,nj->n", about[:, 1], axes[:, 2]) > 0.0).all()
    there_and_back = turned(turned(axes, np.array([3.0, -4.0, 9.0])), np.array([-3.0, 4.0, -9.0]))
    np.testing.assert_allclose(there_and_back, axes, atol=1e-12)


def test_distinct_keeps_the_best_of_each_place():
    some = facings([50.0, 50.5, 50.0, 20.0], 10.0, [0.0, 0.0, 40.0, 0.0])
    assert distinct(some.axes_enu_xyz, np.array([1.0, 2.0, 0.5, 0.1]), 2.0, 9) == [1, 2, 3]
    assert distinct(some.axes_enu_xyz, np.array([1.0, 2.0, 0.5, 0.1]), 2.0, 2) == [1, 2]


def offset(some, top):
    """Rotation vectors (n, 3), degrees, in the top's axes, of small turns."""
    turning = np.einsum("nij,kj->nik", some.axes_enu_xyz, top)
    away = 0.5 * (turning - np.swapaxes(turning, 1, 2))
    return np.degrees(np.stack([away[:, 1, 2], away[:, 2, 0], away[:, 0, 1]], axis=1))


@pytest.mark.parametrize("kind", ["ridge", "poorest"])
def test_search_follows_ridges_to_their_tops(kind):
    """A ridge a hundred times as long as wide, askew to all axes; and the lowest of four planes, whose top is a point."""
    top = facings(71.3, 205.4, 88.2).axes_enu_xyz[0]
    askew, _ = np.linalg.qr(np.array([[1.0, 0.6, 0.2], [-0.3, 1.0, 0.5], [0.4, -0.2, 1.0]]))
    planes = np.array([[1.0, 0.2, 0.1], [-0.6, 1.0, -0.2], [-0.4, -0.9, 1.0], [0.1, -0.2, -0.9]])

    def measure(some: Facings, at_least):
        off = offset(some, top) @ askew
        if kind == "poorest":
            return 30.0 + off @ planes.T
        return 100.0 - (off**2 @ np.array([4.0, 1.0, 4e-4]))[:, None]

    def worth(measures):
        return measures.min(axis=1)

    starts = facings([66.0, 78.0, 71.0], [199.0, 207.0, 212.0], [92.0, 80.0, 85.0])
    found, value = search_turned(measure, worth, starts, 1.0, finest_deg=0.01, patience=2)
    assert value[0] == pytest.approx(100.0 if kind == "ridge" else 30.0, abs=0.01)
    if kind == "poorest":
        assert turn_between_deg(found.axes_enu_xyz[0], top) < 0.05


def test_hundredths_of_roll_count_where_rolls_do():
    top = facings(63.22, 201.55, 17.34).axes_enu_xyz[0]

    def score(some, at_least):
        return -turn_between_deg(some.axes_enu_xyz, top)

    near = facings(63.2, 201.6, 17.3)
    assert in_hundredths(score, near, rolls=True)[0].mount(0).roll_deg == 17.34
    assert in_hundredths(score, near)[0].mount(0).roll_deg == 17.3


@pytest.mark.slow
def test_a_hairs_breadth_is_found_whatever_way_it_lies(weighed):
    """A Sun that goes round a great circle askew: a trough a degree wide must lie along it, nowhere else."""
    rng = np.random.default_rng(8)
    for number in range(4):
        normal = rng.normal(size=3)
        normal /= np.linalg.norm(normal)
        along = np.cross(normal, [0.0, 0.0, 1.0])
        along /= np.linalg.norm(along)
        up = np.cross(normal, along)
        hour = np.linspace(0.0, 2.0 * np.pi, 1440, endpoint=False)
        sun = np.cos(hour)[:, None] * along + np.sin(hour)[:, None] * up
        # brighter to one side, so that one facing is best
        power = 100.0 * (2.0 + np.cos(hour - 1.0 - number))
        found = best_facing(FacingProblem(weighed(sun, power, HAIR, step_minutes=1), "annual"))
        axes = found.facing.axes_enu_xyz[0]
        bright = np.cos(1.0 + number) * along + np.sin(1.0 + number) * up
        assert abs(axes[0] @ normal) > np.cos(np.radians(0.1))
        assert axes[2] @ bright > np.cos(np.radians(3.0))


@pytest.mark.parametrize("tilt", [10.0, 40.0, 75.0])
def test_a_facing_by_itself_reads_what_many_of_its_rate_do(weighed, tilt):
    """Facings of one dust rate are read from a sky added up for it, others from cells that hold all rates."""
    dust = Dust(loss_per_day=0.004, tilt_exponent=1.0, floor=0.0)
    hours = 4380
    history = DustHistory(start_tdb_s=np.zeros(1), load_days=np.zeros(1), days_per_day=1.0)
    rates = DustRates.for_run(dust, history, hours * 3600.0)
    assert len(rates.rates) > 2
    time = np.arange(hours)
    sun = direction_enu_xyz(time * 0.9 % 360.0, 30.0 + 20.0 * np.sin(time / 500.0))
    prospect = weighed(sun, np.full(hours, 50.0), TROUGH, dust=rates, load_days=time / 24.0)
    azimuth, roll = np.arange(200) * 1.8, np.arange(200) * 7.0
    some = facings(tilt, azimuth, roll)
    axes = some.axes_enu_xyz
    many = prospect.months.period_kwh(axes, some.tilt_deg)
    alone = prospect.months.period_kwh(axes[:100], some.tilt_deg[:100])
    np.testing.assert_allclose(alone, many[:100], rtol=1e-9, atol=1e-12)
    cleaned = 50.0 * np.exp(-0.004 * np.cos(np.radians(tilt)) * time / 24.0)
    best = int(many.sum(axis=1).argmax())
    seen = sun @ axes[best].T
    known = float((acceptance_at(TROUGH, seen, 0.27) * np.maximum(seen[:, 2], 0.0) * cleaned).sum()) / 1000.0
    assert many[best].sum() == pytest.approx(known, rel=2e-3)
