"""Reflection and refraction against the Fresnel equations, slabs, and a thin-film library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from agreement import optics as agreed
from agreement.interfaces import reflectances
from numpy.testing import assert_allclose

from yieldsim.optics.fresnel import bare_reflectance, face_reflectance, layer_reflectance, refract


def test_fresnel_values() -> None:
    """An independent table of reflectances, Brewster and critical angles; tolerance: its printed digits."""
    assert agreed.fresnel() < 5.1e-7
    assert agreed.brewster_critical() < 5.1e-5


def test_p_reflectance_is_the_square_of_s_at_45_degrees() -> None:
    n = np.linspace(1.2, 2.5, 14)
    s, p = np.transpose([reflectances(45.0, 1.0, value) for value in n])
    assert_allclose(p, s**2, rtol=1e-12)


def test_kernel_agrees_with_the_formula_both_ways() -> None:
    """The compiled scalar against the plain equations, from outside and from inside, beyond the critical angle
    too."""
    incidence = np.linspace(0.0, 89.9, 200)
    for n1, n2 in ((1.0, 1.79), (1.79, 1.0), (1.49, 1.4585)):
        expected = np.mean(reflectances(incidence, n1, n2), axis=0)
        found = [bare_reflectance(math.cos(math.radians(i)), n1, n2) for i in incidence]
        assert_allclose(found, expected, rtol=1e-9, atol=1e-13)
    assert bare_reflectance(math.cos(math.radians(33.97)), 1.79, 1.0) == 1.0


def test_reflection_is_the_same_from_both_sides() -> None:
    """Stokes: the same ray path reflects the same share from either side."""
    for incidence in (0.0, 20.0, 50.0, 75.0):
        inside = math.asin(math.sin(math.radians(incidence)) / 1.6)
        assert_allclose(
            bare_reflectance(math.cos(math.radians(incidence)), 1.0, 1.6),
            bare_reflectance(math.cos(inside), 1.6, 1.0),
            rtol=1e-12,
        )


def test_slab_transmittance() -> None:
    """Independent table of mean (1-R)/(1+R); tolerance: its printed digits."""
    assert agreed.slab() < 5.1e-6


def test_polarisation_averaged_per_face_costs_what_the_module_says() -> None:
    """Two faces met at the same angle in one plane: carried polarisation passes delta^2 / 4 more."""
    for incidence, cost in ((45.0, 0.0018), (30.0, 0.0003)):
        s, p = reflectances(incidence, 1.0, 1.5)
        carried = 0.5 * ((1.0 - s) ** 2 + (1.0 - p) ** 2)
        averaged = (1.0 - 0.5 * (s + p)) ** 2
        assert_allclose(carried - averaged, (s - p) ** 2 / 4.0, rtol=1e-9)
        assert 0.0 < carried - averaged < cost


def test_refract_keeps_snell_and_the_plane_of_incidence() -> None:
    rng = np.random.default_rng(1)
    for _ in range(200):
        direction, normal = rng.normal(size=(2, 3))
        direction /= np.linalg.norm(direction)
        normal /= np.linalg.norm(normal)
        if direction @ normal < 0.0:
            normal = -normal
        out = np.array(refract(*direction, *normal, direction @ normal, 1.0 / 1.49))
        assert_allclose(np.linalg.norm(out), 1.0, rtol=1e-12)
        assert_allclose(1.49 * np.cross(out, normal), np.cross(direction, normal), atol=1e-12)


def test_quarter_wave_layer_closed_form() -> None:
    """R = ((n0 n2 - n1^2) / (n0 n2 + n1^2))^2 at normal incidence for a quarter-wave layer (textbook
    formula)."""
    n0, n1, n2 = 1.0, 1.38, 1.5168
    expected = ((n0 * n2 - n1**2) / (n0 * n2 + n1**2)) ** 2
    assert_allclose(layer_reflectance(1.0, n0, n1, n2, 0.25 / n1), expected, rtol=1e-12)


def test_layer_against_thin_film_library() -> None:
    tmm = pytest.importorskip("tmm", reason="the thin-film library comes with the test extra")
    for n0, n1, n2 in ((1.0, 1.38, 1.79), (1.79, 1.38, 1.0), (1.5, 2.1, 1.0), (1.6, 1.2, 1.79)):
        for incidence in (0.0, 15.0, 30.0, 55.0, 80.0):
            sine = math.sin(math.radians(incidence))
            if n0 * sine >= n2:
                continue
            for wavelength in (420.0, 633.0, 1550.0):
                thickness = 110.0
                powers = [
                    tmm.coh_tmm(
                        pol, [n0, n1, n2], [np.inf, thickness, np.inf], math.radians(incidence), wavelength
                    )
                    for pol in "sp"
                ]
                expected = 0.5 * sum(power["R"] for power in powers)
                found = layer_reflectance(math.sqrt(1.0 - sine**2), n0, n1, n2, thickness / wavelength)
                assert_allclose(found, expected, rtol=1e-9, atol=1e-14)


def test_stated_reflectance_holds_head_on_and_rises_to_one() -> None:
    assert_allclose(face_reflectance(1.0, 1.0, 1.5, 1, 0.01, 0.0, 600.0), 0.01, rtol=1e-12)
    assert face_reflectance(1e-9, 1.0, 1.5, 1, 0.01, 0.0, 600.0) > 0.999
    assert face_reflectance(0.5, 1.5, 1.0, 1, 0.01, 0.0, 600.0) == 1.0
