"""Optics and fibre by wavelength together: what a fibre keeps depends on the colours that the optics let through, angle by angle.

    F(angle) = sum w_b A_b(angle) T_b / A(angle)

with w_b the share of sunlight in band b, A_b its acceptance, T_b the fibre's transmittance in it and A the acceptance of all
sunlight. Where one number has to stand for the fibre it is F_ref, its mean over the acceptance, and energies are computed with the
table A F / F_ref, so that the product is exact for every direction. The chain of losses has A and F themselves.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from yieldsim.base.model import Acceptance, AttenuationTable, Collector, Fibre
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.solar_spectrum import band_weights
from yieldsim.energy.fibre import fibre_attenuation_fraction, transmittance_by_wavelength
from yieldsim.optics.accepted_spectrum import SUNLIGHT, LightSpectrum, accepted_spectrum

NO_LIGHT = 1e-6
"""Of the accepted light: bands that leave less of it out leave nothing but rounding."""


def energy_acceptance(collector: Collector) -> Acceptance:
    """The acceptance table that energies are computed with; the collector's own where nothing depends on wavelength."""
    return _together(collector.acceptance_table, collector.fibre)[0]


def attenuation_fraction(collector: Collector) -> float:
    """F_ref: what the fibre's length keeps of the light in it, new; 1 without a fibre."""
    return _together(collector.acceptance_table, collector.fibre)[1]


@lru_cache(maxsize=16)  # tables are frozen; a run asks block by block
def _together(table: Acceptance, fibre: Fibre | None) -> tuple[Acceptance, float]:
    if fibre is None:
        return table, 1.0
    light = accepted_spectrum(table)
    mean = fibre_attenuation_fraction(fibre, light)
    kept = band_transmittance(table, fibre)
    if table.bands is None or kept is None or mean <= 0.0:
        return table, mean
    weights = np.array([float(band_weights(ends)[0]) for ends in table.bands.wavelength_nm])
    through = np.tensordot(weights * kept, table.bands.acceptance_fraction, axes=1)
    # sunlight outside the bands: what they leave of the whole, kept as it is in the mean
    levels = weights * _band_levels(light, table.bands.wavelength_nm)
    outside = 1.0 - float(levels.sum())
    if outside > NO_LIGHT:
        rest = table.acceptance_fraction - np.tensordot(weights, table.bands.acceptance_fraction, axes=1)
        through = through + max(0.0, mean - float((levels * kept).sum())) / outside * np.maximum(rest, 0.0)
    # bands may round above the whole: a fibre gives back no more than it takes
    through = np.minimum(through, table.acceptance_fraction)
    reference = max(mean, float(through.max()))
    return replace(table, acceptance_fraction=through / reference, bands=None), reference


def band_transmittance(table: Acceptance, fibre: Fibre | None) -> FloatArray | None:
    """Mean transmittance (bands,) of the fibre's length in each band of a table; None where either has no colour."""
    if fibre is None or table.bands is None or not isinstance(fibre.attenuation, AttenuationTable):
        return None
    edges, transmittance = transmittance_by_wavelength(
        fibre.length_m,
        fibre.attenuation,
        LightSpectrum(edges_nm=np.unique(table.bands.wavelength_nm), level=SUNLIGHT.level),
    )
    power, middle = band_weights(edges) * transmittance, 0.5 * (edges[1:] + edges[:-1])
    return np.array(
        [
            power[(middle > low) & (middle < high)].sum() / float(band_weights([low, high])[0])
            for low, high in table.bands.wavelength_nm
        ]
    )


def _band_levels(light: LightSpectrum, ends_nm: FloatArray) -> FloatArray:
    """Level of a light in each band."""
    return light.levels(ends_nm.ravel())[::2]
