"""Our worlds where others worked theirs out: axes, places, the Sun over the Moon, Mercury and Mars, light at the ends of orbits."""

from __future__ import annotations

from functools import cache

import numpy as np

from agreement.compare import ours
from agreement.published import columns, table
from agreement.sky import instants, lunar_eclipse_contacts_tdb_s, turned_deg
from agreement.worlds import seconds, subsolar_point_deg, world
from yieldsim.base.clock import library_time, tdb_seconds
from yieldsim.base.constants import AU_KM, SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.sky.apparent import orientation_of
from yieldsim.sky.eclipse import Eclipse, eclipses
from yieldsim.sky.rotation import ElementsFrame
from yieldsim.sky.season import solar_longitude_deg
from yieldsim.sky.sun_track import prepare_track

DAY_S = 86_400.0
J2000_JULIAN_DAY = 2_451_545.0
AU_LIGHT_S = AU_KM / 299_792.458


@cache
def from_1970(name: str) -> Ephemeris:
    """A world's ephemeris from 1969 on."""
    start, end = tdb_seconds(np.array(["1969-12-01", "2049-12-31"], dtype="datetime64[ns]"))
    return open_ephemeris(read_body(name).noun, float(start), float(end))


# ---------------------------------------------------------------- axes and places


@ours("rotation-angles")
def rotation_angles() -> float:
    """The Moon by its series, which the package keeps for runs that its kernel does not cover."""
    worst = 0.0
    for row in table("rotation_angles.csv"):
        t = library_time(np.array(float(row["tdb_days"]) * DAY_S))
        found, _ = ElementsFrame(read_body(row["body"]).noun.rotation).angles_deg(t)
        given = [float(row[key]) for key in ("right_ascension_deg", "declination_deg", "meridian_deg")]
        worst = max(worst, float(np.abs(turned_deg(found - given)).max()))
    return worst


def pole_off_deg(*bodies: str) -> float:
    """Largest angle between our poles and those of Horizons."""
    worst = 0.0
    for row in table("horizons_poles.csv"):
        if row["body"] in bodies:
            # UT for TDB: 70 s, in which no pole turns by a millionth of a degree
            tdb_s = (float(row["julian_day"]) - J2000_JULIAN_DAY) * DAY_S
            frame = orientation_of(from_1970(row["body"]), read_body(row["body"]).noun)
            pole = frame.rotation_at(library_time(np.array([tdb_s])))[2].ravel()
            a, d = np.radians([float(row["right_ascension_deg"]), float(row["declination_deg"])])
            given = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
            worst = max(worst, float(np.degrees(np.linalg.norm(np.cross(pole, given)))))
    return worst


@ours("horizons-pole-moon")
def pole_of_the_moon() -> float:
    return pole_off_deg("moon")


@ours("horizons-poles")
def poles_of_the_planets() -> float:
    return pole_off_deg("mars", "mercury")


@ours("horizons-planets")
def places_of_the_planets() -> float:
    """Largest distance between the places, km."""
    worst = 0.0
    t = library_time(np.array([(2_440_587.5 - J2000_JULIAN_DAY) * DAY_S]))
    for row in table("horizons_planets.csv"):
        ephemeris = from_1970(row["body"])
        found = (ephemeris.body.at(t).xyz.km - ephemeris.sun.at(t).xyz.km).ravel()
        given = AU_KM * np.array([float(row[key]) for key in ("x_au", "y_au", "z_au")])
        worst = max(worst, float(np.linalg.norm(found - given)))
    return worst


# ---------------------------------------------------------------- the Moon


@ours("moon-subsolar-tdb")
def moon_subsolar_tdb() -> float:
    body, ephemeris = world("moon")
    given = columns("moon_subsolar_tdb.csv")
    latitude, longitude = subsolar_point_deg(ephemeris, body, given["tdb_days"] * DAY_S)
    off = [latitude - given["subsolar_latitude_deg"], turned_deg(longitude - given["subsolar_longitude_deg"])]
    return float(np.abs(off).max())


@ours("moon-subsolar-years")
def moon_subsolar_years() -> float:
    """Every six hours: the latitude turns within days, so a maximum is missed by 1e-5 deg at most."""
    body, ephemeris = world("moon")
    worst = 0.0
    for row in table("moon_subsolar_years.csv"):
        year = int(row["year"])
        tdb_s = np.arange(seconds(f"{year}-01-01"), seconds(f"{year + 1}-01-01"), 21_600.0)
        latitude, _ = subsolar_point_deg(ephemeris, body, tdb_s)
        for key, found in (("north_deg", latitude.max()), ("south_deg", latitude.min())):
            if row[key]:
                worst = max(worst, abs(float(found) - float(row[key])))
    return worst


@cache
def lunar_days() -> FloatArray:
    """Days from one passage of the Sun over the prime meridian to the next, 2000 to 2049."""
    body, ephemeris = world("moon")
    tdb_s = np.arange(seconds("2000-01-01"), seconds("2049-12-31"), DAY_S)
    turned = np.unwrap(subsolar_point_deg(ephemeris, body, tdb_s)[1], period=360.0)
    whole = 360.0 * np.arange(np.ceil(turned[-1] / 360.0), np.floor(turned[0] / 360.0) + 1)[::-1]
    at = np.interp(-whole, -turned, tdb_s)
    for _ in range(2):
        # the Sun moves west by 12.19 deg a day
        at += turned_deg(subsolar_point_deg(ephemeris, body, at)[1]) / 12.1908 * DAY_S
    return np.diff(at) / DAY_S


@ours("lunar-day-shortest")
def lunar_day_shortest() -> float:
    return float(lunar_days().min())


@ours("lunar-day-longest")
def lunar_day_longest() -> float:
    return float(lunar_days().max())


@ours("lunar-day-mean")
def lunar_day_mean() -> float:
    """Of the body's file, by which solar days of the Moon are counted."""
    return float(world("moon")[0].mean_solar_day_hours)


@cache
def moon_light() -> tuple[float, float, float]:
    """Irradiance at the Moon's centre over 2000 to 2049: most, least, mean, W/m2; every six hours, hourly about the extremes."""
    _, ephemeris = world("moon")

    def at(tdb_s: FloatArray) -> FloatArray:
        t = library_time(tdb_s)
        away = np.linalg.norm(ephemeris.body.at(t).xyz.km - ephemeris.sun.at(t).xyz.km, axis=0)
        return SOLAR_IRRADIANCE_1AU_W_M2 / (away / AU_KM) ** 2

    tdb_s = np.arange(seconds("2000-01-01"), seconds("2049-12-31"), 21_600.0)
    light = at(tdb_s)
    around = np.arange(-86_400.0, 86_401.0, 3600.0)
    most, least = (at(tdb_s[place] + around) for place in (light.argmax(), light.argmin()))
    return float(most.max()), float(least.min()), float(light.mean())


@ours("moon-light-most")
def moon_light_most() -> float:
    return moon_light()[0]


@ours("moon-light-least")
def moon_light_least() -> float:
    return moon_light()[1]


@ours("moon-light-mean")
def moon_light_mean() -> float:
    return moon_light()[2]


@ours("lunar-eclipse-2007")
def lunar_eclipse_2007() -> float:
    """Largest difference of a contact, s."""
    name = "lunar_eclipse_2007_03_03.csv"
    given = [seconds(row["time_utc"]) for row in table(name)]
    return float(np.abs(np.array(lunar_eclipse_contacts_tdb_s(name)) - given).max())


@ours("moon-season")
def moon_season() -> float:
    body, ephemeris = world("moon")
    tdb_s = 8.0e8 + np.arange(0.0, 18.6 * 365.25) * DAY_S
    turned = np.unwrap(solar_longitude_deg(ephemeris, body, tdb_s), period=360.0)
    return float(360.0 * (len(tdb_s) - 1) / (turned[-1] - turned[0]))


# ---------------------------------------------------------------- the Earth


@cache
def earth_eclipse(day: str, latitude_deg: float, longitude_deg: float, height_m: float) -> Eclipse:
    """The eclipse of a day at a place, planetocentric."""
    body, ephemeris = world("earth")
    start = seconds(day)
    (found,) = eclipses(
        prepare_track(ephemeris, body, latitude_deg, longitude_deg, height_m, start, start + DAY_S)
    )
    return found


def nazas() -> Eclipse:
    """2024-04-08, 25.3 N planetographic."""
    return earth_eclipse("2024-04-08", 25.3 - 0.149, -104.14, 1100.0)


def corpus_christi() -> Eclipse:
    """2023-10-14."""
    return earth_eclipse("2023-10-14", 27.64, -97.4, 0.0)


@ours("earth-eclipse-2024")
def earth_eclipse_2024() -> float:
    found = nazas()
    return ((found.inner_end_tdb_s or 0.0) - (found.inner_start_tdb_s or 0.0)) / 60.0


@ours("earth-eclipse-2024-greatest")
def earth_eclipse_2024_greatest() -> float:
    return (nazas().greatest_tdb_s - seconds("2024-04-08T18:00")) / 60.0


@ours("earth-eclipse-2023-greatest")
def earth_eclipse_2023_greatest() -> float:
    return (corpus_christi().greatest_tdb_s - seconds("2023-10-14T16:00")) / 60.0


# ---------------------------------------------------------------- Mercury


@cache
def mercury_sun() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sub-solar longitude (unwrapped) and latitude and distance, au, every six hours over 2000 to 2009."""
    body, ephemeris = world("mercury")
    tdb_s = np.arange(seconds("2000-01-01"), seconds("2010-01-01"), 21_600.0)
    latitude, longitude = subsolar_point_deg(ephemeris, body, tdb_s)
    t = library_time(tdb_s)
    away = np.linalg.norm(ephemeris.body.at(t).xyz.km - ephemeris.sun.at(t).xyz.km, axis=0) / AU_KM
    return np.unwrap(longitude, period=360.0), latitude, away


@ours("mercury-day")
def mercury_day() -> float:
    return float(world("mercury")[0].mean_solar_day_hours) / 24.0


@ours("mercury-tilt")
def mercury_tilt() -> float:
    return float(np.abs(mercury_sun()[1]).max())


@ours("mercury-backwards")
def mercury_backwards() -> float:
    """The Sun moves west over Mercury's ground but about perihelion, where Mercury turns slower than it runs around."""
    moves = np.diff(mercury_sun()[0])
    return 100.0 * float((moves > 0.0).mean())


@ours("mercury-hot-longitude")
def mercury_hot_longitude() -> float:
    """Mean sub-solar longitude at perihelion, from 0 or 180."""
    body, ephemeris = world("mercury")
    _, _, away = mercury_sun()
    near = np.flatnonzero((away[1:-1] < away[:-2]) & (away[1:-1] <= away[2:])) + 1
    a, b, c = away[near - 1], away[near], away[near + 1]
    shift = 0.5 * (a - c) / (a - 2.0 * b + c)
    at = seconds("2000-01-01") + (near + shift) * 21_600.0
    found = subsolar_point_deg(ephemeris, body, at)[1]
    return float((found % 180.0).mean())


@ours("mercury-light-most")
def mercury_light_most() -> float:
    return SOLAR_IRRADIANCE_1AU_W_M2 / float(mercury_sun()[2].min()) ** 2


@ours("mercury-light-least")
def mercury_light_least() -> float:
    return SOLAR_IRRADIANCE_1AU_W_M2 / float(mercury_sun()[2].max()) ** 2


# ---------------------------------------------------------------- Mars


@ours("mars-season-2015")
def mars_season_2015() -> float:
    """Theirs is geometric: the light time, times the rate of the season, is what the apparent Sun lags behind."""
    body, ephemeris = world("mars")
    rows = table("mars_instants.csv")
    tdb_s = instants([row["utc"] for row in rows])
    hour_on, hour_back = (solar_longitude_deg(ephemeris, body, tdb_s + step) for step in (3600.0, -3600.0))
    light_s = AU_LIGHT_S * np.array([float(row["sun_distance_au"]) for row in rows])
    found = solar_longitude_deg(ephemeris, body, tdb_s) + (hour_on - hour_back) / 7200.0 * light_s
    return float(np.abs(found - [float(row["solar_longitude_deg"]) for row in rows]).max())


@ours("mars-subsolar-2009")
def mars_subsolar_2009() -> float:
    body, ephemeris = world("mars")
    rows = table("mars_instants.csv")
    latitude, longitude = subsolar_point_deg(ephemeris, body, instants([row["utc"] for row in rows]))
    off = [
        latitude - [float(row["subsolar_latitude_deg"]) for row in rows],
        turned_deg(longitude - [float(row["subsolar_longitude_deg"]) for row in rows]),
    ]
    return float(np.abs(off).max())


@cache
def mars_away() -> tuple[FloatArray, FloatArray]:
    """TDB and distance from the Sun, au, every quarter of a day over 2000 to 2009."""
    _, ephemeris = world("mars")
    tdb_s = np.arange(seconds("2000-01-01"), seconds("2010-01-01"), 21_600.0)
    t = library_time(tdb_s)
    away = np.linalg.norm(ephemeris.body.at(t).xyz.km - ephemeris.sun.at(t).xyz.km, axis=0) / AU_KM
    return tdb_s, away


@ours("mars-tilt")
def mars_tilt() -> float:
    body, ephemeris = world("mars")
    tdb_s = np.arange(seconds("1990-01-02"), seconds("2049-12-31"), DAY_S)
    return float(np.abs(subsolar_point_deg(ephemeris, body, tdb_s)[0]).max())


@ours("mars-perihelion")
def mars_perihelion() -> float:
    """Mean solar longitude at perihelion."""
    body, ephemeris = world("mars")
    tdb_s, away = mars_away()
    near = np.flatnonzero((away[1:-1] < away[:-2]) & (away[1:-1] <= away[2:])) + 1
    return float(solar_longitude_deg(ephemeris, body, tdb_s[near]).mean())


@ours("mars-light-most")
def mars_light_most() -> float:
    return SOLAR_IRRADIANCE_1AU_W_M2 / float(mars_away()[1].min()) ** 2


@ours("mars-light-least")
def mars_light_least() -> float:
    return SOLAR_IRRADIANCE_1AU_W_M2 / float(mars_away()[1].max()) ** 2
