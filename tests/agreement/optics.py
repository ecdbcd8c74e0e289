"""Our faces, glasses, funnels and sunlight where books have theirs."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import bisect, minimize_scalar

from agreement.compare import ours
from agreement.interfaces import our_reflectances, reflectances
from agreement.published import columns, table
from agreement.scenes import NORMAL, glass, in_band, lens_scene
from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import Lens, Side
from yieldsim.base.solar_spectrum import band_weights
from yieldsim.files.prescription.material_database import plain_material, sellmeier_material
from yieldsim.optics.fresnel import bare_reflectance
from yieldsim.optics.photometry import SUNLIGHT, photopic
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.funnel_walls import full_height, parabola_half_width
from yieldsim.optics.raytrace.grooves import design_facets
from yieldsim.optics.raytrace.tracer import trace

MALITSON_TERMS = ((0.6961663, 0.0684043**2), (0.4079426, 0.1162414**2), (0.8974794, 9.896161**2))
"""Malitson 1965, J. Opt. Soc. Am. 55, 1205, as a prescription states them."""
FACET_INDEX = 1.4906
SIDES: tuple[Side, ...] = ("in", "out")


# ---------------------------------------------------------------- faces


@ours("fresnel")
def fresnel() -> float:
    given, worst = columns("fresnel_reflectance.csv"), 0.0
    for place, n in enumerate(given["index"]):
        s, p = our_reflectances(45.0, n)
        found = {
            "normal": bare_reflectance(1.0, 1.0, n),
            "s_45_deg": s,
            "p_45_deg": p,
            "mean_45_deg": bare_reflectance(math.cos(math.pi / 4.0), 1.0, n),
        }
        worst = max(worst, *(abs(number - given[key][place]) for key, number in found.items()))
    return worst


@ours("brewster-critical")
def brewster_critical() -> float:
    """Where no p light is reflected from outside; where all light is from inside."""

    def passes(angle_deg: float, n: float) -> float:
        return 1.0 if bare_reflectance(math.cos(math.radians(angle_deg)), n, 1.0) < 1.0 else -1.0

    given = columns("fresnel_reflectance.csv")
    found = [
        [
            minimize_scalar(
                lambda angle, n=n: our_reflectances(angle, n)[1], bounds=(45.0, 70.0), options={"xatol": 1e-7}
            ).x,
            bisect(passes, 10.0, 80.0, args=(n,)),
        ]
        for n in given["index"]
    ]
    return float(np.abs(np.array(found).T - [given["brewster_deg"], given["critical_deg"]]).max())


@ours("slab")
def slab() -> float:
    """Mean over s and p of (1 - R) / (1 + R): both faces, and all reflections between them, incoherent."""
    given = columns("slab_transmittance.csv")
    return max(
        abs(sum((1.0 - r) / (1.0 + r) for r in our_reflectances(incidence, n)) / 2.0 - number)
        for n, column in ((1.5, "n_1_5"), (1.79, "n_1_79"))
        for incidence, number in zip(given["incidence_deg"], given[column], strict=True)
    )


@cache
def _slope_of_turn(side: Side, grooves: int) -> CubicSpline:
    lens = Lens(
        kind="fresnel",
        width_m=2.4,
        thickness_m=1e-9,
        focal_length_m=1.0,
        groove_count=grooves,
        groove_side=side,
        material=glass(FACET_INDEX),
    )
    facets = design_facets(lens, FACET_INDEX)
    known = np.isfinite(facets.slope_deg)
    return CubicSpline(facets.turn_deg[known], facets.slope_deg[known])


def designed_slope_deg(turn_deg: FloatArray | float, side: Side) -> FloatArray:
    """Slope that a thin lens is given where it has to turn its centre rays so far, for grooves of vanishing size: the depth of
    real ones moves their rays in proportion to it."""
    return np.asarray(2.0 * _slope_of_turn(side, 1600)(turn_deg) - _slope_of_turn(side, 800)(turn_deg))


def facet_transmittance(turn_deg: float, side: Side) -> float:
    """Light through one facet at normal incidence over what is not caught by a neighbour's draft face, by the tracer."""
    n = FACET_INDEX
    slope = float(designed_slope_deg(turn_deg, side))
    scene = lens_scene(
        0.0001,
        face_width_m=3.0,
        material=glass(n),
        kind="linear_fresnel",
        outline="rectangle",
        width_m=0.04,
        length_m=0.2,
        thickness_m=0.02,
        facet_angles_deg=(slope,) * 20,
        groove_side=side,
    )
    scene.parts.station["aperture_x"] = 0.018
    share = in_band(scene, trace(scene, NORMAL[None], points=1024, shifts=4).share)[0]
    passed = share[loss_causes.DELIVERED] + share[loss_causes.BESIDE_FIBRE]
    caught = share[loss_causes.DRAFT] + share[loss_causes.LENS_EDGE]
    # what a neighbour's draft face catches has passed the first face already
    first = 1.0 - np.mean(reflectances(slope if side == "out" else 0.0, 1.0, n))
    return float(passed / (1.0 - caught / first))


@ours("facet")
def facet() -> float:
    given = columns("facet_transmittance.csv")
    return max(
        abs(facet_transmittance(turn, side) - number)
        for side in SIDES
        for turn, number in zip(given["turn_deg"], given[f"grooves_{side}"], strict=True)
    )


# ---------------------------------------------------------------- glasses


@ours("index-d")
def index_d() -> float:
    return max(
        abs(float(plain_material(row["material"]).index_at(587.6)) - float(row["refractive_index"]))
        for row in table("index_at_d.csv")
    )


def abbe_number(material: str) -> float:
    """Of the d, F and C lines."""
    d, f, c = plain_material(material).index_at(np.array([587.56, 486.13, 656.27]))
    return float((d - 1.0) / (f - c))


@ours("abbe")
def abbe() -> float:
    return max(
        abs(abbe_number(row["material"]) - float(row["abbe_number"]))
        for row in table("index_at_d.csv")
        if row["abbe_number"]
    )


@ours("malitson")
def malitson() -> float:
    given = columns("malitson_1965.csv")
    found = plain_material("fused_silica").index_at(given["wavelength_nm"])
    return float(np.abs(found - given["refractive_index"]).max())


@ours("malitson-terms")
def malitson_terms() -> float:
    given = columns("malitson_1965.csv")
    own = sellmeier_material("mine", MALITSON_TERMS, (210.0, 3710.0))
    return float(np.abs(own.index_at(given["wavelength_nm"]) - given["refractive_index"]).max())


def sheet_transmittance(material: str, thickness_mm: float) -> float:
    """Mean of 500 to 650 nm: (1 - R)^2 t / (1 - R^2 t^2), all reflections between the faces (Born and Wolf, section 7.6)."""
    of = plain_material(material)
    wavelength = np.linspace(500.0, 650.0, 16)
    index = of.index_at(wavelength)
    reflected = ((index - 1.0) / (index + 1.0)) ** 2
    inside = np.exp(-of.absorption_at(wavelength) * thickness_mm * 1e-3)
    return float(np.mean((1.0 - reflected) ** 2 * inside / (1.0 - (reflected * inside) ** 2)))


@ours("clear-sheets")
def clear_sheets() -> float:
    """How far below the least that makers tell the poorest of them lies."""
    return max(
        max(
            float(row["transmittance"]) - sheet_transmittance(row["material"], float(row["thickness_mm"])),
            0.0,
        )
        for row in table("clear_sheets.csv")
    )


# ---------------------------------------------------------------- funnels


@ours("cpc-profile")
def cpc_profile() -> float:
    given, worst = columns("cpc_profiles.csv"), 0.0
    for angle, mouth, height in zip(*given.values(), strict=True):
        theta = math.radians(angle)
        found = (full_height(1.0 / math.sin(theta), 1.0), parabola_half_width(height, 1.0, theta))
        worst = max(worst, abs(found[0] - height), abs(found[1] - mouth))
    return worst


# ---------------------------------------------------------------- sunlight


@ours("sunlight-efficacy")
def sunlight_efficacy() -> float:
    return float(SUNLIGHT.luminous_efficacy_lm_per_w)


@ours("sunlight-bands")
def sunlight_bands() -> float:
    given = columns("sunlight_bands.csv")
    found = [
        float(band_weights([low, high])[0]) * SOLAR_IRRADIANCE_1AU_W_M2
        for low, high in zip(given["low_nm"], given["high_nm"], strict=True)
    ]
    return float(np.abs(found - given["irradiance_w_m2"]).max())


@ours("sunlight-infrared")
def sunlight_infrared() -> float:
    return float(band_weights([300.0, 2500.0])[0])


@ours("photopic")
def photopic_curve() -> float:
    given = columns("cie_1924_photopic.csv")
    nm = given["wavelength_nm"]
    kept = (nm >= 380.0) & (nm <= 780.0) & (nm % 10.0 == 0.0)
    return float(np.abs(photopic(nm[kept]) - given["luminous_efficiency"][kept]).max())
