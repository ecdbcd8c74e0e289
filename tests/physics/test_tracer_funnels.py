"""Funnels against theory: compound parabolic edge, unfolding, reciprocity, total reflection."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from agreement import funnels
from agreement import optics as agreed
from agreement.scenes import bare_funnel, glass, in_band
from numpy.testing import assert_allclose

from yieldsim.base.prescription_model import Collar, FibreFace, Funnel, Lens, Prescription
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.funnel_walls import full_height, parabola_half_width, solve_axis_angle, wall_hit
from yieldsim.optics.raytrace.scene import Scene, build_scene
from yieldsim.optics.raytrace.tracer import directions_xyz, paths, record, trace


def test_compound_parabolic_profile() -> None:
    """Tolerances: the table's digits, and its mouth's digits carried into the height."""
    assert agreed.cpc_profile() < 1e-5


def test_compound_parabolic_points() -> None:
    """(1.598076, 1.5) lies on the 30 degree profile (independent table)."""
    assert_allclose(parabola_half_width(1.5, 1.0, math.radians(30.0)), 1.598076, atol=5.1e-7)
    assert_allclose(solve_axis_angle(1.598076, 1.0, 1.5), math.radians(30.0), atol=1e-6)


def test_trough_accepts_everything_inside_and_nothing_outside() -> None:
    """A 2-D compound parabolic concentrator: transmission 1 within the acceptance angle, 0 beyond (Winston et al.), at 10 to 60 deg.

    Rays of a 2-D trough reflect in the plane of the section only, so a longitudinal tilt changes nothing.
    """
    assert funnels.trough_inside() < 1e-9
    assert funnels.trough_outside() < 1e-9


def test_rotated_compound_parabolic_loses_a_little_inside_its_edge() -> None:
    """Revolved, the edge is rounded by skew rays: nearly all at half the angle, 0 well beyond (Winston et
    al.)."""
    angle, outlet = 20.0, 0.01
    mouth = outlet / math.sin(math.radians(angle))
    scene = bare_funnel("compound_parabolic", "round", mouth, outlet, full_height(mouth / 2.0, outlet / 2.0))
    directions = directions_xyz(np.array([0.0, 10.0, 19.0, 21.0, 24.0]), np.zeros(5))
    got = in_band(scene, trace(scene, directions, points=2048).share)[:, loss_causes.DELIVERED]
    assert got[0] > 0.9999
    assert got[1] > 0.98
    assert 0.5 < got[2] < 0.99
    assert got[3] < 0.5
    assert got[4] < 0.05


@pytest.mark.parametrize(
    ("shape", "section", "mouth", "outlet", "length"),
    [
        ("straight", "round", 0.03, 0.01, 0.08),
        ("straight", "square", 0.03, 0.012, 0.05),
        ("compound_parabolic", "round", 0.03, 0.012, 0.025),
        ("compound_parabolic", "square", 0.03, 0.012, 0.025),
        ("straight", "trough", 0.03, 0.01, 0.04),
    ],
)
def test_reciprocity_of_a_lossless_funnel(
    shape: str, section: str, mouth: float, outlet: float, length: float
) -> None:
    """Every ray sent backwards from the outlet leaves by the mouth, so forwards exactly the outlet's
    etendue gets in:

        A_mouth * integral of acceptance * cos(incidence) d(omega) = pi A_outlet

    The integral runs over X = sin cos phi, Y = sin sin phi, where d(omega) cos = dX dY. Tolerance: the
    grid's.
    """
    scene = bare_funnel(shape, section, mouth, outlet, length)
    count = 40
    edge = (np.arange(count) + 0.5) / count
    sine, azimuth = np.sqrt(edge), (np.arange(count) * 0.6180339887 % 1.0) * 2.0 * math.pi
    directions = np.stack([sine * np.cos(azimuth), sine * np.sin(azimuth), np.sqrt(1.0 - sine**2)], axis=-1)
    # the mean over the unit disc of sines, spun over azimuth
    traced = trace(scene, directions, points=4096, shifts=4, spin=True)
    accepted = in_band(scene, traced.share)[:, loss_causes.DELIVERED].mean()
    if section == "trough":
        # ideal end mirrors: the trough's outlet is as long as its mouth
        assert_allclose(accepted, outlet / mouth, rtol=0.01)
    else:
        assert_allclose(accepted, (outlet / mouth) ** 2, rtol=0.015)


def unfolded_wedge(x: np.ndarray, angle: float, mouth: float, outlet: float, length: float) -> np.ndarray:
    """Whether rays entering a wedge-shaped trough at x and `angle` reach the outlet, by the method of images.

    The wedge is mirrored in its walls again and again; a ray is a straight line there, and gets through
    when it meets one of the images of the outlet, chords at the distance of the outlet from the apex.
    """
    gamma = math.atan((mouth - outlet) / 2.0 / length)
    apex = mouth / 2.0 / math.tan(gamma)
    inner = apex - length
    through = np.zeros(len(x), bool)
    start = np.stack([x, np.full(len(x), apex)], axis=-1)
    direction = np.array([-math.sin(angle), -math.cos(angle)])
    for image in range(-40, 41):
        middle = 2.0 * image * gamma
        if abs(middle) > math.pi:
            continue
        outward = np.array([math.sin(middle), math.cos(middle)])
        side = np.array([math.cos(middle), -math.sin(middle)])
        facing = direction @ outward
        if facing >= 0.0:
            continue
        distance = (inner - start @ outward) / facing
        across = start @ side + distance * (direction @ side)
        through |= (distance > 0.0) & (np.abs(across) <= outlet / 2.0)
    return through


@pytest.mark.parametrize("angle", [2.0, 8.0, 15.0, 25.0])
def test_straight_trough_by_unfolding(angle: float) -> None:
    mouth, outlet, length = 0.03, 0.01, 0.06
    scene = bare_funnel("straight", "trough", mouth, outlet, length)
    x = (np.arange(200_000) + 0.5) / 200_000 * mouth - mouth / 2.0
    expected = unfolded_wedge(x, math.radians(angle), mouth, outlet, length).mean()
    traced = trace(scene, directions_xyz(np.array([angle]), np.zeros(1)), points=8192)
    found = in_band(scene, traced.share)[0, loss_causes.DELIVERED]
    error = traced.error[0, loss_causes.DELIVERED]
    # 4.5 standard errors of 16 shifts: chance 4e-4 a case (Student t, 15 degrees of freedom)
    assert_allclose(found, expected, atol=4.5 * error + 1e-5)


def test_cone_meridional_rays_by_unfolding() -> None:
    """A ray in a plane through a cone's axis stays in it: the wedge's answer, ray by ray."""
    mouth, outlet, length = 0.03, 0.01, 0.06
    scene = bare_funnel("straight", "round", mouth, outlet, length)
    x = np.linspace(-0.0149, 0.0149, 601)
    for angle in (0.03, 0.2, 0.4):
        expected = unfolded_wedge(x, angle, mouth, outlet, length)
        found = [_gets_through(scene, place, angle) for place in x]
        assert_allclose(found, expected)


def _gets_through(scene: Scene, x: float, angle: float) -> bool:
    """One ray, reflected in plain NumPy from the compiled wall's hits."""
    wall = scene.parts.funnel[0]
    position, direction = np.array([x, 0.0, 0.0]), np.array([-math.sin(angle), 0.0, math.cos(angle)])
    for _ in range(200):
        distance, *normal, met = wall_hit(wall, *position, *direction)
        position = position + distance * direction
        if not met:
            return bool(direction[2] > 0.0)
        direction = direction - 2.0 * (direction @ normal) * np.array(normal)
    return False


def random_rays(rng: np.random.Generator, radius: float) -> tuple[np.ndarray, np.ndarray]:
    turn, r = rng.uniform(0.0, 2.0 * math.pi), radius * math.sqrt(rng.uniform()) * 0.999
    sine, around = math.sqrt(rng.uniform()) * 0.9, rng.uniform(0.0, 2.0 * math.pi)
    position = np.array([r * math.cos(turn), r * math.sin(turn), 0.0])
    return position, np.array([sine * math.cos(around), sine * math.sin(around), math.sqrt(1.0 - sine**2)])


@pytest.mark.parametrize(
    ("shape", "section"), [(s, k) for s in ("straight", "compound_parabolic") for k in ("round", "square")]
)
def test_rays_run_backwards(shape: str, section: str) -> None:
    """Turned round at its end, a ray comes back to where it started (tolerance: rounding grown by the
    bounces)."""
    scene = bare_funnel(shape, section, 0.03, 0.012, 0.025)
    wall = scene.parts.funnel[0]
    rng = np.random.default_rng(5)
    for _ in range(100):
        start, heading = random_rays(rng, 0.015)
        position, direction, bounces = start, heading, 0
        for _leg in range(2):
            for _ in range(200):
                distance, *normal, met = wall_hit(wall, *position, *direction)
                position = position + distance * direction
                if not met:
                    break
                bounces += 1
                direction = direction - 2.0 * (direction @ normal) * np.array(normal)
            direction = -direction
        assert_allclose(position, start, atol=1e-9)
        assert_allclose(direction, heading, atol=1e-7)


def brute_force_hit(
    half_width: Callable[[float], float],
    is_round: bool,
    bottom: float,
    position: np.ndarray,
    direction: np.ndarray,
) -> float:
    """First distance at which a ray is outside the wall or beyond its ends, by steps and bisection."""

    def outside(distance: float) -> bool:
        x, y, z = position + distance * direction
        if z < 0.0 or z > bottom:
            return True
        width = half_width(z)
        return bool(math.hypot(x, y) > width if is_round else max(abs(x), abs(y)) > width)

    low, step = 0.0, 2e-5
    while not outside(low + step):
        low += step
    high = low + step
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if outside(middle) else (middle, high)
    return high


@pytest.mark.parametrize(
    ("shape", "section"), [(s, k) for s in ("straight", "compound_parabolic") for k in ("round", "square")]
)
def test_wall_hits_against_brute_force(shape: str, section: str) -> None:
    scene = bare_funnel(shape, section, 0.03, 0.012, 0.025)
    wall = scene.parts.funnel[0]
    theta = math.atan2(float(wall["axis_sin"]), float(wall["axis_cos"]))

    def half_width(z: float) -> float:
        if shape == "straight":
            return 0.015 + (0.006 - 0.015) * z / 0.025
        return parabola_half_width(0.025 - z, 0.006, theta)

    rng = np.random.default_rng(3)
    for _ in range(60):
        position, direction = random_rays(rng, 0.015)
        expected = brute_force_hit(half_width, section == "round", 0.025, position, direction)
        assert_allclose(wall_hit(wall, *position, *direction)[0], expected, atol=1e-10)


def test_mirror_loss_is_reflectance_to_the_bounces() -> None:
    """A wedge where every ray through is known by unfolding: with few bounces at grazing light, loss is
    between one and a few reflections."""
    lossless = bare_funnel("straight", "round", 0.03, 0.01, 0.2)
    lossy = bare_funnel("straight", "round", 0.03, 0.01, 0.2, reflectance=0.9)
    direction = directions_xyz(np.array([0.0]), np.zeros(1))
    whole = trace(lossless, direction, points=2048).share[0]
    dimmed = trace(lossy, direction, points=2048).share[0]
    straight = 1.0 / 9.0
    passed = in_band(lossless, whole)[loss_causes.DELIVERED]
    assert_allclose(passed, 1.0, atol=1e-12)
    # on the axis: a ninth passes untouched, the rest reflects once until outlet images: by unfolding
    x = (np.arange(20_000) + 0.5) / 20_000
    r = 0.015 * np.sqrt(x)
    gamma = math.atan(0.01 / 0.2)
    apex = 0.015 / math.tan(gamma)
    # in the unfolded picture the ray runs parallel to the axis and leaves through image k, k reflections
    inner = apex - 0.2
    images = np.ceil(np.arcsin(np.minimum(1.0, r / (inner / math.cos(gamma)))) / gamma / 2.0 - 0.5)
    expected = (0.9**images).mean()
    assert passed > straight
    assert_allclose(in_band(lossy, dimmed)[loss_causes.DELIVERED], expected, rtol=2e-3)


def test_total_reflection_limit_of_a_dielectric_compound_parabola() -> None:
    """All by total reflection while sin(theta) <= n - 2/n for meridional light (Winston 1976, Appl. Opt.
    15, 291).

    At n = 1.79 the limit is 42.3 degrees outside: a profile for 20 degrees leaks nothing; at n = 1.46
    (limit 5 deg) it leaks.
    """

    def leak(n: float) -> float:
        scene = funnels.solid_trough(n, 20.0)
        traced = trace(scene, directions_xyz(np.array([19.9]), np.zeros(1)), points=2048)
        return float(in_band(scene, traced.share)[0, loss_causes.FUNNEL_ESCAPE])

    assert leak(1.79) == 0.0
    assert leak(1.46) > 0.01


def test_solid_cone_absorption_follows_path_length() -> None:
    """A straight rod: light on the axis crosses exactly its length (Beer-Lambert), and two faces."""
    funnel = Funnel(
        kind="solid",
        shape="straight",
        section="round",
        mouth_width_m=0.02,
        outlet_width_m=0.02,
        length_m=0.1,
        material=glass(1.5, 2.0),
    )
    fibre = FibreFace(section="round", width_m=0.021, length_m=0.021, numerical_aperture=0.5)
    scene = build_scene(Prescription(name="rod", lens=Lens(kind="none"), funnel=funnel, fibre=fibre))
    share = in_band(scene, trace(scene, directions_xyz(np.zeros(1), np.zeros(1)), points=256).share)[0]
    assert_allclose(share[loss_causes.DELIVERED], 0.96**2 * math.exp(-0.2), rtol=1e-9)
    assert_allclose(share[loss_causes.FUNNEL_ABSORPTION], 0.96 * (1.0 - math.exp(-0.2)), rtol=1e-9)


def test_seen_places_add_up_to_the_ledger() -> None:
    scene = bare_funnel("straight", "round", 0.03, 0.01, 0.06, 0.95)
    seen = record(scene, directions_xyz(np.array([5.0]), np.zeros(1))[0], rays=4096, sun_radius_deg=0.2665)
    assert_allclose(seen.delivered.sum() / seen.rays, seen.share[loss_causes.DELIVERED], rtol=1e-12)
    assert np.hypot(seen.face_x_m, seen.face_y_m).max() <= 0.005 * (1.0 + 1e-9)


@pytest.mark.parametrize("section", ["round", "square"])
def test_focusing_mirrors_beside_a_lens(section: str) -> None:
    """A parabola about the axis sends straight light to its focus: what misses the lens meets the axis at
    the target."""
    lens = Lens(
        kind="fresnel",
        width_m=0.2,
        thickness_m=0.004,
        focal_length_m=0.3,
        groove_count=100,
        material=glass(1.5),
    )
    collar = Collar(
        shape="parabolic",
        section=section,  # type: ignore[arg-type]
        mouth_width_m=0.3,
        outlet_width_m=0.2,
        height_m=0.2,
        reflectance=0.9,
        place="beside",
    )
    fibre = FibreFace(section="round", width_m=1.0, length_m=1.0, numerical_aperture=1.0, distance_m=0.3)
    scene = build_scene(Prescription(name="ring", lens=lens, collar=collar, fibre=fibre))
    ring = np.array([[0.12, 0.0], [0.0, 0.13], [-0.12, 0.0], [0.149, 0.0], [0.0, -0.11]])
    ends = [path[-1] for path in paths(scene, ring, np.array([0.0, 0.0, 1.0]), 600.0)]
    assert_allclose(ends, np.broadcast_to([0.0, 0.0, 0.304], (len(ring), 3)), atol=1e-12)
    if section == "square":
        return
    share = in_band(scene, trace(scene, np.array([[0.0, 0.0, 1.0]]), points=4096).share)[0]
    outlet = float(scene.parts.collar[0]["outlet_x"])
    # the mirror ends within the shadow of the lens
    expected = 0.1 * (1.0 - (max(outlet, 0.1) / 0.15) ** 2)
    assert_allclose(share[loss_causes.COLLAR_MIRROR], expected, rtol=5e-3)
