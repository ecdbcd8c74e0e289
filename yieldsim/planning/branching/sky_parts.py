"""Parts of the sky, and how many units may face there: what few whole units are told apart by.

The number of units whose facing lies in a part is whole. So every design has at most k there, or at least k + 1. Either limit has a
price, and adds it to what a unit that faces there must be worth:

    value + sum least price_least - sum most price_most      unit[j] + sum over parts of j (price_least - price_most)

as `dual_bound` bounds with (weak duality: a limit is one more row of the programme). Between the facings priced one by one the
sum of prices is a constant of each cell that the parts' edges cut the sky into.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.orientation.mount_frames import Facings, together

EDGE_DEG = 0.01
WELL_SPLIT = 0.02
SAME_WAY_DEG, TILTS_APART_DEG = 0.5, 1.0


class Part(NamedTuple):
    """Tilts from..to and azimuths from..from + width, degrees; of its edges the lower ones belong to it."""

    tilt_from: float
    tilt_to: float
    azimuth_from: float
    azimuth_width: float

    def holds(self, some: Facings) -> Flags:
        """Which facings lie in it."""
        across = np.mod(some.azimuth_deg - self.azimuth_from, 360.0)
        tilts = (some.tilt_deg >= self.tilt_from) & (some.tilt_deg < self.tilt_to)
        return np.asarray(tilts & (across < self.azimuth_width))

    def edges(self, some: Facings) -> Facings:
        """Facings on both sides of its edges, as near as may be to some."""
        found = []
        if self.azimuth_width < 360.0:
            for edge in (self.azimuth_from, self.azimuth_from + self.azimuth_width):
                apart = np.abs(np.mod(some.azimuth_deg - edge + 180.0, 360.0) - 180.0)
                near = some.take([int(apart.argmin())])
                found += [
                    near._replace(azimuth_deg=np.array([edge + side]) % 360.0)
                    for side in (-EDGE_DEG, EDGE_DEG)
                ]
        for edge in self[:2]:
            if 0.0 < edge < 180.0:
                found += [
                    some._replace(tilt_deg=np.full(some.count, edge + side)) for side in (-EDGE_DEG, EDGE_DEG)
                ]
        return together(*found)


WHOLE_SKY = Part(0.0, 181.0, 0.0, 360.0)


@dataclass(frozen=True, slots=True)
class UnitLimit:
    """How many units face a part of the sky."""

    part: Part
    least: int = 0
    most: float = math.inf


def narrowed(limits: tuple[UnitLimit, ...], part: Part, number: int, *, more: bool) -> tuple[UnitLimit, ...]:
    """The limits with one more: up to a number of units in a part, or more than that."""
    known = next((one for one in limits if one.part == part), UnitLimit(part))
    new = replace(known, least=number + 1) if more else replace(known, most=float(number))
    if known not in limits:
        return (*limits, new)
    return tuple(new if one.part == part else one for one in limits)


@dataclass(frozen=True, slots=True, eq=False)
class LimitPrices:
    """Prices >= 0 of limits: (limits,) each, 0 where there is none."""

    limits: tuple[UnitLimit, ...]
    least: FloatArray
    most: FloatArray

    @property
    def constant(self) -> float:
        """What they add to the value of the bound."""
        found = 0.0
        for limit, least, most in zip(self.limits, self.least, self.most, strict=True):
            found += limit.least * float(least)
            if most > 0.0:
                found -= limit.most * float(most)
        return found

    def offset(self, some: Facings) -> FloatArray:
        """What they add to the worth of a unit of each facing, (facings,)."""
        found = np.zeros(some.count)
        for limit, least, most in zip(self.limits, self.least, self.most, strict=True):
            found += (least - most) * limit.part.holds(some)
        return found

    def most_within(
        self, tilt_deg: FloatArray, half_tilt: FloatArray, azimuth_deg: FloatArray, half_azimuth: FloatArray
    ) -> FloatArray:  # fmt: skip
        """The most that they add anywhere within tilts and azimuths about some facings, (n,)."""
        tilts = sorted({0.0, *(edge for one in self.limits for edge in one.part[:2] if 0.0 < edge < 180.0)})
        edges = (
            edge % 360.0
            for one in self.limits
            if one.part.azimuth_width < 360.0
            for edge in (one.part.azimuth_from, one.part.azimuth_from + one.part.azimuth_width)
        )
        azimuths = sorted({0.0, *edges})
        found = np.full(len(tilt_deg), -np.inf)
        for low, high in zip(tilts, [*tilts[1:], 180.0], strict=True):
            meets = (tilt_deg + half_tilt >= low) & (tilt_deg - half_tilt <= high)
            for start, end in zip(azimuths, [*azimuths[1:], 360.0], strict=True):
                middle, half = 0.5 * (start + end), 0.5 * (end - start)
                apart = np.abs(np.mod(azimuth_deg - middle + 180.0, 360.0) - 180.0)
                inside = Facings(np.array([0.5 * (low + high)]), np.array([middle]), np.zeros(1))
                here = meets & (apart <= half + half_azimuth + 1e-9)
                found[here] = np.maximum(found[here], self.offset(inside)[0])
        return found


def split_parts(some: Facings, shares: FloatArray) -> list[tuple[Part, int]]:
    """Parts of the sky that hold a split number of units, and the whole number below: the fewest and most evenly split first.

    shares   (facings,)  units of each facing
    """
    parts: list[tuple[Part, float]] = []
    azimuth = np.mod(some.azimuth_deg, 360.0)
    order = np.argsort(azimuth, kind="stable")
    azimuth, share = azimuth[order], shares[order]
    to_next = np.mod(np.roll(azimuth, -1) - azimuth, 360.0)
    between = np.round(np.mod(azimuth + 0.5 * to_next, 360.0), 3)
    apart = to_next >= SAME_WAY_DEG
    for first in np.flatnonzero(apart).tolist():
        total = 0.0
        for more in range(1, len(azimuth)):
            last = (first + more) % len(azimuth)
            total += float(share[last])
            width = round(float((between[last] - between[first]) % 360.0), 3)
            if width > 180.0:
                break
            if apart[last]:
                parts.append((Part(0.0, 181.0, float(between[first]), width), total))
    tilts = np.unique(np.round(some.tilt_deg, 3))
    for low, high in zip(tilts[:-1].tolist(), tilts[1:].tolist(), strict=True):
        if high - low > TILTS_APART_DEG:
            part = Part(0.0, round(0.5 * (low + high), 3), 0.0, 360.0)
            parts.append((part, float(shares[part.holds(some)].sum())))
    scored = []
    for part, total in parts:
        number = math.floor(total)
        split = min(total - number, number + 1.0 - total)
        if split > WELL_SPLIT:
            scored.append((split / (1.0 + total), part, number))
    scored.sort(key=lambda one: -one[0])
    return [(part, number) for _, part, number in scored]
