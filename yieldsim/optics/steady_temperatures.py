"""Steady temperatures of lens, funnel and fibre end: what each absorbs against what it radiates and conducts.

Grey surfaces, each part at one temperature, no conduction between parts:

    lens     q = s e A [(1 - g)(T^4 - Tsky^4) + g (T^4 - Tground^4)] + s e A (T^4 - Thousing^4)     front
    and back
    funnel   q = s e* A_side (T^4 - Thousing^4) + s e A_mouth (T^4 - Thousing^4)
    fibre    q = s e* A_ferrule (T^4 - Thousing^4) + s e A_face (T^4 - Thousing^4) + G (T - Thousing)

s is the Stefan-Boltzmann constant, e the emittance of a bare surface, e* the effective emittance of
multilayer insulation (0.002 to 0.03: D. G. Gilmore, Spacecraft Thermal Control Handbook, vol. 1, chapter 5,
from memory), g the share of the lens's view that is ground, G what cable and mount conduct. Neglected: heat
from one part to the next (so the funnel and the fibre's end, which often touch, are each a little too hot
or too cold), heat that the ground radiates or reflects through the lens, and the time it takes. At normal
incidence, the hottest case for these parts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2, STEFAN_BOLTZMANN_W_M2_K4
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import Heat, Prescription
from yieldsim.optics.raytrace.funnel_walls import profile
from yieldsim.optics.raytrace.loss_causes import ABSORBED_IN, DELIVERED
from yieldsim.optics.raytrace.scene import Scene

SIGMA = STEFAN_BOLTZMANN_W_M2_K4
HOTTEST_K = 1e5


@dataclass(frozen=True, slots=True)
class PartHeat:
    """One part: what it absorbs, how hot it gets and what it bears (None: not known)."""

    part: str
    absorbed_w: float
    temperature_k: float
    limit_k: float | None

    @property
    def too_hot(self) -> bool:
        """Whether the steady temperature is above the limit."""
        return self.limit_k is not None and self.temperature_k > self.limit_k


def radiative_balance_k(
    absorbed_w: float, terms: list[tuple[float, float]], conductance_w_k: float = 0.0, sink_k: float = 0.0
) -> float:
    """Temperature at which a part sheds `absorbed_w`: sum of s a (T^4 - t^4) over terms (a, t), plus G (T -
    sink).

    terms   emittance times area in m2, and the temperature it faces
    Closed form without conduction, else by bracketed root finding.

    >>> round(radiative_balance_k(5.670374419, [(0.5, 0.0), (0.5, 0.0)]), 6)
    100.0
    """
    total = sum(a for a, _ in terms)
    inflow = absorbed_w / SIGMA + sum(a * t**4 for a, t in terms)
    if conductance_w_k == 0.0:
        return float((inflow / total) ** 0.25)

    from scipy.optimize import brentq

    def surplus(temperature: float) -> float:
        return SIGMA * (total * temperature**4 - inflow) + conductance_w_k * (temperature - sink_k)

    return float(brentq(surplus, 0.0, HOTTEST_K, xtol=1e-9))


def lens_temperature_k(absorbed_w: float, area_m2: float, heat: Heat) -> float:
    """Of a lens that radiates from its front to sky and ground and from its back to the housing."""
    a = heat.lens_emittance * area_m2
    faces = [
        (a * (1.0 - heat.ground_view), heat.sky_temperature_k),
        (a * heat.ground_view, heat.ground_temperature_k),
        (a, heat.housing_temperature_k),
    ]
    return radiative_balance_k(absorbed_w, faces)


def funnel_temperature_k(absorbed_w: float, side_m2: float, mouth_m2: float, heat: Heat) -> float:
    """Of a funnel wrapped in insulation, its mouth bare."""
    faces = [
        (heat.insulation_emittance * side_m2, heat.housing_temperature_k),
        (heat.funnel_emittance * mouth_m2, heat.housing_temperature_k),
    ]
    return radiative_balance_k(absorbed_w, faces)


def fibre_temperature_k(absorbed_w: float, ferrule_m2: float, face_m2: float, heat: Heat) -> float:
    """Of the fibre's end: insulated ferrule, bare face, and what the cable leads away."""
    faces = [
        (heat.insulation_emittance * ferrule_m2, heat.housing_temperature_k),
        (heat.fibre_emittance * face_m2, heat.housing_temperature_k),
    ]
    return radiative_balance_k(absorbed_w, faces, heat.cable_conductance_w_k, heat.housing_temperature_k)


def aperture_power_w(prescription: Prescription) -> float:
    """Sunlight on the aperture facing the Sun at the stated distance."""
    irradiance = SOLAR_IRRADIANCE_1AU_W_M2 / prescription.heat.sun_distance_au**2
    return irradiance * prescription.aperture_area_m2


def heat_balance(prescription: Prescription, scene: Scene, share: FloatArray) -> list[PartHeat]:
    """Every part's absorbed power and steady temperature.

    share   (causes,) of the light on the aperture, the film's part taken out already
    Light that misses or escapes goes to the housing, which is held at its temperature; the light outside
    the traced band is taken to be absorbed in the lens (in the funnel, where there is no lens): sunlight
    beyond 4 um mostly is.
    """
    heat = prescription.heat
    power = aperture_power_w(prescription)
    taken = {part: float(sum(share[cause] for cause in causes)) for part, causes in ABSORBED_IN.items()}
    out_of_band = float(share[1])
    parts = []
    lens = prescription.lens
    if lens.kind != "none":
        area = _lens_area_m2(scene)
        absorbed = (taken["lens"] + out_of_band) * power
        limit = heat.lens_limit_k
        if limit is None and lens.material is not None:
            limit = lens.material.service_limit_k
        parts.append(PartHeat("lens", absorbed, lens_temperature_k(absorbed, area, heat), limit))
    funnel = prescription.funnel
    if funnel is not None:
        side, mouth = funnel_areas_m2(scene)
        absorbed = (taken["funnel"] + (out_of_band if lens.kind == "none" else 0.0)) * power
        limit = heat.funnel_limit_k
        if limit is None and funnel.material is not None:
            limit = funnel.material.service_limit_k
        parts.append(PartHeat("funnel", absorbed, funnel_temperature_k(absorbed, side, mouth, heat), limit))
    fibre = prescription.fibre
    accepted = float(share[DELIVERED])
    lost_in_face = 1.0 - fibre.packing + fibre.packing * heat.face_absorptance
    absorbed = (taken["fibre face"] + accepted * lost_in_face) * power
    ferrule = heat.ferrule_area_m2
    if ferrule is None:
        ferrule = (math.pi if fibre.section == "round" else 2.0) * fibre.width_m * 3.0 * fibre.width_m
        if fibre.section == "rectangle":
            ferrule = 2.0 * (fibre.width_m + fibre.length_m) * 3.0 * fibre.width_m
    temperature = fibre_temperature_k(absorbed, ferrule, scene.face_area_m2, heat)
    parts.append(PartHeat("fibre end", absorbed, temperature, heat.fibre_limit_k))
    return parts


def _lens_area_m2(scene: Scene) -> float:
    lens = scene.parts.lens[0]
    area = 4.0 * float(lens["half_x"]) * float(lens["half_y"])
    return area * math.pi / 4.0 if lens["is_round"] else area


def funnel_areas_m2(scene: Scene) -> tuple[float, float]:
    """Side and mouth areas of the funnel, the side summed along its profile."""
    wall = scene.parts.funnel[0]
    depth, half = profile(wall, 400)
    slant = np.hypot(np.diff(depth), np.diff(half))
    middle = 0.5 * (half[1:] + half[:-1])
    mouth_x, mouth_y = float(wall["mouth_x"]), float(wall["mouth_y"])
    if wall["is_round"]:
        return float(2.0 * math.pi * (middle * slant).sum()), math.pi * mouth_x**2
    if float(wall["outlet_y"]) == mouth_y:
        # a trough: two long curved sides and two flat ends
        ends = 4.0 * float((middle * np.diff(depth)).sum())
        return float(4.0 * mouth_y * slant.sum()) + ends, 4.0 * mouth_x * mouth_y
    return float(8.0 * (middle * slant).sum()), 4.0 * mouth_x * mouth_y
