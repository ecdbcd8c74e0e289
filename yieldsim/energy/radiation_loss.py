"""What radiation takes from fibre and lens: attenuation by a power of the dose, transmittance by the dose.

    A(D) = (1 - h) a D^b                     dB/km: h the share that heals, D in gray
    A(D) = S [1 - exp(-(1 - h) a D^b / S)]   where it saturates at S
    T(D) = (1 - l)^(D / kGy)                 of the lens

A power law is what measured attenuations of silica fibres follow over decades of dose (E. J. Friebele, M. E. Gingerich & D. L.
Griscom, Survivability of optical fibers in space, Proc. SPIE 1791, 177-188, 1993, from memory; b from 0.3 to 1, 1 for fibres with
phosphorus). Two measured ones: a silica multimode fibre at 1310 nm, 19.68 dB/km at 1e4 rad and 79.70 at 1e5 (R. Hou et al., Lasers
in Eng. 20, 55-63, 2010, abstract), so b = 0.607 and a = 1.20; phosphorus-doped, 140 dB/km a gray at 638 nm (LUMINA, PMC11398002).
Silicon on the Moon's surface takes 13.2 microgray an hour of cosmic rays, 0.116 Gy a year (S. Zhang et al., Sci. Adv. 6, eaaz1334,
2020), solar storms not in it. As a rule (from memory) slow doses heal while they add up, so that laws of fast irradiation are on
the safe side; light bleaches, which is not in them either.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.constants import DAYS_PER_YEAR, SECONDS_PER_DAY
from yieldsim.base.model import Collector
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.radiation_model import Radiation

GRAY_PER_KGY = 1000.0


def years_since(since_s: ArrayLike) -> FloatArray:
    """Years of 365.25 days in so many seconds."""
    return np.asarray(since_s, dtype=np.float64) / (SECONDS_PER_DAY * DAYS_PER_YEAR)


def fibre_dose_gy(radiation: Radiation, since_s: ArrayLike) -> FloatArray:
    """Dose of the fibre so long after the start of the run; none before there was any."""
    return np.maximum(radiation.start_dose_gy + radiation.dose_gy_per_year * years_since(since_s), 0.0)


def lens_dose_gy(radiation: Radiation, since_s: ArrayLike) -> FloatArray:
    """Dose of the lens."""
    rate = radiation.lens_dose_gy_per_year
    rate = radiation.dose_gy_per_year if rate is None else rate
    return np.maximum(radiation.lens_start_dose_gy + rate * years_since(since_s), 0.0)


def induced_db_per_km(radiation: Radiation, dose_gy: ArrayLike) -> FloatArray:
    """Attenuation that a dose has added to the fibre's."""
    dose = np.asarray(dose_gy, dtype=np.float64)
    grown = (
        (1.0 - radiation.fibre_recovered_fraction)
        * radiation.fibre_db_per_km
        * dose**radiation.fibre_exponent
    )
    most = radiation.fibre_saturation_db_per_km
    return np.asarray(grown if most is None else -most * np.expm1(-grown / most))


def fibre_left(collector: Collector, since_s: ArrayLike) -> FloatArray:
    """Share of the light that the dose leaves in the fibre; ones without fibre or dose."""
    radiation, fibre = collector.radiation, collector.fibre
    if radiation is None or fibre is None:
        return np.ones_like(np.asarray(since_s, dtype=np.float64))
    loss_db = induced_db_per_km(radiation, fibre_dose_gy(radiation, since_s)) * fibre.length_m / 1000.0
    return np.asarray(10.0 ** (-loss_db / 10.0))


def lens_left(collector: Collector, since_s: ArrayLike) -> FloatArray:
    """Share of the light that the dose leaves in the lens; ones without dose."""
    if collector.radiation is None:
        return np.ones_like(np.asarray(since_s, dtype=np.float64))
    loss, dose = collector.radiation.lens_loss_per_kgy, lens_dose_gy(collector.radiation, since_s)
    return np.asarray((1.0 - loss) ** (dose / GRAY_PER_KGY))


def darkens_lens(collector: Collector) -> bool:
    """Whether the lens loses anything by dose."""
    return collector.radiation is not None and collector.radiation.lens_loss_per_kgy > 0.0


def scaled(collector: Collector, factor: float) -> Collector:
    """The collector under so many times the dose, what it had before included."""
    from dataclasses import replace

    old = collector.radiation
    if old is None or factor == 1.0:
        return collector
    lens = old.lens_dose_gy_per_year
    return replace(
        collector,
        radiation=replace(
            old,
            dose_gy_per_year=old.dose_gy_per_year * factor,
            start_dose_gy=old.start_dose_gy * factor,
            lens_dose_gy_per_year=None if lens is None else lens * factor,
            lens_start_dose_gy=old.lens_start_dose_gy * factor,
        ),
    )
