"""Our light and shadow where the only terrain at hand is coarse: the Moon's north, and shadow to ten degrees from the poles."""

from __future__ import annotations

from functools import cache

import numpy as np
import xarray as xr

from agreement.compare import ours
from agreement.polar_places import CELL_M, MOON_RADIUS_M, light
from agreement.terrain import FAR, MOON, POLE

PIXEL_M = 7580.84
"""Of the whole Moon's grid, four to a degree, in longitude and latitude about 180 E."""
PER_DEG = 4
WIDE_M, HIGH_M = 720 * PIXEL_M, 360 * PIXEL_M
CYCLE_YEARS = 18.6
POLE_HALF_M = 768 * CELL_M
"""Half the side of the square of 240 m cells."""
SHADOW_STRIDE = 8


def north_of(latitude_deg: int) -> tuple[float, float, float, float]:
    """Window of the whole Moon's grid."""
    return (-WIDE_M, latitude_deg * PER_DEG * PIXEL_M, WIDE_M, HIGH_M)


@cache
def northern_light(start: str, years: float) -> xr.Dataset:
    """Within five degrees of the north pole, at ground level."""
    return light((MOON,), start, years, 0.0, north_of(85))


@ours("noda2008-north", slow=True, files=(MOON,))
def noda_north() -> tuple[float, str]:
    ds = northern_light("2000-01-01", 1.0)
    return 100.0 * float(
        ds.any_light_fraction.max()
    ), f"{100.0 * float(ds.lit_fraction.max()):.1f} % by share of the disc"


@ours("glaser2018-whipple", slow=True, files=(MOON,))
def glaser_whipple() -> float:
    return 100.0 * float(northern_light("2017-01-01", 20.0).lit_fraction.max())


@ours("mazarico2011-north", slow=True, files=(MOON,))
def northern_shadow() -> float:
    """Area never lit, km2."""
    ds = light((MOON,), "2010-01-01", CYCLE_YEARS, 0.0, north_of(80))
    latitude = np.radians(ds.y.values / PIXEL_M / PER_DEG)
    cell_km2 = (np.radians(1.0 / PER_DEG) * MOON_RADIUS_M / 1000.0) ** 2 * np.cos(latitude)
    return float((np.nan_to_num(ds.never_lit_fraction.values) * cell_km2[:, None]).sum())


def true_km2(ds: xr.Dataset, cell_m: float) -> np.ndarray:
    """Area on the ground of each cell of a polar map, which draws what lies away from the pole too large."""
    x, y = np.meshgrid(ds.x.values, ds.y.values)
    return np.asarray((1.0 + (x**2 + y**2) / (4.0 * MOON_RADIUS_M**2)) ** -2 * (cell_m / 1000.0) ** 2)


@ours("mazarico2011-south", slow=True, files=(POLE, FAR, MOON))
def southern_shadow() -> tuple[float, str]:
    """Area never lit, km2.

    In the square of 240 m cells from every SHADOW_STRIDE-th of them. Around it to 80 S from cells of 1787 m, which smooth small
    craters away: as much is added as they miss in the square, where both are at hand.
    """
    ds = light((POLE, FAR, MOON), "2010-01-01", CYCLE_YEARS, 0.0, None, SHADOW_STRIDE)
    inside = float(np.nansum(ds.never_lit_fraction.values * true_km2(ds, SHADOW_STRIDE * CELL_M)))
    ds = light((FAR, MOON), "2010-01-01", CYCLE_YEARS, 0.0, None)
    x, y = np.meshgrid(ds.x.values, ds.y.values)
    colatitude = np.degrees(2.0 * np.arctan(np.hypot(x, y) / (2.0 * MOON_RADIUS_M)))
    square = np.maximum(np.abs(x), np.abs(y)) <= POLE_HALF_M
    never = np.nan_to_num(ds.never_lit_fraction.values) * true_km2(ds, float(abs(ds.x[1] - ds.x[0])))
    around, coarse = float(never[~square & (colatitude <= 10.0)].sum()), float(never[square].sum())
    return inside + around * inside / coarse, (
        f"{inside:.0f} km2 of it in the square of 240 m cells, where 1787 m cells find {coarse:.0f}; around they find {around:.0f}"
    )
