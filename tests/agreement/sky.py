"""Our directions of the Sun, seasons and eclipses, where others published theirs."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import xarray as xr
from scipy.optimize import brentq

from agreement.compare import ours
from agreement.published import columns, table
from agreement.worlds import seconds, subsolar_point_deg, world
from yieldsim.base.clock import library_time, tdb_seconds, utc_from_tdb
from yieldsim.base.constants import SOLAR_RADIUS_KM
from yieldsim.base.dataset import add
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body, HorizonMask, Occulter
from yieldsim.base.numerics.vectors import angle_between_deg, direction_enu_xyz
from yieldsim.base.sun_disc import angular_radius_deg, brightness
from yieldsim.ground.horizon_dip import flat_dip_deg
from yieldsim.ground.visible_disc import add_visibility
from yieldsim.sky.eclipse import add_occulter, eclipses
from yieldsim.sky.ellipsoid import planetocentric_deg, position_km
from yieldsim.sky.rotation import ElementsFrame
from yieldsim.sky.season import season_return_days, solar_longitude_deg
from yieldsim.sky.sun_track import prepare_track

DISC_DEG = 0.2666
"""Angular radius of the discs below; only ratios to it matter."""


def instants(texts: list[str]) -> np.ndarray:
    """TDB seconds of UTC instants."""
    return np.atleast_1d(tdb_seconds(np.array(texts, dtype="datetime64[ns]")))


def turned_deg(difference: np.ndarray) -> np.ndarray:
    """Differences of angles, -180 to 180."""
    return (difference + 180.0) % 360.0 - 180.0


# ---------------------------------------------------------------- directions


@ours("horizons-moon")
def horizons_moon() -> float:
    """Largest difference of azimuth or elevation, deg."""
    body, ephemeris = world("moon")
    rows, worst = table("horizons_lunar_south_pole.csv"), 0.0
    for site in sorted({row["site"] for row in rows}):
        chosen = [row for row in rows if row["site"] == site]
        place = [float(chosen[0][key]) for key in ("lat_deg", "lon_east_deg", "height_m")]
        tdb_s = instants([row["utc"] for row in chosen])
        azimuth, elevation, _ = prepare_track(ephemeris, body, *place, tdb_s[0], tdb_s[-1]).directions(tdb_s)
        given = np.array([[float(row["sun_az_deg"]), float(row["sun_el_deg"])] for row in chosen])
        off = np.abs([turned_deg(azimuth - given[:, 0]), elevation - given[:, 1]])
        worst = max(worst, float(off.max()))
    return worst


@ours("horizons-mars")
def horizons_mars() -> float:
    """Largest angle between the directions, deg.

    The file's header calls the latitude planetocentric, but the rows stand on a vertical of latitude 18.4, as for a planetographic
    one: read as planetocentric of the foot point, the zenith would be 0.2 deg away.
    """
    body, ephemeris = world("mars")
    rows = table("horizons_mars.csv")
    tdb_s = instants([row["utc"] for row in rows])
    latitude = float(planetocentric_deg(18.4, body.equatorial_radius_km, body.polar_radius_km))
    track = prepare_track(ephemeris, body, latitude, 77.5, 0.0, tdb_s[0], tdb_s[-1])
    azimuth, elevation, _ = track.directions(tdb_s)
    given = np.array([[float(row["sun_az_deg"]), float(row["sun_el_deg"])] for row in rows])
    return float(angle_between_deg(direction_enu_xyz(azimuth, elevation), direction_enu_xyz(*given.T)).max())


@ours("svs-subsolar")
def svs_subsolar() -> float:
    """Largest difference of a longitude or a latitude, deg. Without aberration the longitude would be off by 0.0055 deg everywhere."""
    body, ephemeris = world("moon")
    rows = table("svs_subsolar_points.csv")
    latitude, longitude = subsolar_point_deg(ephemeris, body, instants([row["utc"] for row in rows]))
    given = np.array(
        [[float(row["subsolar_latitude_deg"]), float(row["subsolar_longitude_deg"])] for row in rows]
    )
    return float(np.abs([latitude - given[:, 0], turned_deg(longitude - given[:, 1])]).max())


@ours("naif-earth-from-moon")
def naif_earth_from_moon() -> float:
    """Largest difference of a coordinate, km, at the example's own instant."""
    _, ephemeris = world("moon")
    (row,) = table("naif_earth_from_moon.csv")
    t = library_time(np.array([float(row["tdb_s"])]))
    ((_, earth),) = ephemeris.occulters
    offset = earth.at(t).xyz.km - ephemeris.body.at(t).xyz.km
    seen = np.einsum("ijn,jn->i", ephemeris.orientation.rotation_at(t), offset)
    return float(np.abs(seen - [float(row[key]) for key in ("x_km", "y_km", "z_km")]).max())


@cache
def series_of_the_moon_deg() -> np.ndarray:
    """Angle between the IAU series and the kernel's frame, daily over 2000 to 2020."""
    body, ephemeris = world("moon")
    t = library_time(np.arange(0.0, 20.0 * 365.25) * 86_400.0)
    series, kernel = ElementsFrame(body.rotation).rotation_at(t), ephemeris.orientation.rotation_at(t)
    turn = np.einsum("ikn,jkn->ijn", series, kernel)
    axis = np.stack([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    return np.degrees(np.arcsin(np.linalg.norm(axis, axis=0) / 2.0))


@ours("iau-moon-max")
def iau_moon_max() -> float:
    return float(series_of_the_moon_deg().max())


@ours("iau-moon-mean")
def iau_moon_mean() -> float:
    return float(series_of_the_moon_deg().mean())


# ---------------------------------------------------------------- seasons


@ours("mars-season")
def mars_season() -> float:
    body, ephemeris = world("mars")
    rows = table("mars_time_worked_examples.csv")
    found = solar_longitude_deg(ephemeris, body, instants([row["utc"] for row in rows]))
    return float(np.abs(found - [float(row["solar_longitude_deg"]) for row in rows]).max())


def equations_of_time_deg() -> tuple[np.ndarray, np.ndarray]:
    """True minus mean solar time at Mars's prime meridian, the mean by Allison & McEwen's clock: ours, theirs."""
    body, ephemeris = world("mars")
    rows, found = table("mars_time_worked_examples.csv"), []
    for row in rows:
        tdb_s = instants([row["utc"]])
        mean_hours = 24.0 * ((tdb_s[0] / 86_400.0 - 4.5) / 1.0274912517 + 44_796.0 - 0.0009626) % 24.0
        track = prepare_track(ephemeris, body, 0.0, 0.0, 0.0, tdb_s[0] - 1e5, tdb_s[0] + 1e5)
        true_hours = float(track.dataset(tdb_s, utc_from_tdb(tdb_s))["local_true_solar_time_hours"][0])
        found.append(15.0 * ((true_hours - mean_hours + 12.0) % 24.0 - 12.0))
    return np.array(found), np.array([float(row["equation_of_time_deg"]) for row in rows])


@ours("mars-equation-of-time")
def mars_equation_of_time() -> float:
    found, given = equations_of_time_deg()
    return float(np.abs(found - given).max())


@ours("mars-distance")
def mars_distance() -> float:
    body, ephemeris = world("mars")
    worst = 0.0
    for row in table("mars_time_worked_examples.csv"):
        tdb_s = instants([row["utc"]])
        track = prepare_track(ephemeris, body, 0.0, 0.0, 0.0, tdb_s[0] - 1e5, tdb_s[0] + 1e5)
        worst = max(worst, abs(float(track.directions(tdb_s)[2][0]) - float(row["sun_distance_au"])))
    return worst


@ours("mars-year")
def mars_year() -> float:
    """Sols of 88775.244 s: the mean over twelve seasons of 24 returns each."""
    body, ephemeris = world("mars")
    first = seconds("1990-02-01")
    days = [
        season_return_days(ephemeris, body, first + season * 687.0 / 12.0 * 86_400.0, turns=24) / 24.0
        for season in range(12)
    ]
    return float(np.mean(days)) * 86_400.0 / (body.mean_solar_day_hours * 3600.0)


def _year_begins_days(day: str) -> float:
    """Days after a date at which the solar longitude passes 0."""
    body, ephemeris = world("mars")

    def off(days: float) -> float:
        tdb_s = np.array([seconds(day) + days * 86_400.0])
        return float(turned_deg(solar_longitude_deg(ephemeris, body, tdb_s))[0])

    return float(brentq(off, -20.0, 20.0))


@ours("mars-year-24")
def mars_year_24() -> float:
    return _year_begins_days("1998-07-14")


@ours("mars-year-36")
def mars_year_36() -> float:
    return _year_begins_days("2021-02-07")


@ours("mars-year-37")
def mars_year_37() -> float:
    return _year_begins_days("2022-12-26")


@ours("mars-year-38")
def mars_year_38() -> float:
    return _year_begins_days("2024-11-12")


@ours("mars-year-39")
def mars_year_39() -> float:
    return _year_begins_days("2026-09-30")


@ours("mercury-year")
def mercury_year() -> float:
    body, ephemeris = world("mercury")
    return season_return_days(ephemeris, body, seconds("2005-01-01"))


@ours("earth-year")
def earth_year() -> float:
    body, ephemeris = world("earth")
    return season_return_days(ephemeris, body, seconds("2005-01-01"))


# ---------------------------------------------------------------- eclipses


@ours("lunar-eclipse-2025")
def lunar_eclipse_2025() -> float:
    """Largest difference of a contact, s."""
    name = "lunar_eclipse_2025_03_14.csv"
    given = [seconds(row["time_utc"]) for row in table(name)]
    return float(np.abs(np.array(lunar_eclipse_contacts_tdb_s(name)) - given).max())


def lunar_eclipse_contacts_tdb_s(name: str) -> list[float]:
    """In the order of a table: what the Earth calls P1, U1, U2, U3, U4, P4 are first and last contacts of any place on the Moon."""
    body, ephemeris = world("moon")
    ((earth, position),) = ephemeris.occulters
    danjon = Occulter(name=earth.name, ephemeris_target=399, radius_km=6378.137 * 1.01)
    enlarged = replace(ephemeris, occulters=((danjon, position),))
    rows = table(name)
    start, end = seconds(rows[0]["time_utc"]) - 7200.0, seconds(rows[-1]["time_utc"]) + 7200.0

    @cache
    def contacts(around_deg: int) -> tuple[float, ...]:
        """Contacts at a place of the limb as the Earth sees it, that far around from its north."""
        angle = np.radians(around_deg)
        place = (np.degrees(np.arcsin(np.cos(angle))), 90.0 if np.sin(angle) > 0.0 else -90.0)
        track = prepare_track(enlarged, body, *place, 0.0, start, end)
        (eclipse,) = eclipses(track, lowest_elevation_deg=-90.0)
        return (eclipse.start_tdb_s, eclipse.inner_start_tdb_s, eclipse.inner_end_tdb_s, eclipse.end_tdb_s)

    def extreme(which: int, last: bool) -> float:
        """By a parabola through the latest of places 15 degrees apart and its neighbours."""
        sign = 1.0 if last else -1.0
        best = max(range(0, 360, 15), key=lambda around: sign * contacts(around)[which])
        low, mid, high = (sign * contacts((best + step) % 360)[which] for step in (-15, 0, 15))
        return sign * (mid + (high - low) ** 2 / (16.0 * mid - 8.0 * (low + high)))

    return [extreme(int(row["contact"]), row["last_place"] == "1") for row in rows]


CONTACTS = ("first", "second", "third", "fourth")
CONTACT_SIGNS = (1, -1, -1, 1)


def geometric_gap_deg(
    body: Body, ephemeris: Ephemeris, place: tuple[float, float], tdb_s: float, sign: int
) -> float:
    """Angle between the centres less the sum (sign 1) or difference (-1) of radii, all positions of one instant."""
    t = library_time(np.array([tdb_s]))
    radius = body.equatorial_radius_km
    on_moon = position_km(*place, 0.0, radius, radius)
    site = ephemeris.body.at(t).xyz.km[:, 0] + ephemeris.orientation.rotation_at(t)[:, :, 0].T @ on_moon
    sun = ephemeris.sun.at(t).xyz.km[:, 0] - site
    ((occulter, position),) = ephemeris.occulters
    earth = position.at(t).xyz.km[:, 0] - site
    separation = np.degrees(np.arctan2(np.linalg.norm(np.cross(sun, earth)), sun @ earth))
    sun_radius = np.degrees(np.arcsin(SOLAR_RADIUS_KM / np.linalg.norm(sun)))
    radius_deg = np.degrees(np.arcsin(occulter.radius_km / np.linalg.norm(earth)))
    return float(separation - (radius_deg + sign * sun_radius))


def geometric_contacts_tdb_s(row: dict[str, str]) -> list[float]:
    """Contacts at a place of the table by positions of one instant, as the table has them."""
    body, ephemeris = world("moon")
    place = (float(row["latitude_deg"]), float(row["longitude_deg"]))
    found = []
    for name, sign in zip(CONTACTS, CONTACT_SIGNS, strict=True):
        given = seconds(row[name])
        found.append(
            float(
                brentq(
                    lambda s, sign=sign: geometric_gap_deg(body, ephemeris, place, s, sign),
                    given - 300.0,
                    given + 300.0,
                )
            )
        )
    return found


@ours("site-eclipses")
def site_eclipses() -> float:
    """Largest difference of a contact, s."""
    return max(
        abs(found - seconds(row[name]))
        for row in table("eclipses_from_lunar_sites.csv")
        for name, found in zip(CONTACTS, geometric_contacts_tdb_s(row), strict=True)
    )


@ours("site-eclipses-hidden")
def site_eclipses_hidden() -> float:
    """Largest difference of the time for which the whole disc is hidden, minutes."""
    return max(
        abs((contacts[2] - contacts[1]) / 60.0 - float(row["wholly_hidden_minutes"]))
        for row, contacts in (
            (row, geometric_contacts_tdb_s(row)) for row in table("eclipses_from_lunar_sites.csv")
        )
    )


@ours("site-eclipses-lost")
def site_eclipses_lost() -> float:
    """Largest difference of the full sunlight lost, hours: our disc is darker at its limb, which shifts light towards the contacts'
    middle and leaves the sum nearly as it is."""
    body, ephemeris = world("moon")
    worst = 0.0
    for row in table("eclipses_from_lunar_sites.csv"):
        first, last = seconds(row["first"]) - 600.0, seconds(row["fourth"]) + 600.0
        tdb_s = np.arange(first, last, 30.0)
        place = (float(row["latitude_deg"]), float(row["longitude_deg"]))
        track = prepare_track(ephemeris, body, *place, 0.0, first, last)
        ds = add_occulter(track.dataset(tdb_s, utc_from_tdb(tdb_s)), track, tdb_s)
        seen = add_visibility(ds, None, 90.0)["disc_visible_fraction"].values
        worst = max(worst, abs(float((1.0 - seen).sum()) / 120.0 - float(row["lost_full_sun_hours"])))
    return worst


# ---------------------------------------------------------------- the disc


@ours("sun-half-angle")
def sun_half_angle() -> float:
    return float(angular_radius_deg(1.0))


@ours("limb-darkening")
def limb_darkening() -> float:
    """How far the mean over the centre lies outside those of the wavelengths on either side."""
    given = columns("limb_darkening_neckel_labs_1994.csv")
    below, above = (
        float(given["mean_over_centre"][given["wavelength_nm"] == nm][0]) for nm in (610.975, 640.970)
    )
    r = np.linspace(0.0, 1.0, 20001)
    mean = float(2.0 * np.trapezoid(brightness(np.sqrt(1.0 - r**2)) * r, r))
    return max(below - mean, mean - above, 0.0)


def half_set_share(height_radii: float) -> float:
    """Visible share of a disc whose centre stands so many radii above a straight horizon."""
    ds = xr.Dataset(coords={"time": np.zeros(1, dtype="datetime64[ns]")})
    for name, number in (
        ("solar_azimuth_deg", 10.0),
        ("solar_elevation_deg", height_radii * DISC_DEG),
        ("sun_angular_radius_deg", DISC_DEG),
    ):
        ds = add(ds, name, np.array([number]))
    seen = add_visibility(ds, HorizonMask(azimuth_deg=[0.0], elevation_deg=[0.0]), 0.0)
    return float(seen["disc_visible_fraction"][0])


@ours("half-set-sun")
def half_set_sun() -> float:
    given = columns("half_set_sun.csv")
    found = [half_set_share(height) for height in given["height_radii"]]
    return float(np.abs(found - given["visible_share"]).max())


@ours("horizon-dip")
def horizon_dip() -> float:
    given = columns("horizon_dip.csv")
    found = [flat_dip_deg(1737.4, mast) for mast in given["mast_m"]]
    return float(np.abs(found - given["dip_deg"]).max())
