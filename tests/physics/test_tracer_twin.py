"""The compiled walk through a whole collector against a readable twin in plain NumPy, ray by ray."""

from __future__ import annotations

import math

import numpy as np
import pytest
from agreement.interfaces import reflectances
from numpy.testing import assert_allclose

from yieldsim.base.prescription_model import FibreFace, Funnel, Lens, OpticalMaterial, Prescription
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.ray_steps import RAY_LENGTH
from yieldsim.optics.raytrace.ray_through_collector import SEEN_LENGTH, walk
from yieldsim.optics.raytrace.scene import Scene, build_scene

LENS_INDEX, FUNNEL_INDEX, LENS_ABSORPTION, FUNNEL_ABSORPTION = 1.49, 1.7, 3.0, 5.0


def glass(n: float, absorption_per_m: float) -> OpticalMaterial:
    return OpticalMaterial(
        name="glass",
        wavelength_nm=np.array([200.0, 5000.0]),
        refractive_index=np.array([n, n]),
        absorption_per_m=np.array([absorption_per_m] * 2),
    )


def collector(kind: str, section: str) -> tuple[Prescription, Scene]:
    lens = Lens(
        kind=kind,  # type: ignore[arg-type]
        width_m=0.3,
        thickness_m=0.06 if kind == "plano_convex" else 0.006,
        focal_length_m=0.5,
        groove_count=60,
        groove_side="in",
        draft_deg=3.0,
        curved_side="in",
        curvature_radius_m=0.245,
        material=glass(LENS_INDEX, LENS_ABSORPTION),
    )
    funnel = Funnel(
        kind="solid",
        shape="straight",
        section=section,  # type: ignore[arg-type]
        mouth_width_m=0.05,
        outlet_width_m=0.02,
        length_m=0.06,
        distance_m=0.46,
        material=glass(FUNNEL_INDEX, FUNNEL_ABSORPTION),
    )
    fibre = FibreFace(section="round", width_m=0.02, length_m=0.02, numerical_aperture=0.55, gap_m=0.001)
    prescription = Prescription(name="twin", lens=lens, funnel=funnel, fibre=fibre)
    return prescription, build_scene(prescription)


class Twin:
    """One ray in plain NumPy: position, direction, weight, and what each cause took."""

    def __init__(self, position: np.ndarray, direction: np.ndarray) -> None:
        self.position, self.direction, self.weight = position.copy(), direction.copy(), 1.0
        self.lost = np.zeros(loss_causes.COUNT)

    def give(self, share: float, cause: int) -> None:
        self.lost[cause] += self.weight * share
        self.weight *= 1.0 - share

    def refract(self, normal: np.ndarray, n1: float, n2: float, cause: int) -> bool:
        cosine = float(self.direction @ normal)
        incidence = math.degrees(math.acos(min(1.0, cosine)))
        reflectance = float(np.mean(reflectances(incidence, n1, n2)))
        self.give(reflectance, cause)
        if reflectance == 1.0:
            return False
        across = n1 / n2 * (self.direction - cosine * normal)
        self.direction = across + math.sqrt(1.0 - across @ across) * normal
        return True

    def run(self, distance: float, absorption: float, cause: int) -> None:
        self.position = self.position + distance * self.direction
        self.give(1.0 - math.exp(-absorption * distance), cause)


def through_fresnel(twin: Twin, scene: Scene) -> bool:
    """Flat front, grooves behind, in steps along the ray through the grooves' depth."""
    table, lens = scene.parts.table, scene.parts.lens[0]
    pitch, thickness, draft = float(lens["pitch"]), float(lens["thickness"]), float(lens["tan_draft"])
    if not twin.refract(np.array([0.0, 0.0, 1.0]), 1.0, LENS_INDEX, loss_causes.LENS_REFLECTION):
        return False
    top = thickness - float(lens["deepest"]) * 1.001
    twin.run(top / twin.direction[2], LENS_ABSORPTION, loss_causes.LENS_ABSORPTION)

    def in_air(distance: float) -> bool:
        x, y, z = twin.position + distance * twin.direction
        groove, place = divmod(math.hypot(x, y), pitch)
        slope = table[min(int(groove), len(table) - 1), 0]
        depth = z - thickness
        return depth + place * slope > 0.0 and pitch + depth * draft - place > 0.0

    step = pitch / 4000.0
    low = 0.0
    while not in_air(low + step):
        low += step
    high = low + step
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if in_air(middle) else (middle, high)
    twin.run(high, LENS_ABSORPTION, loss_causes.LENS_ABSORPTION)
    x, y, z = twin.position
    groove, place = divmod(math.hypot(x, y), pitch)
    slope = table[int(groove), 0]
    on_facet = abs(z - thickness + place * slope) < abs(pitch + (z - thickness) * draft - place)
    if not on_facet:
        twin.give(1.0, loss_causes.DRAFT)
        return False
    radial = np.array([x, y, 0.0]) / math.hypot(x, y)
    normal = slope * radial + np.array([0.0, 0.0, 1.0])
    if not twin.refract(normal / np.linalg.norm(normal), LENS_INDEX, 1.0, loss_causes.LENS_REFLECTION):
        return False
    climb = (thickness - z) / twin.direction[2]
    if place + climb * float(twin.direction @ radial) > pitch:
        twin.give(1.0, loss_causes.DRAFT)
        return False
    return True


def through_plano_convex(twin: Twin, radius: float, thickness: float) -> bool:
    """Flat front, spherical back."""
    if not twin.refract(np.array([0.0, 0.0, 1.0]), 1.0, LENS_INDEX, loss_causes.LENS_REFLECTION):
        return False
    centre = np.array([0.0, 0.0, thickness - radius])
    to_centre = twin.position - centre
    b = float(to_centre @ twin.direction)
    distance = -b + math.sqrt(b * b - to_centre @ to_centre + radius**2)
    twin.run(distance, LENS_ABSORPTION, loss_causes.LENS_ABSORPTION)
    if math.hypot(*twin.position[:2]) > 0.15:
        twin.give(1.0, loss_causes.LENS_EDGE)
        return False
    return twin.refract((twin.position - centre) / radius, LENS_INDEX, 1.0, loss_causes.LENS_REFLECTION)


def through_funnel(twin: Twin, mouth_depth: float, is_round: bool) -> None:
    """Mouth, tapering walls by small steps and bisection, outlet, gap, fibre."""
    twin.position = twin.position + (mouth_depth - twin.position[2]) / twin.direction[2] * twin.direction
    x, y = twin.position[:2]
    if (math.hypot(x, y) if is_round else max(abs(x), abs(y))) > 0.025:
        return twin.give(1.0, loss_causes.MISSED_FUNNEL)
    if not twin.refract(np.array([0.0, 0.0, 1.0]), 1.0, FUNNEL_INDEX, loss_causes.MOUTH_REFLECTION):
        return None
    taper = (0.01 - 0.025) / 0.06
    for _ in range(200):

        def beyond(distance: float) -> bool:
            x, y, z = twin.position + distance * twin.direction
            depth = z - mouth_depth
            width = 0.025 + taper * depth
            return (math.hypot(x, y) if is_round else max(abs(x), abs(y))) > width or not 0.0 <= depth <= 0.06

        low, step = 1e-9, 5e-5
        while not beyond(low + step):
            low += step
        high = low + step
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if beyond(middle) else (middle, high)
        twin.run(low, FUNNEL_ABSORPTION, loss_causes.FUNNEL_ABSORPTION)
        x, y, z = twin.position
        if z - mouth_depth < 1e-8:
            return twin.give(1.0, loss_causes.FUNNEL_TURNED)
        if z - mouth_depth > 0.06 - 1e-8:
            break
        side = np.array([x, y, 0.0])
        if not is_round:
            side = np.array([x, 0.0, 0.0]) if abs(x) > abs(y) else np.array([0.0, y, 0.0])
        normal = side / np.linalg.norm(side) - taper * np.array([0.0, 0.0, 1.0])
        normal = normal / np.linalg.norm(normal)
        cosine = float(twin.direction @ normal)
        kept = float(np.mean(reflectances(math.degrees(math.acos(cosine)), FUNNEL_INDEX, 1.0)))
        twin.give(1.0 - kept, loss_causes.FUNNEL_ESCAPE)
        twin.direction = twin.direction - 2.0 * cosine * normal
    if not twin.refract(np.array([0.0, 0.0, 1.0]), FUNNEL_INDEX, 1.0, loss_causes.OUTLET_REFLECTION):
        return None
    twin.position = twin.position + 0.001 / twin.direction[2] * twin.direction
    if math.hypot(*twin.position[:2]) > 0.01:
        return twin.give(1.0, loss_causes.BESIDE_FIBRE)
    if math.hypot(*twin.direction[:2]) > 0.55:
        return twin.give(1.0, loss_causes.OUTSIDE_CONE)
    return twin.give(1.0, loss_causes.DELIVERED)


@pytest.mark.parametrize("kind", ["fresnel", "plano_convex"])
@pytest.mark.parametrize("section", ["round", "square"])
def test_ledger_of_every_ray(kind: str, section: str) -> None:
    """Same light to the same causes; tolerance: the twin's bisection, grown through the bounces."""
    _, scene = collector(kind, section)
    station = scene.parts.station[0]
    rng = np.random.default_rng(11)
    met = np.zeros(loss_causes.COUNT)
    for _ in range(60):
        turn, r = rng.uniform(0.0, 2.0 * math.pi), 0.148 * math.sqrt(rng.uniform())
        tilt = rng.normal(0.0, 0.02, 2)
        direction = np.array([tilt[0], tilt[1], math.sqrt(1.0 - tilt @ tilt)])
        start = np.array([r * math.cos(turn), r * math.sin(turn), 0.0])
        ray, ledger = np.zeros(RAY_LENGTH), np.zeros(loss_causes.COUNT)
        ray[:3], ray[3:6], ray[6], ray[7] = start, direction, 1.0, 600.0
        ray[8:12] = LENS_INDEX, LENS_ABSORPTION, FUNNEL_INDEX, FUNNEL_ABSORPTION
        walk(
            scene.parts,
            ray,
            ledger,
            0.0,
            0.0,
            0.0,
            np.zeros(SEEN_LENGTH),
            np.zeros((0, 3)),
            np.zeros(1, np.uint64),
        )
        twin = Twin(start, direction)
        alive = through_fresnel(twin, scene) if kind == "fresnel" else through_plano_convex(twin, 0.245, 0.06)
        if alive:
            through_funnel(twin, float(station["mouth_depth"]), section == "round")
        assert_allclose(ledger, twin.lost, atol=2e-5)
        assert_allclose(ledger.sum(), 1.0, atol=1e-12)
        met += ledger
    # the sample is worth something only if light ends in many ways
    assert np.count_nonzero(met) >= 7
    assert met[loss_causes.DELIVERED] > 2.0
