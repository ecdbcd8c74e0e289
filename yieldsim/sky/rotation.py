"""A body turned by its rotation elements: pole and prime meridian as polynomials plus periodic terms."""

from __future__ import annotations

from typing import Any

import numpy as np

from yieldsim.base.constants import DAYS_PER_CENTURY, J2000_JD
from yieldsim.base.model import RotationElements, Rows
from yieldsim.base.numerics.vectors import FloatArray


class ElementsFrame:
    """Rotation from the ICRF to body-fixed axes by rotation elements, in the library's small frame shape.

        alpha = sum a_k T^k + sum A sin(phase + rate T [+ rate2 T^2])        right ascension of the pole
        delta = sum d_k T^k + sum D cos(phase + rate T [+ rate2 T^2])        declination of the pole
        W     = sum w_k d^k + sum P sin(phase + rate T [+ rate2 T^2])        prime meridian
        R     = Rz(W) Rx(90 deg - delta) Rz(90 deg + alpha)

    T in Julian centuries and d in days of TDB since J2000.0; Rz and Rx turn the axes. Times may have any
    shape; matrices come as (3, 3, ...), rates per day. Source: Archinal et al. 2018, Celest. Mech. Dyn. Astr.
    130:22, table 1 and its figure; the same product is in NAIF's Frames Required Reading, "PCK frames".
    """

    def __init__(self, elements: RotationElements) -> None:
        """Keep the elements."""
        self.elements = elements

    def angles_deg(self, t: Any) -> tuple[FloatArray, FloatArray]:
        """Pole's right ascension and declination and the meridian, degrees: (3, ...), and rates per day."""
        elements = self.elements
        days = (np.asarray(t.whole, dtype=np.float64) - J2000_JD) + t.tdb_fraction
        centuries = days / DAYS_PER_CENTURY
        values, rates = np.empty((2, 3, *days.shape))
        rows = (
            (
                centuries,
                DAYS_PER_CENTURY,
                elements.pole_right_ascension_deg,
                elements.right_ascension_terms,
                0.0,
            ),
            (centuries, DAYS_PER_CENTURY, elements.pole_declination_deg, elements.declination_terms, 90.0),
            (days, 1.0, elements.prime_meridian_deg, elements.prime_meridian_terms, 0.0),
        )
        for i, (argument, unit_days, coefficients, terms, shift_deg) in enumerate(rows):
            steady, steady_rate = _polynomial(argument, coefficients)
            swing, swing_rate = _periodic(centuries, terms, shift_deg)
            values[i] = steady + swing
            rates[i] = steady_rate / unit_days + swing_rate / DAYS_PER_CENTURY
        return values, rates

    def rotation_at(self, t: Any) -> FloatArray:
        """Matrix from the ICRF to the body-fixed axes; its rows are the body's axes."""
        return _axes(np.radians(self.angles_deg(t)[0]))

    def rotation_and_rate_at(self, t: Any) -> tuple[FloatArray, FloatArray]:
        """The matrix and its rate of change per day."""
        values, rates = self.angles_deg(t)
        angles, turning = np.radians(values), np.radians(rates)
        sin_delta, cos_delta = np.sin(angles[1]), np.cos(angles[1])
        sin_w, cos_w = np.sin(angles[2]), np.cos(angles[2])
        about_z = turning[2] + turning[0] * sin_delta
        about_y = turning[0] * cos_delta * cos_w + turning[1] * sin_w
        about_x = turning[1] * cos_w - turning[0] * cos_delta * sin_w
        x, y, z = rotation = _axes(angles)
        rate = np.stack([about_z * y - about_y * z, -about_z * x - about_x * z, about_y * x + about_x * y])
        return rotation, rate


def _polynomial(x: FloatArray, coefficients: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Value and derivative of sum c_k x^k."""
    value, slope = np.zeros_like(x), np.zeros_like(x)
    for coefficient in reversed(coefficients):
        slope = slope * x + value
        value = value * x + coefficient
    return value, slope


def _periodic(centuries: FloatArray, terms: Rows, shift_deg: float) -> tuple[FloatArray, FloatArray]:
    """Sum of amplitude sin(phase + shift + rate T + rate2 T^2), its derivative; shift 90 makes cosines."""
    value, slope = np.zeros_like(centuries), np.zeros_like(centuries)
    for amplitude, phase, rate, *quadratic in terms:
        rate2 = quadratic[0] if quadratic else 0.0
        angle = np.radians((phase + shift_deg) + (rate + rate2 * centuries) * centuries)
        value += amplitude * np.sin(angle)
        slope += amplitude * np.cos(angle) * np.radians(rate + 2.0 * rate2 * centuries)
    return value, slope


def _axes(angles: FloatArray) -> FloatArray:
    """The body's axes (3, 3, ...) from alpha, delta, W in radians.

    N = (-sin alpha, cos alpha, 0) is the node of the body's equator on the ICRF's, Z the pole, M = Z x N.
    """
    sin_alpha, sin_delta, sin_w = np.sin(angles)
    cos_alpha, cos_delta, cos_w = np.cos(angles)
    node = np.stack([-sin_alpha, cos_alpha, np.zeros_like(sin_alpha)])
    across = np.stack([-sin_delta * cos_alpha, -sin_delta * sin_alpha, cos_delta])
    pole = np.stack([cos_delta * cos_alpha, cos_delta * sin_alpha, sin_delta])
    return np.stack([cos_w * node + sin_w * across, cos_w * across - sin_w * node, pole])
