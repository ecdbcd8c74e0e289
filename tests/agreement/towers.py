"""Towers on the most lit ground near the south pole, one before the other: what they catch at most, by the direction of the Sun."""

from __future__ import annotations

from functools import cache

import numpy as np

from agreement.compare import ours
from agreement.polar_places import CELL_M, COARSE, MOON_RADIUS_M, NEAR_POLE_M, light
from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.numerics.vectors import FloatArray

TOWER_M = 20.0
AZIMUTHS_DEG = np.arange(0.0, 360.0, 5.0)


@cache
def caught_mw(least_lit: float) -> FloatArray:
    """Sunlight on walls of towers that fill every cell lit longer than that, 20 m above ground, by the Sun's azimuth, MW.

    The Sun stands on the horizon: of cells in one line with it only what rises above those before it counts, heights fallen off by the
    Moon's curvature. Ground that is no tower's hides nothing, and no light is lost.
    """
    window = (-NEAR_POLE_M, -NEAR_POLE_M, NEAR_POLE_M, NEAR_POLE_M)
    ds = light(COARSE, "2010-01-01", 18.6, TOWER_M, window)
    x, y = np.meshgrid(ds.x.values, ds.y.values)
    lit = ds.lit_fraction.values > least_lit
    x, y = x[lit], y[lit]
    foot = ds.elevation_m.values.astype(float)[lit] - (x**2 + y**2) / (2.0 * MOON_RADIUS_M)
    found = []
    for azimuth in np.radians(AZIMUTHS_DEG):
        lane = np.floor((x * np.cos(azimuth) - y * np.sin(azimuth)) / CELL_M).astype(int)
        order = np.lexsort((foot, lane))
        # walls of one height, by their feet: each adds its own, less where the next lower one of the lane reaches above its foot
        step = np.where(
            np.diff(lane[order], prepend=lane[order[0]] - 1) > 0,
            np.inf,
            np.diff(foot[order], prepend=-np.inf),
        )
        found.append(float(np.minimum(step, TOWER_M).sum()) * CELL_M * SOLAR_IRRADIANCE_1AU_W_M2 / 1e6)
    return np.array(found)


@ours("ross2021-70", slow=True, files=COARSE)
def lit_over_70() -> float:
    return float(caught_mw(0.7).mean())


@ours("ross2021-90", slow=True, files=COARSE)
def lit_over_90() -> float:
    return float(caught_mw(0.9).mean())


@ours("ross2021-day", slow=True, files=COARSE)
def through_a_day() -> tuple[float, str]:
    most, least = caught_mw(0.7).max(), caught_mw(0.7).min()
    rare = caught_mw(0.9).max() / caught_mw(0.9).min()
    return float(most / least), f"places lit over 70 % of the time; over 90 %: {rare:.2f}"
