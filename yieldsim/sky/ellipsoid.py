"""Places on a body's reference ellipsoid of revolution: position, local vertical, east-north-up axes.

How a site is placed: the foot point on the ellipsoid has the stated planetocentric latitude and east
longitude; the site lies above it, up the ellipsoid's normal, by its height. The site's own planetocentric
latitude then differs a little from the foot's: on Mars by at most 1.0e-4 deg per kilometre of height, on a
sphere not at all.

At a pole "north" is the meridian of the stated longitude, continued: the limit of walking north along it. At
latitude 90 and longitude L north points to the meridian L + 180, at latitude -90 to the meridian L itself;
azimuths count from there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.numerics.vectors import FloatArray


def planetographic_deg(planetocentric_deg: ArrayLike, equatorial_km: float, polar_km: float) -> FloatArray:
    """Latitude of the ellipsoid's normal at the surface point of a planetocentric latitude.

        tan(graphic) = (a / c)^2 tan(centric)

    Source: Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130:22, section 7, for the two latitudes; the
    formula follows from the gradient of x^2/a^2 + z^2/c^2.

    >>> float(planetographic_deg(45.0, 3396.19, 3376.20).round(4))
    45.3382
    """
    latitude = np.radians(np.asarray(planetocentric_deg, dtype=np.float64))
    return np.degrees(np.arctan2(equatorial_km**2 * np.sin(latitude), polar_km**2 * np.cos(latitude)))


def planetocentric_deg(planetographic_deg: ArrayLike, equatorial_km: float, polar_km: float) -> FloatArray:
    """Latitude of the surface point whose normal has a planetographic latitude; the other way round.

    >>> float(planetocentric_deg(planetographic_deg(-33.0, 3396.19, 3376.20), 3396.19, 3376.20).round(12))
    -33.0
    """
    latitude = np.radians(np.asarray(planetographic_deg, dtype=np.float64))
    return np.degrees(np.arctan2(polar_km**2 * np.sin(latitude), equatorial_km**2 * np.cos(latitude)))


def position_km(
    latitude_deg: float, longitude_deg: float, height_m: float, equatorial_km: float, polar_km: float
) -> FloatArray:
    """Body-fixed position (3,) of a site: foot point of its planetocentric latitude, then up the normal.

    radius of the foot = a c / sqrt((c cos)^2 + (a sin)^2)
    """
    latitude, longitude = np.radians([latitude_deg, longitude_deg])
    radius = (
        equatorial_km * polar_km / np.hypot(polar_km * np.cos(latitude), equatorial_km * np.sin(latitude))
    )
    level = np.cos(latitude)
    foot = radius * np.array([level * np.cos(longitude), level * np.sin(longitude), np.sin(latitude)])
    up = enu_axes_xyz(latitude_deg, longitude_deg, equatorial_km, polar_km)[2]
    return np.asarray(foot + up * height_m / 1000.0)


def enu_axes_xyz(
    latitude_deg: float, longitude_deg: float, equatorial_km: float, polar_km: float
) -> FloatArray:
    """East, north and up (the ellipsoid's normal) at a site: rows of a (3, 3) rotation from body-fixed axes.

    >>> enu_axes_xyz(-90.0, 90.0, 1737.4, 1737.4)[1].round(6) + 0.0
    array([0., 1., 0.])
    """
    latitude = np.radians(planetographic_deg(latitude_deg, equatorial_km, polar_km))
    longitude = np.radians(longitude_deg)
    sin_latitude, cos_latitude = np.sin(latitude), np.cos(latitude)
    sin_longitude, cos_longitude = np.sin(longitude), np.cos(longitude)
    return np.array(
        [
            [-sin_longitude, cos_longitude, 0.0],
            [-sin_latitude * cos_longitude, -sin_latitude * sin_longitude, cos_latitude],
            [cos_latitude * cos_longitude, cos_latitude * sin_longitude, sin_latitude],
        ]
    )
