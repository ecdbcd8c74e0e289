"""Our Mars where others published theirs: air, beam, dust."""

from __future__ import annotations

from typing import Literal

import numpy as np

from agreement.compare import ours
from agreement.published import columns, half_digit, table
from agreement.worlds import seconds, world
from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.model import Dust
from yieldsim.energy.soiling import clean_fraction
from yieldsim.sky.atmosphere import air_mass, beam_transmittance
from yieldsim.sky.sun_track import prepare_track

MARS_RADIUS_KM = 3389.5
SCALE_HEIGHTS = {"height_11_56_km": 11.56, "height_10_8_km": 10.8}


@ours("mars-air-mass")
def mars_air_mass() -> float:
    """Largest difference in units of the last printed digit."""
    worst = 0.0
    for row in table("mars_air_mass.csv"):
        for column, height_km in SCALE_HEIGHTS.items():
            found = float(air_mass(90.0 - float(row["zenith_deg"]), height_km, MARS_RADIUS_KM))
            worst = max(worst, abs(found - float(row[column])) / (2.0 * half_digit(row[column])))
    return worst


@ours("mars-beam")
def mars_beam() -> float:
    worst = 0.0
    for name, given in columns("mars_beam.csv").items():
        if name == "optical_depth":
            continue
        mass = 1.0 / np.cos(np.radians(float(name.split("_")[1])))
        found = 590.0 * beam_transmittance(columns("mars_beam.csv")["optical_depth"], mass)
        worst = max(worst, float(np.abs(found - given).max()))
    return worst


@ours("mars-mean-beam")
def mars_mean_beam() -> float:
    """1361 W/m2 over the square of the semi-major axis, the mean of the least and largest distance of a Martian year."""
    body, ephemeris = world("mars")
    tdb_s = seconds("2005-01-01") + np.arange(0.0, 687.0, 0.25) * 86_400.0
    _, _, distance = prepare_track(ephemeris, body, 0.0, 0.0, 0.0, tdb_s[0], tdb_s[-1]).directions(tdb_s)
    return float(SOLAR_IRRADIANCE_1AU_W_M2 / (0.5 * (distance.min() + distance.max())) ** 2)


def passed(model: Literal["exponential", "linear"], sols: float) -> float:
    """Light that passes after sols of 0.28 %."""
    return float(clean_fraction(Dust(loss_per_day=0.0028, model=model), np.array([sols]))[0])


for _sols in (30, 90):
    ours(f"mars-dust-compound-{_sols}")(lambda sols=_sols: passed("exponential", float(sols)))
    ours(f"mars-dust-linear-{_sols}")(lambda sols=_sols: passed("linear", float(sols)))
