"""Where the Sun stands over a site: exact at nodes, Chebyshev series between them, angles by one kernel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import AU_KM, SECONDS_PER_HOUR, SOLAR_RADIUS_KM
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body, Occulter
from yieldsim.base.numerics.atan2 import arctangent2
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.sky.apparent import SiteSky
from yieldsim.sky.chebyshev import Pieces, fit
from yieldsim.sky.conjunctions import near_windows_s
from yieldsim.sky.ellipsoid import planetographic_deg
from yieldsim.sky.season import solar_longitude_deg

if TYPE_CHECKING:
    import xarray as xr

LONGEST_PIECE_S = 6.0 * 86_400.0
"""First try for slow rotators; for the Moon the joints of the ephemeris every four days set the pace."""
SEASON_PIECE_S = 16.0 * 86_400.0
SEASON_TOLERANCE_DEG = 1e-5


class SunDiscs(NamedTuple):
    """The Sun's disc at moments, degrees, each (time,): where its centre stands, and its radius."""

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    radius_deg: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SunTrack:
    """The Sun, and what can pass in front of it, over one site during one span; good for any block of it.

    error_bound_deg   largest angle between the series and the direction that `sky.apparent` computes of the Sun or of an
                      occulter, as watched
    sun               apparent east-north-up vector in au
    occulters         the same of each body that can pass in front
    near_s            for each of them, the spans of time during which it is near the Sun's disc
    season            solar longitude, degrees, not reduced to a turn
    turns_back        the body turns against its orbit, so that the Sun rises in the west
    """

    start_tdb_s: float
    end_tdb_s: float
    error_bound_deg: float
    vertical_latitude_deg: float
    sun: Pieces
    occulters: tuple[tuple[Occulter, Pieces], ...]
    near_s: tuple[tuple[tuple[float, float], ...], ...]
    season: Pieces
    turns_back: bool = False

    def directions(self, tdb_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Azimuth [0, 360), elevation, degrees, and distance, au, each (n,)."""
        azimuth_deg, elevation_deg, distance_au, _, _ = self._angles(tdb_s)
        return azimuth_deg, elevation_deg, distance_au

    def discs(self, tdb_s: FloatArray) -> SunDiscs:
        """Where the Sun's disc stands, without a Dataset around it. Raises ValueError for times outside the span."""
        azimuth_deg, elevation_deg, _, radius_deg, _ = self._angles(tdb_s)
        return SunDiscs(azimuth_deg, elevation_deg, radius_deg)

    def dataset(self, tdb_s: FloatArray, utc: NDArray[np.datetime64]) -> xr.Dataset:
        """The Sun's variables over `time`: azimuth, elevation, distance, angular radius, solar longitude,
        true solar time.

        True solar time is the hour angle of the apparent Sun at the site, 24 hours to the turn, 12 when the
        Sun crosses the meridian of the site's longitude, counted the way the Sun goes. Raises ValueError for times
        outside the span.
        """
        import xarray as xr

        from yieldsim.base.dataset import add_all

        azimuth_deg, elevation_deg, distance_au, radius_deg, solar_time_hours = self._angles(tdb_s)
        season_deg = _one_turn(self.season.at(tdb_s)[0])
        values = {
            "solar_azimuth_deg": azimuth_deg,
            "solar_elevation_deg": elevation_deg,
            "sun_distance_au": distance_au,
            "sun_angular_radius_deg": radius_deg,
            "solar_longitude_deg": season_deg,
            "local_true_solar_time_hours": solar_time_hours,
        }
        return add_all(xr.Dataset(coords={"time": ("time", utc)}), values)

    def check_inside(self, tdb_s: FloatArray) -> None:
        """Raise ValueError for times outside the span: the series mean nothing there."""
        if tdb_s.size and not (tdb_s.min() >= self.start_tdb_s and tdb_s.max() <= self.end_tdb_s):
            raise ValueError(
                f"times {tdb_s.min()} to {tdb_s.max()} leave the span {self.start_tdb_s} to {self.end_tdb_s}"
            )

    def _angles(self, tdb_s: FloatArray) -> tuple[FloatArray, ...]:
        self.check_inside(tdb_s)
        found = np.empty((5, tdb_s.size))
        _sun_angles(
            self.sun.at(tdb_s), math.radians(self.vertical_latitude_deg), SOLAR_RADIUS_KM / AU_KM, found
        )
        if self.turns_back:
            found[4] = np.where(found[4] > 0.0, 24.0 - found[4], 0.0)
        return tuple(found)


def path_step_s(body: Body) -> float:
    """Step of a path of the Sun, in which it turns a quarter of a degree."""
    return 0.25 / 360.0 * body.mean_solar_day_hours * SECONDS_PER_HOUR


def middles_s(start_tdb_s: float, end_tdb_s: float, step_s: float) -> FloatArray:
    """Middles of equal steps of about `step_s` through a span."""
    count = max(1, round((end_tdb_s - start_tdb_s) / step_s))
    return start_tdb_s + (np.arange(count) + 0.5) * (end_tdb_s - start_tdb_s) / count


def prepare_track(
    ephemeris: Ephemeris,
    body: Body,
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    start_tdb_s: float,
    end_tdb_s: float,
    tolerance_deg: float = 1e-7,
) -> SunTrack:
    """The Sun's track over a site during a span, to be asked for any times within it.

    latitude_deg    planetocentric, of the foot point on the ellipsoid; height_m up the ellipsoid's normal
    tolerance_deg   largest error of the directions that is let pass; the pieces are halved until it holds

    Cost: 18 exact places a rotation for Mars or the Earth, 18 in six days for the Moon; 24 bytes a body for each.
    Raises CannotCompute when the tolerance can't be met, ValueError for a span that the ephemeris wasn't
    opened for.
    """
    if not ephemeris.start_tdb_s <= start_tdb_s <= end_tdb_s <= ephemeris.end_tdb_s:
        raise ValueError(f"the ephemeris was not opened for {start_tdb_s} to {end_tdb_s}")
    sky = SiteSky(ephemeris, body, latitude_deg, longitude_deg, height_m)
    piece_s = min(body.mean_solar_day_hours * SECONDS_PER_HOUR, LONGEST_PIECE_S)
    vectors, bound_deg = fit(sky.enu_au, start_tdb_s, end_tdb_s, piece_s, tolerance_deg, _largest_angle_deg)

    def longitude(tdb_s: FloatArray) -> FloatArray:
        return np.unwrap(solar_longitude_deg(ephemeris, body, tdb_s), period=360.0)[:, None]

    season, _ = fit(longitude, start_tdb_s, end_tdb_s, SEASON_PIECE_S, SEASON_TOLERANCE_DEG, _turn_deg)
    sun = vectors.columns(0, 3)
    occulters = tuple(
        (occulter, vectors.columns(3 * i + 3, 3 * i + 6))
        for i, (occulter, _) in enumerate(ephemeris.occulters)
    )
    return SunTrack(
        start_tdb_s=start_tdb_s,
        end_tdb_s=end_tdb_s,
        error_bound_deg=bound_deg,
        vertical_latitude_deg=float(
            planetographic_deg(latitude_deg, body.equatorial_radius_km, body.polar_radius_km)
        ),
        sun=sun,
        occulters=occulters,
        near_s=tuple(
            near_windows_s(sun, pieces, occulter.radius_km, start_tdb_s, end_tdb_s)
            for occulter, pieces in occulters
        ),
        season=season,
        turns_back=body.rotation.prime_meridian_deg[1] < 0.0,
    )


def _largest_angle_deg(difference: FloatArray, values: FloatArray) -> FloatArray:
    """Largest over the targets of |difference| / distance, degrees: (n, 3 targets) to (n,)."""
    shape = (len(values), -1, 3)
    ratio = np.linalg.norm(difference.reshape(shape), axis=2) / np.linalg.norm(values.reshape(shape), axis=2)
    return np.asarray(np.degrees(ratio).max(axis=1))


def _one_turn(angle_deg: FloatArray) -> FloatArray:
    """The angle in [0, 360); like % but five times as fast on long arrays."""
    reduced = angle_deg - 360.0 * np.floor(angle_deg / 360.0)
    return np.where(reduced >= 360.0, 0.0, reduced)


def _turn_deg(difference: FloatArray, values: FloatArray) -> FloatArray:
    """Size of an angle's difference, whole turns aside."""
    return np.abs((difference[:, 0] + 180.0) % 360.0 - 180.0)


@njit(cache=True, error_model="numpy")
def _sun_angles(enu_au: FloatArray, latitude: float, sun_radius_au: float, found: FloatArray) -> None:
    """Azimuth, elevation, distance, angular radius and true solar time (5, n) from vectors (3, n).

        hour angle H = atan2(-east, cos(lat) up - sin(lat) north),  time = 12 h + 24 h H / turn

    Elevation and radius by arctangents, which keep their digits near the zenith and near zero.
    """
    to_degrees = 180.0 / math.pi
    sin_latitude, cos_latitude = math.sin(latitude), math.cos(latitude)
    for i in range(enu_au.shape[1]):
        east, north, up = enu_au[0, i], enu_au[1, i], enu_au[2, i]
        level = math.sqrt(east * east + north * north)
        distance = math.sqrt(level * level + up * up)
        azimuth = arctangent2(east, north) * to_degrees
        azimuth = azimuth + 360.0 if azimuth < 0.0 else azimuth
        hours = 12.0 + arctangent2(-east, cos_latitude * up - sin_latitude * north) * (12.0 / math.pi)
        tangent = math.sqrt(distance * distance - sun_radius_au * sun_radius_au)
        found[0, i] = azimuth if azimuth < 360.0 else 0.0
        found[1, i] = arctangent2(up, level) * to_degrees
        found[2, i] = distance
        found[3, i] = arctangent2(sun_radius_au, tangent) * to_degrees
        found[4, i] = hours if hours < 24.0 else 0.0
