"""Acceptance over the disc and etendue: closed forms, conservation, the published concentration limits, axes and roll."""

import numpy as np
import pytest
from agreement.published import half_digit, table
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.base.model import BiaxialAcceptance, Collector, Fibre, Mount, RoundAcceptance, Site
from yieldsim.base.numerics.vectors import angle_between_deg, direction_enu_xyz, mount_axes_enu_xyz
from yieldsim.base.sun_disc import brightness, sample_points
from yieldsim.energy.incidence import sun_in_mount_xyz
from yieldsim.files.inputs.readers import read_body
from yieldsim.optics.acceptance import (
    _across,
    acceptance_at,
    biaxial_over_disc,
    full_grid,
    grid_value,
    half_width_deg,
    normal_acceptance,
)
from yieldsim.optics.etendue import fibre_etendue_m2_sr, largest_concentration, projected_acceptance_sr
from yieldsim.runs.estimate.output import summary_of
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.setup.prepare import prepare

RADIUS = 0.2666


def tilted(angle_deg, azimuth_deg=0.0):
    angle, azimuth = np.radians(np.atleast_1d(angle_deg)), np.radians(azimuth_deg)
    return np.stack(
        [np.sin(angle) * np.cos(azimuth), np.sin(angle) * np.sin(azimuth), np.cos(angle)], axis=-1
    )


def round_table(angles, values, source="point"):
    return RoundAcceptance(incidence_deg=angles, acceptance_fraction=values, source=source)


def test_no_overshoot_and_zero_outside():
    table = round_table([0.0, 5.0, 6.0], [0.9, 0.9, 0.2], "disc")
    at = acceptance_at(table, tilted([0.0, 2.5, 5.5, 5.999, 6.001, 95.0, 180.0]), RADIUS)
    np.testing.assert_allclose(at, [0.9, 0.9, 0.55, 0.2007, 0.0, 0.0, 0.0], atol=1e-3)


def test_hard_edge_smeared_by_the_disc():
    """A straight edge across the disc's centre passes half of it; across x radii, the share of a half-set Sun."""
    table = round_table([0.0, 30.0, 30.0001], [1.0, 1.0, 0.0])
    offset = np.array([-1.1, -0.5, 0.0, 0.5, 1.1])
    got = acceptance_at(table, tilted(30.0 + offset * RADIUS), RADIUS)
    # shares of a half-set Sun with the 617 nm law (derived): 0.82227, 0.5, 0.17773; 96 points: 1/96 at a hard edge
    np.testing.assert_allclose(got, [1.0, 0.82227, 0.5, 0.17773, 0.0], atol=0.011)


def test_quadratic_table_feels_the_second_moment():
    angles = np.linspace(0.0, 20.0, 4001)
    table = round_table(angles, 1.0 - (angles / 20.0) ** 2)
    r = np.linspace(0, 1, 100_001)
    light = brightness(np.sqrt(1 - r**2)) * r
    moment = (light * r**2).sum() / light.sum() * RADIUS**2
    # mean of theta^2 over the disc = centre^2 + moment (small angles)
    assert acceptance_at(table, tilted(0.0), RADIUS)[0] == pytest.approx(1.0 - moment / 400.0, abs=2e-6)


def test_the_short_cut_inside_a_row_is_the_average_over_the_disc():
    """One straight row and the same row cut into many: the first takes the short cut, the second averages points."""
    whole = round_table([0.0, 60.0, 80.0], [1.0, 0.0, 0.0])
    fine = np.concatenate([np.linspace(0.0, 60.0, 2401), [80.0]])
    cut = round_table(fine, np.interp(fine, [0.0, 60.0, 80.0], [1.0, 0.0, 0.0]))
    angles = np.linspace(0.0, 59.0, 400)
    got, expected = (acceptance_at(table, tilted(angles), RADIUS) for table in (whole, cut))
    # terms of fourth order in the Sun's radius: 5e-10 rad^4 over theta^3 at four radii
    np.testing.assert_allclose(got, expected, atol=2e-6)
    # and the term that is kept is larger than that
    assert np.abs(expected - np.interp(angles, [0, 60], [1, 0]))[40] > 1e-5


def test_a_disc_table_is_used_as_it_stands():
    table = round_table([0.0, 1.0, 1.001], [1.0, 1.0, 0.0], "disc")
    assert acceptance_at(table, tilted(0.99), RADIUS)[0] == 1.0
    assert acceptance_at(round_table([0.0, 1.0, 1.001], [1.0, 1.0, 0.0]), tilted(0.99), RADIUS)[0] < 0.7


def test_biaxial_equals_round_when_made_from_it():
    angles = np.linspace(0, 12, 121)
    curve = np.interp(angles, [0, 8, 10, 12], [0.9, 0.85, 0.3, 0.0])
    t = np.radians(angles)
    x, y = np.tan(t)[:, None], np.tan(t)[None, :]
    incidence = np.degrees(np.arctan(np.hypot(x, y)))
    grid = np.interp(incidence, angles, curve, right=0.0)
    biaxial = BiaxialAcceptance(
        transverse_deg=angles, longitudinal_deg=angles, acceptance_fraction=grid, source="point"
    )
    direction = np.concatenate(
        [tilted(a, b) for a in (0.0, 4.0, 8.5, 9.5) for b in (0.0, 30.0, 135.0, 290.0)]
    )
    both = [acceptance_at(table, direction, RADIUS) for table in (round_table(angles, curve), biaxial)]
    # 0.1 degree grid of a curve that falls 0.28 a degree
    np.testing.assert_allclose(both[1], both[0], atol=2e-3)
    assert projected_acceptance_sr(biaxial) == pytest.approx(
        projected_acceptance_sr(round_table(angles, curve)), rel=1e-3
    )


def test_projected_angles_as_the_test_standards_define_them():
    table = BiaxialAcceptance(
        transverse_deg=[-60.0, 60.0],
        longitudinal_deg=[0.0, 80.0],
        acceptance_fraction=[[0.0, 0.0], [1.0, 1.0]],
        source="disc",
    )
    # transverse angle of a direction: tan = x / z whatever y is
    direction = np.array([[np.tan(np.radians(30.0)), 1.7, 1.0]])
    direction /= np.linalg.norm(direction)
    assert acceptance_at(table, direction, RADIUS)[0] == pytest.approx((30.0 + 60.0) / 120.0)
    assert full_grid(table)[1][0] == -80.0


def test_roll_turns_the_axes_about_the_normal():
    sun = direction_enu_xyz(180.0, 20.0)[None, :]
    south = sun_in_mount_xyz(sun, 90.0, 180.0, 0.0)[0]
    # facing south and upright, a Sun 20 degrees up is off along the slope: longitudinal at roll 0
    np.testing.assert_allclose(south, [0.0, np.sin(np.radians(20)), np.cos(np.radians(20))], atol=1e-12)
    rolled = sun_in_mount_xyz(sun, 90.0, 180.0, 90.0)[0]
    np.testing.assert_allclose(rolled, [np.sin(np.radians(20)), 0.0, np.cos(np.radians(20))], atol=1e-12)


# closed forms of the projected solid angle: pi for the whole hemisphere, pi sin^2 of a cone's half-angle
@pytest.mark.parametrize("edge", [5.0, 23.0, 60.0, 89.0])
def test_projected_solid_angle_of_a_cone(edge):
    table = round_table([0.0, edge, edge + 1e-6], [1.0, 1.0, 0.0])
    assert projected_acceptance_sr(table) == pytest.approx(np.pi * np.sin(np.radians(edge)) ** 2, rel=1e-6)


def test_projected_solid_angle_of_everything():
    ones = np.ones((2, 2))
    assert projected_acceptance_sr(round_table([0.0, 90.0], [1.0, 1.0])) == pytest.approx(np.pi, rel=1e-12)
    biaxial = BiaxialAcceptance(
        transverse_deg=[0, 90], longitudinal_deg=[0, 90], acceptance_fraction=ones, source="point"
    )
    assert projected_acceptance_sr(biaxial) == pytest.approx(np.pi, rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_projected_solid_angle_against_quadrature(seed):
    rng = np.random.default_rng(seed)
    angles = np.concatenate([[0.0], np.sort(rng.choice(np.arange(1, 90), 6, replace=False)).astype(float)])
    table = round_table(angles, rng.uniform(0, 1, 7))
    t = np.radians(np.linspace(0, angles[-1], 200_001))
    values = np.interp(np.degrees(t), angles, table.acceptance_fraction)
    expected = 2 * np.pi * np.trapezoid(values * np.sin(t) * np.cos(t), t)
    assert projected_acceptance_sr(table) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("row", table("numerical_apertures.csv"), ids=lambda row: row["concentration"])
def test_largest_concentration(row):
    """(NA / sin(theta))^2, the three-dimensional limit of Winston, Minano & Benitez, Nonimaging Optics, 2005: to the digits kept."""
    found = largest_concentration(float(row["half_angle_deg"]), float(row["numerical_aperture"]))
    assert found == pytest.approx(float(row["concentration"]), rel=2e-5, abs=half_digit(row["concentration"]))


def test_an_ideal_concentrator_uses_the_whole_etendue():
    """Aperture / fibre face = (NA / sin theta)^2 with acceptance 1 inside theta: used equals limit."""
    fibre = Fibre(length_m=1.0, numerical_aperture=0.5, face_diameter_mm=20.0)
    theta = 10.0
    area = np.pi * 0.01**2 * largest_concentration(theta, 0.5)
    used = area * projected_acceptance_sr(round_table([0.0, theta, theta + 1e-7], [1.0, 1.0, 0.0]))
    assert used == pytest.approx(fibre_etendue_m2_sr(fibre), rel=1e-6)


def test_half_width():
    assert half_width_deg(round_table([0.0, 4.0, 6.0], [0.8, 0.8, 0.0])) == pytest.approx(5.0)
    assert half_width_deg(round_table([0.0, 4.0], [0.8, 0.8])) == 4.0
    table = BiaxialAcceptance(
        transverse_deg=[0, 4, 6],
        longitudinal_deg=[0, 60.0],
        acceptance_fraction=[[1, 1], [1, 1], [0, 0]],
        source="disc",
    )
    assert half_width_deg(table) == pytest.approx(5.0)


def test_sun_following_sees_the_normal():
    table = round_table([0.0, 0.2, 0.3], [1.0, 1.0, 0.0])
    wide = normal_acceptance(table, [0.1, 0.2666, 0.5])
    assert wide[0] == pytest.approx(1.0)
    assert wide[0] > wide[1] > wide[2]


@pytest.mark.parametrize("edge_radii", [0.2, 0.4, 0.6, 0.8, 0.95])
def test_an_edge_around_a_centred_sun_passes_the_light_inside_it(edge_radii):
    """Against the limb-darkened light inside a circle, by quadrature; 96 points in six rings err by 6 % here."""
    edge_deg = edge_radii * RADIUS
    table = round_table([0.0, edge_deg, edge_deg + 1e-6], [1.0, 1.0, 0.0])
    r = np.linspace(0.0, 1.0, 100_001)
    light = brightness(np.sqrt(1.0 - r**2)) * r
    inside = light[r <= edge_radii].sum() / light.sum()
    assert float(normal_acceptance(table, RADIUS)[0]) == pytest.approx(inside, abs=0.003)  # even_points


def test_following_behind_narrow_optics_keeps_up_with_mercurys_sun():
    """The disc's radius runs from 0.57 to 0.87 deg within a season: straight lines between five radii cost 1 %."""
    site = Site(name="x", body=read_body("mercury").noun, latitude_deg=0.0, longitude_deg=0.0)
    cone = round_table([0.0, 0.3, 0.3 + 1e-6], [1.0, 1.0, 0.0])
    collector = Collector(
        name="x", aperture_area_m2=1.0, mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),), acceptance=cone
    )
    ds = estimate(site, collector, "2027-01-01", "2027-04-01", interval_minutes=1440)
    lit = ds["disc_visible_fraction"].values == 1.0
    shares = ds["sun_following_power_w"].values[lit] / ds["beam_irradiance_w_m2"].values[lit]
    expected = normal_acceptance(cone, ds["sun_angular_radius_deg"].values[lit])
    # single days by the points inside the edge; their mean by what straight lines between 33 radii leave
    assert float(np.mean(shares / expected)) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("half_deg", [0.5, 1.0, 2.0])
def test_light_is_delivered_for_as_long_as_the_limb_is_accepted(half_deg):
    """Hours of an ideal cone against the angle between the Sun's centre and the normal, a quarter of a minute a step.

    A sample of the disc that stopped short of the limb by 6 % of its radius would lose 4, 3 and 1 %.
    """
    site = Site(name="x", body=read_body("moon").noun, latitude_deg=0.0, longitude_deg=0.0)
    cone = RoundAcceptance(
        incidence_deg=[0.0, half_deg, half_deg + 1e-6], acceptance_fraction=[1.0, 1.0, 0.0], source="point"
    )
    mounts = (Mount(tilt_deg=10.0, azimuth_deg=90.0), Mount(tilt_deg=40.0, azimuth_deg=270.0))
    collector = Collector(name="x", aperture_area_m2=1.0, mounts=mounts, acceptance=cone)
    span = ("2027-01-01", "2027-07-01")
    found = summary_of(estimate(site, collector, *span))
    ready = prepare(site, collector, *span)
    utc, tdb_s = ready.grid.fine(0, ready.grid.count, 240)
    ds = ready.setting.track.dataset(tdb_s, utc)
    sun = direction_enu_xyz(ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values)
    reached = np.zeros(len(sun), dtype=bool)
    for mount in mounts:
        normal = mount_axes_enu_xyz(mount.tilt_deg, mount.azimuth_deg, 0.0)[2]
        off_deg = angle_between_deg(sun, np.broadcast_to(normal, sun.shape))
        reached |= off_deg < half_deg + ds["sun_angular_radius_deg"].values
    # twelve passages begin and end within a step of 3 to 15 minutes, and the limb is read at 16 points
    assert found["hours_delivering"] == pytest.approx(reached.sum() / 240.0, rel=8e-3)


def test_a_disc_about_the_ends_of_a_grid_is_looked_through() -> None:
    """Wide discs over the whole half sky, also beside the axes, where projected angles turn fastest; points summed one by one."""
    rng = np.random.default_rng(5)
    sun = rng.normal(size=(4000, 3))
    sun[:, 2] = np.abs(sun[:, 2])
    sun[:200] = [0.01, 1.0, 0.02] + 0.01 * rng.normal(size=(200, 3))
    sun /= np.linalg.norm(sun, axis=1)[:, None]
    ends = np.radians(np.array([-20.0, 20.0]))
    points, weights = sample_points(3, 8)
    got = biaxial_over_disc(
        sun, np.full(len(sun), 0.1), ends, 2.0 * ends, np.ones((2, 2)), 1.5 * points, weights
    )
    aside = np.cross(sun, np.where(np.abs(sun[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]]))
    aside /= np.linalg.norm(aside, axis=1)[:, None]
    # the kernel's own axes across the disc, which turn the same rings about their centre
    a = np.where(np.abs(sun[:, 2:]) < 0.9, -aside, aside)
    b = np.cross(sun, a)
    expected = np.zeros(len(sun))
    for (u, v), weight in zip(0.15 * points, weights, strict=True):
        x, y, z = (sun + u * a + v * b).T
        inside = (
            (z > 0.0) & (np.abs(np.arctan2(x, z)) <= ends[1]) & (np.abs(np.arctan2(y, z)) <= 2.0 * ends[1])
        )
        expected += weight * inside
    assert np.count_nonzero((expected > 0.0) & (expected < 0.99)) > 100
    np.testing.assert_allclose(got, np.minimum(expected, 1.0), atol=1e-12)


def test_a_disc_over_rows_and_columns_of_a_grid_is_the_sum_of_its_points() -> None:
    """A grid of uneven rows and columns, small discs and wide ones: points read one by one."""
    rng = np.random.default_rng(11)
    rows = np.radians(np.array([-40.0, -22.0, -21.5, 0.0, 3.0, 60.0]))
    columns = np.radians(np.array([-85.0, -50.0, -1.0, 0.5, 30.0]))
    grid = rng.uniform(0.1, 1.0, (6, 5))
    sun = rng.normal(size=(3000, 3))
    sun[:, 2] = np.abs(sun[:, 2])
    sun /= np.linalg.norm(sun, axis=1)[:, None]
    points, weights = sample_points(3, 8)
    for radius in (0.003, 0.2):
        got = biaxial_over_disc(sun, np.full(len(sun), radius), rows, columns, grid, points, weights)
        expected = np.zeros(len(sun))
        for i, (x, y, z) in enumerate(sun):
            ax, ay, az, bx, by, bz = _across(x, y, z)
            for (u, v), weight in zip(radius * points, weights, strict=True):
                px, py, pz = x + u * ax + v * bx, y + u * ay + v * by, z + u * az + v * bz
                if pz > 0.0:
                    expected[i] += weight * grid_value(
                        np.arctan2(px, pz), np.arctan2(py, pz), rows, columns, grid
                    )
        np.testing.assert_allclose(got, np.minimum(expected, 1.0), atol=1e-12)
