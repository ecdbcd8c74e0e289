"""The tracer: many rays through a scene, in fixed blocks, summed in order, so that threads don't change a
digit.

Every (direction, random shift, chunk of points) is one block with a ledger of its own; blocks run in
parallel and are added up in order afterwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.ray_collector import SEEN_LENGTH, walk
from yieldsim.optics.raytrace.ray_steps import RAY_LENGTH
from yieldsim.optics.raytrace.sampling import GENERATOR, disc_radius_table, random_shifts
from yieldsim.optics.raytrace.scene import Scene
from yieldsim.optics.raytrace.trace_kernels import CHUNK, trace_blocks, trace_seen

SHIFTS = 16
"""Independent random shifts; the standard error of their mean is itself known to 18 %."""
SEED = 20_270_301


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

    points           rays per direction and shift, a power of two
    sun_radius_deg   angular radius of the Sun's disc, 0 for a point
    spin             turn the Sun about the axis from ray to ray: the mean over azimuth
    """
    return combine(
        [ledgers(scene, directions, points, False, sun_radius_deg, spin, shifts, seed)], scene, shifts
    )


def ledgers(
    scene: Scene,
    directions: FloatArray,
    points: int,
    odd_only: bool,
    sun_radius_deg: float,
    spin: bool,
    shifts: int,
    seed: int,
) -> FloatArray:
    """Mean ledgers (directions, shifts, causes), of all lattice points or of the odd ones only, within the
    band."""
    count = points // 2 if odd_only else points
    chunk = min(CHUNK, count)
    blocks = trace_blocks(
        scene.parts,
        scene.media,
        disc_radius_table(),
        np.ascontiguousarray(directions, dtype=np.float64),
        math.radians(sun_radius_deg),
        spin,
        GENERATOR,
        random_shifts(shifts, seed),
        points,
        count,
        1 if odd_only else 0,
        2 if odd_only else 1,
        chunk,
        np.uint64(seed),
    )
    return np.asarray(blocks.reshape(len(directions), shifts, -1, loss_causes.COUNT).sum(axis=2) / count)


def combine(parts: list[FloatArray], scene: Scene, shifts: int) -> Traced:
    """Equal parts (directions, shifts, causes) to shares and errors, sunlight outside the band booked as
    lost."""
    mean = sum(parts[1:], parts[0]) / len(parts)
    band = float(scene.parts.station[0]["band_share"])
    mean = mean * band
    mean[..., loss_causes.OUTSIDE_BAND] += 1.0 - band
    share = mean.mean(axis=1)
    error = mean.std(axis=1, ddof=1) / math.sqrt(shifts)
    return Traced(share, error, 0)


def refine(
    scene: Scene,
    directions: FloatArray,
    *,
    precision: float,
    sun_radius_deg: float = 0.0,
    spin: bool = False,
    shifts: int = SHIFTS,
    seed: int = SEED,
    first_points: int = 256,
    largest_points: int = 1 << 17,
    losses_of_themselves: float | None = None,
    losses_floor: float = 0.0,
) -> Traced:
    """Trace with doubling points until every delivered share is known to `precision` (one standard error).

    losses_of_themselves   asks for every loss as well: to `precision` and to this part of itself, or to
                           `losses_floor` where that is more

    Directions that are good enough are left alone; each doubling only adds the lattice's new points.
    Stops at `largest_points` whatever the error, which the answer tells.
    """
    count = len(directions)
    mean = np.zeros((count, shifts, loss_causes.COUNT))
    open_now = np.arange(count)
    points = first_points
    mean[:] = ledgers(scene, directions, points, False, sun_radius_deg, spin, shifts, seed)
    rays = count * shifts * points
    while True:
        spread = mean[open_now].std(axis=1, ddof=1) / math.sqrt(shifts)
        wanted = np.full_like(spread, math.inf)
        if losses_of_themselves is not None:
            own = losses_of_themselves * mean[open_now].mean(axis=1)
            wanted = np.minimum(precision, np.maximum(own, losses_floor))
        wanted[:, loss_causes.DELIVERED] = precision
        open_now = open_now[(spread > wanted).any(axis=1)]
        if open_now.size == 0 or points >= largest_points:
            break
        points *= 2
        new = ledgers(scene, directions[open_now], points, True, sun_radius_deg, spin, shifts, seed)
        mean[open_now] = 0.5 * (mean[open_now] + new)
        rays += len(open_now) * shifts * points // 2
    traced = combine([mean], scene, shifts)
    return Traced(traced.share, traced.error, rays)


def record(
    scene: Scene,
    direction: FloatArray,
    *,
    rays: int,
    sun_radius_deg: float,
    spin: bool = False,
    seed: int = SEED,
) -> Seen:
    """Trace one direction and keep where each ray went, for figures; `rays` a power of two."""
    seen, bins, blocks = trace_seen(
        scene.parts,
        scene.media,
        disc_radius_table(),
        np.ascontiguousarray(direction, dtype=np.float64),
        math.radians(sun_radius_deg),
        spin,
        GENERATOR,
        random_shifts(1, seed)[0],
        rays,
        CHUNK,
        np.uint64(seed),
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
        walk(
            scene.parts,
            ray,
            ledger,
            0.0,
            0.0,
            0.0,
            seen,
            path,
            random,
        )
        out.append(path[1 : 1 + int(path[0, 0])].copy())
    return out
