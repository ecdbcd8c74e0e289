"""Radiation shields against textbook forms: planes, cylinders, series of gaps."""

import numpy as np
import pytest
from agreement.published import value

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4 as SIGMA
from yieldsim.base.thermal_model import Insulation
from yieldsim.thermal.insulation import effective_emittance, gaps, radiative_emittance, series_flow_w

COVER = {"cover_absorptance": 0.4, "cover_emittance": 0.6}


@pytest.mark.parametrize("count", [0, 1, 2, 3, 20])
def test_alike_planes_have_the_closed_form(count):
    # N shields of e on both faces between walls of e: e* = e / [(N + 1) (2 - e)] (radiation shields, Incropera et al.)
    layers = Insulation(layer_count=count, **COVER)
    assert radiative_emittance(layers, 0.03) == pytest.approx(0.03 / ((count + 1) * (2.0 - 0.03)), rel=1e-12)


def test_twenty_shields_of_three_per_cent():
    found = radiative_emittance(Insulation(layer_count=20, **COVER), 0.03)
    assert found == pytest.approx(value("shields-20"), abs=5e-6)


def test_concentric_cylinders():
    # one gap between long cylinders: q = s A1 (T1^4 - T2^4) / [1/e1 + (r1/r2)(1/e2 - 1)]
    layers = Insulation(layer_count=0, inner_emittance=0.3, layer_spacing_mm=10.0, **COVER)
    ratio = 0.02 / (0.02 + 0.02)
    assert radiative_emittance(layers, 0.5, 0.02) == pytest.approx(
        1.0 / (2.0 + ratio * (1.0 / 0.3 - 1.0)), rel=1e-12
    )


def test_faces_differ_and_the_covers_own_counts():
    layers = Insulation(
        layer_count=1, inner_emittance=0.1, outer_emittance=0.2, cover_inner_emittance=0.5, **COVER
    )
    by_hand = 1.0 / ((1 / 0.8 + 1 / 0.1 - 1) + (1 / 0.2 + 1 / 0.5 - 1))
    assert radiative_emittance(layers, 0.8) == pytest.approx(by_hand, rel=1e-12)


def test_conduction_alone_is_a_series_of_resistances():
    flow = series_flow_w(np.full(4, 1e-30), np.full(4, 2.0), 300.0, 100.0)
    assert flow == pytest.approx(2.0 / 4 * 200.0, rel=1e-9)


def test_seams_and_conductance_make_handbook_blankets():
    # Gilmore, Spacecraft Thermal Control Handbook: 0.005 to 0.03 for real blankets (from memory); ideal layers are ten times better
    ideal = Insulation(layer_count=15, **COVER)
    real = Insulation(layer_count=15, conductance_w_m2_k=0.05, seams_emittance=0.005, **COVER)
    assert effective_emittance(ideal, 0.85, 293.0, 100.0) == pytest.approx(
        radiative_emittance(ideal, 0.85), rel=1e-6
    )
    assert 0.005 < effective_emittance(real, 0.85, 293.0, 100.0) < 0.03
    # 293 to 100 K at 0.01: 4.122 W/m2
    assert pytest.approx(4.122, abs=5e-4) == 0.01 * SIGMA * (293.0**4 - 100.0**4)


def test_merged_links_carry_what_all_gaps_carry():
    layers = Insulation(layer_count=12, conductance_w_m2_k=0.05, **COVER)
    made = gaps(layers, 1.0, 0.85)
    assert len(made.radiative_w_k4) == 3
    merged = series_flow_w(made.radiative_w_k4, made.conductive_w_k, 320.0, 90.0)
    each = effective_emittance(layers, 0.85, 320.0, 90.0) * SIGMA * (320.0**4 - 90.0**4)
    assert merged == pytest.approx(each, rel=1e-9)
    # a cable of 34 mm whose layers grow: 1e-3 is what radii and conductance not scaling alike leaves
    round_layers = Insulation(layer_count=12, conductance_w_m2_k=0.05, layer_spacing_mm=0.4, **COVER)
    made = gaps(round_layers, 1.0, 0.85, 0.034)
    merged = series_flow_w(made.radiative_w_k4, made.conductive_w_k, 320.0, 90.0)
    each = effective_emittance(round_layers, 0.85, 320.0, 90.0, 0.034) * SIGMA * (320.0**4 - 90.0**4)
    assert merged == pytest.approx(each, rel=1e-3)
