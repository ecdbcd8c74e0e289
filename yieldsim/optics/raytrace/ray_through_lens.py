"""One ray through the lens: flat or domed Fresnel lens, round or linear, or a plano-convex lens.

Grooves are met in the section through the axis: across one groove the lens is taken as straight along the
groove, with the facet's normal turned to the azimuth of the point hit. What that neglects is of the order
of the square of (groove height / radius), below 1e-4 of the light for lenses with tens of grooves or more.
Light reflected inside the lens is lost: the part of it that would come through after two reflections is
R^2, 0.2 % at index 1.5 and 0.6 % at 1.79, and reaches the target only from the flattest facets.
"""

from __future__ import annotations

import math

import numpy as np

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.groove_section import facet_from_air, facet_from_glass, in_groove
from yieldsim.optics.raytrace.ray_steps import FACE, Ray, Record, absorb, cross, end_here, move

LENS = np.dtype(
    [
        ("kind", np.int64),
        ("linear", np.int64),
        ("is_round", np.int64),
        ("side_out", np.int64),
        ("domed", np.int64),
        ("half_x", np.float64),
        ("half_y", np.float64),
        ("thickness", np.float64),
        ("dome_radius", np.float64),
        ("step", np.float64),  # from tip to tip: m, radians about a dome's centre
        ("pitch", np.float64),
        ("tan_draft", np.float64),
        ("deepest", np.float64),
        ("curvature_radius", np.float64),
        ("conic", np.float64),
        ("front", FACE),
        ("back", FACE),
        ("slope_error", np.float64),
    ],
    align=True,
)
"""The lens as the kernels read it; lengths in m, half-widths."""

NONE, FRESNEL, PLANO_CONVEX = 0, 1, 2

# the causes as plain numbers, for the compiler
_BESIDE, _REFLECTION, _DRAFT = loss_causes.BESIDE_LENS, loss_causes.LENS_REFLECTION, loss_causes.DRAFT
_ROUNDING, _EDGE, _ABSORPTION = loss_causes.ROUNDING, loss_causes.LENS_EDGE, loss_causes.LENS_ABSORPTION


@njit(cache=True)
def _inside_outline(lens: Record, x: float, y: float) -> bool:
    if lens.is_round:
        return bool(x * x + y * y <= lens.half_x * lens.half_x)
    return bool(abs(x) <= lens.half_x and abs(y) <= lens.half_y)


@njit(cache=True)
def _sphere_distance(ray: Ray, centre_z: float, radius: float) -> float:
    """Distance to the near side of a sphere on the axis; -inf where the ray misses it."""
    oz = ray[2] - centre_z
    b = ray[0] * ray[3] + ray[1] * ray[4] + oz * ray[5]
    c = ray[0] * ray[0] + ray[1] * ray[1] + oz * oz - radius * radius
    inside = b * b - c
    if inside < 0.0:
        return -np.inf
    return float(-b - math.sqrt(inside))


@njit(cache=True)
def _conic_distance(ray: Ray, vertex_z: float, radius: float, conic: float) -> float:
    """Distance to the conic of revolution x^2 + y^2 + (1 + k) z^2 = 2 R z, nearest its vertex; -inf on a
    miss.

    R > 0 where the centre lies deeper than the vertex.
    """
    z = ray[2] - vertex_z
    k = 1.0 + conic
    a = ray[3] * ray[3] + ray[4] * ray[4] + k * ray[5] * ray[5]
    b = ray[0] * ray[3] + ray[1] * ray[4] + k * z * ray[5] - radius * ray[5]
    c = ray[0] * ray[0] + ray[1] * ray[1] + k * z * z - 2.0 * radius * z
    inside = b * b - a * c
    if inside < 0.0:
        return -np.inf
    # of the two roots the one near the vertex, in the form that stays finite for a flat surface
    root = math.sqrt(inside)
    return float(c / (-b + root) if b <= 0.0 else c / (-b - root))


@njit(cache=True)
def _onto(lens: Record, ray: Ray, depth: float) -> tuple[float, float, float, float]:
    """Move to the flat or spherical surface at a depth on the axis; distance moved and the normal along the
    light.

    The distance is -inf on a miss, and the ray stays.
    """
    if not lens.domed:
        distance = (depth - ray[2]) / ray[5]
        move(ray, distance)
        return distance, 0.0, 0.0, 1.0
    radius = lens.dome_radius - depth
    distance = _sphere_distance(ray, lens.dome_radius, radius)
    if distance == -np.inf:
        return distance, 0.0, 0.0, 1.0
    move(ray, distance)
    return distance, -ray[0] / radius, -ray[1] / radius, (lens.dome_radius - ray[2]) / radius


@njit(cache=True)
def _meridian(lens: Record, ray: Ray) -> tuple[float, float, float]:
    """The radial unit vector at the ray's point and its distance from the axis."""
    if lens.linear:
        return (1.0 if ray[0] >= 0.0 else -1.0), 0.0, abs(ray[0])
    r = math.sqrt(ray[0] * ray[0] + ray[1] * ray[1])
    if r > 0.0:
        return ray[0] / r, ray[1] / r, r
    return 1.0, 0.0, r


@njit(cache=True)
def _steps(lens: Record, r: float, z: float) -> float:
    """How many grooves lie between the axis and a point of the surface of tips."""
    if lens.domed:
        return float(math.atan2(r, lens.dome_radius - z) / lens.step)
    return float(r / lens.step)


@njit(cache=True)
def _section(ray: Ray, ux: float, uy: float, sine: float, cosine: float) -> tuple[float, float]:
    """The direction in the groove's section: outwards across the grooves, and along the light."""
    radial = ray[3] * ux + ray[4] * uy
    return radial * cosine + ray[5] * sine, ray[5] * cosine - radial * sine


@njit(cache=True)
def _facet_normal(
    ray: Ray, ux: float, uy: float, sine: float, cosine: float, tangent: float
) -> tuple[float, float, float]:
    """Normal along the light of a facet of slope `tangent` on the tilted surface of tips, with its slope
    errors."""
    t = tangent + ray[12]
    nr, nz = t * cosine - sine, t * sine + cosine
    nx, ny = nr * ux - ray[13] * uy, nr * uy + ray[13] * ux
    scale = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
    return nx * scale, ny * scale, nz * scale


@njit(cache=True)
def _grooves_in(lens: Record, table: FloatArray, ray: Ray, ledger: FloatArray) -> bool:
    """Smooth front, grooves towards the target."""
    n = ray[8]
    distance, nx, ny, nz = _onto(lens, ray, 0.0)
    if distance == -np.inf or nz < 0.0 or not _inside_outline(lens, ray[0], ray[1]):
        return bool(end_here(ray, ledger, _BESIDE))
    if not cross(ray, ledger, nx, ny, nz, 1.0, n, lens.front, _REFLECTION):
        return False
    distance, nx, ny, nz = _onto(lens, ray, lens.thickness)
    if distance == -np.inf:
        return bool(end_here(ray, ledger, _EDGE))
    facing = nx * ray[3] + ny * ray[4] + nz * ray[5]
    if facing <= 0.0:
        return bool(end_here(ray, ledger, _EDGE))
    ux, uy, r = _meridian(lens, ray)
    dr = ray[3] * ux + ray[4] * uy
    # go back to where the glass is whole, and on a dome, whose chords lie deeper, one groove more
    whole = lens.deepest / facing
    first = math.floor(_steps(lens, r - whole * dr, ray[2] - whole * ray[5]))
    outwards = dr
    if lens.domed:
        outwards = dr * (lens.dome_radius - ray[2]) + ray[5] * r
        first -= 1 if outwards >= 0.0 else -1
    step = 1 if outwards >= 0.0 else -1
    back, groove, face, place = facet_from_glass(
        table, lens.pitch, lens.tan_draft, lens.deepest, first, step, r, ray[2], dr, ray[5]
    )
    move(ray, back)
    absorb(ray, ledger, ray[9], distance + back, _ABSORPTION)
    if face == 2 or not _inside_outline(lens, ray[0], ray[1]):
        return bool(end_here(ray, ledger, _EDGE))
    if face == 1:
        return bool(end_here(ray, ledger, _DRAFT))
    if place < table[groove, 3] or place > table[groove, 1] - table[groove, 4]:
        return bool(end_here(ray, ledger, _ROUNDING))
    ux, uy, _ = _meridian(lens, ray)
    slope, sine, cosine = table[groove, 0], table[groove, 5], table[groove, 6]
    nx, ny, nz = _facet_normal(ray, ux, uy, sine, cosine, slope)
    if not cross(ray, ledger, nx, ny, nz, n, 1.0, lens.back, _REFLECTION):
        return False
    # out of the groove, unless its draft face stands in the way
    d_across, d_along = _section(ray, ux, uy, sine, cosine)
    if d_along <= 0.0 or place + place * slope * d_across / d_along > lens.pitch:
        return bool(end_here(ray, ledger, _DRAFT))
    return True


@njit(cache=True)
def _grooves_out(lens: Record, table: FloatArray, ray: Ray, ledger: FloatArray) -> bool:
    """Grooves towards the Sun, smooth lower face."""
    n = ray[8]
    distance, nx, ny, nz = _onto(lens, ray, 0.0)
    if distance == -np.inf or nz < 0.0 or not _inside_outline(lens, ray[0], ray[1]):
        return bool(end_here(ray, ledger, _BESIDE))
    ux, uy, r = _meridian(lens, ray)
    groove = int(_steps(lens, r, ray[2]))
    if nx * ray[3] + ny * ray[4] + nz * ray[5] <= 0.0 or groove >= table.shape[0]:
        return bool(end_here(ray, ledger, _BESIDE))
    slope, sine, cosine = table[groove, 0], table[groove, 5], table[groove, 6]
    place, depth = in_groove(table, groove, r, ray[2])
    d_across, d_along = _section(ray, ux, uy, sine, cosine)
    distance, place = facet_from_air(slope, lens.pitch, lens.tan_draft, place, depth, d_across, d_along)
    if distance < 0.0:
        return bool(end_here(ray, ledger, _DRAFT))
    move(ray, distance)
    if place < table[groove, 3] or place > table[groove, 1] - table[groove, 4]:
        return bool(end_here(ray, ledger, _ROUNDING))
    ux, uy, r = _meridian(lens, ray)
    nx, ny, nz = _facet_normal(ray, ux, uy, sine, cosine, -slope)
    if not cross(ray, ledger, nx, ny, nz, 1.0, n, lens.front, _REFLECTION):
        return False
    if groove > 0:
        d_across, d_along = _section(ray, ux, uy, table[groove - 1, 5], table[groove - 1, 6])
        if d_across < 0.0:
            # under the valley of the groove nearer the axis, or onto that groove's draft face from inside?
            place, depth = in_groove(table, groove - 1, r, ray[2])
            if depth + (table[groove - 1, 1] - place) / d_across * d_along < table[groove - 1, 2]:
                return bool(end_here(ray, ledger, _DRAFT))
    distance, nx, ny, nz = _onto(lens, ray, lens.thickness)
    if distance == -np.inf:
        return bool(end_here(ray, ledger, _EDGE))
    absorb(ray, ledger, ray[9], distance, _ABSORPTION)
    if not _inside_outline(lens, ray[0], ray[1]):
        return bool(end_here(ray, ledger, _EDGE))
    return bool(cross(ray, ledger, nx, ny, nz, n, 1.0, lens.back, _REFLECTION))


@njit(cache=True)
def _conic_face(lens: Record, ray: Ray, vertex: float, radius: float) -> tuple[float, float, float, float]:
    """Move to the curved face; distance (-inf on a miss) and the normal along the light."""
    distance = _conic_distance(ray, vertex, radius, lens.conic)
    if distance == -np.inf:
        return distance, 0.0, 0.0, 1.0
    move(ray, distance)
    nx, ny = radius * ray[12] - ray[0], radius * ray[13] - ray[1]
    nz = radius - (1.0 + lens.conic) * (ray[2] - vertex)
    scale = math.copysign(1.0, radius) / math.sqrt(nx * nx + ny * ny + nz * nz)
    return distance, nx * scale, ny * scale, nz * scale


@njit(cache=True)
def _plano_convex(lens: Record, ray: Ray, ledger: FloatArray) -> bool:
    """A smooth lens, one side flat and the other a conic of revolution."""
    n = ray[8]
    if lens.side_out:
        distance, nx, ny, nz = _conic_face(lens, ray, 0.0, lens.curvature_radius)
    else:
        distance, nx, ny, nz = -ray[2] / ray[5], 0.0, 0.0, 1.0
        move(ray, distance)
    if distance == -np.inf or not _inside_outline(lens, ray[0], ray[1]):
        return bool(end_here(ray, ledger, _BESIDE))
    if not cross(ray, ledger, nx, ny, nz, 1.0, n, lens.front, _REFLECTION):
        return False
    if lens.side_out:
        distance, nx, ny, nz = (lens.thickness - ray[2]) / ray[5], 0.0, 0.0, 1.0
        move(ray, distance)
    else:
        distance, nx, ny, nz = _conic_face(lens, ray, lens.thickness, -lens.curvature_radius)
    if distance == -np.inf:
        return bool(end_here(ray, ledger, _EDGE))
    absorb(ray, ledger, ray[9], distance, _ABSORPTION)
    if not _inside_outline(lens, ray[0], ray[1]):
        return bool(end_here(ray, ledger, _EDGE))
    return bool(cross(ray, ledger, nx, ny, nz, n, 1.0, lens.back, _REFLECTION))


@njit(cache=True)
def through_lens(lens: Record, table: FloatArray, ray: Ray, ledger: FloatArray) -> bool:
    """Carry the ray through the lens; False where nothing is left of it.

    On return the ray stands on the lens's last face, heading for the target.
    """
    if lens.kind == 1:
        if lens.side_out:
            return bool(_grooves_out(lens, table, ray, ledger))
        return bool(_grooves_in(lens, table, ray, ledger))
    if lens.kind == 2:
        return bool(_plano_convex(lens, ray, ledger))
    return True
