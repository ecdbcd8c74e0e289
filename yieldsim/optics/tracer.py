"""The tracer: many rays through a scene, in fixed blocks, summed in order, so that threads don't change a
digit.

Every (direction, random shift, chunk of points) is one block with a ledger of its own; blocks run in
parallel and are added up in order afterwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from yieldsim.base.vectors import FloatArray
from yieldsim.optics import causes
from yieldsim.optics.collector_walk import SEEN_LENGTH, Random, walk
from yieldsim.optics.ray_steps import RAY_LENGTH, Ray, Record
from yieldsim.optics.sampling import GENERATOR, disc_radius_table, random_shifts
from yieldsim.optics.scene import Records, Scene

CHUNK = 1024
SHIFTS = 16
"""Independent random shifts; the standard error of their mean is itself known to 18 %."""
SEED = 20_270_301

IntArray = NDArray[np.int64]


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
    blocks = _trace_blocks(
        scene.lens,
        scene.table,
        scene.collar,
        scene.funnel,
        scene.station,
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
    return np.asarray(blocks.reshape(len(directions), shifts, -1, causes.COUNT).sum(axis=2) / count)


def combine(parts: list[FloatArray], scene: Scene, shifts: int) -> Traced:
    """Equal parts (directions, shifts, causes) to shares and errors, sunlight outside the band booked as
    lost."""
    mean = sum(parts[1:], parts[0]) / len(parts)
    band = float(scene.station[0]["band_share"])
    mean = mean * band
    mean[..., causes.OUTSIDE_BAND] += 1.0 - band
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
) -> Traced:
    """Trace with doubling points until every delivered share is known to `precision` (one standard error).

    Directions that are good enough are left alone; each doubling only adds the lattice's new points.
    Stops at `largest_points` whatever the error, which the answer tells.
    """
    count = len(directions)
    mean = np.zeros((count, shifts, causes.COUNT))
    open_now = np.arange(count)
    points = first_points
    mean[:] = ledgers(scene, directions, points, False, sun_radius_deg, spin, shifts, seed)
    rays = count * shifts * points
    while True:
        spread = mean[open_now, :, causes.DELIVERED].std(axis=1, ddof=1) / math.sqrt(shifts)
        open_now = open_now[spread > precision]
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
    seen, bins, blocks = _trace_seen(
        scene.lens,
        scene.table,
        scene.collar,
        scene.funnel,
        scene.station,
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
    band = float(scene.station[0]["band_share"])
    share = blocks.sum(axis=0) / rays * band
    share[causes.OUTSIDE_BAND] += 1.0 - band
    for column in (2, 5, 7):
        seen[:, column] *= band
    columns = [seen[:, column] for column in range(SEEN_LENGTH)]
    return Seen(rays, scene.media[bins, 0], *columns, share)


def paths(
    scene: Scene, starts_xy: FloatArray, direction: FloatArray, wavelength_nm: float
) -> list[FloatArray]:
    """Paths [(vertices, 3)] of single rays that cross the aperture at the given places (n, 2), for
    drawings."""
    media = np.array([[np.interp(wavelength_nm, scene.media[:, 0], scene.media[:, k]) for k in range(5)]])
    out = []
    ledger, seen, random = np.zeros(causes.COUNT), np.zeros(SEEN_LENGTH), np.zeros(1, np.uint64)
    for x, y in starts_xy:
        ray, path = np.zeros(RAY_LENGTH), np.zeros((60, 3))
        ray[0], ray[1], ray[2] = x, y, float(scene.station[0]["aperture_depth"])
        ray[3], ray[4], ray[5] = -direction[0], -direction[1], direction[2]
        ray[6], ray[7:12] = 1.0, media[0]
        walk(
            scene.lens[0],
            scene.table,
            scene.collar[0],
            scene.funnel[0],
            scene.station[0],
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


@njit(cache=True)  # type: ignore[untyped-decorator]
def _fraction(index: int, generator: int, points: int, shift: float) -> float:
    value = float((index * generator) & (points - 1)) / points + shift
    return value - math.floor(value)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _launch(
    lens: Record,
    station: Record,
    media: FloatArray,
    disc_table: FloatArray,
    sun: FloatArray,
    disc_radius: float,
    spin: bool,
    generator: IntArray,
    shift: FloatArray,
    points: int,
    index: int,
    ray: Ray,
) -> tuple[int, float, float, float]:
    """Set up ray number `index` of the lattice; its wavelength bin and its unit's funnel shifts."""
    u = _fraction(index, generator[0], points, shift[0])
    v = _fraction(index, generator[1], points, shift[1])
    if station.aperture_round:
        r, turn = station.aperture_x * math.sqrt(u), 2.0 * math.pi * v
        ray[0], ray[1] = r * math.cos(turn), r * math.sin(turn)
    else:
        ray[0], ray[1] = station.aperture_x * (2.0 * u - 1.0), station.aperture_y * (2.0 * v - 1.0)
    ray[2] = station.aperture_depth
    sx, sy, sz = sun[0], sun[1], sun[2]
    if disc_radius > 0.0:
        u = _fraction(index, generator[2], points, shift[2]) * (disc_table.shape[0] - 1)
        cell = int(u)
        r = disc_radius * (disc_table[cell] + (u - cell) * (disc_table[cell + 1] - disc_table[cell]))
        turn = 2.0 * math.pi * _fraction(index, generator[3], points, shift[3])
        # two directions across the line to the disc's centre
        if abs(sx) > 0.9:
            ax, ay, az = -sz, 0.0, sx
        else:
            ax, ay, az = 0.0, sz, -sy
        long = math.sqrt(ax * ax + ay * ay + az * az)
        ax, ay, az = ax / long, ay / long, az / long
        bx, by, bz = sy * az - sz * ay, sz * ax - sx * az, sx * ay - sy * ax
        p, q = math.tan(r) * math.cos(turn), math.tan(r) * math.sin(turn)
        sx, sy, sz = sx + p * ax + q * bx, sy + p * ay + q * by, sz + p * az + q * bz
        long = math.sqrt(sx * sx + sy * sy + sz * sz)
        sx, sy, sz = sx / long, sy / long, sz / long
    if spin:
        turn = 2.0 * math.pi * _fraction(index, generator[5], points, shift[5])
        c, s = math.cos(turn), math.sin(turn)
        sx, sy = c * sx - s * sy, s * sx + c * sy
    ray[3], ray[4], ray[5] = -sx, -sy, sz
    ray[6] = 1.0
    colour = int(_fraction(index, generator[4], points, shift[4]) * media.shape[0])
    for column in range(5):
        ray[7 + column] = media[colour, column]
    ray[12], ray[13] = 0.0, 0.0
    if lens.slope_error > 0.0:
        size = lens.slope_error * math.sqrt(
            -2.0 * math.log(1.0 - _fraction(index, generator[10], points, shift[10]))
        )
        turn = 2.0 * math.pi * _fraction(index, generator[11], points, shift[11])
        ray[12], ray[13] = size * math.cos(turn), size * math.sin(turn)
    shift_x, shift_y, shift_depth = 0.0, 0.0, 0.0
    if station.lateral > 0.0:
        size = station.lateral * math.sqrt(
            -2.0 * math.log(1.0 - _fraction(index, generator[6], points, shift[6]))
        )
        turn = 2.0 * math.pi * _fraction(index, generator[7], points, shift[7])
        shift_x, shift_y = size * math.cos(turn), size * math.sin(turn)
    if station.axial > 0.0:
        size = station.axial * math.sqrt(
            -2.0 * math.log(1.0 - _fraction(index, generator[8], points, shift[8]))
        )
        shift_depth = size * math.cos(2.0 * math.pi * _fraction(index, generator[9], points, shift[9]))
    return colour, shift_x, shift_y, shift_depth


@njit(cache=True, parallel=True)  # type: ignore[untyped-decorator]
def _trace_blocks(
    lenses: Records,
    table: FloatArray,
    collars: Records,
    funnels: Records,
    stations: Records,
    media: FloatArray,
    disc_table: FloatArray,
    directions: FloatArray,
    disc_radius: float,
    spin: bool,
    generator: IntArray,
    shifts: FloatArray,
    points: int,
    count: int,
    offset: int,
    stride: int,
    chunk: int,
    seed: np.uint64,
) -> FloatArray:
    chunks = count // chunk
    shift_count = shifts.shape[0]
    blocks = directions.shape[0] * shift_count * chunks
    out = np.zeros((blocks, causes.COUNT))
    for block in prange(blocks):
        at = block // (shift_count * chunks)
        which = (block // chunks) % shift_count
        start = (block % chunks) * chunk
        ray = np.zeros(RAY_LENGTH)
        ledger = np.zeros(causes.COUNT)
        seen = np.zeros(SEEN_LENGTH)
        path = np.zeros((0, 3))
        random: Random = np.zeros(1, np.uint64)
        random[0] = seed + np.uint64(block) * np.uint64(0xD1B54A32D192ED03)
        for k in range(start, start + chunk):
            _, shift_x, shift_y, shift_depth = _launch(
                lenses[0],
                stations[0],
                media,
                disc_table,
                directions[at],
                disc_radius,
                spin,
                generator,
                shifts[which],
                points,
                offset + stride * k,
                ray,
            )
            walk(
                lenses[0],
                table,
                collars[0],
                funnels[0],
                stations[0],
                ray,
                ledger,
                shift_x,
                shift_y,
                shift_depth,
                seen,
                path,
                random,
            )
        out[block] = ledger
    return out


@njit(cache=True, parallel=True)  # type: ignore[untyped-decorator]
def _trace_seen(
    lenses: Records,
    table: FloatArray,
    collars: Records,
    funnels: Records,
    stations: Records,
    media: FloatArray,
    disc_table: FloatArray,
    direction: FloatArray,
    disc_radius: float,
    spin: bool,
    generator: IntArray,
    shift: FloatArray,
    points: int,
    chunk: int,
    seed: np.uint64,
) -> tuple[FloatArray, IntArray, FloatArray]:
    seen = np.zeros((points, SEEN_LENGTH))
    bins = np.zeros(points, np.int64)
    chunks = (points + chunk - 1) // chunk
    out = np.zeros((chunks, causes.COUNT))
    for block in prange(chunks):
        ray = np.zeros(RAY_LENGTH)
        ledger = np.zeros(causes.COUNT)
        path = np.zeros((0, 3))
        random: Random = np.zeros(1, np.uint64)
        random[0] = seed + np.uint64(block) * np.uint64(0xD1B54A32D192ED03)
        for k in range(block * chunk, min(points, (block + 1) * chunk)):
            bins[k], shift_x, shift_y, shift_depth = _launch(
                lenses[0],
                stations[0],
                media,
                disc_table,
                direction,
                disc_radius,
                spin,
                generator,
                shift,
                points,
                k,
                ray,
            )
            walk(
                lenses[0],
                table,
                collars[0],
                funnels[0],
                stations[0],
                ray,
                ledger,
                shift_x,
                shift_y,
                shift_depth,
                seen[k],
                path,
                random,
            )
        out[block] = ledger
    return seen, bins, out
