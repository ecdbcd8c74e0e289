"""Grooves in section: where a ray meets a facet or a draft face, in two dimensions.

The section holds the axis: r outwards from it, z along the light. Each groove has axes of its own: `place`
runs from 0, its tip nearer the axis, straight to `pitch`, the next tip; depth runs across that line, along
the light. The direction in the section is (dr, dz); its part along the groove does not matter here. Columns
of `table`: see `grooves`.
"""

from __future__ import annotations

import numpy as np

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

FACET, DRAFT, NOTHING = 0, 1, 2


@njit(cache=True)
def in_groove(table: FloatArray, at: int, r: float, z: float) -> tuple[float, float]:
    """Place and depth, in a groove's own axes, of a point of the section."""
    out, down = r - table[at, 7], z - table[at, 8]
    sine, cosine = table[at, 5], table[at, 6]
    return out * cosine + down * sine, down * cosine - out * sine


@njit(cache=True)
def facet_from_glass(
    table: FloatArray,
    pitch: float,
    tan_draft: float,
    deepest: float,
    groove: int,
    step: int,
    r: float,
    z: float,
    dr: float,
    dz: float,
) -> tuple[float, int, int, float]:
    """From inside the glass, grooves facing in: distance, groove, face and place in the groove of the first
    hit.

    groove     where to begin to look, not beyond the groove that the ray meets; negative ones are beyond
               the axis
    step       1 where the ray runs outwards along the surface of tips, else -1
    r, z       a point of the ray near the surface of tips; distances count from there, mostly negative
    deepest    height of the highest groove: above that the glass is whole
    The air of a groove is where F = depth + place slope > 0 and G = pitch + depth tan(draft) - place > 0,
    both linear along the ray: it enters the air at the later of the two crossings, through the face crossed
    last.
    """
    for _ in range(16):
        # beyond the axis grooves are mirror images
        at, side = (groove, 1.0) if groove >= 0 else (-groove - 1, -1.0)
        if at >= table.shape[0]:
            if groove * step > 0:
                break
            groove += step
            continue
        place0, depth0 = in_groove(table, at, side * r, z)
        across = side * dr * table[at, 6] + dz * table[at, 5]
        d_along = dz * table[at, 6] - side * dr * table[at, 5]
        if d_along <= 0.0:
            break
        f0, f1 = depth0 + place0 * table[at, 0], d_along + across * table[at, 0]
        g0, g1 = pitch + depth0 * tan_draft - place0, d_along * tan_draft - across
        low, high, face = -(deepest + depth0) / d_along, np.inf, 0
        if f1 > 0.0:
            low = max(low, -f0 / f1)
        elif f1 < 0.0:
            high = -f0 / f1
        elif f0 <= 0.0:
            high = -np.inf
        if g1 > 0.0:
            if -g0 / g1 > low:
                low, face = -g0 / g1, 1
        elif g1 < 0.0:
            high = min(high, -g0 / g1)
        elif g0 <= 0.0:
            high = -np.inf
        place = place0 + low * across
        if low < high and -1e-12 <= place <= pitch * (1.0 + 1e-12):
            return low, at, face, place
        groove += step
    return 0.0, 0, 2, 0.0


@njit(cache=True)
def facet_from_air(
    slope: float, pitch: float, tan_draft: float, place: float, depth: float, d_across: float, d_along: float
) -> tuple[float, float]:
    """From the surface of tips into a groove facing out: distance to its facet and the place hit there.

    place, depth   where the ray stands, in the groove's own axes
    The facet is depth = place slope, the draft face place = pitch - depth tan(draft); the distance is
    negative where the draft face is met first.
    """
    to_facet, to_draft = np.inf, np.inf
    closing = d_along - d_across * slope
    if closing > 0.0:
        to_facet = max(0.0, (place * slope - depth) / closing)
    closing = d_across + d_along * tan_draft
    if closing > 0.0:
        to_draft = max(0.0, (pitch - depth * tan_draft - place) / closing)
    if to_draft < to_facet or to_facet == np.inf:
        return -1.0, place
    return to_facet, place + to_facet * d_across
