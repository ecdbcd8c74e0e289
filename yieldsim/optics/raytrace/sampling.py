"""Quasi-random rays: a rank-1 lattice over aperture, Sun's disc, spectrum and tolerances, with random shifts.

Point i of N has coordinates frac(i z_j / N + shift_j). Each of the independent random shifts gives an
unbiased estimate of every mean, so their spread gives the statistical error; N a power of two, and doubling
N keeps the old points. Source of the method: J. Dick, F. Y. Kuo, I. H. Sloan, Acta Numerica 22, 133 (2013),
sections 3 and 5 (from memory). The generating vector is our own: component by component, the worst case
error in the weighted Sobolev space (weights 0.75^j), summed in logarithm over N = 2^9, 2^12, 2^15, least
among 400 random odd candidates.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.solar_spectrum import energy_below_fraction
from yieldsim.base.sun_disc import brightness

GENERATOR: Final = np.array(
    [1, 709309, 747295, 868273, 245243, 847307, 449883, 831763, 705115, 934659, 298551, 385933],
    dtype=np.int64,
)
DIMENSIONS: Final = len(GENERATOR)
"""0, 1 place on the aperture; 2, 3 on the Sun's disc; 4 wavelength; 5 azimuth of the Sun about the axis; 6,
7 lateral and 8 axial misplacement; 10, 11 slope error of the lens."""

WAVELENGTHS: Final = 64
"""Wavelengths traced, each standing for an equal share of the sunlight in the band."""


def random_shifts(count: int, seed: int) -> FloatArray:
    """Shifts (count, DIMENSIONS) in [0, 1)."""
    return np.random.default_rng(seed).random((count, DIMENSIONS))


def equal_energy_wavelengths(shortest_nm: float, longest_nm: float) -> tuple[FloatArray, float]:
    """Wavelengths (WAVELENGTHS,) in the middle, by energy, of equal shares of the band, and the band's
    share of all.

    >>> wavelengths, share = equal_energy_wavelengths(250.0, 4000.0)
    >>> round(share, 3), round(float(wavelengths[32]))
    (0.993, 737)
    """
    low, high = energy_below_fraction([shortest_nm, longest_nm])
    grid = np.geomspace(shortest_nm, longest_nm, 4001)
    wanted = low + (high - low) * (np.arange(WAVELENGTHS) + 0.5) / WAVELENGTHS
    return np.interp(wanted, energy_below_fraction(grid), grid), float(high - low)


@cache
def disc_radius_table() -> NDArray[np.float64]:
    """Radius on the Sun's disc, in disc radii, at 257 even shares of its light: the inverse of the radial
    sum."""
    radius = np.linspace(0.0, 1.0, 4001)
    light = brightness(np.sqrt(np.maximum(0.0, 1.0 - radius**2))) * radius
    inside = np.concatenate([[0.0], np.cumsum((light[1:] + light[:-1]) / 2.0)])
    table = np.interp(np.linspace(0.0, 1.0, 257), inside / inside[-1], radius)
    table.setflags(write=False)
    return table
