"""Sunlight by wavelength: a blackbody at the Sun's nominal effective temperature, 5772 K, as weights that sum to its whole energy.

No measured air-mass-zero table is bundled. Against one (ASTM G173 extraterrestrial column) the blackbody has 36.6 % of its energy in
400-700 nm where the table has 38.9 %; fibre losses that vary slowly with wavelength feel little of that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.constants import BOLTZMANN_J_K, PLANCK_J_S, SOLAR_TEMPERATURE_K, SPEED_OF_LIGHT_KM_S
from yieldsim.base.vectors import FloatArray


def energy_below_fraction(wavelength_nm: ArrayLike) -> FloatArray:
    """Share of a 5772 K blackbody's energy at wavelengths shorter than the given ones.

        F = 15/pi^4 sum_{n=1..} exp(-n z) (z^3/n + 3 z^2/n^2 + 6 z/n^3 + 6/n^4),   z = h c / (lambda k T)

    Source: S. L. Chang, K. T. Rhee, Int. Commun. Heat Mass Transfer 11, 451 (1984), eq. 3 (from memory); the tests integrate
    Planck's law. Sixty terms leave out 1.4e-6 at most.

    >>> float((energy_below_fraction(700.0) - energy_below_fraction(400.0)).round(3))
    0.366
    """
    wavelength_m = np.asarray(wavelength_nm, dtype=np.float64)[..., None] * 1e-9
    z = PLANCK_J_S * SPEED_OF_LIGHT_KM_S * 1e3 / (wavelength_m * BOLTZMANN_J_K * SOLAR_TEMPERATURE_K)
    n = np.arange(1.0, 61.0)
    series = np.exp(-n * z) * (z**3 / n + 3.0 * z**2 / n**2 + 6.0 * z / n**3 + 6.0 / n**4)
    return np.asarray(15.0 / np.pi**4 * series.sum(axis=-1))


def band_weights(edges_nm: ArrayLike) -> FloatArray:
    """Energy shares (n - 1,) of the bands between increasing edges (n,); they sum to the share between the ends."""
    return np.diff(energy_below_fraction(edges_nm))
