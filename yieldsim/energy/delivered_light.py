"""What the light at the fibre's end is worth to eyes and plants: sunlight's figures, changed by the fibre."""

from __future__ import annotations

import numpy as np

from yieldsim.base.model import AttenuationTable, Fibre
from yieldsim.base.numerics.interpolation import linear
from yieldsim.energy.fibre import SPECTRAL_BANDS, attenuation_transmittance
from yieldsim.optics.photometry import SUNLIGHT, LightFigures, filtered_sunlight


def delivered_light(fibre: Fibre | None) -> LightFigures:
    """Lumens and photosynthetic photons per watt delivered.

    Without a fibre, or with one attenuation for all wavelengths, those of extraterrestrial sunlight. Neglects what
    air, lens and film do to the spectrum: Mars' dust reddens the direct beam by a few per cent of either figure.
    """
    if fibre is None or not isinstance(fibre.attenuation, AttenuationTable):
        return SUNLIGHT
    table = fibre.attenuation
    edges = np.linspace(table.wavelength_nm[0], table.wavelength_nm[-1], SPECTRAL_BANDS + 1)
    middle = (edges[1:] + edges[:-1]) / 2.0
    loss_db = (
        linear(middle, table.wavelength_nm, table.attenuation_db_per_km, outside="error")
        * fibre.length_m
        / 1000.0
    )
    return filtered_sunlight(edges, attenuation_transmittance(loss_db))
