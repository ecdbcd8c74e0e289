"""The Sun's track against the library step by step: a year at one-minute steps, the answers compared first.

    python tests/benchmarks/bench_sun_track.py [--days 365]

Step by step is the library at its fastest: whole arrays of times at once, apparent altitude and azimuth without deflection (none
for the Sun itself). On the Moon the site is the library's own (a sphere by the orientation kernel); elsewhere it is a vector
function of ours on the ellipsoid, walked by the library in the same way. Our time holds everything from the opened ephemeris on:
nodes, error checks, and the whole dataset (azimuth, elevation, distance, radius, season, true solar time). The bound is that of our
interpolation. From the Earth the library bends light by the Earth's mass, whatever it is told, and as far as 18 deg below the
horizon (1.1e-7 deg there): that is added to ours before the two are compared, while the Sun is not far below the horizon.
"""

from __future__ import annotations

import argparse
import time
from typing import Any

import numpy as np
from skyfield.vectorlib import VectorFunction

from yieldsim.base.clock import library_time, tdb_seconds
from yieldsim.base.constants import AU_KM
from yieldsim.base.numerics.vectors import angle_between_deg, direction_enu_xyz
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.sky.apparent import orientation_of
from yieldsim.sky.ellipsoid import enu_axes_xyz, position_km
from yieldsim.sky.sun_track import prepare_track

CHUNK = 50_000
ROUNDING_DEG = 1e-10
"""Of azimuth and elevation to directions and back."""
JULIAN_DATE_DAYS, LUNAR_ROTATION_DEG_PER_DAY = 2.4e-10, 13.2
"""The library reads the Moon's orientation at a Julian date in one double: half of its last place, while the Moon turns."""
LEAST_ELEVATION_DEG = -10.0
EARTH_BENDING_DEG = 8.0e-8
"""2 GM / (c^2 r) with GM = 3.986e14 m3/s2 and r = 6.378e6 m: of light from far away that comes in level, over half its way."""
PLACES = {
    "moon": (-89.66, 129.2, 1900.0),
    "mars": (18.4, 77.5, -2500.0),
    "mercury": (85.2, 40.0, 0.0),
    "earth": (47.0, 8.0, 500.0),
}


class Site(VectorFunction):  # type: ignore[misc]
    """A site on an ellipsoid as the library wants one: a vector from the body's centre, and its sky's axes."""

    def __init__(self, body: Any, ephemeris: Any, place: tuple[float, float, float]) -> None:
        radii = (body.equatorial_radius_km, body.polar_radius_km)
        self.center = ephemeris.body.target
        self.frame = orientation_of(ephemeris, body)
        self.position_au = position_km(*place, *radii) / AU_KM
        east, north, up = enu_axes_xyz(place[0], place[1], *radii)
        self.axes = np.stack([north, east, up])

    @property
    def target(self) -> Site:
        return self

    def _at(self, t: Any) -> tuple[Any, Any, None, None]:
        rotation, rate = self.frame.rotation_and_rate_at(t)
        along = "jin,j->in"
        return (
            np.einsum(along, rotation, self.position_au),
            np.einsum(along, rate, self.position_au),
            None,
            None,
        )

    def rotation_at(self, t: Any) -> Any:
        return np.einsum("ij,jkn->ikn", self.axes, self.frame.rotation_at(t))


def library_site(name: str, body: Any, ephemeris: Any, place: tuple[float, float, float]) -> Any:
    """The library's own site on the Moon, ours elsewhere."""
    if name != "moon":
        return ephemeris.body + Site(body, ephemeris, place)
    from skyfield.planetarylib import PlanetTopos
    from skyfield.units import Angle, Distance

    latitude, longitude, height_m = place
    radius_au = (body.equatorial_radius_km + height_m / 1000.0) / AU_KM
    angles = (Angle(degrees=latitude), Angle(degrees=longitude))
    return ephemeris.body + PlanetTopos.from_latlon_distance(
        ephemeris.orientation, *angles, Distance(au=radius_au)
    )


def step_by_step(site: Any, sun: Any, tdb_s: np.ndarray) -> np.ndarray:
    """Directions by the library."""
    found = []
    for i in range(0, tdb_s.size, CHUNK):
        altitude, azimuth, _ = (
            site.at(library_time(tdb_s[i : i + CHUNK])).observe(sun).apparent(deflectors=()).altaz()
        )
        found.append(direction_enu_xyz(azimuth.degrees, altitude.degrees))
    return np.concatenate(found)


def largest_difference_deg(
    name: str, azimuth_deg: np.ndarray, elevation_deg: np.ndarray, theirs: np.ndarray
) -> float:
    """Of our directions, bent where the library bends them, from the library's.

    Source of the bending, 2 GM / (c^2 r) cot(angle from the mass / 2): C. W. Misner, K. S. Thorne, J. A. Wheeler, "Gravitation",
    1973, exercise 40.3 (from memory).
    """
    lifted_deg = (
        EARTH_BENDING_DEG * np.tan(np.radians(90.0 - elevation_deg) / 2.0) if name == "earth" else 0.0
    )
    ours = direction_enu_xyz(azimuth_deg, elevation_deg + lifted_deg)
    return float(angle_between_deg(ours, theirs)[elevation_deg > LEAST_ELEVATION_DEG].max())


def main() -> None:
    """Print one row a world."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=float, default=365.0)
    days = parser.parse_args().days
    utc = np.datetime64("2026-01-01", "ns") + np.arange(round(days * 1440)) * np.timedelta64(60, "s")
    tdb_s = tdb_seconds(utc)
    print(f"{tdb_s.size} steps of one minute from 2026-01-01")
    print("world      library s  prepare ms  dataset ms   ratio  largest difference deg  stated bound deg")
    for name, place in PLACES.items():
        body = read_body(name).noun
        ephemeris = open_ephemeris(body, float(tdb_s[0]), float(tdb_s[-1]))
        span = (float(tdb_s[0]), float(tdb_s[-1]))
        prepare_track(ephemeris, body, *place, *span).dataset(tdb_s[:10], utc[:10])  # compile
        best: list[tuple[float, float]] = []
        for _ in range(5):
            start = time.perf_counter()
            track = prepare_track(ephemeris, body, *place, *span)
            middle = time.perf_counter()
            ds = track.dataset(tdb_s, utc)
            best.append((middle - start, time.perf_counter() - middle))
        prepare_s, dataset_s = min(best, key=sum)
        start = time.perf_counter()
        theirs = step_by_step(library_site(name, body, ephemeris, place), ephemeris.sun, tdb_s)
        library_s = time.perf_counter() - start
        angles = ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values
        difference = largest_difference_deg(name, *angles, theirs)
        rounding_deg = ROUNDING_DEG + (
            JULIAN_DATE_DAYS * LUNAR_ROTATION_DEG_PER_DAY if name == "moon" else 0.0
        )
        assert difference <= track.error_bound_deg + rounding_deg
        print(
            f"{name:9s} {library_s:10.2f} {prepare_s * 1e3:11.1f} {dataset_s * 1e3:11.1f} "
            f"{library_s / (prepare_s + dataset_s):7.1f} {difference:23.1e} {track.error_bound_deg:17.1e}"
        )


if __name__ == "__main__":
    main()
