"""Our polar day and night where Phoenix stood."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from agreement.compare import ours
from agreement.published import value
from agreement.worlds import seconds, world
from yieldsim.base.clock import utc_from_tdb
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.sky.ellipsoid import planetocentric_deg
from yieldsim.sky.sun_track import prepare_track

PHOENIX_DEG = (68.2, -125.7)
"""From memory to the tenth of a degree; planetographic."""
PHOENIX_LANDED = "2008-05-25T23:53"
STEP_S = 60.0
SOLS = 320


class Sols(NamedTuple):
    """The Sun from the midnight before landing on.

    centre_deg, radius_deg   height and radius of the disc by step
    midnight                 step of each true midnight; the first begins sol 0, that of the landing
    """

    centre_deg: FloatArray
    radius_deg: FloatArray
    midnight: np.ndarray


@cache
def sols() -> Sols:
    """By local true solar time."""
    body, ephemeris = world("mars")
    latitude = float(planetocentric_deg(PHOENIX_DEG[0], body.equatorial_radius_km, body.polar_radius_km))
    landed = seconds(PHOENIX_LANDED)
    tdb_s = landed + np.arange(-90_000.0, SOLS * 88_775.0, STEP_S)
    track = prepare_track(ephemeris, body, latitude, PHOENIX_DEG[1], 0.0, tdb_s[0], tdb_s[-1])
    ds = track.dataset(tdb_s, utc_from_tdb(tdb_s))
    midnight = np.flatnonzero(np.diff(ds["local_true_solar_time_hours"].values) < -12.0) + 1
    before = int(np.searchsorted(tdb_s[midnight], landed)) - 1
    return Sols(ds["solar_elevation_deg"].values, ds["sun_angular_radius_deg"].values, midnight[before:])


def hours_up(sol: int, radii: float) -> tuple[float, float]:
    """Hours of a sol for which the point so many radii above the disc's centre stands over a bare horizon, and all its hours."""
    sun = sols()
    part = slice(sun.midnight[sol], sun.midnight[sol + 1])
    up = sun.centre_deg[part] + radii * sun.radius_deg[part] > 0.0
    return float(up.sum()) * STEP_S / 3600.0, len(up) * STEP_S / 3600.0


def last_midnight_sun(radii: float) -> int:
    """The last sol from landing on through which that point stayed up."""
    return next(n for n in range(1, SOLS) if hours_up(n, radii)[0] < hours_up(n, radii)[1]) - 1


def first_night(radii: float) -> int:
    """The first sol on which that point does not rise."""
    return next(n for n in range(SOLS) if hours_up(n, radii)[0] == 0.0)


def night_minutes(sol: int, skyline_deg: float) -> float:
    """How long no part of the disc stands over a skyline of that height, about the midnight that begins a sol."""
    sun = sols()
    half = int(12.0 * 3600.0 / STEP_S)
    part = slice(sun.midnight[sol] - half, sun.midnight[sol] + half)
    return float((sun.centre_deg[part] + sun.radius_deg[part] < skyline_deg).sum()) * STEP_S / 60.0


TOP, CENTRE, BOTTOM = 1.0, 0.0, -1.0


@ours("phoenix-whole-sols")
def whole_sols() -> float:
    return last_midnight_sun(TOP)


@ours("phoenix-sol-124")
def sol_124() -> float:
    return hours_up(124, TOP)[0]


@ours("phoenix-night")
def night() -> tuple[float, str]:
    return first_night(TOP), f"the disc's centre stays down from sol {first_night(CENTRE)} on"


@ours("phoenix-first-set")
def first_set() -> tuple[float, str]:
    """First sol whose midnight is dark behind a skyline of the height that gives the night of sol 90."""
    given = value("phoenix-night-90")
    heights = np.arange(0.0, 2.0, 0.01)
    height = next(float(one) for one in heights if night_minutes(90, float(one)) >= given)
    found = next(n for n, _ in enumerate(sols().midnight[1:], start=1) if night_minutes(n, height) > 0.0)
    return (
        found,
        f"that skyline is {height:.2f} deg high; over a bare one the Sun first sets on sol {last_midnight_sun(TOP) + 1}",
    )


@ours("phoenix-derived-hours")
def derived_hours() -> float:
    return hours_up(124, CENTRE)[0]


@ours("phoenix-derived-end")
def derived_end() -> float:
    return 0.5 * (last_midnight_sun(TOP) + last_midnight_sun(BOTTOM))


@ours("phoenix-derived-night")
def derived_night() -> float:
    return 0.5 * (first_night(TOP) + first_night(CENTRE))
