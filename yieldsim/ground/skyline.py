"""The skyline of one place: straight lines of sight over a curved body, from any surface that answers with heights.

For an observer at distance r0 from the centre of the local sphere and ground at distance r, at angle a along a great circle,

    tan(elevation) = (r cos a - r0) / (r sin a)

The largest over a is the skyline. It is bracketed on samples at half a pixel or closer and then refined on the continuous surface,
so that the answer does not depend on where the samples fell. Where known ground ends, unknown ground is taken to lie no lower than
the lowest known: no skyline is below the dip of a sphere there, acos(lowest / r0). Refraction is neglected: there is none without
air, and on Mars it is below 0.02 deg at the horizon.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.errors import DataMissing
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.local_sphere import LocalSphere

if TYPE_CHECKING:
    from yieldsim.ground.terrain import Heights

SAMPLES_AT_ONCE = 2_000_000
GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
REFINING_STEPS = 60


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Skyline:
    """What one place sees of the ground, by azimuth.

    elevation_deg   (azimuth,) skyline; may be negative
    distance_km     (azimuth,) along the ground to what forms it
    edge_km         (azimuth,) how far ground was known; 0 where none was
    needed_m        (azimuth,) height above the ellipsoid that ground just beyond the edge would need to rise above the skyline
    unknown_share   (azimuth,) share of the samples before the edge that fell on holes
    ground_m        ground height under the observer
    """

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    distance_km: FloatArray
    edge_km: FloatArray
    needed_m: FloatArray
    unknown_share: FloatArray
    ground_m: float


def sample_distances_m(bands: list[tuple[float, float]]) -> FloatArray:
    """Distances for lines of sight: bands (out to metres, pixel in metres), nearest first, sampled at half a pixel.

    >>> sample_distances_m([(20.0, 10.0), (60.0, 40.0)])
    array([ 5., 10., 15., 20., 40., 60.])
    """
    pieces, start = [], 0.0
    for end, pixel in bands:
        if end > start:
            count = max(1, int(np.ceil((end - start) / (0.5 * pixel))))
            pieces.append(np.linspace(start, end, count + 1)[1:])
            start = end
    return np.concatenate(pieces)


def skyline(
    heights: Heights,
    sphere: LocalSphere,
    azimuth_deg: FloatArray,
    distance_m: FloatArray,
    mast_height_m: float,
) -> Skyline:
    """Skyline (azimuth,) at the point of `sphere`, `mast_height_m` above the ground there.

    distance_m   (samples,) increasing distances along the ground at which lines of sight are sampled

    Holes are skipped: unknown is not low. Raises DataMissing when the ground under the mast is unknown, or all around it.
    """
    latitude, longitude, _ = sphere.along(0.0, np.zeros(1))
    ground_m = float(heights(latitude, longitude)[0])
    if not np.isfinite(ground_m):
        raise DataMissing(
            f"no terrain height under the mast at latitude {latitude[0]:.5f}, longitude {longitude[0] % 360.0:.5f}"
        )
    eye_m = sphere.radius_m + ground_m + mast_height_m
    angle = distance_m / sphere.radius_m
    azimuth_deg = np.asarray(azimuth_deg, dtype=np.float64)
    count = azimuth_deg.size
    best = np.empty(count, dtype=np.int64)
    edge = np.empty(count, dtype=np.int64)
    unknown = np.empty(count)
    lowest_m = sphere.radius_m + ground_m
    chunk = max(1, SAMPLES_AT_ONCE // angle.size)
    for first in range(0, count, chunk):
        part = slice(first, min(first + chunk, count))
        radius = _radii_along(heights, sphere, azimuth_deg[part], angle)
        slope = _slopes(radius, eye_m, angle[None, :])
        known = np.isfinite(slope)
        lowest_m = min(lowest_m, float(np.min(radius, where=known, initial=lowest_m)))
        edge[part] = np.where(known.any(axis=1), angle.size - 1 - np.argmax(known[:, ::-1], axis=1), -1)
        before = np.arange(angle.size)[None, :] <= edge[part, None]
        unknown[part] = np.sum(before & ~known, axis=1) / np.maximum(edge[part] + 1, 1)
        best[part] = np.argmax(np.where(known, slope, -np.inf), axis=1)
    some = edge >= 0
    if not some.any():
        raise DataMissing("no terrain at all around the mast; add a file that reaches further")
    at, elevation = np.zeros(count), np.full(count, -np.inf)
    at[some], slope = _refine(heights, sphere, eye_m, azimuth_deg[some], angle, best[some], edge[some])
    elevation[some] = np.arctan(slope)
    # acos(lowest / eye), with its digits kept; an eye lower than all ground sees none of that sphere's horizon
    dip = np.arctan2(np.sqrt(max(eye_m - lowest_m, 0.0) * (eye_m + lowest_m)), lowest_m)
    at[elevation < -dip] = dip
    elevation = np.maximum(elevation, -dip)
    # a sight line of this elevation passes the edge at this height: r cos(e + a) = r0 cos(e)
    edge_angle = np.where(some, angle[edge], 0.0)
    passing = eye_m * np.cos(elevation) / np.cos(np.minimum(elevation + edge_angle, 1.57))
    _, _, rise = sphere.along(azimuth_deg, edge_angle)
    return Skyline(
        azimuth_deg=azimuth_deg,
        elevation_deg=np.degrees(elevation),
        distance_km=at * sphere.radius_m / 1000.0,
        edge_km=edge_angle * sphere.radius_m / 1000.0,
        needed_m=passing - sphere.radius_m - rise,
        unknown_share=unknown,
        ground_m=ground_m,
    )


def _radii(heights: Heights, sphere: LocalSphere, azimuth_deg: FloatArray, angle: FloatArray) -> FloatArray:
    """Distances of the ground from the sphere's centre, at angles along azimuths; NaN where it is unknown."""
    latitude, longitude, rise = sphere.along(azimuth_deg, angle)
    return np.asarray(sphere.radius_m + (rise + heights(latitude, longitude)))


def _radii_along(
    heights: Heights, sphere: LocalSphere, azimuth_deg: FloatArray, angle: FloatArray
) -> FloatArray:
    """The same (azimuth, angle) for all angles along all azimuths."""
    from yieldsim.ground.lattice import Lattice
    from yieldsim.ground.terrain import heights_over

    lattice = Lattice(azimuth_deg, angle, lambda azimuth, far: sphere.along(azimuth, far)[:2])
    radius = heights_over(heights, lattice)
    radius += (
        sphere.radius_m if sphere.is_exact else sphere.radius_m + sphere.along(azimuth_deg[:, None], angle)[2]
    )
    return radius


def _slopes(radius_m: FloatArray, eye_m: float, angle: FloatArray) -> FloatArray:
    """Tangents of the elevation of ground at distances from the sphere's centre.

    r cos a - r0 is taken as (r - r0) - 2 r sin^2(a/2), which keeps its digits near the eye.
    """
    rise_m = (radius_m - eye_m) - 2.0 * radius_m * np.sin(0.5 * angle) ** 2
    return np.asarray(rise_m / (radius_m * np.sin(angle)))


def _refine(
    heights: Heights,
    sphere: LocalSphere,
    eye_m: float,
    azimuth_deg: FloatArray,
    angle: FloatArray,
    best: NDArray[np.int64],
    edge: NDArray[np.int64],
) -> tuple[FloatArray, FloatArray]:
    """Golden-section search for the largest slope between the neighbours of the best sample: angles and slopes."""

    def seen(at: FloatArray) -> FloatArray:
        return _slopes(_radii(heights, sphere, azimuth_deg, at), eye_m, at)

    # not nearer than the first sample, half a pixel: heights say nothing about ground closer by
    low, high = angle[np.maximum(best - 1, 0)], angle[np.minimum(best + 1, edge)]
    top_at = angle[best]
    top = seen(top_at)
    inner_low, inner_high = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    slope_low = _known(seen(inner_low))
    slope_high = _known(seen(inner_high))
    for _ in range(REFINING_STEPS):
        up = slope_low >= slope_high
        better = np.where(up, slope_low, slope_high)
        at = np.where(up, inner_low, inner_high)
        top_at, top = np.where(better > top, at, top_at), np.maximum(better, top)
        low, high = np.where(up, low, inner_low), np.where(up, inner_high, high)
        probe = np.where(up, high - GOLDEN * (high - low), low + GOLDEN * (high - low))
        slope = _known(seen(probe))
        inner_low, inner_high = np.where(up, probe, inner_high), np.where(up, inner_low, probe)
        slope_low, slope_high = np.where(up, slope, slope_high), np.where(up, slope_low, slope)
    return top_at, top


def _known(slope: FloatArray) -> FloatArray:
    """A hole rises above nothing."""
    return np.where(np.isfinite(slope), slope, -np.inf)
