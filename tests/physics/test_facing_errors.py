"""What errors of pointing cost: mounts turned by explicit rotation matrices, read through full estimates and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from yieldsim.base.model import BiaxialAcceptance, Collector, Dust, Mount, RoundAcceptance, Site
from yieldsim.base.numerics.vectors import direction_enu_xyz, mount_axes_enu_xyz
from yieldsim.files.inputs.readers import read_body
from yieldsim.planning.orientation.mount_frames import facings, leaned, on_a_crooked_mast
from yieldsim.planning.orientation.objectives import Prospect
from yieldsim.planning.orientation.pointing_tolerance import losses_on_a_crooked_mast, losses_when_off
from yieldsim.planning.sunlight.cumulative_sky import weigh
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.setup.prepare import prepare

TROUGH = BiaxialAcceptance(
    transverse_deg=[0, 2, 4, 6, 8],
    longitudinal_deg=[0, 30, 60],
    acceptance_fraction=[[0.8, 0.75, 0.0], [0.8, 0.75, 0.0], [0.48, 0.45, 0.0], [0.04, 0.04, 0.0], [0, 0, 0]],
    source="point",
)
UP_EAST_NORTH = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])


def turned(axes, about, by_deg):
    """Axes, as rows, after a right-handed turn of the whole mount."""
    return axes @ Rotation.from_rotvec(np.radians(by_deg) * np.asarray(about)).as_matrix().T


def any_facings(seed=4):
    rng = np.random.default_rng(seed)
    return facings(
        [*rng.uniform(0.0, 180.0, 20), 0.0, 1e-3, 1.0, 179.0, 180.0],
        rng.uniform(0.0, 360.0, 25),
        rng.uniform(-180.0, 180.0, 25),
    )


def pose_of(axes):
    """Tilt, azimuth and roll of axes, by the definitions in words: roll turns the level axis towards the slope."""
    normal = axes[2]
    tilt = np.degrees(np.arctan2(np.hypot(*normal[:2]), normal[2]))
    azimuth = np.degrees(np.arctan2(normal[0], normal[1]))
    level = np.cross(np.array([0.0, 0.0, 1.0]), normal)
    level *= 1.0 / np.linalg.norm(level)
    roll = np.degrees(np.arctan2(axes[0] @ np.cross(normal, level), axes[0] @ level))
    return float(tilt), float(azimuth) % 360.0, float(roll)


def test_a_lean_is_a_turn_about_an_axis_in_the_aperture():
    some, toward = any_facings(), np.array([0.0, 37.0, 90.0, 250.0])
    off = np.array([0.5, 4.0, 25.0, 0.0])
    found = leaned(some, off, toward).axes_enu_xyz.reshape(some.count, 4, 3, 3)
    for place in range(some.count):
        tilt, azimuth, roll = (float(column[place]) for column in some)
        level, slope, normal = mount_axes_enu_xyz(tilt, azimuth, 0.0)
        for k in range(4):
            way = np.cos(np.radians(toward[k])) * slope + np.sin(np.radians(toward[k])) * level
            expected = turned(mount_axes_enu_xyz(tilt, azimuth, roll), np.cross(normal, way), off[k])
            np.testing.assert_allclose(found[place, k], expected, atol=1e-12)


def test_a_mast_turns_about_its_own_axis_then_leans_about_a_level_one():
    some, lean = any_facings(5), np.array([0.0, 3.0, 11.0, 2.0])
    toward, turn = np.array([0.0, 90.0, 200.0, 300.0]), np.array([8.0, 0.0, -5.0, 1.0])
    up, east, north = UP_EAST_NORTH
    found = on_a_crooked_mast(some, lean, toward, turn).axes_enu_xyz.reshape(some.count, 4, 3, 3)
    for place in range(some.count):
        upright = mount_axes_enu_xyz(*(float(column[place]) for column in some))
        for k in range(4):
            # clockwise seen from above is left-handed about the vertical
            set_wrong = turned(upright, up, -turn[k])
            way = np.sin(np.radians(toward[k])) * east + np.cos(np.radians(toward[k])) * north
            expected = turned(set_wrong, np.cross(up, way), lean[k])
            np.testing.assert_allclose(found[place, k], expected, atol=1e-12)


@pytest.mark.parametrize(
    "tilt_deg", [pytest.param(0.0, marks=pytest.mark.slow), 0.02, pytest.param(1.0, marks=pytest.mark.slow)]
)
def test_a_trough_under_the_zenith_loses_by_its_own_angles(weighed, tilt_deg):
    # the Sun stands on the normal; off by x towards an angle p from the trough, tan transverse = tan x sin p
    table = replace(TROUGH, source="disc")
    sun = direction_enu_xyz([70.0], [90.0 - tilt_deg])
    prospect = weighed(np.repeat(sun, 50, axis=0), np.full(50, 500.0), table)
    for row in losses_when_off(prospect, facings(tilt_deg, 70.0, 20.0), (0.5, 3.0, 10.0)):
        off, along = np.radians(row["off_deg"]), np.radians(20.0 + np.arange(0.0, 360.0, 10.0))
        angle = np.degrees(np.arctan(np.tan(off) * np.abs(np.sin(along))))
        length = np.degrees(np.arctan(np.tan(off) * np.abs(np.cos(along))))
        across = np.interp(angle, table.transverse_deg, [1.0, 1.0, 0.6, 0.05, 0.0])
        kept = across * (1.0 - length / 30.0 * 0.05 / 0.8) * np.cos(off)
        assert row["mean_loss_fraction"] == pytest.approx(1.0 - kept.mean(), abs=5e-4)
        assert row["worst_loss_fraction"] == pytest.approx(1.0 - kept.min(), abs=1e-3)
        # a roll leaves a Sun on the normal where it is
        assert row["rolled_loss_fraction"] == pytest.approx(0.0, abs=1e-4)


def narrow(half_angle_deg):
    return RoundAcceptance(incidence_deg=[0.0, half_angle_deg], acceptance_fraction=[1.0, 0.0], source="disc")


@pytest.mark.parametrize(
    ("lean_deg", "turn_deg"), [(2.0, 0.0), (5.0, 0.0), (0.0, 5.0), (5.0, 5.0), (1.0, 3.0)]
)
def test_expected_loss_is_the_mean_over_masts_drawn_at_random(weighed, lean_deg, turn_deg):
    # an acceptance far narrower than the error: a mean over few masts would hit or miss it
    sun = np.repeat(direction_enu_xyz([222.0], [31.0]), 10, axis=0)
    prospect = weighed(sun, np.full(10, 500.0), narrow(1.0))
    found = losses_on_a_crooked_mast(prospect, facings(59.0, 222.0), lean_deg, turn_deg)
    rng, count = np.random.default_rng(8), 400_000
    size, toward = np.radians(lean_deg) * np.sqrt(rng.uniform(0, 1, count)), rng.uniform(0, 2 * np.pi, count)
    turn, tilt = np.radians(turn_deg) * rng.uniform(-1, 1, count), np.radians(59.0)
    # the normal towards azimuth 0, turned about the vertical, then about the level axis square to the lean
    normal = np.stack(
        [np.sin(tilt) * np.sin(turn), np.sin(tilt) * np.cos(turn), np.full(count, np.cos(tilt))], 1
    )
    way = np.stack([np.sin(toward), np.cos(toward)], 1)
    ahead = (normal[:, :2] * way).sum(axis=1)
    north = normal[:, 1] + way[:, 1] * ((np.cos(size) - 1.0) * ahead + np.sin(size) * normal[:, 2])
    up = np.cos(size) * normal[:, 2] - np.sin(size) * ahead
    off = np.arccos(np.clip(north * np.sin(tilt) + up * np.cos(tilt), -1.0, 1.0))
    kept = np.maximum(1.0 - np.degrees(off), 0.0) * np.cos(off)
    assert found["expected_loss_fraction"] == pytest.approx(1.0 - kept.mean(), abs=4e-3)


def martian():
    site = Site(
        name="Plain",
        body=read_body("mars").noun,
        latitude_deg=22.4,
        longitude_deg=200.5,
        optical_depth=0.45,
        dust=Dust(loss_per_day=0.003, tilt_exponent=0.5),
    )
    return site, Collector(
        name="Trough", aperture_area_m2=0.1, mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),), acceptance=TROUGH
    )


@pytest.mark.slow
def test_losses_are_those_of_estimates_of_the_turned_mounts():
    # a trough that looks nearly straight up, across the Sun's way: the lean swings its azimuth all round
    span = {"start": "2027-02-10", "end": "2027-02-14"}
    site, collector = martian()
    ready = prepare(site, collector, **span)
    prospect = Prospect.of(*weigh(ready.setting, ready.grid), TROUGH)
    facing = facings(1.1, 0.0, 90.0)
    upright = mount_axes_enu_xyz(1.1, 0.0, 90.0)
    level, slope, normal = mount_axes_enu_xyz(1.1, 0.0, 0.0)
    poses = [upright, turned(upright, normal, -2.0), turned(upright, normal, 2.0)]
    for toward in np.radians(np.arange(0.0, 360.0, 10.0)):
        about = np.cross(normal, np.cos(toward) * slope + np.sin(toward) * level)
        poses.append(turned(upright, about, 2.0))
    up, east, north = UP_EAST_NORTH
    for toward in np.radians(np.arange(0.0, 360.0, 15.0)):
        about = np.cross(up, np.sin(toward) * east + np.cos(toward) * north)
        poses += [turned(turned(upright, up, turn), about, 2.0) for turn in (-3.0, 0.0, 3.0)]
    mounts = [Mount(tilt_deg=t, azimuth_deg=a, roll_deg=r) for t, a, r in map(pose_of, poses)]
    ds = estimate(site, replace(collector, mounts=tuple(mounts)), **span)
    kwh = ds["mount_delivered_power_w"].values.sum(axis=0)
    lost = 1.0 - kwh[1:] / kwh[0]
    # a sweep may be off by 2e-3 of the energy
    (off,) = losses_when_off(prospect, facing, (2.0,))
    assert off["rolled_loss_fraction"] == pytest.approx(lost[:2].max(), abs=2e-3)
    assert off["mean_loss_fraction"] == pytest.approx(lost[2:38].mean(), abs=2e-3)
    assert off["worst_loss_fraction"] == pytest.approx(lost[2:38].max(), abs=2e-3)
    assert 0.0 < off["mean_loss_fraction"] < 0.1
    mast = losses_on_a_crooked_mast(prospect, facing, 2.0, 3.0)
    assert mast["worst_loss_fraction"] == pytest.approx(lost[38:].max(), abs=2e-3)
