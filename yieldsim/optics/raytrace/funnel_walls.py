"""Tapering walls: cones, straight tapers and compound parabolic profiles, round, square or trough; hit and
normal.

One wall runs from a mouth at depth `top` to an outlet at depth `bottom`. Its half-width narrows with depth,
straight or as a compound parabola: the parabola through the outlet's edge with its focus on the opposite
outlet edge and its axis leaning by theta,

    q . q = (q . u + p)^2,   q = (x + a', h),  u = (-sin theta, cos theta),  p = 2 a' (1 + sin theta)

with a' half the outlet's width and h the height above the outlet. Its full height is (a + a') cot theta with
a = a' / sin theta; a shorter wall is that parabola cut off at its height.
Source: R. Winston, J. C. Minano, P. Benitez, Nonimaging Optics, 2005, section 4.3 (from memory); values in
the tests.

Mirrors beside a lens may instead be a parabola about the axis, focused on the target behind the lens:
theta = 0, the focus on the axis.

Every such wall encloses a convex space, so a ray inside it leaves through exactly one point: the kernels
below rest on that. They work in either direction of travel.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

WALL = np.dtype(
    [
        ("present", np.int64),
        ("is_round", np.int64),
        ("curved", np.int64),
        ("solid", np.int64),
        ("top", np.float64),
        ("bottom", np.float64),
        ("mouth_x", np.float64),  # half-widths
        ("outlet_x", np.float64),
        ("mouth_y", np.float64),
        ("outlet_y", np.float64),
        ("curved_y", np.int64),
        ("axis_sin", np.float64),  # of a parabola: lean of its axis, 2 f, and where its focus is
        ("axis_cos", np.float64),
        ("semi_latus", np.float64),
        ("focus_x", np.float64),  # on the far side of the axis
        ("focus_depth", np.float64),
        ("reflectance", np.float64),
        ("slope_error", np.float64),
    ],
    align=True,
)
"""One wall as the kernels read it."""

FAR = 1e30


def full_height(mouth_half: float, outlet_half: float) -> float:
    """Height of the whole compound parabolic profile between two half-widths: (a + a') cot theta."""
    sine = outlet_half / mouth_half
    return (mouth_half + outlet_half) * math.sqrt(1.0 - sine * sine) / sine


def parabola_half_width(height: float, outlet_half: float, theta: float) -> float:
    """Half-width of the compound parabolic profile at a height above the outlet; theta in radians.

    >>> round(parabola_half_width(1.5, 1.0, math.radians(30.0)), 6)
    1.598076
    """
    latus = 2.0 * outlet_half * (1.0 + math.sin(theta))
    return float(_parabola(height, outlet_half, latus, math.sin(theta), math.cos(theta))[0])


def solve_axis_angle(mouth_half: float, outlet_half: float, height: float) -> float:
    """Lean theta, radians, of the parabola that reaches `mouth_half` at `height`; cut off, it leans less.

    Raises ValueError, saying the limit, when no such parabola exists.
    """
    longest = full_height(mouth_half, outlet_half)
    if height > longest * (1.0 + 1e-9):
        raise ValueError(f"at most {longest:.4g} m, the height of the full profile")
    if parabola_half_width(height, outlet_half, 0.0) < mouth_half:
        shortest = (mouth_half + 3.0 * outlet_half) * (mouth_half - outlet_half) / (4.0 * outlet_half)
        raise ValueError(f"at least {shortest:.4g} m, where the parabola stands upright")
    low, high = 0.0, math.asin(outlet_half / mouth_half)
    # the width at a height falls as the parabola leans over
    for _ in range(100):
        middle = 0.5 * (low + high)
        if parabola_half_width(height, outlet_half, middle) > mouth_half:
            low = middle
        else:
            high = middle
    return high


@njit(cache=True)
def _parabola(height: float, focus_x: float, latus: float, sine: float, cosine: float) -> tuple[float, float]:
    """Half-width at a height above the focus and its derivative with height.

    With X = x + focus_x and m = cosine h + p: cosine^2 X^2 + 2 sine m X + h^2 - m^2 = 0.
    """
    m = cosine * height + latus
    root = math.sqrt(max(0.0, sine * sine * m * m + cosine * cosine * (m * m - height * height)))
    wide = (root - sine * m) / (cosine * cosine)
    distance = m - sine * wide
    slope = -(height - cosine * distance) / (wide + sine * distance)
    return wide - focus_x, slope


@njit(cache=True)
def half_width(wall: Any, depth: float) -> tuple[float, float]:
    """Half-width across x at a depth and its derivative with depth."""
    if wall.curved:
        value, slope = _parabola(
            wall.focus_depth - depth, wall.focus_x, wall.semi_latus, wall.axis_sin, wall.axis_cos
        )
        return value, -slope
    slope = (wall.outlet_x - wall.mouth_x) / (wall.bottom - wall.top)
    return wall.mouth_x + slope * (depth - wall.top), slope


@njit(cache=True)
def _plane_hit(position: float, direction: float, half: float, slope: float, dz: float) -> float:
    """Distance to the plane where |position| reaches half + slope * dz * distance, on the positive side."""
    closing = direction - slope * dz
    if closing <= 0.0:
        return FAR
    return max(0.0, (half - position) / closing)


@njit(cache=True)
def _parabola_hit(wall: Any, position: float, direction: float, z: float, dz: float) -> float:
    """Distance to the parabola on the positive side: the larger root, the ray being inside."""
    qx, qh, dh = position + wall.focus_x, wall.focus_depth - z, -dz
    k = -qx * wall.axis_sin + qh * wall.axis_cos + wall.semi_latus
    e = -direction * wall.axis_sin + dh * wall.axis_cos
    a = direction * direction + dh * dh - e * e
    b = qx * direction + qh * dh - k * e
    c = qx * qx + qh * qh - k * k
    if a < 1e-14:
        if b <= 0.0:
            return FAR
        distance = -0.5 * c / b
    else:
        root = math.sqrt(max(0.0, b * b - a * c))
        distance = -c / (b + root) if b > 0.0 else (root - b) / a
    if position + distance * direction < 0.0:
        # an upright parabola has two branches; the other one belongs to the other side
        return FAR
    return float(max(0.0, distance))


@njit(cache=True)
def _cone_hit(wall: Any, x: float, y: float, z: float, dx: float, dy: float, dz: float) -> float:
    """Distance to a cone from inside: x^2 + y^2 = a(z)^2 along the ray is A s^2 + 2 B s + C = 0 with C <= 0.

    The first crossing outwards is -C / (B + root) where the ray heads outwards (B > 0), else the far root.
    """
    slope = (wall.outlet_x - wall.mouth_x) / (wall.bottom - wall.top)
    a = wall.mouth_x + slope * (z - wall.top)
    qa = dx * dx + dy * dy - slope * slope * dz * dz
    qb = x * dx + y * dy - a * slope * dz
    qc = min(0.0, x * x + y * y - a * a)
    inside = qb * qb - qa * qc
    if inside < 0.0:
        return FAR
    root = math.sqrt(inside)
    if qb > 0.0:
        return float(-qc / (qb + root))
    return float((root - qb) / qa) if qa > 0.0 else FAR


@njit(cache=True)
def _bowl_hit(wall: Any, x: float, y: float, z: float, dx: float, dy: float, dz: float, end: float) -> float:
    """Distance to a revolved parabola: r - a is convex along the ray, so Newton from the far end comes down
    on it."""
    distance = end
    if distance > 1e20:
        distance = float(4.0 * (wall.mouth_x + wall.outlet_x) / math.sqrt(dx * dx + dy * dy))
    for _ in range(60):
        px, py = x + distance * dx, y + distance * dy
        r = math.sqrt(px * px + py * py)
        a, slope = half_width(wall, min(max(z + distance * dz, wall.top), wall.bottom))
        excess = r - a
        if excess <= 1e-13 * wall.mouth_x:
            return distance if distance < end else FAR
        rate = (px * dx + py * dy) / r - slope * dz
        if rate <= 0.0:
            return 0.0
        step = excess / rate
        distance -= step
        if distance <= 0.0:
            return 0.0
        if step < 1e-12 * wall.mouth_x:
            return distance
    return distance


@njit(cache=True)
def wall_hit(
    wall: Any, x: float, y: float, z: float, dx: float, dy: float, dz: float
) -> tuple[float, float, float, float, bool]:
    """Distance to the wall, its outward unit normal, and whether it is met before an open end.

    Without a hit the distance runs to the open end that the ray leaves by.
    """
    if dz > 0.0:
        end = (wall.bottom - z) / dz
    elif dz < 0.0:
        end = (wall.top - z) / dz
    else:
        end = FAR
    end = max(0.0, end)
    if wall.is_round:
        curved = wall.curved == 1
        distance = (
            _bowl_hit(wall, x, y, z, dx, dy, dz, end) if curved else _cone_hit(wall, x, y, z, dx, dy, dz)
        )
        if distance >= end:
            return end, 0.0, 0.0, 0.0, False
        px, py = x + distance * dx, y + distance * dy
        r = math.sqrt(px * px + py * py)
        _, slope = half_width(wall, z + distance * dz)
        scale = 1.0 / math.sqrt(1.0 + slope * slope)
        return distance, px / r * scale, py / r * scale, -slope * scale, True
    # four sides; by symmetry each pair is met on the side of the travel
    sign_x = 1.0 if dx >= 0.0 else -1.0
    sign_y = 1.0 if dy >= 0.0 else -1.0
    best, axis, side = end, 0, 1.0
    for which in range(4):
        across_x = which < 2
        sign = (sign_x if across_x else sign_y) * (1.0 if which % 2 == 0 else -1.0)
        position = sign * (x if across_x else y)
        direction = sign * (dx if across_x else dy)
        mouth = wall.mouth_x if across_x else wall.mouth_y
        outlet = wall.outlet_x if across_x else wall.outlet_y
        if wall.curved and (across_x or wall.curved_y):
            distance = _parabola_hit(wall, position, direction, z, dz)
            # a ray that has just left this side lies on it to rounding
            if distance < 1e-12 * mouth:
                continue
        else:
            slope = (outlet - mouth) / (wall.bottom - wall.top)
            distance = _plane_hit(position, direction, mouth + slope * (z - wall.top), slope, dz)
        if distance < best:
            best, axis, side = distance, 1 if across_x else 2, sign
    if axis == 0:
        return end, 0.0, 0.0, 0.0, False
    outlet = wall.outlet_x if axis == 1 else wall.outlet_y
    mouth = wall.mouth_x if axis == 1 else wall.mouth_y
    if wall.curved and (axis == 1 or wall.curved_y):
        _, slope = half_width(wall, z + best * dz)
    else:
        slope = (outlet - mouth) / (wall.bottom - wall.top)
    scale = 1.0 / math.sqrt(1.0 + slope * slope)
    if axis == 1:
        return best, side * scale, 0.0, -slope * scale, True
    return best, 0.0, side * scale, -slope * scale, True


@njit(cache=True)
def within_mouth(wall: Any, x: float, y: float) -> bool:
    """Whether a point of the mouth's plane lies in the mouth."""
    if wall.is_round:
        return bool(x * x + y * y <= wall.mouth_x * wall.mouth_x)
    return bool(abs(x) <= wall.mouth_x and abs(y) <= wall.mouth_y)


def profile(wall: Any, points: int = 60) -> tuple[FloatArray, FloatArray]:
    """Depths and half-widths across x along the wall, for drawings."""
    depth = np.linspace(float(wall["top"]), float(wall["bottom"]), points)
    if not wall["curved"]:
        return depth, np.interp(
            depth, [depth[0], depth[-1]], [float(wall["mouth_x"]), float(wall["outlet_x"])]
        )
    at = [float(wall[name]) for name in ("focus_x", "semi_latus", "axis_sin", "axis_cos")]
    width = [_parabola(float(wall["focus_depth"]) - d, *at)[0] for d in depth]
    return depth, np.array(width)
