"""Interfaces by the plain equations of s and p light, to hold the compiled ones to."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.fresnel import bare_reflectance


def reflectances(incidence_deg: ArrayLike, n1: float, n2: float) -> tuple[FloatArray, FloatArray]:
    """Of s and p light at a bare interface, any shape; 1 beyond the critical angle."""
    incidence = np.radians(np.asarray(incidence_deg, dtype=np.float64))
    cos_i = np.cos(incidence)
    sin_t = n1 / n2 * np.sin(incidence)
    cos_t = np.sqrt(np.maximum(0.0, 1.0 - sin_t**2))
    rs = (n1 * cos_i - n2 * cos_t) / (n1 * cos_i + n2 * cos_t)
    rp = (n2 * cos_i - n1 * cos_t) / (n2 * cos_i + n1 * cos_t)
    return np.where(sin_t >= 1.0, 1.0, rs**2), np.where(sin_t >= 1.0, 1.0, rp**2)


def our_reflectances(incidence_deg: float, n: float) -> tuple[float, float]:
    """Of s and p light from vacuum: s by its equation, p as what our unpolarised one leaves to it."""
    s = float(reflectances(incidence_deg, 1.0, n)[0])
    return s, 2.0 * bare_reflectance(math.cos(math.radians(incidence_deg)), 1.0, n) - s


def prism_deviation_deg(incidence_deg: float, apex_deg: float, n: float) -> float:
    """In the principal plane: i1 + i2 - apex, sin i2 = n sin(apex - asin(sin i1 / n))."""
    first, apex = math.radians(incidence_deg), math.radians(apex_deg)
    return math.degrees(first + math.asin(n * math.sin(apex - math.asin(math.sin(first) / n))) - apex)
