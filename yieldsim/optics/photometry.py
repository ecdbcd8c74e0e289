"""Delivered light in the units of lamps and of plants: lumens and photosynthetic photons per watt of it.

Above the atmosphere sunlight carries 97.80 lm and 1.7730 umol of 400-700 nm photons per watt of its whole
1361 W/m2. (The common 105 lm/W and 2.0 umol/J are for daylight at the Earth's surface.) A fibre whose
attenuation depends on wavelength changes both, computed band by band with the measured spectrum.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from yieldsim.base.constants import PLANCK_J_S, SPEED_OF_LIGHT_KM_S
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.solar_spectrum import band_weights

SUNLIGHT_LM_PER_W: Final = 97.80
"""Luminous efficacy of extraterrestrial sunlight, derived: extraterrestrial column of ASTM G173-03 with the
CIE 1924 photopic observer and 683.002 lm/W, over 1361 W/m2. Terrien & Desvignes, La photometrie, p. 34, give
96.1 lm/W (1.96e9 cd/m2 over 2.04e7 W/m2/sr)."""

SUNLIGHT_UMOL_PER_J: Final = 1.7730
"""Photosynthetic photons (400-700 nm) per joule of all sunlight above the air, derived from that column too."""

GREATEST_EFFICACY_LM_PER_W: Final = 683.002
"""Of light at 540 THz in air, CIE 015 (683 lm/W by the SI's definition of the candela)."""

MOLE: Final = 6.02214076e23
"""Avogadro's number, exact (SI 2019)."""

PHOTOSYNTHETIC_NM: Final = (400.0, 700.0)
PHOTOPIC_STEP_NM: Final = 10.0
PHOTOPIC_FIRST_NM: Final = 380.0
PHOTOPIC: Final = (
    0.000039, 0.00012, 0.000396, 0.00121, 0.0040, 0.0116, 0.023, 0.038, 0.060, 0.09098, 0.13902, 0.20802,
    0.323, 0.503, 0.710, 0.862, 0.954, 0.99495, 0.995, 0.952, 0.870, 0.757, 0.631, 0.503, 0.381, 0.265, 0.175,
    0.107, 0.061, 0.032, 0.017, 0.00821, 0.004102, 0.002091, 0.001047, 0.00052, 0.0002492, 0.00012, 0.00006,
    0.00003, 0.00001499,
)  # fmt: skip
"""Luminous efficiency V of the CIE 1924 photopic observer, 380 to 780 nm by 10; linear between costs 1e-4."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightFigures:
    """What a watt of some light is worth to eyes and to plants."""

    luminous_efficacy_lm_per_w: float
    photon_yield_umol_per_j: float


SUNLIGHT: Final = LightFigures(
    luminous_efficacy_lm_per_w=SUNLIGHT_LM_PER_W, photon_yield_umol_per_j=SUNLIGHT_UMOL_PER_J
)


def photopic(wavelength_nm: FloatArray) -> FloatArray:
    """Luminous efficiency V, 0 outside 380-780 nm.

    >>> float(photopic(np.array([555.0])).round(3)[0])
    0.995
    """
    table_nm = PHOTOPIC_FIRST_NM + PHOTOPIC_STEP_NM * np.arange(len(PHOTOPIC))
    return np.asarray(np.interp(wavelength_nm, table_nm, PHOTOPIC, left=0.0, right=0.0))


def filtered_sunlight(edges_nm: FloatArray, transmittance: FloatArray) -> LightFigures:
    """Figures of extraterrestrial sunlight after a filter: lm and umol per watt that comes through.

    edges_nm        (n + 1,)  bands, increasing; light outside them is lost
    transmittance   (n,)      of each band

        efficacy = 683.002 lm/W sum V w T / sum w T
        yield    = sum over 400-700 nm of (lambda / h c N) w T / sum w T
    """
    middle_nm = (edges_nm[1:] + edges_nm[:-1]) / 2.0
    power = band_weights(edges_nm) * transmittance
    total = float(power.sum())
    if total <= 0.0:
        return LightFigures(luminous_efficacy_lm_per_w=0.0, photon_yield_umol_per_j=0.0)
    umol_per_j = middle_nm * 1e-9 / (PLANCK_J_S * SPEED_OF_LIGHT_KM_S * 1e3 * MOLE) * 1e6
    low, high = PHOTOSYNTHETIC_NM
    inside = np.clip(np.minimum(edges_nm[1:], high) - np.maximum(edges_nm[:-1], low), 0.0, None) / np.diff(
        edges_nm
    )
    return LightFigures(
        luminous_efficacy_lm_per_w=GREATEST_EFFICACY_LM_PER_W
        * float((photopic(middle_nm) * power).sum())
        / total,
        photon_yield_umol_per_j=float((umol_per_j * inside * power).sum()) / total,
    )
