"""The tracer: many rays through a scene, in fixed blocks, summed in order, so that threads don't change a
digit.

Every (direction, random shift, chunk of points) is one block with a ledger of its own; blocks run in
parallel and are added up in order afterwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.ray_launch import CHUNK, trace_blocks, trace_seen
from yieldsim.optics.raytrace.ray_steps import RAY_LENGTH
from yieldsim.optics.raytrace.ray_through_collector import SEEN_LENGTH, walk
from yieldsim.optics.raytrace.sampling import GENERATOR, SIZES, disc_radius_table, lattice_size, random_shifts
from yieldsim.optics.raytrace.scene import Scene

SHIFTS = 16
"""Independent random shifts; the standard error of their mean is itself known to 18 %."""
SEED = 20_270_301
LARGEST_LEAP = 3
"""Sizes of lattices, each about twice the one before, that a rough first error may be trusted over."""


@dataclass(frozen=True, slots=True, eq=False)
class Traced:
    """Shares of the light on the aperture by cause, for each direction.

    share            (directions, causes.COUNT) they sum to 1
    error            (directions, causes.COUNT) one standard error
    rays             rays traced for each direction
    """

    share: FloatArray
    error: FloatArray
    rays: int


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What single rays leave behind, (rays,) each; weights sum to `rays` times the share that gets there.

    mouth_*   place in the plane of the funnel's mouth (or fibre face), and the light there
    face_*    place on the plane of the fibre's face, the light there, and n sin(angle)
    """

    rays: int
    wavelength_nm: FloatArray
    mouth_x_m: FloatArray
    mouth_y_m: FloatArray
    mouth_weight: FloatArray
    face_x_m: FloatArray
    face_y_m: FloatArray
    face_weight: FloatArray
    face_sine: FloatArray
    delivered: FloatArray
    share: FloatArray
    """(causes.COUNT,) mean over these rays."""


def directions_xyz(transverse_deg: FloatArray, longitudinal_deg: FloatArray) -> FloatArray:
    """Unit vectors (..., 3) to the Sun in mount axes from projected angles: tan = x / z and y / z."""
    x, y = np.tan(np.radians(transverse_deg)), np.tan(np.radians(longitudinal_deg))
    x, y = np.broadcast_arrays(x, y)
    scale = 1.0 / np.sqrt(1.0 + x * x + y * y)
    return np.stack([x * scale, y * scale, scale], axis=-1)


def trace(
    scene: Scene,
    directions: FloatArray,
    *,
    points: int,
    sun_radius_deg: float = 0.0,
    spin: bool = False,
    shifts: int = SHIFTS,
    seed: int = SEED,
) -> Traced:
    """Shares by cause for Sun directions (n, 3) in mount axes.

    points           rays per direction and shift, about: the nearest size of a lattice
    sun_radius_deg   angular radius of the Sun's disc, 0 for a point
    spin             turn the Sun about the axis from ray to ray: the mean over azimuth
    """
    size = lattice_size(points)
    traced = combine(ledgers(scene, directions, size, sun_radius_deg, spin, shifts, seed), scene)
    return replace(traced, rays=shifts * size)


def ledgers(
    scene: Scene,
    directions: FloatArray,
    points: int,
    sun_radius_deg: float,
    spin: bool,
    shifts: int,
    seed: int,
) -> FloatArray:
    """Mean ledgers (directions, shifts, causes) of a lattice of `points`, within the band."""
    blocks = trace_blocks(
        scene.parts,
        scene.media,
        disc_radius_table(),
        np.ascontiguousarray(directions, dtype=np.float64),
        math.radians(sun_radius_deg),
        spin,
        GENERATOR,
        random_shifts(shifts, seed, points),
        points,
        CHUNK,
        _stream(seed, points),
    )
    return np.asarray(blocks.reshape(len(directions), shifts, -1, loss_causes.COUNT).sum(axis=2) / points)


def combine(mean: FloatArray, scene: Scene) -> Traced:
    """Mean ledgers (directions, shifts, causes) to shares and errors, sunlight outside the band booked as
    lost."""
    band = float(scene.parts.station[0]["band_share"])
    mean = mean * band
    mean[..., loss_causes.OUTSIDE_BAND] += 1.0 - band
    return Traced(mean.mean(axis=1), _standard_error(mean), 0)


def refine(
    scene: Scene,
    directions: FloatArray,
    *,
    precision: float,
    sun_radius_deg: float = 0.0,
    spin: bool = False,
    shifts: int = SHIFTS,
    seed: int = SEED,
    first_points: int = 512,
    largest_points: int = 1 << 17,
    losses_of_themselves: float | None = None,
    losses_floor: float = 0.0,
) -> Traced:
    """Trace with larger and larger lattices until every delivered share is known to `precision` (one standard
    error).

    losses_of_themselves   asks for every loss as well: to `precision` and to this part of itself, or to
                           `losses_floor` where that is more

    Directions that are good enough are left alone; the others go on with the lattice that should do by the
    error left, which falls about as the number of points. All lattices count, each by the square of its
    points, as independent estimates of such errors do.
    Stops at `largest_points` whatever the error, which the answer tells.
    """
    count = len(directions)
    first, last = (SIZES.index(lattice_size(points)) for points in (first_points, largest_points))
    size = np.full(count, first)
    mean, weight = np.zeros((count, shifts, loss_causes.COUNT)), np.zeros(count)
    open_now, rays = np.arange(count), 0
    while open_now.size:
        for place in np.unique(size[open_now]):
            which, points = open_now[size[open_now] == place], SIZES[place]
            new = ledgers(scene, directions[which], points, sun_radius_deg, spin, shifts, seed)
            weight[which] += points**2
            mean[which] += (points**2 / weight[which])[:, None, None] * (new - mean[which])
            rays += len(which) * shifts * points
        error = _standard_error(mean[open_now])
        wanted = np.full_like(error, math.inf)
        if losses_of_themselves is not None:
            own = losses_of_themselves * mean[open_now].mean(axis=1)
            wanted = np.minimum(precision, np.maximum(own, losses_floor))
        wanted[:, loss_causes.DELIVERED] = precision
        short = (error / wanted).max(axis=1)
        going_on = (short > 1.0) & (size[open_now] < last)
        open_now, short = open_now[going_on], short[going_on]
        needed = np.searchsorted(SIZES, np.array(SIZES)[size[open_now]] * np.sqrt(short**2 - 1.0))
        size[open_now] = np.clip(needed, size[open_now] + 1, np.minimum(size[open_now] + LARGEST_LEAP, last))
    return replace(combine(mean, scene), rays=rays)


def _standard_error(mean: FloatArray) -> FloatArray:
    """Of the mean over shifts (directions, shifts, causes)."""
    return np.asarray(mean.std(axis=1, ddof=1) / math.sqrt(mean.shape[1]))


def _stream(seed: int, points: int) -> np.uint64:
    """Where the streams of random numbers of a lattice's blocks begin."""
    return np.uint64((seed << 20) + points)


def record(
    scene: Scene,
    direction: FloatArray,
    *,
    rays: int,
    sun_radius_deg: float,
    spin: bool = False,
    seed: int = SEED,
) -> Seen:
    """Trace one direction and keep where each ray went, for figures; about `rays` rays, as in `trace`."""
    rays = lattice_size(rays)
    seen, bins, blocks = trace_seen(
        scene.parts,
        scene.media,
        disc_radius_table(),
        np.ascontiguousarray(direction, dtype=np.float64),
        math.radians(sun_radius_deg),
        spin,
        GENERATOR,
        random_shifts(1, seed, rays)[0],
        rays,
        CHUNK,
        _stream(seed, rays),
    )
    band = float(scene.parts.station[0]["band_share"])
    share = blocks.sum(axis=0) / rays * band
    share[loss_causes.OUTSIDE_BAND] += 1.0 - band
    for column in (2, 5, 7):
        seen[:, column] *= band
    return Seen(
        rays=rays,
        wavelength_nm=scene.media[bins, 0],
        mouth_x_m=seen[:, 0],
        mouth_y_m=seen[:, 1],
        mouth_weight=seen[:, 2],
        face_x_m=seen[:, 3],
        face_y_m=seen[:, 4],
        face_weight=seen[:, 5],
        face_sine=seen[:, 6],
        delivered=seen[:, 7],
        share=share,
    )


def paths(
    scene: Scene, starts_xy: FloatArray, direction: FloatArray, wavelength_nm: float
) -> list[FloatArray]:
    """Paths [(vertices, 3)] of single rays that cross the aperture at the given places (n, 2), for
    drawings."""
    media = np.array([[np.interp(wavelength_nm, scene.media[:, 0], scene.media[:, k]) for k in range(5)]])
    out = []
    ledger, seen, random = np.zeros(loss_causes.COUNT), np.zeros(SEEN_LENGTH), np.zeros(1, np.uint64)
    for x, y in starts_xy:
        ray, path = np.zeros(RAY_LENGTH), np.zeros((60, 3))
        ray[0], ray[1], ray[2] = x, y, float(scene.parts.station[0]["aperture_depth"])
        ray[3], ray[4], ray[5] = -direction[0], -direction[1], direction[2]
        ray[6], ray[7:12] = 1.0, media[0]
        walk(scene.parts, ray, ledger, 0.0, 0.0, 0.0, seen, path, random)
        out.append(path[1 : 1 + int(path[0, 0])].copy())
    return out
