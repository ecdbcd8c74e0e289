"""Fresnel lenses against a second tracer, written here in plain NumPy from the geometry as documented.

Every facet and every draft face is a frustum of a cone (a plane for straight grooves), straight in section
between a tip on the surface of tips and the valley. A ray meets whichever of all faces comes first; nothing
is taken from the kernels, no groove is looked up and no section is unrolled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.testing import assert_allclose

from yieldsim.base.prescription_model import Band, FibreFace, Lens, OpticalMaterial, Prescription
from yieldsim.optics.flux import focus_beside_mouth, peak_flux
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Ways, trace_curve
from yieldsim.optics.raytrace.scene import Scene, build_scene
from yieldsim.optics.raytrace.tracer import directions_xyz, record, trace
from yieldsim.runs.trace.summary import flux_map, seen_at_normal

N = 1.49
FACET, DRAFT = 0, 1
Array = np.ndarray


@dataclass(frozen=True)
class Solid:
    """A grooved lens as faces: section lines (r1, z1)-(r2, z2) with a kind each, and one smooth face."""

    lens: Lens
    start: Array
    end: Array
    kind: Array

    @property
    def smooth_depth(self) -> float:
        return 0.0 if self.lens.groove_side == "in" else self.lens.thickness_m


def solid_of(lens: Lens, slope_deg: Array) -> Solid:
    """Section of the grooves: tips evenly spaced along the surface of tips, facets at their slope to the
    line between two tips, draft faces leaning by the draft angle from that line's normal."""
    count = len(slope_deg)
    tip_depth = lens.thickness_m if lens.groove_side == "in" else 0.0
    if math.isinf(lens.dome_radius_m):
        r = np.linspace(0.0, lens.half_extent_m, count + 1)
        tips = np.column_stack([r, np.full(count + 1, tip_depth)])
    else:
        radius = lens.dome_radius_m - tip_depth
        angle = np.linspace(0.0, math.asin(lens.half_extent_m / radius), count + 1)
        tips = np.column_stack([radius * np.sin(angle), lens.dome_radius_m - radius * np.cos(angle)])
    start, end, kind = [], [], []
    for groove in range(count):
        inner, outer = tips[groove], tips[groove + 1]
        pitch = np.hypot(*(outer - inner))
        out = (outer - inner) / pitch
        into_glass = np.array([-out[1], out[0]]) * (-1.0 if lens.groove_side == "in" else 1.0)
        # where the facet's line from the inner tip meets the draft's line from the outer tip
        slope, draft = math.radians(slope_deg[groove]), math.radians(lens.draft_deg)
        facet = math.cos(slope) * out + math.sin(slope) * into_glass
        side = -math.sin(draft) * out + math.cos(draft) * into_glass
        lengths = np.linalg.solve(np.column_stack([facet, -side]), outer - inner)
        valley = inner + lengths[0] * facet
        start += [inner, valley]
        end += [valley, outer]
        kind += [FACET, DRAFT]
    return Solid(lens, np.array(start), np.array(end), np.array(kind))


def first_face(solid: Solid, point: Array, heading: Array) -> tuple[Array, Array, Array]:
    """Distance to the first face of the grooves (inf without), its number and its normal."""
    x0, x1 = solid.start, solid.end
    line = x1 - x0
    long = np.hypot(line[:, 0], line[:, 1])
    nr, nz = -line[:, 1] / long, line[:, 0] / long
    best, which = np.full(len(point), np.inf), np.zeros(len(point), int)
    linear = solid.lens.kind == "linear_fresnel"
    for face in range(len(long)):
        # nr rho + w = 0 with w = nz (z - z1) - nr r1, linear along the ray
        w0 = nz[face] * (point[:, 2] - x0[face, 1]) - nr[face] * x0[face, 0]
        w1 = nz[face] * heading[:, 2]
        with np.errstate(all="ignore"):
            if linear:
                roots = [
                    -(w0 + side * nr[face] * point[:, 0]) / (w1 + side * nr[face] * heading[:, 0])
                    for side in (1.0, -1.0)
                ]
            else:
                q = nr[face] ** 2
                a = w1**2 - q * (heading[:, 0] ** 2 + heading[:, 1] ** 2)
                b = w0 * w1 - q * (point[:, 0] * heading[:, 0] + point[:, 1] * heading[:, 1])
                c = w0**2 - q * (point[:, 0] ** 2 + point[:, 1] ** 2)
                root = np.sqrt(b * b - a * c)
                large = -(b + np.copysign(root, b))
                roots = [large / a, c / large]
            for distance in roots:
                at = point + distance[:, None] * heading
                rho = np.abs(at[:, 0]) if linear else np.hypot(at[:, 0], at[:, 1])
                share = ((rho - x0[face, 0]) * line[face, 0] + (at[:, 2] - x0[face, 1]) * line[face, 1]) / (
                    long[face] ** 2
                )
                aside = (rho - x0[face, 0]) * nr[face] + (at[:, 2] - x0[face, 1]) * nz[face]
                hit = (distance > 1e-10) & (share >= 0.0) & (share <= 1.0) & (np.abs(aside) < 1e-9)
                nearer = hit & (distance < best)
                best[nearer], which[nearer] = distance[nearer], face
    at = point + np.where(np.isfinite(best), best, 0.0)[:, None] * heading
    if linear:
        radial = np.column_stack([np.sign(at[:, 0]), np.zeros(len(at))])
    else:
        radial = at[:, :2] / np.maximum(np.hypot(at[:, 0], at[:, 1]), 1e-30)[:, None]
    normal = np.column_stack([radial * nr[which][:, None], nz[which]])
    return best, which, normal


def smooth_face(solid: Solid, point: Array, heading: Array) -> tuple[Array, Array]:
    """Distance to the smooth face and its normal along the light."""
    depth, big = solid.smooth_depth, solid.lens.dome_radius_m
    if math.isinf(big):
        return (depth - point[:, 2]) / heading[:, 2], np.tile([0.0, 0.0, 1.0], (len(point), 1))
    away = point - [0.0, 0.0, big]
    b = (away * heading).sum(axis=1)
    c = (away**2).sum(axis=1) - (big - depth) ** 2
    with np.errstate(invalid="ignore"):
        distance = -b - np.sqrt(b * b - c)
    return distance, -(away + distance[:, None] * heading) / (big - depth)


def refracted(heading: Array, normal: Array, n1: float, n2: float) -> tuple[Array, Array]:
    """Direction behind a face and its unpolarised transmittance (0 where it reflects totally)."""
    ci = (heading * normal).sum(axis=1)
    normal, ci = np.where(ci[:, None] < 0.0, -normal, normal), np.abs(ci)
    with np.errstate(invalid="ignore"):
        ct = np.sqrt(1.0 - (n1 / n2) ** 2 * (1.0 - ci**2))
    s = (n1 * ci - n2 * ct) / (n1 * ci + n2 * ct)
    p = (n2 * ci - n1 * ct) / (n2 * ci + n1 * ct)
    through = 1.0 - 0.5 * (s * s + p * p)
    out = n1 / n2 * heading + (ct - n1 / n2 * ci)[:, None] * normal
    lost = ~np.isfinite(through)
    return np.where(lost[:, None], [0.0, 0.0, 1.0], out), np.where(lost, 0.0, through)


def through(solid: Solid, point: Array, heading: Array) -> tuple[Array, Array, Array, Array]:
    """Place, direction and weight behind the lens, and what each ray lost on draft faces."""
    weight, draft = np.ones(len(point)), np.zeros(len(point))

    def meet_groove(n1: float, n2: float) -> None:
        nonlocal point, heading, weight, draft
        distance, which, normal = first_face(solid, point, heading)
        met = np.isfinite(distance)
        on_draft = met & (solid.kind[which] == DRAFT)
        draft += np.where(on_draft, weight, 0.0)
        point = point + np.where(met, distance, 0.0)[:, None] * heading
        heading, kept = refracted(heading, normal, n1, n2)
        weight = np.where(met & ~on_draft, weight * kept, 0.0)

    def meet_smooth(n1: float, n2: float) -> None:
        nonlocal point, heading, weight
        distance, normal = smooth_face(solid, point, heading)
        weight = np.where(np.isfinite(distance), weight, 0.0)
        point = point + np.where(np.isfinite(distance), distance, 0.0)[:, None] * heading
        heading, kept = refracted(heading, normal, n1, n2)
        weight = weight * kept

    def stand_clear() -> None:
        """A face of the grooves in the way takes the light."""
        nonlocal weight, draft
        distance, _, _ = first_face(solid, point, heading)
        if solid.lens.groove_side == "out":
            distance = np.where(distance < smooth_face(solid, point, heading)[0], distance, np.inf)
        blocked = np.isfinite(distance)
        draft += np.where(blocked, weight, 0.0)
        weight = np.where(blocked, 0.0, weight)

    if solid.lens.groove_side == "in":
        meet_smooth(1.0, N)
        meet_groove(N, 1.0)
        stand_clear()
    else:
        meet_groove(1.0, N)
        stand_clear()
        meet_smooth(N, 1.0)
    return point, heading, weight, draft


@dataclass(frozen=True)
class Answer:
    accepted: float
    draft: float
    r95_m: float


def brute_force(lens: Lens, scene: Scene, direction: Array, target: float, half: float, count: int) -> Answer:
    """Shares delivered into a face of half-width `half` and lost on draft faces; radius with 95 % of the
    light."""
    station = scene.parts.station[0]
    i = np.arange(count) + 0.5
    u, v = i / count, (i * 0.6180339887498949) % 1.0
    half_x, half_y = float(station["aperture_x"]), float(station["aperture_y"])
    if station["aperture_round"]:
        x, y = half_x * np.sqrt(u) * np.cos(2 * np.pi * v), half_x * np.sqrt(u) * np.sin(2 * np.pi * v)
    else:
        x, y = half_x * (2 * u - 1), half_y * (2 * v - 1)
    heading = np.tile([-direction[0], -direction[1], direction[2]], (count, 1))
    point = np.column_stack([x, y, np.full(count, float(station["aperture_depth"]))])
    point -= 2.0 * half_x * heading
    point, heading, weight, draft = through(solid_of(lens, scene.facet_slope_deg), point, heading)
    landed = point + ((target - point[:, 2]) / heading[:, 2])[:, None] * heading
    far = np.abs(landed[:, 0]) if lens.kind == "linear_fresnel" else np.hypot(landed[:, 0], landed[:, 1])
    order = np.argsort(far)
    below = np.cumsum(weight[order])
    r95 = float(far[order][np.searchsorted(below, 0.95 * below[-1])])
    return Answer(float(weight[far <= half].sum() / count), float(draft.mean()), r95)


def glass() -> OpticalMaterial:
    return OpticalMaterial(
        name="glass",
        wavelength_nm=np.array([200.0, 5000.0]),
        refractive_index=np.array([N, N]),
        absorption_per_m=np.zeros(2),
    )


CASES = {
    "dome, 30 grooves in": ("domed_fresnel", "in", 30, 0.0),
    "dome, 30 grooves in, off axis": ("domed_fresnel", "in", 30, 1.0),
    "dome, 150 grooves in": ("domed_fresnel", "in", 150, 0.0),
    "dome, 60 grooves out": ("domed_fresnel", "out", 60, 0.0),
    "dome, 60 grooves out, off axis": ("domed_fresnel", "out", 60, 1.0),
    "flat, 40 grooves in": ("fresnel", "in", 40, 1.0),
    "flat, 40 grooves out": ("fresnel", "out", 40, 1.0),
    "trough, 40 grooves in": ("linear_fresnel", "in", 40, 1.0),
    "trough, 40 grooves out": ("linear_fresnel", "out", 40, 1.0),
}


@pytest.mark.parametrize("case", CASES)
def test_lenses_agree_with_a_second_tracer(case: str) -> None:
    """Spot within 3 % and 5 um, shares within 0.4 points, of 2e4 rays each."""
    kind, side, count, angle = CASES[case]
    focal, face = 0.15, 0.0024
    lens = Lens(
        kind=kind,  # type: ignore[arg-type]
        outline="rectangle" if kind == "linear_fresnel" else "round",
        width_m=0.12,
        length_m=0.12,
        thickness_m=0.006,
        dome_radius_m=0.12 if kind == "domed_fresnel" else math.inf,
        focal_length_m=focal,
        groove_count=count,
        groove_side=side,  # type: ignore[arg-type]
        draft_deg=3.0,
        material=glass(),
    )
    long = 1.0 if kind == "linear_fresnel" else face
    fibre = FibreFace(
        section="rectangle" if kind == "linear_fresnel" else "round",
        width_m=face + 2.0 * focal * math.tan(math.radians(angle)),
        length_m=long + (0.0 if kind == "linear_fresnel" else 2.0 * focal * math.tan(math.radians(angle))),
        numerical_aperture=1.0,
        distance_m=focal,
    )
    band = Band(shortest_nm=500.0, longest_nm=600.0)
    scene = build_scene(Prescription(name="lens", lens=lens, fibre=fibre, band=band))
    direction = directions_xyz(np.array(angle), np.array(0.0))
    expected = brute_force(lens, scene, direction, lens.thickness_m + focal, fibre.width_m / 2.0, 20_000)
    share = trace(scene, direction[None], points=8192).share[0] / float(scene.parts.station[0]["band_share"])
    seen = record(scene, direction, rays=1 << 16, sun_radius_deg=0.0)
    far = (
        np.abs(seen.mouth_x_m) if lens.kind == "linear_fresnel" else np.hypot(seen.mouth_x_m, seen.mouth_y_m)
    )
    order = np.argsort(far)
    below = np.cumsum(seen.mouth_weight[order])
    r95 = float(far[order][np.searchsorted(below, 0.95 * below[-1])])
    assert_allclose(r95, expected.r95_m, rtol=0.03, atol=5e-6)
    assert_allclose(share[loss_causes.DELIVERED], expected.accepted, atol=0.004)
    assert_allclose(share[loss_causes.DRAFT], expected.draft, atol=0.004)


def test_peak_flux_resolves_a_spot_far_smaller_than_the_face() -> None:
    """60 mm lens, f 80 mm, 24 mm face: the brightest place within 4 % of a disc of 0.1 mm radius about the axis,
    and below the flux that brightness allows there."""
    lens = Lens(
        kind="fresnel",
        width_m=0.06,
        thickness_m=0.003,
        focal_length_m=0.08,
        groove_count=600,
        material=glass(),
    )
    fibre = FibreFace(section="round", width_m=0.024, length_m=0.024, numerical_aperture=1.0, distance_m=0.08)
    prescription = Prescription(name="lens", lens=lens, fibre=fibre)
    scene = build_scene(prescription)
    seen = seen_at_normal(scene, 1.0)
    flux = flux_map(prescription, scene, seen, 1.0)
    near = np.hypot(seen.face_x_m, seen.face_y_m) < 1e-4
    watts = float(seen.face_weight[near].sum()) / seen.rays * flux.aperture_power_w
    assert_allclose(flux.peak.w_cm2, watts / (math.pi * 0.01**2), rtol=0.04)
    # pi B sin^2, the Sun's middle 1.25 times as bright as its mean
    brightest = 1.25 * 1361.0 / math.radians(0.2665) ** 2 * math.sin(math.atan(0.03 / 0.08)) ** 2 / 1e4
    assert flux.peak.w_cm2 < brightest
    row = flux.row()
    assert_allclose(row["delivered_w"], row["disc_acceptance"] * row["aperture_power_w"], rtol=1e-12)
    assert_allclose(row["cone_mean_w_cm2"] * 1e4 * scene.face_area_m2, row["delivered_w"], rtol=1e-9)


def test_peak_flux_resolves_a_line_as_long_as_the_face() -> None:
    """Behind straight grooves, on a face of 50 by 600 mm: a line 0.8 mm wide (one deviation), in closed form."""
    rng = np.random.default_rng(4)
    x, y = 0.0008 * rng.standard_normal(400_000), rng.uniform(-0.3, 0.3, 400_000)
    watts = np.full(x.size, 100.0 / x.size)
    peak = peak_flux(x, y, watts, (0.025, 0.3))
    # a normal distribution over x, even along y: 100 W / (sqrt(2 pi) s L)
    expected = 100.0 / (math.sqrt(2.0 * math.pi) * 0.08 * 60.0)
    assert_allclose(peak.w_cm2, expected, rtol=0.06)


def test_focus_beside_the_mouth() -> None:
    """Off axis all the light leaves the face; where it lands it is bright, and hot by the fourth root."""
    lens = Lens(
        kind="fresnel",
        width_m=0.06,
        thickness_m=0.003,
        focal_length_m=0.08,
        groove_count=300,
        material=glass(),
    )
    fibre = FibreFace(section="round", width_m=0.006, length_m=0.006, numerical_aperture=1.0, distance_m=0.08)
    prescription = Prescription(name="lens", lens=lens, fibre=fibre)
    found = focus_beside_mouth(prescription, build_scene(prescription), 1.0)
    assert found is not None
    assert math.hypot(found.peak.x_mm, found.peak.y_mm) >= 2.9
    assert found.peak.w_cm2 > 100.0
    sink = prescription.heat.housing_temperature_k
    assert_allclose(found.temperature_k**4, 1e4 * found.peak.w_cm2 / 5.670374419e-8 + sink**4, rtol=1e-9)


@pytest.mark.slow
def test_curve_at_a_steep_edge_holds_between_its_rows() -> None:
    """A lens with a small face: the table, halfway between its rows, is what is traced there."""
    lens = Lens(
        kind="fresnel",
        width_m=0.06,
        thickness_m=0.003,
        focal_length_m=0.08,
        groove_count=300,
        material=glass(),
    )
    fibre = FibreFace(
        section="round", width_m=0.0011, length_m=0.0011, numerical_aperture=1.0, distance_m=0.08
    )
    scene = build_scene(
        Prescription(name="lens", lens=lens, fibre=fibre, band=Band(shortest_nm=500.0, longest_nm=600.0))
    )
    curve = trace_curve(scene, Ways(0.006))
    angles = np.linspace(0.0, float(curve.angle_deg[-1]), 60)
    truth = trace(scene, directions_xyz(angles, np.zeros(60)), points=1 << 14).share[:, loss_causes.DELIVERED]
    table = np.interp(angles, curve.angle_deg, curve.share[:, loss_causes.DELIVERED])
    assert np.abs(table - truth).max() < 3.0 * 0.006 * truth[0]


def test_losses_at_normal_incidence_are_known_as_printed() -> None:
    """Each loss of the first row to a twentieth of itself, and within four of its errors of 2^19 rays."""
    lens = Lens(
        kind="linear_fresnel", outline="rectangle", width_m=0.12, length_m=0.12, thickness_m=0.006,
        focal_length_m=0.15, groove_count=128, draft_deg=1.0, groove_side="out", material=glass(),
    )  # fmt: skip
    fibre = FibreFace(
        section="rectangle", width_m=0.02, length_m=1.0, numerical_aperture=1.0, distance_m=0.15
    )
    scene = build_scene(Prescription(name="lens", lens=lens, fibre=fibre))
    curve = trace_curve(scene, Ways(0.005))
    truth = trace(scene, directions_xyz(np.zeros(1), np.zeros(1)), points=1 << 15)
    share, error = curve.share[0], curve.error[0]
    assert (error <= np.maximum(0.05 * share, 1e-4) + 1e-12).all()
    assert share[loss_causes.DRAFT] > 0.01
    assert (np.abs(share - truth.share[0]) <= 4.0 * np.hypot(error, truth.error[0]) + 1e-9).all()
