"""What a fibre can accept at most, and whether an acceptance table asks for more.

    limit = pi NA^2 A_fibre                        (outlet in vacuum)
    used  = A_aperture * integral of acceptance * cos(incidence) over the hemisphere

Etendue is conserved at best, so used <= limit. Source: R. Winston, J. C. Minano, P. Benitez, Nonimaging Optics, 2005, chapters 2
and 3 (from memory). An outlet immersed in a medium of index n accepts what its numerical aperture n sin(phi) says: the index is
already in NA.
"""

from __future__ import annotations

import math

import numpy as np

from yieldsim.base.model import Acceptance, Fibre, RoundAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance import full_grid


def fibre_etendue_m2_sr(fibre: Fibre) -> float | None:
    """Largest etendue the fibre's face accepts, m2 sr; None where the fibre states no face or no numerical aperture.

    The whole face counts; the share of it that is core is the packing loss, taken later in the chain.
    """
    if fibre.numerical_aperture is None or fibre.face_diameter_mm is None:
        return None
    face_m2 = math.pi * (fibre.face_diameter_mm / 2000.0) ** 2
    return math.pi * fibre.numerical_aperture**2 * face_m2


def projected_acceptance_sr(acceptance: Acceptance) -> float:
    """Integral of acceptance times cos(incidence) over the hemisphere, sr; pi for a table of ones.

    Round tables in closed form between rows: with a linear acceptance a + b t,
    integral of (a + b t) sin t cos t dt = [ -(a + b t) cos(2t)/4 + b sin(2t)/8 ].
    Biaxial tables by the midpoint rule over both projected angles, with the solid angle
    d(omega) cos(incidence) = dX dY / (1 + X^2 + Y^2)^2 for X = tan(transverse), Y = tan(longitudinal).
    """
    if isinstance(acceptance, RoundAcceptance):
        angle, value = np.radians(acceptance.incidence_deg), acceptance.acceptance_fraction
        slope = np.diff(value) / np.diff(angle)
        low, high = angle[:-1], angle[1:]

        def antiderivative(t: FloatArray, v: FloatArray) -> FloatArray:
            return -v * np.cos(2.0 * t) / 4.0 + slope * np.sin(2.0 * t) / 8.0

        return float(2.0 * np.pi * np.sum(antiderivative(high, value[1:]) - antiderivative(low, value[:-1])))
    transverse, longitudinal, grid = full_grid(acceptance)
    return _biaxial_projected_sr(np.radians(transverse), np.radians(longitudinal), grid)


def _biaxial_projected_sr(transverse: FloatArray, longitudinal: FloatArray, grid: FloatArray) -> float:
    """Midpoint sums on a fine subdivision of the grid, bilinear inside."""
    fine_t, weight_t, row, u = _subdivide(transverse)
    fine_l, weight_l, column, v = _subdivide(longitudinal)
    low = grid[row][:, column] * (1.0 - v) + grid[row][:, column + 1] * v
    high = grid[row + 1][:, column] * (1.0 - v) + grid[row + 1][:, column + 1] * v
    value = low * (1.0 - u[:, None]) + high * u[:, None]
    x, y = np.tan(fine_t)[:, None], np.tan(fine_l)[None, :]
    # dX = (1 + X^2) dt: written so that it stays finite towards 90 degrees
    density = (1.0 + x**2) * (1.0 + y**2) / (1.0 + x**2 + y**2) ** 2
    return float((value * density * weight_t[:, None] * weight_l[None, :]).sum())


def _subdivide(angle: FloatArray) -> tuple[FloatArray, FloatArray, np.ndarray, FloatArray]:
    """Midpoints at most 0.25 degrees apart, their widths, the row below each and the share of the way to the next."""
    parts = [max(1, math.ceil(width / math.radians(0.25))) for width in np.diff(angle)]
    row = np.repeat(np.arange(len(parts)), parts)
    share = np.concatenate([(np.arange(n) + 0.5) / n for n in parts])
    width = np.repeat(np.diff(angle) / np.array(parts), parts)
    return angle[row] + share * np.diff(angle)[row], width, row, share


def largest_concentration(
    half_angle_deg: float, numerical_aperture: float, other_half_angle_deg: float | None = None
) -> float:
    """Largest geometric concentration of a fixed collector: (NA / sin(half_angle))^2; of a linear one NA^2 / (sin a sin b).

    other_half_angle_deg   of a linear collector, along it: 90 for one that accepts all of that plane

    A linear collector's accepted cone is an ellipse of half-axes sin a and sin b in direction cosines, of area pi sin a sin b.
    Below 1 the collector dilutes light: a fibre of NA 0.22 behind an acceptance of +-20 degrees reaches 0.41.

    >>> round(largest_concentration(20.0, 0.22), 3), round(largest_concentration(30.0, 1.0, 90.0), 3)
    (0.414, 2.0)
    """
    first = math.sin(math.radians(half_angle_deg))
    other = first if other_half_angle_deg is None else math.sin(math.radians(other_half_angle_deg))
    return float(numerical_aperture**2 / (first * other))
