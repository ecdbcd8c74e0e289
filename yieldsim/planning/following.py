"""Apertures that follow the Sun, of the same area and with the same losses as a fixed one: the case for or
against moving parts.

    two axes               always square to the Sun
    one axis a             turns about a to the smallest incidence: sin(incidence) = |a . s|
        horizontal north-south, horizontal east-west, polar (parallel to the body's axis)
    vertical axis          faces the Sun's azimuth at a fixed tilt t from the zenith: incidence = |90 -
    elevation - t|, t chosen for energy

Dust, film and fibre count as for the fixed unit compared with; two-angle optics stand with either axis along
the axle, whichever gives more. A follower never shades another and reaches every direction. Its mechanism
stands still for a share of the time, spread evenly over the light (`downtime_fraction`: dust in bearings,
stowing, service), and now and then for so long that the longest dark stretch grows by `stop_hours`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from yieldsim.base.vectors import FloatArray
from yieldsim.planning.acceptance_lookup import Lookup, light
from yieldsim.planning.lit_steps import LitSteps, longest_gap_steps
from yieldsim.planning.weighted_sky import WeightedSky

TWO_AXES = "two axes"
VERTICAL = "vertical axis"
SAME_GAP = 1.05
"""A gap within this factor of the follower's counts as the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Follower:
    """One following unit. `tilt_deg` is the aperture's tilt for a vertical axis, else None."""

    axes: str
    annual_kwh: float
    longest_gap_hours: float
    tilt_deg: float | None = None


def followers(
    sky: WeightedSky,
    track: LitSteps,
    ready: Lookup,
    vertical_latitude_deg: float,
    *,
    dust_rate: float = 1.0,
    downtime_fraction: float = 0.0,
    stop_hours: float = 0.0,
) -> list[Follower]:
    """One unit on two axes and on each kind of single axis, two axes first, then by energy.

    dust_rate   deposition of the fixed unit compared with, relative to a level aperture
    """
    shares = sky.dust.shares(np.array([dust_rate]))[0]
    sums = np.einsum("r,rck->ck", shares, sky.sums)
    kwh = sums[:, 3]
    sun = sums[:, :3] / np.linalg.norm(sums[:, :3], axis=1, keepdims=True)
    steps_sun = track.sun_enu_xyz.astype(np.float64)
    steps_sun /= np.linalg.norm(steps_sun, axis=1, keepdims=True)
    classes = sky.radius_class.astype(np.int64)

    def built(
        axes: str, off_cells: FloatArray, off_steps: FloatArray, tilt_deg: float | None = None
    ) -> Follower:
        energies = [
            float(kwh @ off_axis_light(ready, classes, off_cells, rolled)) for rolled in (False, True)
        ]
        rolled = energies[1] > energies[0]
        lit = off_axis_light(ready, track.radius_class, off_steps, rolled) > 0.0
        gap, _ = longest_gap_steps((track.step[lit], track.step[lit] + 1), track.step_count)
        return Follower(
            axes=axes,
            annual_kwh=max(energies) / sky.years * (1.0 - downtime_fraction),
            longest_gap_hours=gap * track.step_hours + stop_hours,
            tilt_deg=tilt_deg,
        )

    latitude = math.radians(vertical_latitude_deg)
    axles = {
        "horizontal north-south axis": (0.0, 1.0, 0.0),
        "horizontal east-west axis": (1.0, 0.0, 0.0),
        "polar axis": (0.0, math.cos(latitude), math.sin(latitude)),
    }
    single = [
        built(
            name, np.arcsin(np.clip(sun @ axle, -1.0, 1.0)), np.arcsin(np.clip(steps_sun @ axle, -1.0, 1.0))
        )
        for name, axle in axles.items()
    ]
    elevation, steps_elevation = (np.arcsin(np.clip(s[:, 2], -1.0, 1.0)) for s in (sun, steps_sun))
    tilt_deg = _best_tilt_deg(ready, *_by_elevation(classes, elevation, kwh))
    facing_up = math.radians(90.0 - tilt_deg)
    single.append(built(VERTICAL, elevation - facing_up, steps_elevation - facing_up, tilt_deg))
    both = built(TWO_AXES, np.zeros(len(kwh)), np.zeros(len(steps_sun)))
    return [both, *sorted(single, key=lambda one: -one.annual_kwh)]


def _by_elevation(
    classes: NDArray[np.int64], elevation: FloatArray, kwh: FloatArray
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Light gathered by class of radius and tenths of a degree of elevation: classes, mean elevations and
    kWh, (n,) each."""
    key = classes * 2000 + np.floor(np.degrees(elevation) * 10.0).astype(np.int64) + 1000
    light_in = np.bincount(key, kwh)
    lit = np.flatnonzero(light_in > 0.0)
    mean = np.bincount(key, kwh * elevation)[lit] / light_in[lit]
    return np.asarray(lit // 2000, dtype=np.int64), np.asarray(mean), np.asarray(light_in[lit])


def _best_tilt_deg(
    ready: Lookup, classes: NDArray[np.int64], elevation: FloatArray, kwh: FloatArray
) -> float:
    """The fixed tilt of an aperture that turns about a vertical axis: a grid, then finer ones about the
    best."""

    def energy(tilt_deg: float) -> float:
        off = elevation - math.radians(90.0 - tilt_deg)
        return max(float(kwh @ off_axis_light(ready, classes, off, rolled)) for rolled in (False, True))

    tilts, step = np.arange(0.0, 180.0, 2.0), 2.0
    while True:
        best = float(tilts[int(np.argmax([energy(float(tilt)) for tilt in tilts]))])
        if step <= 0.01:
            return round(best, 2)
        tilts, step = np.clip(best + step * np.linspace(-1.0, 1.0, 9), 0.0, 180.0), step / 4.0


@njit(cache=True)
def off_axis_light(
    ready: Lookup, radius_class: NDArray[np.int64], off_rad: FloatArray, rolled: bool
) -> FloatArray:
    """Acceptance times cosine (n,) at angles off the normal along the longitudinal axis, or the transverse
    one if `rolled`."""
    found = np.zeros(off_rad.shape[0])
    for i in range(off_rad.shape[0]):
        side, along = math.sin(off_rad[i]), math.cos(off_rad[i])
        if rolled:
            found[i] = light(ready, radius_class[i], side, 0.0, along)
        else:
            found[i] = light(ready, radius_class[i], 0.0, side, along)
    return found


def units_for_energy(following_kwh: float, fixed_kwh: float) -> float | None:
    """Fixed units that deliver as much in a year as one following unit, not rounded; None if a fixed one
    delivers nothing."""
    return following_kwh / fixed_kwh if fixed_kwh > 0.0 else None


def units_for_gap(following_gap_hours: float, gap_hours_by_units: list[tuple[int, float]]) -> int | None:
    """Fewest units whose longest gap is within SAME_GAP of the follower's; None if none of those worked out
    is."""
    enough = [units for units, hours in gap_hours_by_units if hours <= SAME_GAP * following_gap_hours]
    return min(enough) if enough else None
