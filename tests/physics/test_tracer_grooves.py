"""Grooves of Fresnel lenses: slopes, light and shadows of facets, against closed forms and plain sums."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from agreement import limits
from agreement import optics as agreed
from agreement.interfaces import prism_deviation_deg, reflectances
from agreement.scenes import NORMAL, glass, in_band
from agreement.scenes import lens_scene as any_lens_scene
from numpy.testing import assert_allclose

from yieldsim.base.errors import InputError
from yieldsim.base.prescription_model import Band, Coating, FibreFace, Lens, Prescription
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.groove_section import facet_from_air, facet_from_glass
from yieldsim.optics.raytrace.grooves import design_facets, groove_table, largest_turn_in_deg
from yieldsim.optics.raytrace.scene import Scene, build_scene
from yieldsim.optics.raytrace.tracer import directions_xyz, paths, trace

N = agreed.FACET_INDEX


def lens_scene(target_m: float, face_width_m: float = 1.0, **lens: Any) -> Scene:
    """Of the glass above, unless it says another."""
    return any_lens_scene(target_m, face_width_m, **{"material": glass(N), **lens})


# ---------------------------------------------------------------- grooves


def facet_slope_in_deg(turn_deg: float, n: float) -> float:
    """Slope of a groove facing in that turns straight light so far, by Snell."""
    w = math.radians(turn_deg)
    return math.degrees(math.atan2(math.sin(w), n - math.cos(w)))


def facet_slope_out_deg(turn_deg: float, n: float) -> float:
    """The same of a groove facing out."""
    w = math.sin(math.radians(turn_deg))
    return math.degrees(math.atan2(w, math.sqrt(n * n - w * w) - 1.0))


def test_slopes_that_the_design_gives_grooves() -> None:
    """Independent table for n = 1.4906; tolerance: its digits."""
    assert limits.facet_slope() < 5.1e-5


@pytest.mark.parametrize("side", ["in", "out"])
def test_flat_design_agrees_with_the_closed_form(side: str) -> None:
    lens = Lens(
        kind="fresnel",
        width_m=0.4,
        thickness_m=0.004,
        focal_length_m=0.5,
        groove_count=100,
        groove_side=side,
        material=glass(N),
    )
    facets = design_facets(lens, N)
    closed = facet_slope_in_deg if side == "in" else facet_slope_out_deg
    turn = facets.turn_deg
    if side == "out":
        # the ray bends again at the flat face, so the turn of the closed form is that behind the lens
        centre = (np.arange(100) + 0.5) * 0.002
        lens_path = centre - 0.004 * np.tan(np.arcsin(np.sin(np.radians(turn)) / N))
        assert np.all(np.abs(np.degrees(np.arctan2(lens_path, 0.5)) - turn) < 0.35)
        turn = np.degrees(np.arctan2(*_exit_turn(lens, facets.slope_deg)))
    assert_allclose(facets.slope_deg, [closed(w, N) for w in turn], atol=1e-6)


def _exit_turn(lens: Lens, slope_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sine and cosine of the turn behind a flat lens with grooves out, by Snell at both faces."""
    slope = np.radians(slope_deg)
    inside = slope - np.arcsin(np.sin(slope) / N)
    sine = N * np.sin(inside)
    return sine, np.sqrt(1.0 - sine**2)


@pytest.mark.parametrize("kind", ["fresnel", "linear_fresnel", "domed_fresnel"])
@pytest.mark.parametrize("side", ["in", "out"])
def test_every_groove_centre_ray_meets_the_target(kind: str, side: str) -> None:
    """Centre rays traced through the finished lens cross the axis at the focus (tolerance: rounding)."""
    lens = {
        "kind": kind,
        "outline": "rectangle" if kind == "linear_fresnel" else "round",
        "width_m": 0.4,
        "length_m": 0.4,
        "thickness_m": 0.004,
        "focal_length_m": 0.5,
        "groove_count": 80,
        "groove_side": side,
        "draft_deg": 3.0,
        "dome_radius_m": 0.35 if kind == "domed_fresnel" else math.inf,
    }
    scene = lens_scene(0.5, **lens)
    slope = np.radians(scene.facet_slope_deg)
    pitch = float(scene.parts.lens[0]["pitch"])
    middle = np.arange(80) * pitch + 0.5 * scene.parts.table[:, 1]
    if kind == "domed_fresnel":
        # straight light: the ray through the facet's centre enters the aperture above it (found by its own
        # refraction)
        table = scene.parts.table
        half = 0.5 * table[:, 1]
        drop = half * np.tan(slope) * (-1.0 if side == "in" else 1.0)
        r = table[:, 7] + half * table[:, 6] - drop * table[:, 5]
        z = table[:, 8] + half * table[:, 5] + drop * table[:, 6]
        if side == "in":
            x = r.copy()
            for _ in range(50):
                angle = np.arcsin(x / 0.35)
                inside = angle - np.arcsin(np.sin(angle) / N)
                front = 0.35 * (1.0 - np.cos(angle))
                x = r + np.tan(inside) * (z - front)
            r = x
        middle = r
    target = 0.504
    for groove in (0, 1, 20, 50, 75):
        path = paths(scene, np.array([[middle[groove], 0.0]]), NORMAL, 550.0)[0]
        assert_allclose(path[-1], [0.0, 0.0, target], atol=2e-9)


def test_facets_deviate_like_prisms() -> None:
    """Tilted light through one facet of a flat lens, grooves in, against the prism formula (tolerance:
    rounding)."""
    slope = 20.0
    lens = lens_scene(
        1.0,
        face_width_m=3.0,
        kind="linear_fresnel",
        outline="rectangle",
        width_m=0.1,
        length_m=0.2,
        thickness_m=0.003,
        facet_angles_deg=(slope,) * 50,
    )
    for incidence in (-20.0, -5.0, 0.0, 10.0):
        # the lens leans light inwards on both sides; x > 0 here, incidence positive from outside
        direction = directions_xyz(np.array(incidence), np.array(0.0))
        last = None
        for place in np.linspace(0.0201, 0.0209, 30):
            path = paths(lens, np.array([[place, 0.0]]), direction, 550.0)[0]
            if len(path) > 2:
                last = path
        assert last is not None
        ray = last[-1] - last[1]
        turned = math.degrees(math.atan2(-ray[0], ray[2])) - incidence
        # the prism's apex points outwards: light from the axis's side meets it at -incidence
        expected = prism_deviation_deg(-incidence, slope, N)
        assert_allclose(turned, expected, atol=1e-9)


def test_grooves_beyond_total_reflection_are_refused() -> None:
    """Facing in, a flat lens turns light by at most acos(1/n) = 47.87 degrees at n = 1.4906."""
    assert_allclose(largest_turn_in_deg(N), math.degrees(math.acos(1.0 / N)), rtol=1e-12)
    with pytest.raises(InputError, match=r"groove \d+ of 100.*at most 47\.9 deg"):
        lens_scene(
            0.15,
            kind="fresnel",
            width_m=0.4,
            thickness_m=0.02,
            focal_length_m=0.15,
            groove_count=100,
            groove_side="in",
        )


def test_facet_transmittance_by_turn() -> None:
    """Transmittance of one facet at normal incidence, independent table for n = 1.4906 (digits 5e-5).

    No draft, no rounding: what is lost is Fresnel reflection alone.
    """
    assert agreed.facet() < 6e-5


def test_draft_faces_take_their_width() -> None:
    """At normal incidence, grooves in: the draft face takes h tan(draft) of every pitch (plane geometry)."""
    slope, draft = 30.0, 6.0
    lens = {
        "kind": "linear_fresnel",
        "outline": "rectangle",
        "width_m": 0.1,
        "length_m": 0.1,
        "thickness_m": 0.004,
        "facet_angles_deg": (slope,) * 100,
        "groove_side": "in",
    }
    share = trace(lens_scene(0.3, 3.0, **lens, draft_deg=draft), NORMAL[None], points=8192, shifts=4)
    scene = lens_scene(0.3, 3.0, **lens, draft_deg=draft)
    tangent = math.tan(math.radians(slope)) * math.tan(math.radians(draft))
    front = 1.0 - float(reflectances(0.0, 1.0, N)[0])
    expected = tangent / (1.0 + tangent) * front
    assert_allclose(in_band(scene, share.share)[0, loss_causes.DRAFT], expected, rtol=5e-3)


def test_rounded_tips_and_valleys_take_their_width() -> None:
    """Their width by the formula of `grooves`, as a share of the pitch (plane geometry)."""
    slope, radius = 30.0, 2e-5
    lens = Lens(
        kind="linear_fresnel",
        outline="rectangle",
        width_m=0.1,
        length_m=0.1,
        thickness_m=0.004,
        facet_angles_deg=(slope,) * 100,
        tip_radius_m=radius,
        valley_radius_m=2.0 * radius,
        material=glass(N),
    )
    table = groove_table(lens, np.full(100, slope))
    width = radius / math.tan(math.radians(30.0)) * math.cos(math.radians(slope))
    assert_allclose(table[:, 3], width, rtol=1e-12)
    assert_allclose(table[:, 4], 2.0 * width, rtol=1e-12)
    scene = lens_scene(
        0.3,
        3.0,
        **{
            name: getattr(lens, name)
            for name in (
                "kind",
                "outline",
                "width_m",
                "length_m",
                "thickness_m",
                "facet_angles_deg",
                "tip_radius_m",
                "valley_radius_m",
            )
        },
    )
    share = in_band(scene, trace(scene, NORMAL[None], points=8192, shifts=4).share)[0]
    front = 1.0 - float(reflectances(0.0, 1.0, N)[0])
    assert_allclose(share[loss_causes.ROUNDING], 3.0 * width / 5e-4 * front, rtol=5e-3)


def brute_force_facet(
    table: np.ndarray,
    pitch: float,
    tan_draft: float,
    along: float,
    across: float,
    down: float,
    deepest: float,
) -> tuple[float, int]:
    """First point in the air of a groove along a ray from the glass, by small steps; distance and face."""
    distance = -deepest / down - 1e-9
    step = pitch / 4000.0
    while distance < 1e-9:
        depth, place = distance * down, along + distance * across
        groove = math.floor(place / pitch)
        at = groove if groove >= 0 else -groove - 1
        local = place - groove * pitch
        if groove < 0:
            local = pitch - local
        f, g = depth + local * table[at, 0], pitch + depth * tan_draft - local
        if f > 0.0 and g > 0.0:
            return distance, 0 if f < g * table[at, 0] + f * 1e-9 or f < 3.0 * step else 1
        distance += step
    return 0.0, 2


def test_groove_section_against_brute_force() -> None:
    rng = np.random.default_rng(8)
    lens = Lens(kind="fresnel", width_m=0.02, thickness_m=0.004, draft_deg=5.0, material=glass(N))
    table = groove_table(lens, rng.uniform(5.0, 40.0, 20))
    pitch, tan_draft = 0.01 / 20, math.tan(math.radians(5.0))
    deepest = float(table[:, 2].max())
    for _ in range(300):
        along, angle = rng.uniform(-0.004, 0.008), math.radians(rng.uniform(-40.0, 40.0))
        across, down = math.sin(angle), math.cos(angle)
        first = math.floor((along - deepest * across / down) / pitch)
        distance, _, face, place = facet_from_glass(
            table, pitch, tan_draft, deepest, first, 1 if across >= 0.0 else -1, along, 0.004, across, down
        )
        expected, _ = brute_force_facet(table, pitch, tan_draft, along, across, down, deepest)
        assert face in (0, 1)
        assert_allclose(distance, expected, atol=pitch / 2000.0)
        assert -1e-9 <= place <= pitch * (1.0 + 1e-9)


def test_groove_out_section_by_hand() -> None:
    """45 degree facet, no draft: straight light at place 0.3 pitch falls 0.3 pitch; steep light meets the
    draft."""
    distance, place = facet_from_air(1.0, 1.0, 0.0, 0.3, 0.0, 0.0, 1.0)
    assert_allclose([distance, place], [0.3, 0.3])
    distance, _ = facet_from_air(1.0, 1.0, 0.0, 0.9, 0.0, math.sin(1.0), math.cos(1.0))
    assert distance < 0.0


def test_more_prisms_help_then_hurt() -> None:
    """Common practice, no source: a Fresnel lens gains from more prisms up to a few hundred, then loses.

    Few grooves make a spot wider than the target; many lose their width to rounded tips and valleys.
    """
    delivered = []
    counts = [10, 30, 100, 300, 1000, 3000]
    for count in counts:
        fibre = FibreFace(
            section="round", width_m=0.0065, length_m=0.0065, numerical_aperture=0.6, distance_m=0.6
        )
        lens = Lens(
            kind="fresnel",
            width_m=0.5,
            thickness_m=0.025,
            focal_length_m=0.6,
            groove_count=count,
            draft_deg=2.0,
            tip_radius_m=1e-5,
            valley_radius_m=1e-5,
            material=glass(N),
        )
        band = Band(shortest_nm=500.0, longest_nm=600.0)
        scene = build_scene(Prescription(name="count", lens=lens, fibre=fibre, band=band))
        delivered.append(
            in_band(scene, trace(scene, NORMAL[None], points=4096, shifts=4, sun_radius_deg=0.2665).share)[
                0, 0
            ]
        )
    best = counts[int(np.argmax(delivered))]
    assert 50 <= best <= 600, dict(zip(counts, delivered, strict=True))
    assert delivered[0] < 0.8 * max(delivered)
    assert delivered[-1] < 0.9 * max(delivered)


def test_coatings_raise_the_light() -> None:
    bare = lens_scene(
        0.5, kind="plano_convex", width_m=0.1, thickness_m=0.01, curved_side="in", curvature_radius_m=0.3
    )
    coat = Coating(layer_index=1.22, layer_thickness_nm=113.0)
    coated = lens_scene(
        0.5,
        kind="plano_convex",
        width_m=0.1,
        thickness_m=0.01,
        curved_side="in",
        curvature_radius_m=0.3,
        front_coating=coat,
        back_coating=coat,
    )
    without = trace(bare, NORMAL[None], points=256).share[0]
    with_it = trace(coated, NORMAL[None], points=256).share[0]
    assert with_it[loss_causes.LENS_REFLECTION] < 0.05 * without[loss_causes.LENS_REFLECTION]
