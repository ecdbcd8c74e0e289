"""Laws of the tracer over random designs: nothing beats etendue, the books balance, threads change
nothing."""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

import numba
import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from yieldsim.base.errors import InputError
from yieldsim.base.prescription_model import (
    Collar,
    FibreFace,
    Funnel,
    Lens,
    OpticalMaterial,
    Prescription,
    Tolerances,
)
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.sampling import SIZES, lattice_size
from yieldsim.optics.raytrace.scene import Scene, build_scene
from yieldsim.optics.raytrace.tracer import record, refine, trace


def glass(n: float, absorption_per_m: float = 0.0) -> OpticalMaterial:
    return OpticalMaterial(
        name="random glass",
        wavelength_nm=np.array([280.0, 4000.0]),
        refractive_index=np.array([n * 1.01, n * 0.99]),
        absorption_per_m=np.array([absorption_per_m, 2.0 * absorption_per_m]),
    )


def span(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


@st.composite
def prescriptions(draw: Any) -> Prescription:
    """Designs that fit together, good and bad ones alike."""
    kind = draw(st.sampled_from(["fresnel", "linear_fresnel", "domed_fresnel", "plano_convex", "none"]))
    width = draw(span(0.05, 0.6))
    index = draw(span(1.35, 1.85))
    linear = kind == "linear_fresnel"
    section = "trough" if linear else draw(st.sampled_from(["round", "square"]))
    f = width * draw(span(0.8, 2.5))
    mouth = min(0.9 * width, draw(span(0.004, 0.08)))
    outlet = mouth * draw(span(0.25, 0.95))
    lens = Lens(
        kind=kind,
        outline="rectangle"
        if linear
        else draw(st.sampled_from(["round", "square"]))
        if kind == "fresnel"
        else "round",
        width_m=width,
        length_m=width if linear else 0.0,
        material=None if kind == "none" else glass(index, draw(span(0.0, 5.0))),
        thickness_m=0.05 * width + 0.001 if kind != "plano_convex" else 0.4 * width,
        focal_length_m=f,
        groove_count=draw(st.integers(5, 300)),
        groove_side=draw(st.sampled_from(["in", "out"])),
        draft_deg=draw(span(0.0, 5.0)),
        tip_radius_m=draw(span(0.0, 1e-5)),
        dome_radius_m=width * draw(span(0.8, 3.0)) if kind == "domed_fresnel" else math.inf,
        curved_side=draw(st.sampled_from(["in", "out"])),
        curvature_radius_m=max(0.6 * width, (index - 1.0) * f),
    )
    if kind == "none":
        lens = Lens(kind="none")
    solid = draw(st.booleans())
    shape = draw(st.sampled_from(["straight", "compound_parabolic"]))
    if shape == "compound_parabolic":
        a, b = mouth / 2.0, outlet / 2.0
        shortest, longest = (a + 3.0 * b) * (a - b) / (4.0 * b), (a + b) * math.sqrt(a * a - b * b) / b
        length = shortest + (longest - shortest) * draw(span(0.05, 1.0))
    else:
        length = mouth * draw(span(0.2, 6.0))
    funnel = Funnel(
        kind="solid" if solid else "mirror",
        shape=shape,
        section=section,
        mouth_width_m=mouth,
        outlet_width_m=outlet,
        length_m=length,
        trough_length_m=width if section == "trough" else None,
        distance_m=0.0 if kind == "none" else f * draw(span(0.85, 1.1)),
        material=glass(draw(span(1.4, 1.85)), draw(span(0.0, 2.0))) if solid else None,
        reflectance=draw(span(0.7, 1.0)),
    )
    fibre_width = outlet * draw(span(0.5, 1.5))
    fibre = FibreFace(
        section="rectangle" if section == "trough" else draw(st.sampled_from(["round", "rectangle"])),
        width_m=fibre_width,
        length_m=width if section == "trough" else fibre_width,
        numerical_aperture=draw(span(0.1, 0.9)),
        coupling=draw(st.sampled_from(["air_gap", "matched"])),
        gap_m=0.0,
    )
    collar = None
    if kind in ("fresnel", "linear_fresnel") and draw(st.booleans()):
        above = draw(st.booleans())
        collar = Collar(
            shape="flat" if linear else "conical",
            section="trough" if linear else "round",
            mouth_width_m=(1.5 if above or linear else 1.8) * width,
            outlet_width_m=width if above else 1.45 * width,
            height_m=width * draw(span(0.2, 1.0)) if above else 0.5 * f,
            reflectance=draw(span(0.6, 1.0)),
            mouth_length_m=width if linear else None,
            place="above" if above else "beside",
        )
    tolerances = Tolerances(
        funnel_lateral_m=draw(st.sampled_from([0.0, 0.001])),
        funnel_axial_m=draw(st.sampled_from([0.0, 0.003])),
        lens_slope_mrad=draw(st.sampled_from([0.0, 3.0])),
        mirror_slope_mrad=draw(st.sampled_from([0.0, 2.0])),
    )
    return Prescription(
        name="random", lens=lens, fibre=fibre, funnel=funnel, collar=collar, tolerances=tolerances
    )


def scene_or_none(prescription: Prescription) -> Scene | None:
    """The scene, or None where the grooves are impossible."""
    try:
        return build_scene(prescription)
    except InputError:
        return None


SLOW = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@SLOW
@given(prescriptions())
def test_no_design_beats_the_etendue_of_its_fibre(prescription: Prescription) -> None:
    """A_aperture * integral of acceptance cos(incidence) d(omega) <= pi NA^2 A_face.

    The integral is over the disc X^2 + Y^2 < 1 of sines, where d(omega) cos = dX dY: directions on a
    lattice of it. Tolerance: 5 standard errors over the directions plus 1 %.
    """
    scene = scene_or_none(prescription)
    if scene is None:
        return
    count = 256
    radius = np.sqrt((np.arange(count) + 0.5) / count)
    turn = 2.0 * math.pi * ((np.arange(count) * 0.6180339887498949) % 1.0)
    directions = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1.0 - radius**2)], axis=-1)
    accepted = trace(scene, directions, points=64, shifts=2).share[:, loss_causes.DELIVERED]
    used = scene.aperture_area_m2 * math.pi * accepted.mean()
    noise = 5.0 * scene.aperture_area_m2 * math.pi * accepted.std() / math.sqrt(count)
    limit = math.pi * prescription.fibre.numerical_aperture**2 * scene.face_area_m2
    assert used <= limit * 1.01 + noise
    # and in the peak: no brighter than the cone allows over the whole face, whatever the direction
    assert accepted.max() <= 1.0 + 1e-12


@SLOW
@given(prescriptions(), span(0.0, 40.0), span(-20.0, 20.0))
def test_all_light_is_accounted_for(
    prescription: Prescription, transverse: float, longitudinal: float
) -> None:
    """What came in = delivered + every loss, to rounding, each of them at least zero."""
    scene = scene_or_none(prescription)
    if scene is None:
        return
    x, y = math.tan(math.radians(transverse)), math.tan(math.radians(longitudinal))
    direction = np.array([[x, y, 1.0]]) / math.sqrt(1.0 + x * x + y * y)
    share = trace(scene, direction, points=1024, shifts=2, sun_radius_deg=0.2665).share[0]
    assert_allclose(share.sum(), 1.0, atol=1e-12)
    assert share.min() >= 0.0


def example(**changes: Any) -> Scene:
    lens = Lens(
        kind="fresnel",
        width_m=0.5,
        thickness_m=0.004,
        focal_length_m=0.6,
        groove_count=250,
        draft_deg=2.0,
        tip_radius_m=1e-5,
        material=glass(1.49, 1.0),
    )
    funnel = Funnel(
        kind="mirror",
        shape="straight",
        section="round",
        mouth_width_m=0.05,
        outlet_width_m=0.024,
        length_m=0.08,
        distance_m=0.58,
        reflectance=0.93,
    )
    fibre = FibreFace(section="round", width_m=0.024, length_m=0.024, numerical_aperture=0.5)
    tolerances = Tolerances(funnel_lateral_m=0.001, lens_slope_mrad=1.0, mirror_slope_mrad=1.0)
    return build_scene(
        Prescription(name="example", lens=lens, funnel=funnel, fibre=fibre, tolerances=tolerances, **changes)
    )


def test_thread_count_changes_no_digit() -> None:
    """The same bits with one thread and with all, for ledgers and for single rays."""
    scene = example()
    directions = np.array([[0.0, 0.0, 1.0], [0.02, 0.0, math.sqrt(1.0 - 0.0004)]])
    threads = numba.get_num_threads()
    try:
        results = []
        for count in (1, threads):
            numba.set_num_threads(count)
            traced = trace(scene, directions, points=4096, sun_radius_deg=0.2665)
            seen = record(scene, directions[1], rays=4096, sun_radius_deg=0.2665)
            results.append((traced.share, traced.error, seen.face_x_m, seen.share))
    finally:
        numba.set_num_threads(threads)
    for one, many in zip(*results, strict=True):
        assert_array_equal(one, many)


def test_order_of_directions_changes_no_digit_without_mirror_errors() -> None:
    """Lattice draws belong to the ray, so a direction's answer does not depend on its neighbours."""
    scene = example()
    scene.parts.funnel["slope_error"] = 0.0
    directions = np.array(
        [[0.0, 0.0, 1.0], [0.02, 0.0, math.sqrt(1.0 - 0.0004)], [0.0, 0.03, math.sqrt(1.0 - 0.0009)]]
    )
    forward = trace(scene, directions, points=1024).share
    backward = trace(scene, directions[::-1].copy(), points=1024).share
    assert_array_equal(forward, backward[::-1])


def test_refinement_reaches_its_precision_and_agrees() -> None:
    """Larger lattices until the error asked for: each counts by the square of its points, and is what `trace` gives."""
    scene = example()
    scene.parts.funnel["slope_error"] = 0.0
    direction = np.array([[0.0, 0.0, 1.0]])
    refined = refine(scene, direction, precision=5e-4, sun_radius_deg=0.2665)
    assert refined.error[0, loss_causes.DELIVERED] <= 5e-4
    sizes = [size for size in SIZES if size >= lattice_size(512)]
    used = next(
        [sizes[0], *rest]
        for count in range(4)
        for rest in combinations(sizes[1:], count)
        if 16 * (sizes[0] + sum(rest)) == refined.rays
    )
    assert len(used) > 1, "one lattice was enough: nothing is tested"
    alone = [trace(scene, direction, points=size, sun_radius_deg=0.2665).share for size in used]
    assert_allclose(refined.share, np.average(alone, axis=0, weights=np.square(used)), atol=1e-13)


def test_stated_error_is_honest() -> None:
    """Over 40 seeds the answers scatter as the stated error says.

    The ratio of the scatter's variance to the mean stated variance has a relative deviation of sqrt(2/39) =
    0.23; the bounds are four of them wide.
    """
    scene = example()
    direction = np.array([[0.03, 0.0, math.sqrt(1.0 - 0.0009)]])
    answers, errors = [], []
    for seed in range(40):
        traced = trace(scene, direction, points=256, sun_radius_deg=0.2665, seed=1000 + seed)
        answers.append(traced.share[0, 0])
        errors.append(traced.error[0, 0])
    ratio = np.var(answers, ddof=1) / np.mean(np.square(errors))
    assert 0.2 < ratio < 2.2


def test_lattice_beats_plain_random_rays() -> None:
    """The stated error is well under what as many independent rays would give (binomial)."""
    scene = example()
    traced = trace(scene, np.array([[0.0, 0.0, 1.0]]), points=4096)
    share, error = traced.share[0, 0], traced.error[0, 0]
    assert error < 0.5 * math.sqrt(share * (1.0 - share) / (16 * 4096))
