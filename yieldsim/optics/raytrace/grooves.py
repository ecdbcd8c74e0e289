"""Fresnel grooves: facet slopes that send each groove's centre ray to the target, and the shape of every
groove.

Closed forms for parallel light at normal incidence on a flat lens of index n, turned by w:

    grooves facing in (towards the target)    tan a = sin w / (n - cos w)
    grooves facing out (towards the Sun)      tan a = sin w / (sqrt(n^2 - sin^2 w) - 1)

The design below holds for any source distance and for domes: the facet's normal lies along n2 t - n1 i,
with i and t the unit directions before and behind the facet (Snell's law as a vector equation, exact).

A groove: facet, straight in section, from its tip to its valley, then the draft face, leaning by the draft
angle, up to the next tip. All tips lie on one surface, evenly spaced along it; slopes and draft angles count
from the straight line between a groove's two tips, which on a dome is a chord of the arc of tips. Rounded
tips and valleys are taken as dark: their width along the facet is R / tan(b / 2), b = 90 - slope + draft the
angle between the two faces, but not more than sqrt(2 R h) where the groove's height h is less than the
rounding. That is a little pessimistic: part of the rounded zone still points near enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import Lens

SLOPE, FACET_WIDTH, HEIGHT, TIP, VALLEY, SINE, COSINE, TIP_RADIUS, TIP_DEPTH = range(9)
"""Columns of the groove table that the tracer reads: tan(slope), widths and height in m, the tilt of the
line between the tips (0 on a flat lens), and where the tip nearer the axis lies, m."""

Vector = tuple[float, float]

SHALLOWEST = 1e-3
"""A ray inside the lens that runs more level than this never reaches the other face."""
CLOSE_M = 1e-9
"""How near a centre ray must come for its groove to count as designed."""


@dataclass(frozen=True, slots=True)
class Facets:
    """Slopes from the centre outwards, and how far each groove turns its centre ray."""

    slope_deg: FloatArray
    """(n,) NaN where no slope can do it."""
    turn_deg: FloatArray


def largest_turn_in_deg(n: float) -> float:
    """Largest turn of straight light by a groove facing in, acos(1/n): beyond it the facet reflects
    totally."""
    return math.degrees(math.acos(1.0 / n))


def groove_step(lens: Lens, count: int) -> float:
    """From one tip to the next: m along a flat lens, radians about the centre of a dome."""
    if math.isinf(lens.dome_radius_m):
        return lens.half_extent_m / count
    return math.asin(min(1.0, lens.half_extent_m / _tips_radius_m(lens))) / count


def groove_pitch_m(lens: Lens, count: int) -> float:
    """Width of one groove, straight from tip to tip."""
    step = groove_step(lens, count)
    if math.isinf(lens.dome_radius_m):
        return step
    return 2.0 * _tips_radius_m(lens) * math.sin(0.5 * step)


def design_facets(lens: Lens, index: float) -> Facets:
    """Facet slopes for which every groove's centre ray meets the focus.

    index   refractive index at the design wavelength
    The focus lies on the axis, `focal_length_m` behind the lens's lower face. The source is
    `source_distance_m` in front of the lens on the axis. Slopes come out NaN where the turn is beyond what
    refraction can do.
    """
    slopes, turns = np.empty(lens.groove_count), np.empty(lens.groove_count)
    guess = 0.0
    for groove in range(lens.groove_count):
        slopes[groove], turns[groove] = _solve_groove(lens, index, groove, guess)
        guess = slopes[groove] if math.isfinite(slopes[groove]) else 0.0
    return Facets(np.degrees(slopes), np.degrees(turns))


def groove_table(lens: Lens, slope_deg: FloatArray) -> FloatArray:
    """Table (n, 5) that the tracer reads: see the column names above."""
    pitch = groove_pitch_m(lens, len(slope_deg))
    slope, draft = np.radians(slope_deg), math.radians(lens.draft_deg)
    tangent = np.tan(slope)
    width = pitch / (1.0 + tangent * math.tan(draft))
    height = width * tangent
    half_corner = 0.5 * (0.5 * math.pi - slope + draft)
    table = np.empty((len(slope_deg), 9))
    table[:, SLOPE], table[:, FACET_WIDTH], table[:, HEIGHT] = tangent, width, height
    for column, radius in ((TIP, lens.tip_radius_m), (VALLEY, lens.valley_radius_m)):
        along = radius / np.tan(half_corner) * np.cos(slope)
        table[:, column] = np.minimum(along, np.sqrt(2.0 * radius * height))
    step = groove_step(lens, len(slope_deg))
    for groove in range(len(slope_deg)):
        tip, across, _ = _chord(lens, step, groove)
        table[groove, SINE], table[groove, COSINE] = across[1], across[0]
        table[groove, TIP_RADIUS], table[groove, TIP_DEPTH] = tip
    return table


def _solve_groove(lens: Lens, n: float, groove: int, guess: float) -> tuple[float, float]:
    """Slope and turn, radians, of one groove by fixed-point iteration on where its facet's centre lies."""
    slope, turn = guess, 0.0
    target = (0.0, lens.thickness_m + (lens.focal_length_m or 0.0))
    pitch = groove_pitch_m(lens, lens.groove_count)
    tip, across, along = _chord(lens, groove_step(lens, lens.groove_count), groove)
    for _ in range(60):
        width = pitch / (1.0 + math.tan(slope) * math.tan(math.radians(lens.draft_deg)))
        drop = 0.5 * width * math.tan(slope) * (1.0 if lens.groove_side == "out" else -1.0)
        centre = (
            tip[0] + 0.5 * width * across[0] + drop * along[0],
            tip[1] + 0.5 * width * across[1] + drop * along[1],
        )
        straight, out = _from_source(lens, centre), _unit(target[0] - centre[0], target[1] - centre[1])
        turned = straight[0] * out[1] - straight[1] * out[0]
        turn = math.atan2(abs(turned), straight[0] * out[0] + straight[1] * out[1])
        facing_in = lens.groove_side == "in"
        before = _through_front(lens, n, centre) if facing_in else straight
        behind = out if facing_in else _towards_target(lens, n, centre, target)
        if before is None or behind is None:
            return math.nan, turn
        # the normal along the light, n2 t - n1 i turned forwards
        n1, n2, forwards = (n, 1.0, -1.0) if facing_in else (1.0, n, 1.0)
        normal = (forwards * (n2 * behind[0] - n1 * before[0]), forwards * (n2 * behind[1] - n1 * before[1]))
        outwards = normal[0] * across[0] + normal[1] * across[1]
        new = math.atan2(outwards if facing_in else -outwards, normal[0] * along[0] + normal[1] * along[1])
        possible = before[0] * behind[0] + before[1] * behind[1] > 1.0 / n
        if not possible or not 0.0 <= new < 1.55:
            return math.nan, turn
        if abs(new - slope) < 1e-13:
            return new, turn
        slope = 0.5 * (slope + new) if abs(new - slope) > 0.2 else new
    return slope, turn


def _unit(r: float, z: float) -> Vector:
    length = math.hypot(r, z)
    return r / length, z / length


def _tips_radius_m(lens: Lens) -> float:
    """Radius of the surface of tips of a dome."""
    return lens.dome_radius_m - (0.0 if lens.groove_side == "out" else lens.thickness_m)


def _chord(lens: Lens, step: float, groove: int) -> tuple[Vector, Vector, Vector]:
    """Tip of a groove nearer the axis, the direction from there to the next tip, and the one across it along
    the light."""
    if math.isinf(lens.dome_radius_m):
        depth = 0.0 if lens.groove_side == "out" else lens.thickness_m
        return (groove * step, depth), (1.0, 0.0), (0.0, 1.0)
    radius = _tips_radius_m(lens)
    tip, tilt = groove * step, (groove + 0.5) * step
    sine, cosine = math.sin(tilt), math.cos(tilt)
    point = (radius * math.sin(tip), lens.dome_radius_m - radius * math.cos(tip))
    return point, (cosine, sine), (-sine, cosine)


def _from_source(lens: Lens, point: Vector) -> Vector:
    """Direction of the source's ray at a point."""
    if math.isinf(lens.source_distance_m):
        return 0.0, 1.0
    return _unit(point[0], point[1] + lens.source_distance_m)


def _smooth_face(r: float, radius: float, depth: float) -> tuple[Vector, Vector]:
    """Point of a smooth face at radius r and its normal along the light."""
    if math.isinf(radius):
        return (r, depth), (0.0, 1.0)
    cosine = math.sqrt(max(0.0, 1.0 - (r / radius) ** 2))
    return (r, depth + radius * (1.0 - cosine)), (-r / radius, cosine)


def _refracted(direction: Vector, normal: Vector, ratio: float) -> Vector:
    cos_i = direction[0] * normal[0] + direction[1] * normal[1]
    k = math.sqrt(max(0.0, 1.0 - ratio * ratio * (1.0 - cos_i * cos_i))) - ratio * cos_i
    return ratio * direction[0] + k * normal[0], ratio * direction[1] + k * normal[1]


def _through_front(lens: Lens, n: float, centre: Vector) -> Vector | None:
    """Direction, inside, of the source's ray that passes the facet's centre, by iterating on where it
    enters."""
    r = centre[0]
    for _ in range(60):
        point, normal = _smooth_face(r, lens.dome_radius_m, 0.0)
        inside = _refracted(_from_source(lens, point), normal, 1.0 / n)
        if inside[1] < SHALLOWEST:
            return None
        miss = centre[0] - point[0] - inside[0] / inside[1] * (centre[1] - point[1])
        r += miss
        if abs(miss) < 1e-15 or abs(r) > lens.dome_radius_m:
            break
    return inside if abs(miss) < CLOSE_M else None


def _towards_target(lens: Lens, n: float, centre: Vector, target: Vector) -> Vector | None:
    """Direction, inside, from the facet's centre that leaves the smooth lower face towards the target."""
    r = centre[0]
    radius = lens.dome_radius_m - lens.thickness_m
    for _ in range(60):
        point, normal = _smooth_face(r, radius, lens.thickness_m)
        out = _unit(target[0] - point[0], target[1] - point[1])
        # the path run backwards: into the glass against the normal
        back = _refracted((-out[0], -out[1]), (-normal[0], -normal[1]), 1.0 / n)
        inside = (-back[0], -back[1])
        if inside[1] < SHALLOWEST:
            return None
        miss = point[0] - centre[0] - inside[0] / inside[1] * (point[1] - centre[1])
        r -= miss
        if abs(miss) < 1e-15 or abs(r) > radius:
            break
    return inside if abs(miss) < CLOSE_M else None
