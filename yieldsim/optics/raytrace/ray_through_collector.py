"""One ray through the whole collector: collar mirrors, lens, funnel, fibre face, with every loss booked by
cause.

Order of events: aperture plane - collar above the lens - lens - collar beside the lens - funnel mouth -
funnel walls - funnel outlet - fibre face. A mirror takes a fixed share at each hit; the wall of a solid
funnel reflects totally, or by Fresnel where total reflection fails, and what passes is lost. Light sent
back out of a part's mouth is lost. The fibre's own end reflection and packing are not here: they belong to
the collector's [fibre].
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.fresnel import bare_reflectance
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.funnel_walls import wall_hit, within_mouth
from yieldsim.optics.raytrace.ray_steps import FACE, Ray, Record, absorb, cross, end_here, lose, move
from yieldsim.optics.raytrace.ray_through_lens import through_lens

STATION = np.dtype(
    [
        ("collar_place", np.int64),  # 0 none, 1 above the lens, 2 beside it
        ("has_funnel", np.int64),
        ("mouth_depth", np.float64),
        ("mouth", FACE),
        ("outlet", FACE),
        ("matched", np.int64),
        ("core_index", np.float64),
        ("gap", np.float64),
        ("face_round", np.int64),
        ("face_x", np.float64),
        ("face_y", np.float64),
        ("numerical_aperture", np.float64),
        ("lateral", np.float64),
        ("axial", np.float64),
        ("aperture_depth", np.float64),
        ("aperture_round", np.int64),
        ("aperture_x", np.float64),
        ("aperture_y", np.float64),
        ("band_share", np.float64),
    ],
    align=True,
)
"""Where things stand, the fibre's face and the aperture, as the kernels read them."""

SEEN_LENGTH = 8
"""What a ray leaves for the figures: x, y, weight at the mouth; x, y, weight, n sin(angle) at the face;
delivered."""

Records = NDArray[np.void]


class Parts(NamedTuple):
    """A collector as the kernels read it: arrays of one record each, and the table of grooves (n, 9)."""

    lens: Records
    table: FloatArray
    collar: Records
    funnel: Records
    station: Records


Path = NDArray[np.float64]
Random = NDArray[np.uint64]

LARGEST_BOUNCES = 400
SMALLEST_WEIGHT = 1e-7
"""A ray this weak ends where it is; what is left goes to that wall's cause, so nothing is missing from the
sum."""

_COLLAR_MIRROR, _COLLAR_TURNED = loss_causes.COLLAR_MIRROR, loss_causes.COLLAR_TURNED
_MISSED, _MOUTH, _ESCAPE = loss_causes.MISSED_FUNNEL, loss_causes.MOUTH_REFLECTION, loss_causes.FUNNEL_ESCAPE
_MIRROR, _TURNED, _ABSORPTION = (
    loss_causes.FUNNEL_MIRROR,
    loss_causes.FUNNEL_TURNED,
    loss_causes.FUNNEL_ABSORPTION,
)
_OUTLET, _BESIDE_FIBRE, _CONE = (
    loss_causes.OUTLET_REFLECTION,
    loss_causes.BESIDE_FIBRE,
    loss_causes.OUTSIDE_CONE,
)
_DELIVERED = loss_causes.DELIVERED


@njit(cache=True)
def uniform(random: Random) -> float:
    """Next number in (0, 1) of a ray's own stream. Source: G. Steele et al., SplitMix, OOPSLA 2014 (from
    memory)."""
    random[0] += np.uint64(0x9E3779B97F4A7C15)
    z = random[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return (float(z >> np.uint64(11)) + 0.5) / 9007199254740992.0


@njit(cache=True)
def mark(path: Path, ray: Ray) -> None:
    """Add the ray's place to its path, for drawings; row 0 of the path counts the rows."""
    if path.shape[0] > 0:
        row = int(path[0, 0]) + 1
        if row < path.shape[0]:
            path[row, 0], path[row, 1], path[row, 2] = ray[0], ray[1], ray[2]
            path[0, 0] = row


@njit(cache=True)
def along_walls(
    wall: Record,
    ray: Ray,
    ledger: FloatArray,
    index: float,
    absorption: float,
    wall_cause: int,
    turned_cause: int,
    absorption_cause: int,
    path: Path,
    random: Random,
) -> bool:
    """Carry the ray from wall to wall until it leaves by the outlet (True) or is over."""
    for _ in range(LARGEST_BOUNCES):
        distance, nx, ny, nz, met = wall_hit(wall, ray[0], ray[1], ray[2], ray[3], ray[4], ray[5])
        move(ray, distance)
        if wall.solid:
            absorb(ray, ledger, absorption, distance, absorption_cause)
        if not met:
            if ray[5] > 0.0:
                ray[2] = wall.bottom
                mark(path, ray)
                return True
            mark(path, ray)
            return bool(end_here(ray, ledger, turned_cause))
        mark(path, ray)
        if wall.slope_error > 0.0:
            size = wall.slope_error * math.sqrt(-2.0 * math.log(uniform(random)))
            turn = 2.0 * math.pi * uniform(random)
            # any two directions across the normal will do; the errors have no direction of their own
            tx, ty, tz = -ny, nx, 0.0
            long = math.sqrt(tx * tx + ty * ty)
            if long > 1e-9:
                tx, ty = tx / long, ty / long
            else:
                tx, ty = 1.0, 0.0
            bx, by, bz = ny * tz - nz * ty, nz * tx - nx * tz, nx * ty - ny * tx
            a, b = size * math.cos(turn), size * math.sin(turn)
            nx, ny, nz = nx + a * tx + b * bx, ny + a * ty + b * by, nz + a * tz + b * bz
            scale = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
            nx, ny, nz = nx * scale, ny * scale, nz * scale
        towards = ray[3] * nx + ray[4] * ny + ray[5] * nz
        if towards > 0.0:
            kept = bare_reflectance(towards, index, 1.0) if wall.solid else wall.reflectance
            lose(ray, ledger, 1.0 - kept, wall_cause)
            ray[3] -= 2.0 * towards * nx
            ray[4] -= 2.0 * towards * ny
            ray[5] -= 2.0 * towards * nz
        if ray[6] < SMALLEST_WEIGHT:
            return bool(end_here(ray, ledger, wall_cause))
    return bool(end_here(ray, ledger, turned_cause))


@njit(cache=True)
def onto_fibre(
    station: Record, ray: Ray, ledger: FloatArray, medium: float, seen: FloatArray, path: Path
) -> None:
    """From the outlet across the gap onto the fibre's face; `medium` is the index the ray travels in."""
    if ray[5] <= 0.0:
        end_here(ray, ledger, _CONE)
        return
    move(ray, station.gap / ray[5])
    mark(path, ray)
    if station.face_round:
        inside = ray[0] * ray[0] + ray[1] * ray[1] <= station.face_x * station.face_x
    else:
        inside = abs(ray[0]) <= station.face_x and abs(ray[1]) <= station.face_y
    sine = medium * math.sqrt(ray[3] * ray[3] + ray[4] * ray[4])
    seen[3], seen[4], seen[5], seen[6] = ray[0], ray[1], ray[6], sine
    if not inside:
        end_here(ray, ledger, _BESIDE_FIBRE)
    elif sine > station.numerical_aperture:
        end_here(ray, ledger, _CONE)
    else:
        seen[7] = ray[6]
        end_here(ray, ledger, _DELIVERED)


@njit(cache=True)
def walk(
    parts: Parts,
    ray: Ray,
    ledger: FloatArray,
    shift_x: float,
    shift_y: float,
    shift_depth: float,
    seen: FloatArray,
    path: Path,
    random: Random,
) -> None:
    """Carry one ray from the aperture plane to its end.

    shift_*   how far this unit's funnel stands from where it should
    """
    lens, collar, funnel, station = parts.lens[0], parts.collar[0], parts.funnel[0], parts.station[0]
    mark(path, ray)
    if station.collar_place == 1 and not along_walls(
        collar, ray, ledger, 1.0, 0.0, _COLLAR_MIRROR, _COLLAR_TURNED, _COLLAR_MIRROR, path, random
    ):
        return
    meets_lens = lens.kind != 0
    if station.collar_place == 2 and meets_lens:
        if lens.is_round:
            meets_lens = ray[0] * ray[0] + ray[1] * ray[1] <= lens.half_x * lens.half_x
        else:
            meets_lens = abs(ray[0]) <= lens.half_x and abs(ray[1]) <= lens.half_y
    if meets_lens:
        if not through_lens(lens, parts.table, ray, ledger):
            return
        mark(path, ray)
        if ray[5] <= 0.0:
            end_here(ray, ledger, _MISSED)
            return
    if station.collar_place == 2 and not along_walls(
        collar, ray, ledger, 1.0, 0.0, _COLLAR_MIRROR, _COLLAR_TURNED, _COLLAR_MIRROR, path, random
    ):
        return
    move(ray, (station.mouth_depth + shift_depth - ray[2]) / ray[5])
    ray[0] -= shift_x
    ray[1] -= shift_y
    ray[2] = station.mouth_depth
    mark(path, ray)
    seen[0], seen[1], seen[2] = ray[0], ray[1], ray[6]
    if not station.has_funnel:
        onto_fibre(station, ray, ledger, 1.0, seen, path)
        return
    if not within_mouth(funnel, ray[0], ray[1]):
        end_here(ray, ledger, _MISSED)
        return
    index = 1.0
    if funnel.solid:
        index = ray[10]
        if not cross(ray, ledger, 0.0, 0.0, 1.0, 1.0, index, station.mouth, _MOUTH):
            return
    if not along_walls(
        funnel,
        ray,
        ledger,
        index,
        ray[11],
        _ESCAPE if funnel.solid else _MIRROR,
        _TURNED,
        _ABSORPTION,
        path,
        random,
    ):
        return
    if funnel.solid:
        outside = station.core_index if station.matched else 1.0
        if not cross(ray, ledger, 0.0, 0.0, 1.0, index, outside, station.outlet, _OUTLET):
            return
        index = outside
    onto_fibre(station, ray, ledger, index, seen, path)
