"""What passes in front of the Sun, seen from the site: where it stands, how much it hides, and when.

The rule is purely geometric: the occulter is a sphere without air (the Earth: its equatorial radius), with
the light time and aberration of both bodies and the site's own parallax. The eclipse catalogues enlarge the
Earth's shadow by 1 to 2 percent of the radius for its atmosphere; 1 percent moves the contacts seen from the
Moon by about a minute (computed). The Earth's flattening, left out, moves them by some 20 seconds, grazing
ones by more. Light bent into the umbra by the Earth's air, under 1/2400 of sunlight (Vollmer & Gedzelman
2008, Appl. Opt. 47, H52), counts as none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.base.model import Occulter
from yieldsim.base.numerics.vectors import FloatArray, azimuth_elevation_deg
from yieldsim.sky.chebyshev import Pieces
from yieldsim.sky.conjunctions import NEAR, angular_radii_deg
from yieldsim.sky.sun_track import SunTrack

if TYPE_CHECKING:
    import xarray as xr

SAMPLES = 401
"""Moments looked at in each passage; contacts and the deepest moment are then refined."""
FINER = 33
"""Into so many moments each stretch between two is cut again, down to TOLERANCE_S."""
TOLERANCE_S = 0.001
Gap = Callable[[FloatArray], FloatArray]
"""Times in TDB seconds -> degrees between two limbs, below zero where they cross."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Eclipse:
    """One eclipse as the site sees it.

    kind             "penumbra" (partial), "umbra" (total) or "annular", at its deepest
    inner_*_tdb_s    beginning and end of the umbra or of the annulus
    covered_fraction share of a uniform disc hidden at the deepest moment
    An eclipse under way when the span begins or ends is cut there.
    """

    occulter: str
    kind: str
    start_tdb_s: float
    greatest_tdb_s: float
    end_tdb_s: float
    inner_start_tdb_s: float | None
    inner_end_tdb_s: float | None
    covered_fraction: float


def add_occulter(ds: xr.Dataset, track: SunTrack, tdb_s: FloatArray) -> xr.Dataset:
    """Add what `occulter_beside` finds: occulter_east_offset_deg, occulter_up_offset_deg, occulter_angular_radius_deg."""
    from yieldsim.base.dataset import add_all

    names = "occulter_east_offset_deg", "occulter_up_offset_deg", "occulter_angular_radius_deg"
    return add_all(ds, dict(zip(names, occulter_beside(track, tdb_s), strict=True)))


def occulter_beside(track: SunTrack, tdb_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The occulter's offsets from the Sun's centre and its angular radius, degrees, (n,) each; all 0 where none is near.

    The first offset is along the horizontal, positive to increasing azimuth (to the right), the second towards the zenith.
    Their hypotenuse is the angle between the centres. Near is within three times the summed angular radii; of
    several bodies the one whose limb is nearest to the Sun's centre counts. tdb_s (n,) must not decrease.
    """
    if np.any(np.diff(tdb_s) < 0.0):
        raise ValueError("times must not decrease")
    east, up, radius, depth = np.zeros((4, tdb_s.size))
    for (occulter, pieces), windows in zip(track.occulters, track.near_s, strict=True):
        for first, last in windows:
            here = slice(np.searchsorted(tdb_s, first, "left"), np.searchsorted(tdb_s, last, "right"))
            if here.start == here.stop:
                continue
            view = _view(track.sun, occulter, pieces, tdb_s[here])
            deeper = view.near & ((radius[here] == 0.0) | (view.depth_deg > depth[here]))
            east[here][deeper] = view.east_deg[deeper]
            up[here][deeper] = view.up_deg[deeper]
            radius[here][deeper] = view.radius_deg[deeper]
            depth[here][deeper] = view.depth_deg[deeper]
    return east, up, radius


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """An occulter beside the Sun, each (n,), degrees."""

    east_deg: FloatArray
    up_deg: FloatArray
    radius_deg: FloatArray
    sun_radius_deg: FloatArray
    separation_deg: FloatArray
    in_front: NDArray[np.bool_]

    @property
    def near(self) -> NDArray[np.bool_]:
        """Whether it is in front of the Sun's surroundings."""
        return self.in_front & (self.separation_deg < NEAR * (self.radius_deg + self.sun_radius_deg))

    @property
    def depth_deg(self) -> FloatArray:
        """How far its limb reaches beyond the Sun's centre."""
        return self.radius_deg - self.separation_deg


def _view(sun: Pieces, occulter: Occulter, pieces: Pieces, tdb_s: FloatArray) -> _View:
    sun_enu, body_enu = sun.at(tdb_s).T, pieces.at(tdb_s).T
    sun_radius, radius = angular_radii_deg(sun_enu, body_enu, occulter.radius_km)
    east, up, separation = offsets_deg(sun_enu, body_enu)
    in_front = np.linalg.norm(body_enu, axis=1) < np.linalg.norm(sun_enu, axis=1)
    return _View(east, up, radius, sun_radius, separation, in_front)


def offsets_deg(
    sun_enu_xyz: FloatArray, body_enu_xyz: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A body's offset from the Sun along the horizontal and to the zenith, and the angle between: (n,) each.

    The angle is laid off to where the body lies (zenithal equidistant projection): discs keep their size.
    """
    azimuth, elevation = (np.radians(angle) for angle in azimuth_elevation_deg(sun_enu_xyz))
    sin_azimuth, cos_azimuth = np.sin(azimuth), np.cos(azimuth)
    east, north, up = np.moveaxis(body_enu_xyz, -1, 0)
    right = east * cos_azimuth - north * sin_azimuth
    level = east * sin_azimuth + north * cos_azimuth
    rise = up * np.cos(elevation) - level * np.sin(elevation)
    along = up * np.sin(elevation) + level * np.cos(elevation)
    side = np.hypot(right, rise)
    separation = np.degrees(np.arctan2(side, along))
    scale = np.divide(separation, side, out=np.zeros_like(side), where=side > 0.0)
    return right * scale, rise * scale, separation


def covered_fraction(separation: ArrayLike, sun_radius: ArrayLike, occulter_radius: ArrayLike) -> FloatArray:
    """Share of a uniform disc hidden by a circle: the area common to two circles over the Sun's.

        area = r^2 (a - sin a cos a) + R^2 (b - sin b cos b),
        cos a = (d^2 + r^2 - R^2) / (2 d r),  cos b = (d^2 + R^2 - r^2) / (2 d R)

    Radii and the separation in any one unit. Derived: two circular segments back to back.

    >>> covered_fraction([2.0, 1.0, 0.0], 1.0, 1.0).round(6)
    array([0.      , 0.391002, 1.      ])
    """
    given = (np.asarray(x, dtype=np.float64) for x in (separation, sun_radius, occulter_radius))
    d, r, big = np.broadcast_arrays(*given)
    # centres closer than rounding coincide: the quotients below would underflow
    crossing = (d < r + big) & (d > np.maximum(np.abs(r - big), 1e-12 * (r + big)))
    apart = np.where(crossing, d, 1.0)
    cos_a = np.where(crossing, (d * d + r * r - big * big) / (2.0 * apart * r), 1.0)
    cos_b = np.where(
        crossing, (d * d + big * big - r * r) / (2.0 * apart * np.where(big > 0.0, big, 1.0)), 1.0
    )
    a, b = np.arccos(np.clip(cos_a, -1.0, 1.0)), np.arccos(np.clip(cos_b, -1.0, 1.0))
    area = r * r * (a - np.sin(a) * np.cos(a)) + big * big * (b - np.sin(b) * np.cos(b))
    inside = np.minimum(1.0, (big / r) ** 2)
    return np.where(crossing, area / (np.pi * r * r), np.where(d < r + big, inside, 0.0))


def eclipse_kind(
    separation: ArrayLike, sun_radius: ArrayLike, occulter_radius: ArrayLike
) -> NDArray[np.str_]:
    """What an observer sees: "none", "penumbra" (part), "umbra" (all hidden) or "annular" (a ring left)."""
    d, r, big = (np.asarray(x, dtype=np.float64) for x in (separation, sun_radius, occulter_radius))
    apart, within = d >= r + big, d <= np.abs(r - big)
    return np.select(
        [apart | (big <= 0.0), within & (big >= r), within], ["none", "umbra", "annular"], "penumbra"
    )


def eclipses(track: SunTrack, lowest_elevation_deg: float = -3.0) -> tuple[Eclipse, ...]:
    """Every eclipse in the track's span, in order of time, during which the Sun stands above an elevation.

    lowest_elevation_deg   an eclipse with the Sun below it at beginning, deepest moment and end is left out;
                           the
                           default is deeper than the horizon seen from any ridge
    Contacts to 0.01 s of the geometric rule.
    """
    found = [
        eclipse
        for (occulter, pieces), windows in zip(track.occulters, track.near_s, strict=True)
        for window in windows
        if (eclipse := _eclipse(track, occulter, pieces, window)) is not None
    ]
    seen = [
        eclipse
        for eclipse in found
        if track.directions(np.array([eclipse.start_tdb_s, eclipse.greatest_tdb_s, eclipse.end_tdb_s]))[
            1
        ].max()
        >= lowest_elevation_deg
    ]
    return tuple(sorted(seen, key=lambda eclipse: eclipse.start_tdb_s))


def _eclipse(
    track: SunTrack, occulter: Occulter, pieces: Pieces, window: tuple[float, float]
) -> Eclipse | None:
    """The eclipse of one passage, or None when the discs don't touch."""

    def outer_gap_deg(tdb_s: FloatArray) -> FloatArray:
        view = _view(track.sun, occulter, pieces, tdb_s)
        return view.separation_deg - view.sun_radius_deg - view.radius_deg

    def inner_gap_deg(tdb_s: FloatArray) -> FloatArray:
        view = _view(track.sun, occulter, pieces, tdb_s)
        return view.separation_deg - np.abs(view.sun_radius_deg - view.radius_deg)

    grid_s = np.linspace(*window, SAMPLES)
    middle = int(np.clip(_view(track.sun, occulter, pieces, grid_s).depth_deg.argmax(), 1, SAMPLES - 2))
    greatest_s = _least_s(outer_gap_deg, float(grid_s[middle - 1]), float(grid_s[middle + 1]))
    greatest = np.array([greatest_s])
    if outer_gap_deg(greatest)[0] >= 0.0:
        return None
    start_s, end_s = (_contact_s(outer_gap_deg, greatest_s, end) for end in window)
    inner: list[float | None] = [None, None]
    if inner_gap_deg(greatest)[0] <= 0.0:
        inner = [_contact_s(inner_gap_deg, greatest_s, end) for end in window]
    view = _view(track.sun, occulter, pieces, greatest)
    discs = (view.separation_deg, view.sun_radius_deg, view.radius_deg)
    return Eclipse(
        occulter=occulter.name,
        kind=str(eclipse_kind(*discs)[0]),
        start_tdb_s=start_s,
        greatest_tdb_s=greatest_s,
        end_tdb_s=end_s,
        inner_start_tdb_s=inner[0],
        inner_end_tdb_s=inner[1],
        covered_fraction=float(covered_fraction(*discs)[0]),
    )


def _least_s(gap_deg: Gap, first_s: float, last_s: float) -> float:
    """Moment of the least gap between two moments around it."""
    while last_s - first_s > TOLERANCE_S:
        grid_s = np.linspace(first_s, last_s, FINER)
        least = int(np.clip(gap_deg(grid_s).argmin(), 1, FINER - 2))
        first_s, last_s = float(grid_s[least - 1]), float(grid_s[least + 1])
    return 0.5 * (first_s + last_s)


def _contact_s(gap_deg: Gap, inside_s: float, end_s: float) -> float:
    """Moment between one inside and the end of the passage when the gap opens; the end where it doesn't."""
    if gap_deg(np.array([end_s]))[0] < 0.0:
        return end_s
    while abs(end_s - inside_s) > TOLERANCE_S:
        grid_s = np.linspace(inside_s, end_s, FINER)
        opened = max(int((gap_deg(grid_s) > 0.0).argmax()), 1)
        inside_s, end_s = float(grid_s[opened - 1]), float(grid_s[opened])
    return 0.5 * (inside_s + end_s)
