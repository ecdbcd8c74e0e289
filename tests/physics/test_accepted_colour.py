"""The colour of optics: bands of an acceptance table against sums over sunlight done by hand, and against traces of one band."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.model import (
    AcceptanceBands,
    AttenuationTable,
    BiaxialAcceptance,
    Collector,
    Fibre,
    Mount,
    RoundAcceptance,
)
from yieldsim.base.prescription_model import Band
from yieldsim.base.solar_spectrum import band_weights
from yieldsim.energy.delivered_light import delivered_light
from yieldsim.energy.fibre import fibre_attenuation_fraction, spectrum_outside_fraction
from yieldsim.energy.spectral_transmittance import attenuation_fraction, energy_acceptance
from yieldsim.files.prescription.read import read_prescription
from yieldsim.files.text.bundled import sites_folder
from yieldsim.optics.accepted_spectrum import SUNLIGHT, accepted_spectrum, spectrum_from
from yieldsim.optics.photometry import filtered_sunlight
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Ways, table_of, trace_curve
from yieldsim.optics.raytrace.scene import build_scene
from yieldsim.optics.raytrace.spectral_trace import traced_bands
from yieldsim.optics.raytrace.tracer import trace

BLUE, RED = (400.0, 550.0), (550.0, 1100.0)
W_BLUE, W_RED = (float(band_weights(ends)[0]) for ends in (BLUE, RED))
ANGLES = np.array([0.0, 4.0, 8.0])


def table(blue: list[float], red: list[float], outside: float = 0.0) -> RoundAcceptance:
    """A round table of two bands; sunlight outside them is accepted by `outside` of the red."""
    b, r = np.array(blue), np.array(red)
    whole = W_BLUE * b + W_RED * r + (1.0 - W_BLUE - W_RED) * outside * r
    bands = AcceptanceBands(wavelength_nm=[BLUE, RED], acceptance_fraction=[b, r])
    return RoundAcceptance(incidence_deg=ANGLES, acceptance_fraction=whole, source="disc", bands=bands)


def unit(acceptance: RoundAcceptance, fibre: Fibre | None = None) -> Collector:
    mount = Mount(tilt_deg=0.0, azimuth_deg=0.0)
    return Collector(
        name="two bands", aperture_area_m2=1.0, mounts=(mount,), acceptance=acceptance, fibre=fibre
    )


def test_optics_that_pass_one_band_deliver_its_figures() -> None:
    passed = table([0.8, 0.8, 0.0], [0.0, 0.0, 0.0])
    expected = filtered_sunlight(np.linspace(*BLUE, 3001), np.ones(3000))
    found = delivered_light(unit(passed))
    assert found.luminous_efficacy_lm_per_w == pytest.approx(expected.luminous_efficacy_lm_per_w, rel=1e-3)
    assert found.photon_yield_umol_per_j == pytest.approx(expected.photon_yield_umol_per_j, rel=1e-3)


def test_bands_alike_are_no_colour() -> None:
    grey = accepted_spectrum(table([0.8, 0.6, 0.0], [0.8, 0.6, 0.0], outside=1.0))
    edges = np.array([300.0, 450.0, 700.0, 2000.0, 9000.0])
    np.testing.assert_allclose(grey.energy_shares(edges), SUNLIGHT.energy_shares(edges), rtol=1e-5)


def test_a_fibre_keeps_each_band_by_itself() -> None:
    """F = (w_b A_b T_b + w_r A_r T_r) / (w_b A_b + w_r A_r), for a fibre of two levels; decibels by hand."""
    fibre = Fibre(
        length_m=100.0,
        attenuation=AttenuationTable(
            wavelength_nm=[400.0, 549.999, 550.001, 1100.0], attenuation_db_per_km=[100.0, 100.0, 10.0, 10.0]
        ),
    )
    t_blue, t_red = 10.0**-1.0, 10.0**-0.1
    light = accepted_spectrum(table([0.3, 0.3, 0.0], [0.9, 0.9, 0.0]))
    expected = (W_BLUE * 0.3 * t_blue + W_RED * 0.9 * t_red) / (W_BLUE * 0.3 + W_RED * 0.9)
    assert fibre_attenuation_fraction(fibre, light) == pytest.approx(expected, rel=1e-4)
    assert spectrum_outside_fraction(fibre, light) == pytest.approx(0.0, abs=1e-5)
    # colourless optics: sunlight outside the fibre's table is lost
    assert fibre_attenuation_fraction(fibre) == pytest.approx(W_BLUE * t_blue + W_RED * t_red, rel=1e-4)


def test_light_outside_the_bands_keeps_the_rest_of_the_whole() -> None:
    light = accepted_spectrum(table([0.4, 0.4, 0.0], [0.8, 0.8, 0.0], outside=0.5))
    edges = np.array([100.0, 400.0, 550.0, 1100.0, 100_000.0])
    level = light.levels(edges)
    assert level[1] / level[2] == pytest.approx(0.5)
    assert level[[0, 3]] / level[2] == pytest.approx(0.5, rel=1e-5)
    assert light.energy_shares(edges).sum() == pytest.approx(1.0, rel=1e-9)


def test_a_year_at_the_edge_of_the_acceptance_has_the_colour_of_the_edge() -> None:
    chromatic = table([0.2, 0.5, 0.0], [0.9, 0.5, 0.0])
    sine, cosine = np.sin(np.radians(4.0)), np.cos(np.radians(4.0))
    edges = np.array([*BLUE, RED[1]])
    for direction, ratio in (((0.0, 0.0, 1.0), 0.2 / 0.9), ((sine, 0.0, cosine), 1.0)):
        light = spectrum_from(chromatic, np.array([direction]), np.array([3.0]))
        level = light.levels(edges)
        assert level[0] / level[1] == pytest.approx(ratio, rel=1e-9)


def test_two_angles_are_told_apart() -> None:
    bands = AcceptanceBands(
        wavelength_nm=[BLUE, RED], acceptance_fraction=[[[0.2, 0.6], [0.2, 0.6]], [[0.6, 0.6], [0.6, 0.6]]]
    )
    whole = W_BLUE * bands.acceptance_fraction[0] + W_RED * bands.acceptance_fraction[1]
    grid = BiaxialAcceptance(
        transverse_deg=[0.0, 10.0],
        longitudinal_deg=[0.0, 20.0],
        acceptance_fraction=whole,
        source="disc",
        bands=bands,
    )
    tangent = np.tan(np.radians(20.0))
    edges = np.array([*BLUE, RED[1]])
    for direction, ratio in (((0.0, 0.0, 1.0), 1 / 3), ((0.0, -tangent, 1.0), 1.0)):
        light = spectrum_from(grid, np.array([direction]), np.ones(1))
        assert np.divide(*light.levels(edges)) == pytest.approx(ratio, rel=1e-9)


@pytest.mark.parametrize("name", ["half-metre-lens", "polar-dome"])
def test_traced_bands_agree_with_traces_of_one_band(name: str) -> None:
    """A prescription traced in one band only, by another seed: its share of that band's light is the column's."""
    prescription = read_prescription(sites_folder() / f"{name}.optics.toml").noun
    scene = build_scene(prescription)
    ways = Ways(precision=0.01, spin=not prescription.is_symmetric)
    curve = trace_curve(scene, ways)
    found = table_of(curve, False)
    bands = traced_bands(prescription, scene, found, ways)
    weights = np.array([float(band_weights(ends)[0]) for ends in bands.wavelength_nm])
    np.testing.assert_allclose(weights @ bands.acceptance_fraction, found.acceptance_fraction, atol=2e-3)
    for ends in ((450.0, 500.0), (650.0, 700.0), (1200.0, 1500.0)):
        column = bands.wavelength_nm.tolist().index(list(ends))
        one = build_scene(replace(prescription, band=Band(shortest_nm=ends[0], longest_nm=ends[1])))
        alone = trace(one, np.array([[0.0, 0.0, 1.0]]), points=1 << 14, seed=77, spin=ways.spin)
        share = alone.share[0, loss_causes.DELIVERED] / float(one.parts.station[0]["band_share"])
        assert bands.acceptance_fraction[column, 0] == pytest.approx(share, abs=0.015)


def test_energy_goes_by_the_colour_of_each_direction() -> None:
    """A(angle) F(angle) by hand at each row, for optics blue at the edge and a fibre that takes blue away."""
    chromatic = table([0.2, 0.7, 0.0], [0.9, 0.5, 0.0])
    fibre = Fibre(
        length_m=100.0,
        attenuation=AttenuationTable(
            wavelength_nm=[400.0, 549.999, 550.001, 1100.0], attenuation_db_per_km=[100.0, 100.0, 10.0, 10.0]
        ),
    )
    collector = unit(chromatic, fibre)
    found = energy_acceptance(collector).acceptance_fraction * attenuation_fraction(collector)
    t_blue, t_red = 10.0**-1.0, 10.0**-0.1
    expected = [W_BLUE * b * t_blue + W_RED * r * t_red for b, r in ((0.2, 0.9), (0.7, 0.5), (0.0, 0.0))]
    np.testing.assert_allclose(found, expected, rtol=1e-4)
    assert energy_acceptance(unit(chromatic)) is chromatic


def test_light_behind_a_filter_is_weighed_before_it() -> None:
    """Two directions deliver alike behind a fibre that halves blue: the bluer one had let more in."""
    chromatic = table([0.0, 0.9, 0.0], [0.9, 0.0, 0.0])
    tangent = np.tan(np.radians(4.0))
    directions = np.array([[0.0, 0.0, 1.0], [tangent, 0.0, 1.0]])
    light = spectrum_from(chromatic, directions, np.ones(2), np.array([0.5, 1.0]))
    shares = light.energy_shares(np.array([*BLUE, RED[1]]))
    assert shares[0] / shares[1] == pytest.approx(2.0, rel=1e-6)


def test_colour_between_the_rows_is_that_of_the_light_there() -> None:
    """Bands and their mean are linear between rows; their ratio, which is the colour, is not."""
    chromatic = table([0.9, 0.1, 0.0], [0.8, 0.6, 0.0])
    angle = np.radians(3.0)
    light = spectrum_from(chromatic, np.array([[np.sin(angle), 0.0, np.cos(angle)]]), np.ones(1))
    blue, red = 0.25 * 0.9 + 0.75 * 0.1, 0.25 * 0.8 + 0.75 * 0.6
    blue_level, red_level = light.levels(np.array([*BLUE, RED[1]]))
    assert blue_level / red_level == pytest.approx(blue / red, rel=1e-12)
