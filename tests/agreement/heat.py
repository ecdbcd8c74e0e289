"""Our ground and shields where radiometers and textbooks have theirs, and a fibre's loss by dose."""

from __future__ import annotations

from functools import cache

import numpy as np

from agreement.compare import ours
from agreement.published import columns
from yieldsim.base.radiation_model import Radiation
from yieldsim.base.thermal_model import Ground, Insulation
from yieldsim.energy.radiation_loss import induced_db_per_km
from yieldsim.thermal.insulation import radiative_emittance
from yieldsim.thermal.regolith import albedo_fraction, surface_temperature_k

LUNATION_S = 29.530589 * 86400.0
ROWS = 708
"""Of a lunation: an hour each."""
FITTED = Radiation(dose_gy_per_year=0.0, fibre_db_per_km=1.2, fibre_exponent=0.607)
"""The demo's."""


@cache
def lunar_day(latitude_deg: float, rows: int = ROWS) -> tuple[np.ndarray, np.ndarray]:
    """Hours after noon and temperatures of level highland soil at equinox, in so many rows; a lunation has gone before."""
    hours = 24.0 * (np.arange(2 * rows) + 0.5) / rows
    height = np.cos(np.radians(latitude_deg)) * np.cos(2.0 * np.pi * hours / 24.0)
    elevation = np.degrees(np.arcsin(height))
    absorbed = 1361.0 * np.maximum(height, 0.0) * (1.0 - albedo_fraction(0.12, elevation))
    kelvin = surface_temperature_k(Ground(), absorbed, LUNATION_S / rows, LUNATION_S, 2 * rows)
    return hours[:rows], kelvin[rows:]


@ours("shields-20")
def shields_20() -> float:
    return radiative_emittance(Insulation(layer_count=20, cover_absorptance=0.4, cover_emittance=0.6), 0.03)


@ours("moon-noon")
def moon_noon() -> float:
    return float(lunar_day(0.0)[1].max())


@ours("moon-midnight")
def moon_midnight() -> float:
    return float(np.interp(12.0, *lunar_day(0.0)))


@ours("moon-before-dawn")
def moon_before_dawn() -> float:
    return float(lunar_day(0.0)[1].min())


@ours("moon-equator-mean")
def moon_equator_mean() -> float:
    return float(lunar_day(0.0)[1].mean())


@ours("diviner-nights")
def diviner_nights() -> float:
    seen, worst = columns("diviner_nights.csv"), 0.0
    for latitude_deg in np.unique(seen["latitude_deg"]):
        own = seen["latitude_deg"] == latitude_deg
        found = np.interp(seen["hours_after_noon"][own], *lunar_day(float(latitude_deg)))
        worst = max(worst, float(np.abs(found - seen["temperature_k"][own]).max()))
    return worst


@ours("hou-low")
def hou_low() -> float:
    return float(induced_db_per_km(FITTED, 100.0))


@ours("hou-high")
def hou_high() -> float:
    return float(induced_db_per_km(FITTED, 1000.0))
