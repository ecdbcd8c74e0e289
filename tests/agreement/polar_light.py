"""Our light at the Moon's poles where others mapped it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import xarray as xr

from agreement.compare import ours
from agreement.published import columns, table
from agreement.terrain import FAR, FAR_PART, POLE, POLE_PART, RIDGE, SOUTH, resampled
from agreement.worlds import seconds, world
from yieldsim.ground.horizon_dip import flat_dip_deg
from yieldsim.runs.survey.options import SurveyOptions
from yieldsim.runs.survey.run import survey
from yieldsim.sky.sun_track import prepare_track

BEST_OF_THE_RIDGE = (-11_800, -12_800, -10_700, -11_600)
"""Window of map metres that holds the best places of the whole 16 km file."""


@cache
def ridge_survey(mast_m: float) -> xr.Dataset:
    """19 years of light about the best places of the ridge."""
    options = SurveyOptions(
        window=BEST_OF_THE_RIDGE,
        stride=2,
        mast_height_m=mast_m,
        earth_mast_height_m=mast_m,
        goal="lit",
        places=3,
        workers=1,
    )
    return survey(list(SOUTH), "moon", None, "2010-01-01", years=19, options=options)


def best_percent(mast_m: float) -> float:
    """Share of the time with any part of the disc in sight at the best place, %."""
    return 100.0 * float(ridge_survey(mast_m).any_light_fraction.max())


@cache
def ridge_as_theirs(mast_m: float, start: str, years: float) -> xr.Dataset:
    """Light about the best places of the ridge from 20 m a pixel."""
    options = SurveyOptions(window=BEST_OF_THE_RIDGE, mast_height_m=mast_m, goal="lit", places=0, workers=1)
    return survey([resampled(RIDGE, 20.0), POLE, FAR], "moon", None, start, years=years, options=options)


def glaser_2014(mast_m: float) -> tuple[float, str]:
    """Of 19 years, any part of the disc, %; and the same from 10 m a pixel."""
    found = 100.0 * float(ridge_as_theirs(mast_m, "2010-01-01", 19.0).any_light_fraction.max())
    return found, f"{best_percent(mast_m):.2f} % from 10 m/pixel"


@ours("glaser2014-2m", slow=True, files=SOUTH)
def glaser_2m() -> tuple[float, str]:
    return glaser_2014(2.0)


@ours("glaser2014-10m", slow=True, files=SOUTH)
def glaser_10m() -> tuple[float, str]:
    return glaser_2014(10.0)


@ours("glaser2014-dark", slow=True, files=SOUTH)
def glaser_dark() -> tuple[float, str]:
    """Theirs is what is typical of best places: the median of the ten most lit."""
    ds = ridge_as_theirs(2.0, "2010-01-01", 19.0)
    best = np.argsort(ds.any_light_fraction.values, axis=None)[::-1][:10]
    days = ds.longest_dark_hours.values.ravel()[best] / 24.0
    return float(
        np.median(days)
    ), f"{days.min():.2f} to {days.max():.2f} d among the ten most lit places, {days[0]:.2f} at the most lit"


def glaser_2018_percent(mast_m: float) -> float:
    """Best mean light of 2017 to 2036 on the ridge, % of the disc."""
    return 100.0 * float(ridge_as_theirs(mast_m, "2017-01-01", 20.0).lit_fraction.max())


@ours("glaser2018-2m", slow=True, files=SOUTH)
def glaser_2018() -> float:
    return glaser_2018_percent(2.0)


@ours("glaser2018-range-2m", slow=True, files=SOUTH)
def glaser_2018_range() -> float:
    return glaser_2018_percent(2.0)


@ours("glaser2018-surface", slow=True, files=SOUTH)
def glaser_2018_surface() -> float:
    return glaser_2018_percent(0.0)


@ours("bryant2009-earth", slow=True, files=SOUTH)
def bryant_earth() -> float:
    """At the best lit place of that survey."""
    ds = ridge_survey(2.0)
    best = np.unravel_index(int(np.argmax(ds.any_light_fraction.values)), ds.any_light_fraction.shape)
    return 100.0 * float(ds.earth_visible_fraction.values[best])


class MapAgreement(NamedTuple):
    """Of our map of blocks with the published one, in points of percent."""

    blocks: int
    correlation: float
    rms_points: float
    mean_percent: float
    published_mean_percent: float

    def __str__(self) -> str:
        return (
            f"{self.blocks} blocks, correlation {self.correlation:.4f}, {self.rms_points:.2f} points, "
            f"mean {self.mean_percent:.2f} against {self.published_mean_percent:.2f} %"
        )


PUBLISHED_PIXEL_M, BLOCK_M = 60.0, 1080.0
AT_THE_POLE_M = 1200.0
"""The published map has the block on the pole at a third to a quarter of its neighbours, in the light of any terrain at hand, and
the one beside it at half: blocks no farther away than this are told apart."""


def block_light(
    terrain: tuple[Path, ...], window: tuple[float, float, float, float] | None, stride: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distance from the pole (blocks,) in m, light ours and theirs in %, of the published blocks of 1.08 km that a survey holds whole.

    Ground level, share of the disc, a precession cycle.
    """
    blocks = columns("terrain/lola_average_visibility_blocks.csv")
    options = SurveyOptions(window=window, stride=stride, mast_height_m=0.0, places=0, workers=1)
    ds = survey(list(terrain), "moon", None, "2010-01-01", years=18.6, options=options)

    def overlap(cells_m: np.ndarray, centre_km: np.ndarray) -> np.ndarray:
        """Metres of each cell in each block, (blocks, cells)."""
        half = abs(cells_m[1] - cells_m[0]) / 2.0
        middle = 1000.0 * centre_km[:, None]
        high = np.minimum(cells_m + half, middle + BLOCK_M / 2.0)
        return np.clip(high - np.maximum(cells_m - half, middle - BLOCK_M / 2.0), 0.0, None)

    across, down = overlap(ds.x.values, blocks["x_km"]), overlap(ds.y.values, blocks["y_km"])
    area_m2 = across.sum(axis=1) * down.sum(axis=1)
    light = 100.0 * np.einsum("bi,ij,bj->b", down, ds.lit_fraction.values, across)
    held = area_m2 > 0.999 * BLOCK_M**2
    away_m = 1000.0 * np.hypot(blocks["x_km"], blocks["y_km"])
    return away_m[held], light[held] / area_m2[held], blocks["avg_sun_visibility_percent"][held]


def agreement_of(found: np.ndarray, given: np.ndarray) -> MapAgreement:
    """Of blocks."""
    return MapAgreement(
        blocks=found.size,
        correlation=float(np.corrcoef(found, given)[0, 1]),
        rms_points=float(np.sqrt(np.mean((found - given) ** 2))),
        mean_percent=float(found.mean()),
        published_mean_percent=float(given.mean()),
    )


@cache
def visibility_map() -> tuple[MapAgreement, MapAgreement]:
    """All blocks, and those off the pole, from 240 m a pixel.

    A mean over a block takes the ground between the heights too: heights themselves stand out on crests. Light is found on the
    surface between them at the published map's pixels, every third one each way, so that no place between four heights comes
    more often than another.
    """
    window = (-18_480.0, -18_480.0, 18_480.0, 18_480.0)
    away_m, found, given = block_light(
        (resampled(POLE_PART, PUBLISHED_PIXEL_M), POLE_PART, FAR_PART), window, 3
    )
    off = away_m > AT_THE_POLE_M
    return agreement_of(found, given), agreement_of(found[off], given[off])


@ours("lola-map-correlation", slow=True)
def map_correlation() -> tuple[float, str]:
    every, off = visibility_map()
    return 1.0 - every.correlation, f"off the pole: {off}"


@ours("lola-map-rms", slow=True)
def map_rms() -> tuple[float, str]:
    every, off = visibility_map()
    return every.rms_points, f"off the pole {off.rms_points:.2f}"


@ours("lola-map-mean", slow=True)
def map_mean() -> float:
    return visibility_map()[0].mean_percent


@ours("lola-map-ridge", slow=True, files=(RIDGE,))
def map_ridge() -> tuple[float, str]:
    """From means of 10 m heights."""
    _, found, given = block_light((resampled(RIDGE, PUBLISHED_PIXEL_M), POLE_PART, FAR_PART), None, 1)
    of_ridge = agreement_of(found, given)
    return of_ridge.rms_points, str(of_ridge)


# ---------------------------------------------------------------- a bare sphere


@cache
def bare_sphere() -> tuple[np.ndarray, np.ndarray]:
    """Shares (rows, 3) and longest darks (rows,) in days, ours, in the order of the table."""
    body, ephemeris = world("moon")
    tdb_s = np.arange(seconds("2000-01-01"), seconds("2049-12-31"), 3600.0)
    shares, darks = [], []
    for row in table("bare_sphere_poles.csv"):
        eye_m = float(row["eye_m"])
        latitude = -90.0 if row["pole"] == "S" else 90.0
        track = prepare_track(ephemeris, body, latitude, 0.0, eye_m, tdb_s[0], tdb_s[-1])
        _, elevation, distance = track.directions(tdb_s)
        above = elevation + flat_dip_deg(body.equatorial_radius_km, eye_m)
        radius = np.degrees(np.arcsin(695_700.0 / (149_597_870.7 * distance)))
        shares.append([(above > limit).mean() for limit in (-radius, 0.0 * radius, radius)])
        lit = np.flatnonzero(above > -radius)
        darks.append((np.diff(lit).max() - 1) / 24.0)
    return np.array(shares), np.array(darks)


@ours("bare-sphere", slow=True)
def bare_sphere_shares() -> float:
    given = [
        [float(row[key]) for key in ("any_part", "centre", "whole_disc")]
        for row in table("bare_sphere_poles.csv")
    ]
    return float(np.abs(bare_sphere()[0] - given).max())


@ours("bare-sphere-dark", slow=True)
def bare_sphere_dark() -> float:
    given = [float(row["longest_dark_days"]) for row in table("bare_sphere_poles.csv")]
    return float(np.abs(bare_sphere()[1] - given).max())
