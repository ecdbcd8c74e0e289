"""Worlds with their kernels, opened once a process, and where the Sun is overhead on them."""

from __future__ import annotations

from functools import cache

import numpy as np
from skyfield.positionlib import Barycentric

from yieldsim.base.clock import library_time, tdb_seconds
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.sky.apparent import orientation_of


@cache
def world(name: str) -> tuple[Body, Ephemeris]:
    """A built-in body by name, with its ephemeris from 1990 to 2050."""
    body = read_body(name).noun
    start, end = tdb_seconds(np.array(["1990-01-01", "2050-01-01"], dtype="datetime64[ns]"))
    return body, open_ephemeris(body, float(start), float(end))


def seconds(text: str) -> float:
    """TDB seconds after J2000 of a UTC instant."""
    return float(tdb_seconds(np.datetime64(text)))


def subsolar_point_deg(ephemeris: Ephemeris, body: Body, tdb_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Planetocentric latitude and east longitude [0, 360) of the apparent Sun seen from the body's centre.

    Light time and the centre's aberration are in, as for the Sun's track.
    """
    t = library_time(tdb_s)
    centre = ephemeris.body.at(t)
    observer = Barycentric(centre.xyz.au, centre.velocity.au_per_d, t, 0)
    seen = observer.observe(ephemeris.sun).apparent(deflectors=()).xyz.au
    rotation = np.asarray(orientation_of(ephemeris, body).rotation_at(t))
    x, y, z = np.einsum("ij...,j...->i...", rotation, seen)
    return np.degrees(np.arctan2(z, np.hypot(x, y))), np.degrees(np.arctan2(y, x)) % 360.0
