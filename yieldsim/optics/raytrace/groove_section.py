"""Grooves in section: where a ray meets a facet or a draft face, in two dimensions.

`along` is the place on the surface of tips, measured outwards from the lens's middle; depth runs along the
light from that surface. Within groove g the place runs from 0, its tip nearer the middle, to `pitch`, the
next tip. The direction in the section is (d_across, d_along), d_along > 0; its part along the groove does
not matter here. Columns of `table`: see `grooves`.
"""

from __future__ import annotations

import math

import numpy as np

from yieldsim.base.jit import njit
from yieldsim.base.vectors import FloatArray

FACET, DRAFT, NOTHING = 0, 1, 2


@njit(cache=True)
def facet_from_glass(
    table: FloatArray,
    pitch: float,
    tan_draft: float,
    deepest: float,
    along: float,
    d_across: float,
    d_along: float,
) -> tuple[float, int, int, float]:
    """From inside the glass, grooves facing in: distance, groove, face and place in the groove of the first
    hit.

    along      where the ray would meet the surface of tips; distances count from there, mostly negative
    deepest    height of the highest groove: above that the glass is whole
    The air of a groove is where F = depth + place slope > 0 and G = pitch + depth tan(draft) - place > 0,
    both linear along the ray: it enters the air at the later of the two crossings, through the face crossed
    last.
    """
    start = along - deepest * d_across / d_along
    groove = math.floor(start / pitch)
    step = 1 if d_across >= 0.0 else -1
    for _ in range(16):
        # beyond the axis grooves are mirror images
        at = groove if groove >= 0 else -groove - 1
        if at >= table.shape[0]:
            break
        place0, across = along - groove * pitch, d_across
        if groove < 0:
            place0, across = pitch - place0, -d_across
        f0, f1 = place0 * table[at, 0], d_along + across * table[at, 0]
        g0, g1 = pitch - place0, d_along * tan_draft - across
        low, high, face = -deepest / d_along, np.inf, 0
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
    slope: float, pitch: float, tan_draft: float, place: float, d_across: float, d_along: float
) -> tuple[float, float]:
    """From the surface of tips into a groove facing out: distance to its facet and the place hit there.

    The facet is depth = place slope, the draft face place = pitch - depth tan(draft); the distance is
    negative where the draft face is met first.
    """
    to_facet, to_draft = np.inf, np.inf
    closing = d_along - d_across * slope
    if closing > 0.0:
        to_facet = place * slope / closing
    closing = d_across + d_along * tan_draft
    if closing > 0.0:
        to_draft = (pitch - place) / closing
    if to_draft < to_facet or to_facet == np.inf:
        return -1.0, place
    return to_facet, place + to_facet * d_across
