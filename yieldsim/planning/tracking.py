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

The light may come from the cells of a weighted sky or from the lit steps of a run themselves (`SunLight`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.sunlit import LitSteps
from yieldsim.optics.acceptance_interpolator import Lookup, light_at
from yieldsim.planning.sunlight.sunlit_series import is_cut, longest_gap_steps

if TYPE_CHECKING:
    from yieldsim.planning.sunlight.cumulative_sky import WeightedSky

TWO_AXES = "two axes"
VERTICAL = "vertical axis"
SAME_GAP = 1.05
"""A gap within this factor of the follower's counts as the same."""


class SunLight(NamedTuple):
    """Energy by where it comes from, on one aperture square to it, before acceptance.

    sun_enu_xyz    (n, 3)  of unit length
    kwh            (n,)
    radius_class   (n,)  of the Sun's disc, as the lookup counts them
    """

    sun_enu_xyz: FloatArray
    kwh: FloatArray
    radius_class: NDArray[np.int64]

    @classmethod
    def of_sky(cls, sky: WeightedSky, dust_rate: float = 1.0) -> SunLight:
        """A year's light of the cells; dust_rate: deposition of the fixed unit compared with, relative to a
        level aperture."""
        sums = np.einsum("r,rck->ck", sky.dust.shares(np.array([dust_rate]))[0], sky.sums)
        return cls(_unit(sums[:, :3]), sums[:, 3] / sky.years, sky.radius_class.astype(np.int64))

    @classmethod
    def of_steps(cls, track: LitSteps) -> SunLight:
        """The whole run's light of the lit steps, their dust counted."""
        kwh = track.power_w.astype(np.float64) * track.step_hours / 1000.0
        return cls(_unit(track.sun_enu_xyz.astype(np.float64)), kwh, track.radius_class)


@dataclass(frozen=True, slots=True, kw_only=True)
class Follower:
    """One following unit. `tilt_deg` is the aperture's tilt for a vertical axis, else None.

    kwh   of the light given: a year's of a weighted sky, the whole run's of lit steps
    """

    axes: str
    kwh: float
    longest_gap_hours: float
    longest_gap_is_cut: bool
    tilt_deg: float | None = None


def followers(
    track: LitSteps,
    ready: Lookup,
    vertical_latitude_deg: float,
    *,
    light: SunLight | None = None,
    downtime_fraction: float = 0.0,
    stop_hours: float = 0.0,
) -> list[Follower]:
    """One unit on two axes and on each kind of single axis, two axes first, then by energy.

    track   what gaps are read from
    light   what energies are: the track's own, over the whole run, where it is None
    """
    steps = SunLight.of_steps(track)
    cells = steps if light is None else light
    rolls = (False,) if ready.is_round else (False, True)

    def built(
        axes: str, off_rad: Callable[[FloatArray], FloatArray], tilt_deg: float | None = None
    ) -> Follower:
        off = off_rad(cells.sun_enu_xyz)
        taken = [off_axis_light(ready, cells.radius_class, off, rolled) for rolled in rolls]
        energies = [float(cells.kwh @ one) for one in taken]
        best = int(np.argmax(energies))
        if cells is not steps:
            taken[best] = off_axis_light(ready, steps.radius_class, off_rad(steps.sun_enu_xyz), rolls[best])
        lit = track.step[taken[best] > 0.0]
        gap, first = longest_gap_steps((lit, lit + 1), track.step_count)
        return Follower(
            axes=axes,
            kwh=energies[best] * (1.0 - downtime_fraction),
            longest_gap_hours=gap * track.step_hours + stop_hours,
            longest_gap_is_cut=is_cut(first, gap, track.step_count),
            tilt_deg=tilt_deg,
        )

    def off_axle(axle_xyz: tuple[float, float, float]) -> Callable[[FloatArray], FloatArray]:
        return lambda sun_xyz: np.arcsin(np.clip(sun_xyz @ axle_xyz, -1.0, 1.0))

    def elevation_rad(sun_xyz: FloatArray) -> FloatArray:
        return off_axle((0.0, 0.0, 1.0))(sun_xyz)

    latitude = math.radians(vertical_latitude_deg)
    axles = {
        "horizontal north-south axis": (0.0, 1.0, 0.0),
        "horizontal east-west axis": (1.0, 0.0, 0.0),
        "polar axis": (0.0, math.cos(latitude), math.sin(latitude)),
    }
    single = [built(name, off_axle(axle)) for name, axle in axles.items()]
    tilt_deg = _best_tilt_deg(
        ready, *_by_elevation(cells.radius_class, elevation_rad(cells.sun_enu_xyz), cells.kwh)
    )
    facing_up = math.radians(90.0 - tilt_deg)
    single.append(built(VERTICAL, lambda sun_xyz: elevation_rad(sun_xyz) - facing_up, tilt_deg))
    both = built(TWO_AXES, lambda sun_xyz: np.zeros(len(sun_xyz)))
    return [both, *sorted(single, key=lambda one: -one.kwh)]


def _unit(vectors_xyz: FloatArray) -> FloatArray:
    """The same directions (n, 3) at unit length."""
    return np.asarray(vectors_xyz / np.sqrt((vectors_xyz**2).sum(axis=1, keepdims=True)))


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

    def energies(tilts_deg: FloatArray) -> FloatArray:
        off = (elevation - np.radians(90.0 - tilts_deg)[:, None]).ravel()
        repeated = np.tile(classes, len(tilts_deg))
        rolls = (False,) if ready.is_round else (False, True)
        taken = [
            off_axis_light(ready, repeated, off, rolled).reshape(len(tilts_deg), len(kwh)) for rolled in rolls
        ]
        return np.asarray(np.max([one @ kwh for one in taken], axis=0))

    tilts, step = np.arange(0.0, 180.0, 2.0), 2.0
    while True:
        best = float(tilts[int(np.argmax(energies(tilts)))])
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
    # a lookup is dear to hand on: it is read here
    is_round, curve, chord_step, grid = ready.is_round, ready.curve, ready.chord_step, ready.grid
    first_t, step_t, fold_t = ready.first_t, ready.step_t, ready.fold_t
    first_l, step_l, fold_l = ready.first_l, ready.step_l, ready.fold_l
    for i in range(off_rad.shape[0]):
        side, along, number = math.sin(off_rad[i]), math.cos(off_rad[i]), radius_class[i]
        x, y = (side, 0.0) if rolled else (0.0, side)
        found[i] = light_at(
            is_round, curve[min(number, len(curve) - 1)], chord_step, grid[min(number, len(grid) - 1)],
            first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, along,
        )  # fmt: skip
    return found


def units_for_energy(following_kwh: float, fixed_kwh: float) -> float | None:
    """Fixed units that deliver as much as one following unit, not rounded; None if a fixed one delivers
    nothing."""
    return following_kwh / fixed_kwh if fixed_kwh > 0.0 else None
