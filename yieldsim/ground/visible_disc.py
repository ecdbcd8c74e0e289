"""From a skyline to the visible part of the Sun's disc, jointly with an eclipsing body.

The mask is linear between its rows and wraps at 360 degrees. The disc is cut into vertical strips; each strip is clipped by the
mask at its own azimuth and by the occulter's circle, so a Sun rolling along a sloping skyline is handled across its width.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import prange
from numpy.typing import ArrayLike, NDArray

from yieldsim.base.model import HorizonMask
from yieldsim.base.numerics.interpolation import linear
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.sun_disc import FINE_STRIP_COUNT, Strips, strip_light, strips

if TYPE_CHECKING:
    import xarray as xr


def mask_elevation_deg(mask: HorizonMask, azimuth_deg: ArrayLike) -> FloatArray:
    """Skyline elevation at any azimuth, degrees; linear between rows, wrapping at 360."""
    azimuth, elevation = _open_rows(mask)
    return linear(azimuth_deg, azimuth, elevation, outside="periodic")


def add_visibility(ds: xr.Dataset, mask: HorizonMask | None, dip_deg: float) -> xr.Dataset:
    """Add the three visible shares of the disc: open_horizon_fraction, uneclipsed_fraction, disc_visible_fraction.

    Needs the Sun's track and, where a body can eclipse the Sun, the occulter's offsets. See `disc_shares`.
    """
    from yieldsim.base.dataset import add_all

    none = np.zeros(ds.sizes["time"])
    occulters = ["occulter_east_offset_deg", "occulter_up_offset_deg", "occulter_angular_radius_deg"]
    east, up, radius = (ds[name].values if name in ds else none for name in occulters)
    azimuth, elevation = ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values
    sun_radius = ds["sun_angular_radius_deg"].values
    shares = disc_shares(azimuth, elevation, sun_radius, (east, up, radius), mask, dip_deg)
    names = "open_horizon_fraction", "uneclipsed_fraction", "disc_visible_fraction"
    return add_all(ds, dict(zip(names, shares.T, strict=True)))


def disc_shares(
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    radius_deg: FloatArray,
    occulter: tuple[FloatArray, FloatArray, FloatArray],
    mask: HorizonMask | None,
    dip_deg: float,
) -> FloatArray:
    """Visible shares (time, 3) of the Sun's disc: above the open horizon, not eclipsed either, above the mask and not eclipsed.

    "Open horizon" is the bare body seen from the mast, or the mask where that lies lower still (a ridge), so that each share is
    at most the one before it.
    Neglects the curvature of parallels of elevation across the disc beyond its first term: under 1e-4 disc radii below 80 degrees.

    azimuth_deg, elevation_deg, radius_deg   (time,) of the Sun
    occulter   offsets to the right and up of what can eclipse it, and its radius, degrees, (time,) each; radius 0: nothing there
    mask       None: the bare body is the mask
    """
    if mask is None:
        azimuth, elevation = np.zeros(1), np.full(1, -dip_deg)
    else:
        azimuth, elevation = _open_rows(mask)
    east, up, radius = occulter
    eclipsed = (radius > 0.0) & (np.hypot(east, up) < radius + radius_deg)
    closed_azimuth, closed_elevation = (
        np.append(azimuth, azimuth[0] + 360.0),
        np.append(elevation, elevation[0]),
    )

    def shares_of(steps: NDArray[np.bool_] | slice, disc: Strips) -> FloatArray:
        return visible_shares(
            azimuth_deg[steps],
            elevation_deg[steps],
            radius_deg[steps],
            east[steps],
            up[steps],
            radius[steps],
            closed_azimuth,
            closed_elevation,
            -dip_deg,
            disc.x,
            disc.half_chord,
            disc.cumulative,
        )

    shares = shares_of(slice(None), strips())
    if eclipsed.any():
        shares[eclipsed] = shares_of(eclipsed, strips(FINE_STRIP_COUNT))
    return shares


def _open_rows(mask: HorizonMask) -> tuple[FloatArray, FloatArray]:
    """The mask's rows without a closing row at 360."""
    azimuth, elevation = mask.azimuth_deg, mask.elevation_deg
    if len(azimuth) > 1 and azimuth[-1] - azimuth[0] >= 360.0:
        azimuth, elevation = azimuth[:-1], elevation[:-1]
    return azimuth, elevation


@njit(cache=True, parallel=True)
def visible_shares(
    sun_azimuth_deg: FloatArray,
    sun_elevation_deg: FloatArray,
    sun_radius_deg: FloatArray,
    occulter_east_deg: FloatArray,
    occulter_up_deg: FloatArray,
    occulter_radius_deg: FloatArray,
    mask_azimuth_deg: FloatArray,
    mask_elevation_deg: FloatArray,
    open_elevation_deg: float,
    strip_x: FloatArray,
    strip_half_chord: FloatArray,
    strip_cumulative: FloatArray,
) -> FloatArray:
    """Visible shares (time, 3): open horizon; open horizon and eclipse; mask and eclipse.

    The mask's rows close: the last repeats the first 360 degrees on.
    """
    count = sun_azimuth_deg.shape[0]
    shares = np.empty((count, 3))
    mask_low, mask_high = mask_elevation_deg.min(), mask_elevation_deg.max()
    open_low = min(mask_low, open_elevation_deg)
    high = max(mask_high, open_elevation_deg)
    for i in prange(count):
        elevation, radius = sun_elevation_deg[i], sun_radius_deg[i]
        eclipsed = occulter_radius_deg[i] > 0.0 and (
            np.hypot(occulter_east_deg[i], occulter_up_deg[i]) < occulter_radius_deg[i] + radius
        )
        # 0.01 deg of slack covers the curvature term below
        if elevation + radius + 0.01 < open_low:
            shares[i, :] = 0.0
            continue
        if elevation - radius - 0.01 > high and not eclipsed:
            shares[i, :] = 1.0
            continue
        open_share, clear_share, seen_share = 0.0, 0.0, 0.0
        level, curve = strip_terms(elevation, radius)
        occulter_x = occulter_east_deg[i] / radius
        occulter_y = occulter_up_deg[i] / radius
        occulter_r = occulter_radius_deg[i] / radius if eclipsed else 0.0
        for s in range(strip_x.shape[0]):
            x = strip_x[s]
            mask = closed_mask(sun_azimuth_deg[i] + x * radius / level, mask_azimuth_deg, mask_elevation_deg)
            bend = curve * x * x
            cut = (mask - elevation) / radius + bend
            open_cut = (min(mask, open_elevation_deg) - elevation) / radius + bend
            light, chord = strip_cumulative[s], strip_half_chord[s]
            open_share += strip_light(light, chord, x, open_cut, 0.0, 0.0, 0.0)
            clear_share += strip_light(light, chord, x, open_cut, occulter_x, occulter_y, occulter_r)
            seen_share += strip_light(light, chord, x, cut, occulter_x, occulter_y, occulter_r)
        shares[i, 0] = min(open_share, 1.0)
        shares[i, 1] = min(clear_share, shares[i, 0])
        shares[i, 2] = min(seen_share, shares[i, 1])
    return shares


def clearance_deg(
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    radius_deg: FloatArray,
    mask: HorizonMask | None,
    dip_deg: float,
) -> FloatArray:
    """How far the skyline may rise, degrees, before it hides all of the Sun's disc; below 0 where it does so now, (time,).

    Arguments as of `disc_shares`, whose strips and terms it goes by.
    """
    if mask is None:
        azimuth, elevation = np.zeros(1), np.full(1, -dip_deg)
    else:
        azimuth, elevation = _open_rows(mask)
    disc = strips()
    return highest_clearances(
        azimuth_deg,
        elevation_deg,
        radius_deg,
        np.append(azimuth, azimuth[0] + 360.0),
        np.append(elevation, elevation[0]),
        disc.x,
        disc.half_chord,
    )


@njit(cache=True, parallel=True)
def highest_clearances(
    sun_azimuth_deg: FloatArray,
    sun_elevation_deg: FloatArray,
    sun_radius_deg: FloatArray,
    mask_azimuth_deg: FloatArray,
    mask_elevation_deg: FloatArray,
    strip_x: FloatArray,
    strip_half_chord: FloatArray,
) -> FloatArray:
    """Height of the disc's edge above the mask in the strip where that is largest, (time,); a mask that closes."""
    count = sun_azimuth_deg.shape[0]
    found = np.empty(count)
    for i in prange(count):
        elevation, radius = sun_elevation_deg[i], sun_radius_deg[i]
        level, curve = strip_terms(elevation, radius)
        highest = -np.inf
        for s in range(strip_x.shape[0]):
            x = strip_x[s]
            mask = closed_mask(sun_azimuth_deg[i] + x * radius / level, mask_azimuth_deg, mask_elevation_deg)
            highest = max(highest, elevation + radius * (strip_half_chord[s] - curve * x * x) - mask)
        found[i] = highest
    return found


@njit(cache=True, inline="always")
def strip_terms(elevation_deg: float, radius_deg: float) -> tuple[float, float]:
    """Cosine of the elevation, and the bend of its parallel across the disc: radii for each square of x."""
    level = np.cos(np.radians(min(abs(elevation_deg), 89.9)))
    return level, 0.5 * np.radians(radius_deg) * np.tan(np.radians(max(min(elevation_deg, 89.9), -89.9)))


@njit(cache=True, inline="always")
def closed_mask(azimuth_deg: float, mask_azimuth_deg: FloatArray, mask_elevation_deg: FloatArray) -> float:
    """Elevation of a mask that closes (its last row repeats the first 360 degrees on) at any azimuth."""
    first = mask_azimuth_deg[0]
    azimuth = (azimuth_deg - first) % 360.0 + first
    row = np.searchsorted(mask_azimuth_deg, azimuth) - 1
    row = min(max(row, 0), mask_azimuth_deg.shape[0] - 2)
    width = mask_azimuth_deg[row + 1] - mask_azimuth_deg[row]
    share = (azimuth - mask_azimuth_deg[row]) / width
    return float(mask_elevation_deg[row] * (1.0 - share) + mask_elevation_deg[row + 1] * share)
