"""The season: solar longitude from the body's pole and orbit, and the year from a season back to the same one, by the ephemeris."""

from __future__ import annotations

import numpy as np

from yieldsim.base.clock import library_time
from yieldsim.base.constants import SECONDS_PER_DAY
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.sky.apparent import orientation_of

GAUSS_RAD_PER_DAY = 0.01720209895
"""Gaussian constant k: the Sun's gravity in au^1.5 per day (IAU 1976, exact)."""
CLOSE_DEG = 1e-6
MOST_STEPS = 12


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


def orbital_period_days(ephemeris: Ephemeris, tdb_s: float) -> float:
    """Days of the orbit about the Sun that the body's motion at a moment belongs to.

        1 / a = 2 / r - v^2 / k^2,   P = 2 pi a^1.5 / k

    Infinite where that orbit is not closed. Planets pull at it: the Earth's is up to some 0.3 % off its mean.
    """
    t = library_time(tdb_s)
    orbit, sun = ephemeris.orbit.at(t), ephemeris.sun.at(t)
    place, velocity = orbit.xyz.au - sun.xyz.au, orbit.velocity.au_per_d - sun.velocity.au_per_d
    inverse_au = 2.0 / float(np.linalg.norm(place)) - float(velocity @ velocity) / GAUSS_RAD_PER_DAY**2
    return float(2.0 * np.pi / GAUSS_RAD_PER_DAY / inverse_au**1.5) if inverse_au > 0.0 else float("inf")


def season_return_days(ephemeris: Ephemeris, body: Body, tdb_s: float, turns: int = 1) -> float:
    """Days from a moment until the Sun's longitude Ls is the same again, after so many turns: the body's tropical year.

    Newton's steps on Ls, to 1e-6 deg, a few seconds of a Martian year. The ephemeris must reach past that moment.
    """
    period_days = orbital_period_days(ephemeris, tdb_s)
    start_deg = float(solar_longitude_deg(ephemeris, body, np.array([tdb_s]))[0])
    days = turns * period_days
    for _ in range(MOST_STEPS):
        at = tdb_s + days * SECONDS_PER_DAY
        # the rate by the difference over a thousandth of an orbit
        pair = solar_longitude_deg(
            ephemeris, body, np.array([at - period_days * SECONDS_PER_DAY / 1000.0, at])
        )
        off_deg = (float(pair[1]) - start_deg + 180.0) % 360.0 - 180.0
        if abs(off_deg) < CLOSE_DEG:
            break
        rate = ((float(pair[1] - pair[0]) + 180.0) % 360.0 - 180.0) / (period_days / 1000.0)
        days -= off_deg / rate
    return days
