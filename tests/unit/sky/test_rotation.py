"""Rotation elements: every kind of term, and the rate against differences."""

from __future__ import annotations

import numpy as np
import pytest
from agreement import bodies

from yieldsim.base.clock import library_time
from yieldsim.base.model import RotationElements
from yieldsim.sky.rotation import ElementsFrame

CENTURY_S = 36_525.0 * 86_400.0
ELEMENTS = RotationElements(
    pole_right_ascension_deg=(300.0, -0.5, 0.03),
    pole_declination_deg=(50.0, 0.4, -0.02),
    prime_meridian_deg=(12.0, 350.0, 2e-9),
    right_ascension_terms=((1.5, 20.0, 400.0), (0.3, 5.0, 7.0)),
    declination_terms=((0.8, 20.0, 400.0),),
    prime_meridian_terms=((1.143, 189.6, 4000.0, 12.7),),
)


def test_angles_by_hand() -> None:
    """Sines in right ascension and meridian, cosines in declination; a quadratic rate in the last (as for Phobos)."""
    centuries, days = 0.5, 0.5 * 36_525.0
    (alpha, delta, meridian), _ = ElementsFrame(ELEMENTS).angles_deg(library_time(np.array(0.5 * CENTURY_S)))
    angle = np.radians(20.0 + 400.0 * centuries)
    second = np.radians(5.0 + 7.0 * centuries)
    assert alpha == pytest.approx(
        300.0 - 0.25 + 0.03 * 0.25 + 1.5 * np.sin(angle) + 0.3 * np.sin(second), abs=1e-12
    )
    assert delta == pytest.approx(50.0 + 0.2 - 0.02 * 0.25 + 0.8 * np.cos(angle), abs=1e-12)
    swing = 1.143 * np.sin(np.radians(189.6 + 4000.0 * centuries + 12.7 * centuries**2))
    assert meridian == pytest.approx(12.0 + 350.0 * days + 2e-9 * days**2 + swing, abs=1e-8)


def test_elements_of_moon_mars_and_mercury() -> None:
    """Computed from the published elements: right ascension, declination, meridian, to six digits."""
    assert bodies.rotation_angles() < 6e-7


def test_matrix_is_the_product_of_three_turns() -> None:
    def turn(axis: int, degrees: float) -> np.ndarray:
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        i, j = [(1, 2), (2, 0), (0, 1)][axis]
        matrix = np.identity(3)
        matrix[i, i], matrix[i, j], matrix[j, i], matrix[j, j] = c, s, -s, c
        return matrix

    t = library_time(np.array(3.3e8))
    alpha, delta, meridian = ElementsFrame(ELEMENTS).angles_deg(t)[0]
    expected = turn(2, meridian) @ turn(0, 90.0 - delta) @ turn(2, 90.0 + alpha)
    np.testing.assert_allclose(ElementsFrame(ELEMENTS).rotation_at(t), expected, atol=1e-9)


def test_rate_against_differences() -> None:
    frame, step_s = ElementsFrame(ELEMENTS), 1.0
    for tdb_s in (0.0, 4.0e8, -2.0e8):
        _, rate = frame.rotation_and_rate_at(library_time(np.array(tdb_s)))
        ahead, behind = (frame.rotation_at(library_time(np.array(tdb_s + s))) for s in (step_s, -step_s))
        np.testing.assert_allclose(rate, (ahead - behind) / (2.0 * step_s) * 86_400.0, rtol=0, atol=2e-6)


def test_shapes() -> None:
    frame = ElementsFrame(ELEMENTS)
    assert frame.rotation_at(library_time(np.array(0.0))).shape == (3, 3)
    rotation, rate = frame.rotation_and_rate_at(library_time(np.zeros(7)))
    assert rotation.shape == rate.shape == (3, 3, 7)
