"""The season: solar longitude from the body's pole and orbit."""

from __future__ import annotations

import numpy as np

from yieldsim.base.clock import library_time
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.sky.apparent import orientation_of


def solar_longitude_deg(ephemeris: Ephemeris, body: Body, tdb_s: FloatArray) -> FloatArray:
    """Solar longitude Ls (n,), degrees in [0, 360): the Sun along its yearly path, from northward equinox.

        n = r x v of the body about the Sun,  x = pole x n,  y = n x x,  Ls = atan2(s . y, s . x)

    with s the apparent Sun from the body's centre (light time and aberration), n the instantaneous orbit. For
    the Moon the orbit and s are the Earth-Moon barycentre's, so that Ls doesn't swing with the month. Against
    the analytic recipe of Allison & McEwen 2000 for Mars it differs by up to 0.011 deg (their planetary
    perturbations are few). Source: the construction is that of SPICE's LSPCN.
    """
    from skyfield.positionlib import Barycentric

    t = library_time(tdb_s)
    orbit = ephemeris.orbit.at(t)
    sun = ephemeris.sun.at(t)
    place, velocity = orbit.xyz.au - sun.xyz.au, orbit.velocity.au_per_d - sun.velocity.au_per_d
    observer = Barycentric(orbit.xyz.au, orbit.velocity.au_per_d, t, 0)
    seen = observer.observe(ephemeris.sun).apparent(deflectors=()).xyz.au
    pole = np.asarray(orientation_of(ephemeris, body).rotation_at(t))[2]
    normal = np.cross(place, velocity, axis=0)
    normal = normal / np.linalg.norm(normal, axis=0)
    equinox = np.cross(pole, normal, axis=0)
    quarter = np.cross(normal, equinox, axis=0)
    longitude = np.degrees(np.arctan2((seen * quarter).sum(axis=0), (seen * equinox).sum(axis=0))) % 360.0
    return np.where(longitude >= 360.0, 0.0, longitude)
