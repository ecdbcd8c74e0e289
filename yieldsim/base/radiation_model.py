"""The frozen noun of radiation: dose by the year and what it takes from fibre and lens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from yieldsim.base.ranges import Range

Dose = Annotated[float, Range(0.0, 1.0e9)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Radiation:
    """Doses are absorbed ones of the glass, in gray.

    dose_gy_per_year           of the fibre, behind what shields it
    start_dose_gy              what the fibre has had when the run begins, tests before launch included
    fibre_db_per_km            attenuation that the first gray adds
    fibre_exponent             power of the dose with which it grows
    fibre_saturation_db_per_km what it tends to; None: it goes on growing
    fibre_recovered_fraction   share of it that heals at the temperature of service
    lens_dose_gy_per_year      of the lens, which is less shielded; None: the fibre's
    lens_start_dose_gy         as of the fibre
    lens_loss_per_kgy          share of the lens's transmittance lost with each kilogray, compounding
    """

    dose_gy_per_year: Dose
    start_dose_gy: Dose = 0.0
    fibre_db_per_km: Annotated[float, Range(0.0, 1.0e6)] = 0.0
    fibre_exponent: Annotated[float, Range(above=0.0, high=2.0)] = 1.0
    fibre_saturation_db_per_km: Annotated[float, Range(above=0.0, high=1.0e6)] | None = None
    fibre_recovered_fraction: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    lens_dose_gy_per_year: Dose | None = None
    lens_start_dose_gy: Dose = 0.0
    lens_loss_per_kgy: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
