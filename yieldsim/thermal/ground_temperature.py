"""How warm the ground is through a run: one number, a table by local time, or soil under the site's own Sun."""

from __future__ import annotations

import numpy as np

from yieldsim.base.constants import HOURS_PER_DAY
from yieldsim.base.numerics.interpolation import linear
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.thermal_model import Ground, GroundTable


def ground_temperature_k(
    ground: Ground,
    local_true_solar_time_hours: FloatArray,
    solar_elevation_deg: FloatArray,
    beam_w_m2: FloatArray,
    row_s: float,
    solar_day_s: float,
    past: int,
) -> FloatArray:
    """Of the ground in each row, (rows,).

    past   rows at the start that stand for the time before
    """
    if isinstance(ground.temperature, GroundTable):
        table = ground.temperature
        hours, kelvin = table.local_true_solar_time_hours, table.temperature_k
        if hours[-1] - hours[0] == HOURS_PER_DAY:
            hours, kelvin = hours[:-1], kelvin[:-1]
        return linear(local_true_solar_time_hours, hours, kelvin, outside="periodic", period=HOURS_PER_DAY)
    if ground.temperature is not None:
        return np.full(len(beam_w_m2), ground.temperature)
    from yieldsim.thermal.regolith import albedo_fraction, surface_temperature_k

    level = np.maximum(np.sin(np.radians(solar_elevation_deg)), 0.0)
    absorbed = beam_w_m2 * level * (1.0 - albedo_fraction(ground.reflectance, solar_elevation_deg))
    return surface_temperature_k(ground, absorbed, row_s, solar_day_s, past)
