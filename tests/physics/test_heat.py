"""Steady temperatures against hand calculations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from agreement.published import table
from numpy.testing import assert_allclose

from yieldsim.base.prescription_model import FibreFace, Funnel, Heat, Lens, OpticalMaterial, Prescription
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.scene import build_scene
from yieldsim.optics.steady_temperatures import (
    fibre_temperature_k,
    funnel_areas_m2,
    funnel_temperature_k,
    heat_balance,
    lens_temperature_k,
    radiative_balance_k,
)

SIGMA = 5.670374419e-8


def test_insulation_leaks_what_the_handbook_formula_says() -> None:
    """q = e* s (T1^4 - T2^4), derived by hand."""
    leaks = [row for row in table("radiative_balance.csv") if float(row["sink_k"]) > 0.0]
    assert len(leaks) == 5
    for row in leaks:
        leak, emittance, cold, hot = (float(text) for text in row.values())
        heat = Heat(insulation_emittance=emittance, funnel_emittance=1e-12, housing_temperature_k=cold)
        assert_allclose(funnel_temperature_k(leak, 1.0, 1e-9, heat), hot, rtol=2e-4)


def test_lens_by_hand() -> None:
    """10 W in 0.2 m2, e = 0.85, half of its view ground at 250 K, the rest 3 K, a housing of 250 K behind.

    10 / (s 0.85 0.2) + (0.5 + 1) 250^4 = 2 T^4: 1.0374e9 + 5.8594e9 = 6.8968e9; T = (3.4484e9)^(1/4) =
    242.33 K.
    """
    assert_allclose(lens_temperature_k(10.0, 0.2, Heat()), 242.33, atol=0.02)


def test_fibre_end_by_hand() -> None:
    """Conduction alone: 20 W through 0.5 W/K are 40 K above the housing."""
    heat = Heat(
        insulation_emittance=1e-9,
        fibre_emittance=1e-9,
        cable_conductance_w_k=0.5,
        housing_temperature_k=250.0,
    )
    assert_allclose(fibre_temperature_k(20.0, 0.01, 0.0005, heat), 290.0, atol=1e-3)


def test_balance_closes() -> None:
    """What goes in comes out again, radiation and conduction together."""
    terms = [(0.02, 250.0), (0.01, 3.0), (0.004, 300.0)]
    temperature = radiative_balance_k(12.0, terms, 0.03, 260.0)
    out = sum(SIGMA * a * (temperature**4 - t**4) for a, t in terms) + 0.03 * (temperature - 260.0)
    assert_allclose(out, 12.0, rtol=1e-9)
    assert_allclose(radiative_balance_k(0.0, [(1.0, 250.0)]), 250.0, rtol=1e-12)


@pytest.mark.parametrize("section", ["round", "square", "trough"])
def test_funnel_areas(section: str) -> None:
    """A straight taper: slant areas by hand."""
    funnel = Funnel(
        kind="mirror",
        shape="straight",
        section=section,  # type: ignore[arg-type]
        mouth_width_m=0.04,
        outlet_width_m=0.02,
        length_m=0.05,
        trough_length_m=0.5,
        reflectance=0.9,
    )
    fibre = FibreFace(section="round", width_m=0.02, length_m=0.02, numerical_aperture=0.5)
    scene = build_scene(Prescription(name="taper", lens=Lens(kind="none"), funnel=funnel, fibre=fibre))
    slant = math.hypot(0.05, 0.01)
    side = {
        "round": math.pi * (0.02 + 0.01) * slant,
        "square": 4.0 * 0.03 * slant,
        "trough": 2.0 * 0.5 * slant + 2.0 * 0.03 * 0.05,
    }[section]
    mouth = {"round": math.pi * 0.02**2, "square": 0.04**2, "trough": 0.04 * 0.5}[section]
    assert_allclose(funnel_areas_m2(scene), (side, mouth), rtol=1e-9)


def test_absorbed_power_goes_to_the_right_part() -> None:
    """1361 W/m2 on 1 m2 at 2 au: a quarter; shares by cause to parts."""
    glass = OpticalMaterial(
        name="glass",
        wavelength_nm=np.array([200.0, 5000.0]),
        refractive_index=np.array([1.5, 1.5]),
        absorption_per_m=np.zeros(2),
        service_limit_k=200.0,
    )
    lens = Lens(
        kind="plano_convex",
        width_m=2.0 / math.sqrt(math.pi),
        thickness_m=0.3,
        material=glass,
        curved_side="in",
        curvature_radius_m=1.5,
    )
    fibre = FibreFace(
        section="round", width_m=0.05, length_m=0.05, numerical_aperture=0.5, packing=0.8, distance_m=3.0
    )
    heat = Heat(sun_distance_au=2.0, face_absorptance=0.05)
    prescription = Prescription(name="lens", lens=lens, fibre=fibre, heat=heat)
    share = np.zeros(loss_causes.COUNT)
    share[loss_causes.LENS_ABSORPTION], share[loss_causes.OUTSIDE_CONE], share[loss_causes.DELIVERED] = (
        0.1,
        0.05,
        0.5,
    )
    parts = {part.part: part for part in heat_balance(prescription, build_scene(prescription), share)}
    power = 1361.0 / 4.0
    assert_allclose(parts["lens"].absorbed_w, 0.1 * power, rtol=1e-9)
    assert_allclose(parts["fibre end"].absorbed_w, (0.05 + 0.5 * (0.2 + 0.8 * 0.05)) * power, rtol=1e-9)
    assert parts["lens"].limit_k == 200.0
    assert parts["lens"].too_hot
