"""Single places and pairs of them near the poles: lit shares from the 240 m terrain, axes, eclipses, a bare Mercury."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import xarray as xr

from agreement.compare import ours
from agreement.polar_light import BEST_OF_THE_RIDGE
from agreement.terrain import FAR, POLE
from agreement.worlds import seconds, world
from yieldsim.base.clock import library_time, utc_from_tdb
from yieldsim.base.model import Site
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.horizon_dip import flat_dip_deg
from yieldsim.ground.visible_disc import add_visibility
from yieldsim.runs.horizon.run import horizon
from yieldsim.runs.survey.options import SurveyOptions
from yieldsim.runs.survey.run import survey
from yieldsim.sky.eclipse import eclipses
from yieldsim.sky.sun_track import prepare_track

COARSE = (POLE, FAR)
MOON_RADIUS_M = 1_737_400.0
BUSSEY_2010 = (-88.74, 124.5)
CELL_M = 240.0
NEAR_POLE_M = 42_000.0
"""Half width of the window searched for the most lit places."""
LEAST_LIT, APART_M, PAIR_M = 0.70, 1200.0, 10_000.0
"""Places that may pair: lit so much of the year, so far from a better one; and the farthest pair."""


def to_map(latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """South polar stereographic metres, true at the pole."""
    rho = 2.0 * MOON_RADIUS_M * np.tan(np.radians(90.0 + latitude_deg) / 2.0)
    longitude = np.radians(longitude_deg)
    return float(rho * np.sin(longitude)), float(rho * np.cos(longitude))


def from_map(x_m: float, y_m: float) -> tuple[float, float]:
    """Latitude and longitude of such metres."""
    latitude = -90.0 + np.degrees(2.0 * np.arctan(np.hypot(x_m, y_m) / (2.0 * MOON_RADIUS_M)))
    return float(latitude), float(np.degrees(np.arctan2(x_m, y_m)))


@cache
def light(
    files: tuple, start: str, years: float, mast_m: float, window: tuple | None, stride: int = 1
) -> xr.Dataset:
    """A survey of light."""
    options = SurveyOptions(
        window=window, stride=stride, mast_height_m=mast_m, goal="lit", places=0, workers=1
    )
    return survey(list(files), "moon", None, start, years=years, options=options)


@cache
def around_the_pole(start: str) -> xr.Dataset:
    """A year of light at ground level, 84 km across."""
    return light(COARSE, start, 1.0, 0.0, (-NEAR_POLE_M, -NEAR_POLE_M, NEAR_POLE_M, NEAR_POLE_M))


@ours("noda2008-south", slow=True, files=COARSE)
def noda_2008() -> tuple[float, str]:
    ds = around_the_pole("2000-01-01")
    disc = 100.0 * float(ds.lit_fraction.max())
    return 100.0 * float(ds.any_light_fraction.max()), f"{disc:.1f} % by share of the disc"


@ours("bussey2010-best", slow=True, files=COARSE)
def bussey_2010() -> float:
    x, y = to_map(*BUSSEY_2010)
    ds = around_the_pole("2020-01-01").sel(x=slice(x - 3000.0, x + 3000.0), y=slice(y + 3000.0, y - 3000.0))
    return 100.0 * float(ds.any_light_fraction.max())


@ours("bryant2009-best", slow=True, files=COARSE)
def bryant_2009() -> float:
    ds = light(COARSE, "2009-01-01", 20.0, 0.0, BEST_OF_THE_RIDGE)
    return 100.0 * float(ds.any_light_fraction.max())


# ---------------------------------------------------------------- pairs


@cache
def good_places() -> list[tuple[float, float]]:
    """Map metres of the most lit cells of 2020, best first, none near a better one."""
    ds = around_the_pole("2020-01-01")
    lit = ds.any_light_fraction.values
    order = np.argsort(lit, axis=None)[::-1]
    found: list[tuple[float, float]] = []
    for place in order[lit.ravel()[order] >= LEAST_LIT]:
        row, column = np.unravel_index(int(place), lit.shape)
        x, y = float(ds.x[column]), float(ds.y[row])
        if all(np.hypot(x - a, y - b) >= APART_M for a, b in found):
            found.append((x, y))
    return found


class Pair(NamedTuple):
    """Two places as map metres, and the share of the time with any part of the disc in sight from one or the other."""

    share: float
    places: tuple[tuple[float, float], tuple[float, float]]


@cache
def best_pair(start: str, end: str) -> Pair:
    """The pair of single cells that is lit longest."""
    places = good_places()
    tdb_s = moments(start, end)
    lit = [any_part(place, tdb_s) for place in places]
    return max(
        Pair(float((lit[i] | lit[j]).mean()), (places[i], places[j]))
        for i in range(len(places))
        for j in range(i)
        if np.hypot(*np.subtract(places[i], places[j])) <= PAIR_M
    )


def moments(start: str, end: str) -> FloatArray:
    """Every second hour."""
    return np.arange(seconds(start), seconds(end), 7200.0)


def area_lit(place: tuple[float, float], tdb_s: FloatArray) -> np.ndarray:
    """Whether any part of the disc is in sight from any cell of the square of 1.2 km about a place, (n,)."""
    steps = CELL_M * np.arange(-2, 3)
    cells = [any_part((place[0] + x, place[1] + y), tdb_s) for x in steps for y in steps]
    return np.asarray(np.any(cells, axis=0))


@cache
def place_horizon(place: tuple[float, float]) -> Site:
    """A site on the ground there, with its skyline."""
    body, _ = world("moon")
    latitude, longitude = from_map(*place)
    site = Site(name="x", body=body, latitude_deg=latitude, longitude_deg=longitude)
    run = horizon(site, list(COARSE), azimuth_step_deg=1.0)
    return Site(name="x", body=body, latitude_deg=latitude, longitude_deg=longitude, horizon=run.mask)


def any_part(place: tuple[float, float], tdb_s: FloatArray) -> np.ndarray:
    """Whether any part of the disc stands over the skyline there, (n,); eclipses left out."""
    body, ephemeris = world("moon")
    site = place_horizon(place)
    track = prepare_track(ephemeris, body, site.latitude_deg, site.longitude_deg, 0.0, tdb_s[0], tdb_s[-1])
    ds = track.dataset(tdb_s, utc_from_tdb(tdb_s))
    return np.asarray(add_visibility(ds, site.horizon, 0.0)["disc_visible_fraction"].values > 0.0)


@ours("bussey2010-pair", slow=True, files=COARSE)
def bussey_pair() -> tuple[float, str]:
    return 100.0 * best_pair("2020-01-01", "2021-01-01").share, f"of {len(good_places())} places"


LUNATIONS = tuple(pairwise(("1994-02-26", "1994-03-26T12:00", "1994-04-22")))
"""Of Clementine's two months."""


@ours("bussey1999-pair", slow=True, files=COARSE)
def clementine_pair() -> tuple[float, str]:
    """The areas about the best pair of cells in each lunation; the lesser of both."""
    shares = []
    for ends in LUNATIONS:
        first, second = (area_lit(place, moments(*ends)) for place in best_pair(*ends).places)
        shares.append(100.0 * float((first | second).mean()))
    cells = " and ".join(f"{100.0 * best_pair(*ends).share:.1f}" for ends in LUNATIONS)
    return min(shares), f"{max(shares):.1f} % in the other lunation; single cells {cells} %"


# ---------------------------------------------------------------- axes, eclipses, Mercury


@ours("lunar-obliquity")
def lunar_obliquity() -> float:
    """Angle between the Moon's axis and the pole of the ecliptic of J2000, mean."""
    _, ephemeris = world("moon")
    t = library_time(np.arange(0.0, 18.6 * 365.25, 5.0) * 86_400.0)
    pole = ephemeris.orientation.rotation_at(t)[2]
    obliquity = np.radians(84381.406 / 3600.0)
    ecliptic = np.array([0.0, -np.sin(obliquity), np.cos(obliquity)])
    return float(np.degrees(np.arccos(ecliptic @ pole)).mean())


@ours("eclipse-on-a-peak", slow=True)
def longest_polar_eclipse() -> float:
    """Hours from the first to the last contact."""
    body, ephemeris = world("moon")
    start, end = seconds("1990-01-02"), seconds("2049-12-31")
    track = prepare_track(ephemeris, body, -90.0, 0.0, 5000.0, start, end)
    return max(one.end_tdb_s - one.start_tdb_s for one in eclipses(track)) / 3600.0


@ours("mercury-south")
def mercury_south() -> tuple[float, str]:
    """Share of one solar day with any part of the disc up, and how high above a bare world the published share is reached."""
    body, ephemeris = world("mercury")
    start = seconds("2011-04-01")
    tdb_s = start + np.arange(0.0, body.mean_solar_day_hours * 3600.0, 1800.0)
    track = prepare_track(ephemeris, body, -89.0, 50.7, 0.0, tdb_s[0], tdb_s[-1])
    _, elevation, distance = track.directions(tdb_s)
    top = elevation + np.degrees(np.arcsin(695_700.0 / (149_597_870.7 * distance)))

    def percent(height_m: float) -> float:
        return 100.0 * float((top > -flat_dip_deg(body.polar_radius_km, height_m)).mean())

    needed = next(height for height in np.arange(0.0, 5000.0, 10.0) if percent(float(height)) >= 82.0)
    return percent(0.0), f"82 % needs a place {needed:.0f} m above a bare world around it"
