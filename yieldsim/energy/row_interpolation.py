"""The Sun and its light between the rows of a saved estimate.

A file keeps the Sun's direction at the middle of each row and the mean of the beam over it. Turned back about the pole by the
mean solar day, the Sun stands nearly still, so that a cubic through four rows tells where it is at any moment; where in its row
the light falls, skyline and air tell. Each row is scaled to the mean that the file gives: an eclipse counts in full, spread
evenly over its row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.model import HorizonMask
from yieldsim.base.numerics.vectors import FloatArray, azimuth_elevation_deg, direction_enu_xyz
from yieldsim.ground.visible_disc import add_visibility
from yieldsim.sky.atmosphere import air_mass, beam_transmittance

LONGEST_STEP_S, LONGEST_WAY_DEG = 900.0, 0.625
"""A step: at most a quarter of an hour, and no longer than the Sun takes for this way on the body's sky."""
SEEN_WAY_DEG = 0.125
"""Within a step the visible share of the disc is sampled at least this closely."""
MOST_STEPS = 2_000_000
BLOCK_STEPS = 400_000


@dataclass(frozen=True, slots=True)
class Turning:
    """How the sky turns over a site.

    latitude_deg   of the local vertical (planetographic): height of the pole
    rate_deg_per_hour   of the Sun about the pole, by the right-hand rule: below 0 where it goes from east to west
    """

    latitude_deg: float
    rate_deg_per_hour: float

    @property
    def pole_xyz(self) -> FloatArray:
        """The north pole of the sky, (3,), east-north-up."""
        latitude = np.radians(self.latitude_deg)
        return np.array([0.0, np.cos(latitude), np.sin(latitude)])

    def turned(self, enu_xyz: FloatArray, hours: FloatArray) -> FloatArray:
        """Directions (n, 3) turned about the pole for so many hours (n,); Rodrigues' formula."""
        angle = np.radians(self.rate_deg_per_hour * np.asarray(hours, dtype=np.float64))[:, None]
        pole = self.pole_xyz
        along = (enu_xyz @ pole)[:, None] * pole
        return np.asarray(along + np.cos(angle) * (enu_xyz - along) + np.sin(angle) * np.cross(pole, enu_xyz))


def turning_of(
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    row_hours: float,
    latitude_deg: float,
    solar_day_hours: float,
) -> Turning:
    """The turning that leaves the Sun of the rows most still: westward, or eastward on a world that turns the other way."""
    sun = direction_enu_xyz(azimuth_deg, elevation_deg)
    hours: FloatArray = (np.arange(len(sun), dtype=np.float64) + 0.5) * row_hours
    both = [Turning(latitude_deg, sign * 360.0 / solar_day_hours) for sign in (-1.0, 1.0)]
    moved = [float(np.abs(np.diff(one.turned(sun, -hours), axis=0)).sum()) for one in both]
    return both[int(np.argmin(moved))]


def sun_between_rows(
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    row_hours: float,
    turning: Turning,
    at_rows: FloatArray,
) -> FloatArray:
    """Sun directions (n, 3) at any moments.

    azimuth_deg, elevation_deg   (rows,)  at the middles of the rows
    at_rows   (n,)  moments in rows since the start: 0.5 is the middle of the first

    The polynomial through the four rows around (all of them, where there are fewer), continued by half a row at the ends.
    """
    rows = len(azimuth_deg)
    middle_hours: FloatArray = (np.arange(rows, dtype=np.float64) + 0.5) * row_hours
    still = turning.turned(direction_enu_xyz(azimuth_deg, elevation_deg), -middle_hours)
    order = min(4, rows)
    first = np.clip(np.floor(at_rows - 0.5).astype(np.int64) - (order - 1) // 2, 0, rows - order)
    u = at_rows - 0.5 - first
    found = np.zeros((len(at_rows), 3))
    for k in range(order):
        weight = np.ones(len(at_rows))
        for other in range(order):
            if other != k:
                weight = weight * (u - other) / (k - other)
        found += weight[:, None] * still[first + k]
    found /= np.linalg.norm(found, axis=1, keepdims=True)
    return turning.turned(found, at_rows * row_hours)


def steps_a_row(row_hours: float, solar_day_hours: float, rows: int) -> int:
    """Steps in a row: fine enough for skyline and air, within MOST_STEPS over the run."""
    seconds = min(LONGEST_STEP_S, LONGEST_WAY_DEG / 360.0 * solar_day_hours * SECONDS_PER_HOUR)
    wanted = int(np.ceil(row_hours * SECONDS_PER_HOUR / seconds - 1e-9))
    return max(1, min(wanted, MOST_STEPS // rows))


def light_shares(ds: xr.Dataset, chain: dict[str, Any], turning: Turning, steps: int) -> FloatArray:
    """Light of each step over that of the brightest in its row, (rows * steps,), 0..1: by air and skyline.

    A row with light in which the steps see none (an edge of the skyline, by rounding) has them all alike.

    ds      a saved estimate; chain: its record of the chain
    steps   in each row
    """
    row_hours = float(ds.attrs["interval_s"]) / SECONDS_PER_HOUR
    rows = ds.sizes["time"]
    way_deg = 360.0 / chain["mean_solar_day_hours"] * row_hours / steps
    within = max(1, int(np.ceil(way_deg / SEEN_WAY_DEG - 1e-9)))
    mask = skyline_of(ds)
    shares = np.empty((rows, steps))
    per_block = max(1, BLOCK_STEPS // (steps * within))
    for begin in range(0, rows, per_block):
        end = min(begin + per_block, rows)
        at_rows = begin + (np.arange((end - begin) * steps * within) + 0.5) / (steps * within)
        shares[begin:end] = (
            _seen(ds, chain, turning, mask, at_rows).reshape(end - begin, steps, within).mean(axis=2)
        )
    lit = ds["beam_irradiance_w_m2"].values > 0.0
    shares[lit & (shares.sum(axis=1) == 0.0)] = 1.0
    shares[~lit] = 0.0
    most = shares.max(axis=1, keepdims=True)
    return np.asarray(np.divide(shares, most, out=shares, where=most > 0.0).ravel())


def skyline_of(ds: xr.Dataset) -> HorizonMask | None:
    """The skyline that an estimate was made with; None for a flat horizon."""
    if ds.sizes["horizon"] == 1:
        return None
    return HorizonMask(
        azimuth_deg=ds["horizon_azimuth_deg"].values, elevation_deg=ds["horizon_elevation_deg"].values
    )


def _seen(
    ds: xr.Dataset, chain: dict[str, Any], turning: Turning, mask: HorizonMask | None, at_rows: FloatArray
) -> FloatArray:
    row_hours = float(ds.attrs["interval_s"]) / SECONDS_PER_HOUR
    sun = sun_between_rows(
        ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values, row_hours, turning, at_rows
    )
    azimuth, elevation = azimuth_elevation_deg(sun)
    row: NDArray[np.int64] = np.floor(at_rows).astype(np.int64)
    track = xr.Dataset(
        {
            "solar_azimuth_deg": ("time", azimuth),
            "solar_elevation_deg": ("time", elevation),
            "sun_angular_radius_deg": ("time", ds["sun_angular_radius_deg"].values[row]),
        }
    )
    seen = np.asarray(add_visibility(track, mask, chain["horizon_dip_deg"])["disc_visible_fraction"].values)
    if chain["air"] is None:
        return seen
    mass = air_mass(elevation, chain["air"]["scale_height_km"], chain["air"]["radius_km"])
    return seen * beam_transmittance(ds["optical_depth"].values[row], mass)
