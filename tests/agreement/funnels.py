"""Our funnels, limits and images where textbooks have a closed form, and chains of published systems."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from agreement.compare import ours
from agreement.published import columns, half_digit, table
from agreement.scenes import NORMAL, bare_funnel, glass, in_band, lens_scene
from yieldsim.base.model import Fibre
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.base.prescription_model import FibreFace, Funnel, Lens, Prescription
from yieldsim.energy.fibre import fibre_attenuation_fraction
from yieldsim.energy.incidence import sun_in_mount_xyz
from yieldsim.files.prescription.material_database import plain_material
from yieldsim.files.prescription.read import read_prescription
from yieldsim.optics.etendue import largest_concentration
from yieldsim.optics.fresnel import bare_reflectance
from yieldsim.optics.photometry import GREATEST_EFFICACY_LM_PER_W, filtered_sunlight, photopic
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.funnel_walls import full_height, profile
from yieldsim.optics.raytrace.scene import Scene, build_scene
from yieldsim.optics.raytrace.tracer import directions_xyz, paths, record, trace
from yieldsim.optics.steady_temperatures import funnel_areas_m2

SITES = Path(__file__).resolve().parents[2] / "sites"
OUTLET_M = 0.01
ANGLES_DEG = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
STRATA = (np.arange(60) + 0.5) / 60.0
DIM = 1e-4
"""Lost at each reflection where reflections are counted by their loss."""


# ---------------------------------------------------------------- compound parabolic mirrors


def whole_cpc(section: str, angle_deg: float, reflectance: float = 1.0) -> Scene:
    """A compound parabolic mirror of full height."""
    mouth = OUTLET_M / math.sin(math.radians(angle_deg))
    length = full_height(mouth / 2.0, OUTLET_M / 2.0)
    return bare_funnel("compound_parabolic", section, mouth, OUTLET_M, length, reflectance)


def delivered(
    scene: Scene, incidence_deg: np.ndarray, along_deg: float = 0.0, points: int = 1024
) -> np.ndarray:
    """Share that reaches the outlet, by transverse angle (n,)."""
    ways = directions_xyz(incidence_deg, np.full(len(incidence_deg), along_deg))
    return in_band(scene, trace(scene, ways, points=points).share)[:, loss_causes.DELIVERED]


@ours("trough-cpc-inside")
def trough_inside() -> float:
    """Projected transverse angles are those of the section: the edge stays where it is when the Sun leans along the trough."""
    return max(
        float(
            np.abs(
                1.0 - delivered(whole_cpc("trough", angle), np.array([0.0, 0.5, 0.9, 0.99]) * angle, along)
            ).max()
        )
        for angle in ANGLES_DEG
        for along in (0.0, 25.0)
    )


@ours("trough-cpc-outside")
def trough_outside() -> float:
    return max(
        float(delivered(whole_cpc("trough", angle), np.array([1.01, 1.1, 1.4]) * angle, along).max())
        for angle in ANGLES_DEG
        for along in (0.0, 25.0)
    )


def reflections(section: str, angle_deg: float, incidence_deg: np.ndarray, points: int) -> np.ndarray:
    """Mean reflections of what passes, (n,): what a mirror of 1 - DIM loses, over DIM."""
    whole = delivered(whole_cpc(section, angle_deg), incidence_deg, points=points)
    dimmed = delivered(whole_cpc(section, angle_deg, 1.0 - DIM), incidence_deg, points=points)
    return (1.0 - dimmed / whole) / DIM


@ours("trough-cpc-reflections", slow=True)
def trough_reflections() -> float:
    given, worst = columns("trough_cpc.csv"), 0.0
    for angle, number in zip(given["acceptance_deg"], given["mean_reflections"], strict=True):
        # even light: even in the sine of the angle
        sine = (np.arange(80) + 0.5) / 80.0 * math.sin(math.radians(angle))
        found = reflections("trough", angle, np.degrees(np.arcsin(sine)), 512)
        worst = max(worst, abs(float(found.mean()) - number))
    return worst


@ours("trough-cpc-reflector")
def trough_reflector() -> float:
    given, worst = columns("trough_cpc.csv"), 0.0
    for angle, number in zip(given["acceptance_deg"], given["reflector_over_aperture"], strict=True):
        scene = whole_cpc("trough", angle)
        side, mouth = funnel_areas_m2(scene)
        depth, half = profile(scene.parts.funnel[0], 400)
        ends = 4.0 * float((0.5 * (half[1:] + half[:-1]) * np.diff(depth)).sum())
        worst = max(worst, abs((side - ends) / mouth - number))
    return worst


@ours("round-cpc-etendue", slow=True)
def round_etendue() -> float:
    """Mean over the disc of sines, spun over azimuth; beyond 1.4 times a design angle of up to 53 deg nothing passes."""
    worst = 0.0
    for angle in ANGLES_DEG:
        reach = 1.4 * angle if 1.4 * angle <= 75.0 else 90.0
        most = math.sin(math.radians(reach)) ** 2
        sine, turn = np.sqrt(most * STRATA), (np.arange(len(STRATA)) * 0.6180339887 % 1.0) * 2.0 * math.pi
        ways = np.stack([sine * np.cos(turn), sine * np.sin(turn), np.sqrt(1.0 - sine**2)], axis=-1)
        scene = whole_cpc("round", angle)
        share = in_band(scene, trace(scene, ways, points=2048, shifts=4, spin=True).share)
        accepted = most * float(share[:, loss_causes.DELIVERED].mean())
        worst = max(worst, abs(accepted / math.sin(math.radians(angle)) ** 2 - 1.0))
    return worst


@ours("round-cpc-transmission")
def round_transmission() -> float:
    given, worst = columns("round_cpc.csv"), 0.0
    for angle, share, number in zip(
        given["acceptance_deg"], given["share_of_angle"], given["transmission"], strict=True
    ):
        found = delivered(whole_cpc("round", angle), np.array([share * angle]), points=8192)
        worst = max(worst, abs(float(found[0]) - number))
    return worst


@ours("round-cpc-reflections", slow=True)
def round_reflections() -> float:
    given, worst = columns("round_cpc.csv"), 0.0
    for angle, share, number in zip(
        given["acceptance_deg"], given["share_of_angle"], given["mean_reflections"], strict=True
    ):
        # half of the light is lost at the design angle itself: there a ray's fate hangs on its last digit
        if share < 1.0:
            found = reflections("round", angle, np.array([share * angle]), 16_384)
            worst = max(worst, abs(float(found[0]) - number))
    return worst


# ---------------------------------------------------------------- limits


def solid_trough(n: float, acceptance_deg: float) -> Scene:
    """A solid compound parabolic trough whose design angle outside is acceptance_deg, matched to its fibre."""
    inner = math.asin(math.sin(math.radians(acceptance_deg)) / n)
    mouth = OUTLET_M / math.sin(inner)
    funnel = Funnel(
        kind="solid",
        shape="compound_parabolic",
        section="trough",
        mouth_width_m=mouth,
        outlet_width_m=OUTLET_M,
        length_m=full_height(mouth / 2.0, OUTLET_M / 2.0),
        trough_length_m=10.0,
        material=glass(n),
    )
    fibre = FibreFace(
        section="rectangle",
        width_m=1.1 * OUTLET_M,
        length_m=10.0,
        numerical_aperture=2.0,
        coupling="matched",
        core_index=n,
    )
    return build_scene(Prescription(name="cpc", lens=Lens(kind="none"), funnel=funnel, fibre=fibre))


def leaks(n: float, acceptance_deg: float) -> bool:
    """Whether such a trough lets light at its design angle out through its walls.

    At the very angle a ray's fate at the rim hangs on its last digit: the light comes from a hundred-thousandth of it inside. From a
    thousandth inside, the limit would lie 0.09 deg too far out.
    """
    scene = solid_trough(n, acceptance_deg)
    ways = directions_xyz(np.array([0.99999 * acceptance_deg]), np.zeros(1))
    share = trace(scene, ways, points=8192).share
    return bool(in_band(scene, share)[0, loss_causes.FUNNEL_ESCAPE] > 0.0)


@ours("total-reflection", slow=True)
def total_reflection() -> float:
    worst = 0.0
    given = columns("total_reflection_limits.csv")
    for n, limit in zip(given["index"], given["limit_deg"], strict=True):
        low, high = 0.5 * limit, 1.5 * limit
        while high - low > 0.0005:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if leaks(n, middle) else (middle, high)
        worst = max(worst, abs(0.5 * (low + high) - limit))
    return worst


@ours("concentration-limits")
def concentration_limits() -> float:
    """Largest difference in units of the last printed digit."""
    worst = 0.0
    for row in table("concentration_limits.csv"):
        angle = float(row["half_angle_deg"])
        found = {
            "trough_n_1": largest_concentration(angle, 1.0, 90.0),
            "round_n_1": largest_concentration(angle, 1.0),
            "round_n_1_5": largest_concentration(angle, 1.5),
        }
        worst = max(
            worst, *(abs(x - float(row[key])) / (2.0 * half_digit(row[key])) for key, x in found.items())
        )
    return worst


@ours("projected-angles")
def projected_angles() -> float:
    """A level mount's longitudinal axis points north, its transverse one east or west: sizes only."""
    worst = 0.0
    for row in table("projected_angles.csv"):
        given = {key: float(text) for key, text in row.items()}
        sun = direction_enu_xyz(np.array([given["turn_deg"]]), np.array([90.0 - given["incidence_deg"]]))
        across, along, up = sun_in_mount_xyz(sun, 0.0, 0.0, 0.0)[0]
        found = np.abs(np.degrees(np.arctan2([across, along], up)))
        worst = max(worst, float(np.abs(found - [given["transverse_deg"], given["longitudinal_deg"]]).max()))
    return worst


# ---------------------------------------------------------------- light, images


@ours("efficacy-555")
def efficacy_555() -> float:
    return GREATEST_EFFICACY_LM_PER_W * float(photopic(np.array([555.0]))[0])


@ours("photons-550")
def photons_550() -> float:
    return float(filtered_sunlight(np.array([549.0, 551.0]), np.ones(1)).photon_yield_umol_per_j)


@ours("sun-image")
def sun_image_mm() -> float:
    """Flat face to the Sun, then a hyperboloid of conic constant -n^2, f/100."""
    n = 1.4906
    scene = lens_scene(
        0.1,
        material=glass(n),
        kind="plano_convex",
        width_m=0.001,
        thickness_m=0.001,
        curved_side="in",
        curvature_radius_m=(n - 1.0) * 0.1,
        conic_constant=-(n**2),
    )
    seen = record(scene, NORMAL, rays=1 << 15, sun_radius_deg=0.266453)
    arrived = seen.mouth_weight > 0.0
    return 2e3 * float(np.hypot(seen.mouth_x_m[arrived], seen.mouth_y_m[arrived]).max())


@ours("pmma-colours")
def pmma_colours() -> float:
    """Where rays near the axis of a thin lens cross it at 486.13 and 656.27 nm, over the focal length."""
    pmma = plain_material("pmma")
    f, n = 1.0, float(pmma.index_at(587.56))
    fibre = FibreFace(section="round", width_m=1.0, length_m=1.0, numerical_aperture=1.0, distance_m=f)
    lens = Lens(
        kind="plano_convex",
        width_m=0.02,
        thickness_m=0.001,
        curved_side="in",
        curvature_radius_m=(n - 1.0) * f,
        material=pmma,
    )
    scene = build_scene(Prescription(name="colours", lens=lens, fibre=fibre))
    crossing = []
    for wavelength in (486.13, 656.27):
        media = scene.media.copy()
        media[:, 0], media[:, 1], media[:, 2] = wavelength, pmma.index_at(wavelength), 0.0
        path = paths(replace(scene, media=media), np.array([[0.001, 0.0]]), NORMAL, wavelength)[0]
        last, face = path[-3], path[-2]
        crossing.append(last[2] - last[0] * (face[2] - last[2]) / (face[0] - last[0]))
    return float((crossing[1] - crossing[0]) / f)


@ours("hexagonal-packing")
def hexagonal_packing() -> float:
    return float(read_prescription(SITES / "half-metre-lens.optics.toml").noun.fibre.packing)


# ---------------------------------------------------------------- systems


def fresnel_lens_share(material: str, width_m: float, focal_length_m: float) -> float:
    """Light that a traced Fresnel lens sends to its focus, on the axis, 500 to 600 nm."""
    scene = lens_scene(
        focal_length_m,
        face_width_m=0.05 * focal_length_m,
        material=plain_material(material),
        kind="fresnel",
        width_m=width_m,
        thickness_m=0.003,
        focal_length_m=focal_length_m,
        groove_count=250,
        draft_deg=2.0,
    )
    share = trace(scene, NORMAL[None], points=4096, sun_radius_deg=0.266453).share
    return float(in_band(scene, share)[0, loss_causes.DELIVERED])


def two_faces(n: float) -> float:
    """Light through the two bare ends of a fibre, head-on."""
    return (1.0 - bare_reflectance(1.0, 1.0, n)) ** 2


@ours("hybrid2018-end-to-end")
def hybrid() -> float:
    fibre = Fibre(length_m=6.1, attenuation=150.0)
    n = float(plain_material("pmma").index_at(550.0))
    return fresnel_lens_share("pmma", 0.254, 0.254) * two_faces(n) * float(fibre_attenuation_fraction(fibre))


@ours("liang1997-bundle")
def liang() -> float:
    return two_faces(float(plain_material("fused_silica").index_at(633.0)))


@ours("sla-lens")
def sla_lens() -> float:
    return fresnel_lens_share("silicone", 0.1, 0.1)


@ours("scarlet-lens")
def scarlet_lens() -> float:
    return fresnel_lens_share("silicone", 0.1, 0.1)
