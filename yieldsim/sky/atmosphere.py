"""What air leaves of the direct beam: optical depth, air mass along a spherical shell, transmittance.

Only the direct beam is counted: light that the air or its dust scatters can't be concentrated and is lost.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from yieldsim.base.dataset import add_all
from yieldsim.base.errors import refusal
from yieldsim.base.model import Body, OpticalDepthTable, Site
from yieldsim.base.numerics.interpolation import linear
from yieldsim.base.numerics.vectors import FloatArray

LOWEST_ELEVATION_DEG = -10.0
"""Below this the air mass is held; no horizon lies so deep, so the Sun is out of sight there."""
TABLE_STEP_DEG = 0.01
PATH_NODES = 96
TOP_SCALE_HEIGHTS = 40.0
"""Where the path is cut: exp(-40) of the density is left."""


def air_mass(elevation_deg: ArrayLike, scale_height_km: float, radius_km: float) -> FloatArray:
    """Path through an exponential atmosphere around a sphere over the vertical path: 1 at the zenith.

        m = (1 / H) integral of exp(-(r - R) / H) ds,   r(s)^2 = R^2 + 2 R s sin(elevation) + s^2

    elevation_deg   of the Sun; slightly below 0 (a mast, a ridge) the ray first dips through denser air;
                    below -10 deg the value at -10 deg is held
    At elevation 0 this is X e^X K1(X), X = R / H. Read off a table of its logarithm: 2e-6 of the value.
    Neglects refraction (at the horizon 0.004 deg on Mars, 0.6 on the Earth: derived) and the change of air
    mass across the Sun's disc.
    Source: the integral of S. Chapman, 1931, Proc. Phys. Soc. 43, 483 (from memory); checked by quadrature.

    >>> air_mass([90.0, 30.0, 0.0], 11.56, 3389.5).round(3)
    array([ 1.   ,  1.98 , 21.488])
    """
    grid_deg, logarithm = _air_mass_table(scale_height_km, radius_km)
    return np.asarray(np.exp(np.interp(np.asarray(elevation_deg, dtype=np.float64), grid_deg, logarithm)))


def air_mass_over(body: Body, elevation_deg: ArrayLike) -> FloatArray:
    """The air mass over a body that has an atmosphere, as over a sphere of its mean radius."""
    assert body.atmosphere_scale_height_km is not None
    return air_mass(elevation_deg, body.atmosphere_scale_height_km, body.mean_radius_km)


@cache
def _air_mass_table(scale_height_km: float, radius_km: float) -> tuple[FloatArray, FloatArray]:
    """Elevations and the logarithm of the air mass, by Gauss-Legendre quadrature along the ray."""
    steps = round((90.0 - LOWEST_ELEVATION_DEG) / TABLE_STEP_DEG)
    grid_deg = np.linspace(LOWEST_ELEVATION_DEG, 90.0, steps + 1)
    radii = radius_km / scale_height_km
    climb = radii * np.sin(np.radians(grid_deg))
    length = np.sqrt(climb**2 + TOP_SCALE_HEIGHTS * (2.0 * radii + TOP_SCALE_HEIGHTS)) - climb
    nodes, weights = np.polynomial.legendre.leggauss(PATH_NODES)
    mass = np.zeros_like(grid_deg)
    for node, weight in zip(nodes, weights, strict=True):
        path = length * (node + 1.0) / 2.0
        square = path * (path + 2.0 * climb)
        height = square / (np.sqrt(radii**2 + square) + radii)
        mass += weight * np.exp(-height)
    return grid_deg, np.log(mass * length / 2.0)


def beam_transmittance(optical_depth: ArrayLike, mass: ArrayLike) -> FloatArray:
    """Share of the direct beam that is left: exp(-optical_depth * air mass), Beer's law.

    Source: Appelbaum & Flood 1990, NASA TM-102299, with the air mass of a shell in place of 1 / cos z.

    >>> float(beam_transmittance(0.5, 2.0).round(4))
    0.3679
    """
    depth = np.asarray(optical_depth, dtype=np.float64)
    return np.exp(-depth * np.asarray(mass, dtype=np.float64))


def optical_depth_at(
    given: float | OpticalDepthTable, tdb_s: FloatArray, solar_longitude_deg: FloatArray
) -> FloatArray:
    """Vertical optical depth (n,): constant, or by a table of solar longitude (wraps) or time (ends hold)."""
    if not isinstance(given, OpticalDepthTable):
        return np.full(tdb_s.shape, float(given))
    if given.against == "tdb_s":
        return linear(tdb_s, given.x, given.optical_depth, outside="hold")
    return linear(solar_longitude_deg, given.x, given.optical_depth, outside="periodic")


def optical_depth_warning(
    given: float | OpticalDepthTable | None, start_tdb_s: float, end_tdb_s: float
) -> str:
    """What to tell about a table by date that a run leaves; an empty string when all is well."""
    if not isinstance(given, OpticalDepthTable) or given.against != "tdb_s":
        return ""
    before = max(0.0, min(float(given.x[0]), end_tdb_s) - start_tdb_s) / 86_400.0
    after = max(0.0, end_tdb_s - max(float(given.x[-1]), start_tdb_s)) / 86_400.0
    if before + after == 0.0:
        return ""
    return (
        f"the table of optical depth does not cover {before + after:.1f} days of the run "
        f"({before:.1f} before its first row, {after:.1f} after its last); its end values are held there"
    )


def add_air(ds: xr.Dataset, site: Site, tdb_s: FloatArray) -> xr.Dataset:
    """Add optical_depth, air_mass and beam_transmittance to the Sun's track over a site that has air.

    Raises InputError when the site has an optical depth and its body no atmosphere, or the other way round.
    """
    body = site.body
    if site.optical_depth is None or body.atmosphere_scale_height_km is None:
        lacking = "no optical depth" if site.optical_depth is None else f"{body.name} has no atmosphere"
        raise refusal(site.name, "atmosphere.optical_depth", f"can't be used: {lacking}")
    depth = optical_depth_at(site.optical_depth, tdb_s, ds["solar_longitude_deg"].values)
    mass = air_mass_over(body, ds["solar_elevation_deg"].values)
    passed = beam_transmittance(depth, mass)
    return add_all(ds, {"optical_depth": depth, "air_mass": mass, "beam_transmittance": passed})
