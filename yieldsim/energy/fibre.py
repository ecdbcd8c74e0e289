"""The fibre's factors: attenuation constant or by wavelength, two end faces, darkening over the years."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.constants import DAYS_PER_YEAR, SECONDS_PER_DAY
from yieldsim.base.model import AttenuationTable, Fibre
from yieldsim.base.numerics.interpolation import linear
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.accepted_spectrum import SUNLIGHT, LightSpectrum

SPECTRAL_BANDS = 2000


def attenuation_transmittance(attenuation_db: ArrayLike) -> FloatArray:
    """Share of the light left after a loss in decibels: 10^(-dB / 10).

    >>> float(attenuation_transmittance(0.1).round(5))
    0.97724
    """
    return np.asarray(10.0 ** (-np.asarray(attenuation_db, dtype=np.float64) / 10.0))


def fibre_attenuation_fraction(fibre: Fibre, light: LightSpectrum = SUNLIGHT) -> float:
    """Transmittance of the fibre's length, averaged over the light that enters it where attenuation is a table.

    light   what the optics before it let through, by wavelength
    Light outside the table's wavelengths is counted as lost: a table says nothing of it, and glass carries little there.
    `spectrum_outside_fraction` tells how much that is.
    """
    if not isinstance(fibre.attenuation, AttenuationTable):
        return float(attenuation_transmittance(fibre.attenuation * fibre.length_m / 1000.0))
    edges, transmittance = transmittance_by_wavelength(fibre.length_m, fibre.attenuation, light)
    return float(np.sum(light.energy_shares(edges) * transmittance))


def transmittance_by_wavelength(
    length_m: float, table: AttenuationTable, light: LightSpectrum
) -> tuple[FloatArray, FloatArray]:
    """Edges (n + 1,) of narrow bands across a table of attenuation, in nm, and the transmittance (n,) of each."""
    even = np.linspace(table.wavelength_nm[0], table.wavelength_nm[-1], SPECTRAL_BANDS + 1)
    edges = light.between(np.union1d(even, table.wavelength_nm))
    middle = (edges[1:] + edges[:-1]) / 2.0
    loss_db_per_km = linear(middle, table.wavelength_nm, table.attenuation_db_per_km, outside="error")
    return edges, attenuation_transmittance(loss_db_per_km * length_m / 1000.0)


def spectrum_outside_fraction(fibre: Fibre, light: LightSpectrum = SUNLIGHT) -> float:
    """Share of the light at wavelengths outside the fibre's attenuation table; 0 for a constant attenuation."""
    if not isinstance(fibre.attenuation, AttenuationTable):
        return 0.0
    edges = light.between(fibre.attenuation.wavelength_nm[[0, -1]])
    return float(1.0 - light.energy_shares(edges).sum())


def darkening_transmittance(fibre: Fibre, since_s: ArrayLike) -> FloatArray:
    """Further loss of a fibre that darkens steadily from the start of the run: rate * years * length, in dB.

    since_s   seconds since the fibre was new; a year is 365.25 days
    """
    years = np.asarray(since_s, dtype=np.float64) / (SECONDS_PER_DAY * DAYS_PER_YEAR)
    return attenuation_transmittance(fibre.darkening_db_per_km_per_year * years * fibre.length_m / 1000.0)


def fibre_ends_fraction(fibre: Fibre) -> float:
    """Two end faces that each reflect `end_reflection`: (1 - r)^2, light reflected back and forth neglected (r^2)."""
    return (1.0 - fibre.end_reflection) ** 2
