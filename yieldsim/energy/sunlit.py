"""Where the Sun stood whenever it gave light: what apertures of other facings are judged by once a run is over.

Directions and power are kept as single precision, 24 bytes a step; a run of more than MOST_STEPS fine steps keeps every
second, third, ... of them, so that memory does not grow with its length.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray

MOST_STEPS = 4_000_000


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SunlitSteps:
    """Steps in which an aperture that follows the Sun delivers.

    step          (n,)  number of the step, increasing
    sun_enu_xyz   (n, 3) float32
    power_w       (n,) float32  delivered by apertures that follow the Sun, all units, every loss counted
    step_count    steps of the run, lit or not
    fastest_rad   the most that the Sun moves from a step to the next
    """

    step: NDArray[np.int64]
    sun_enu_xyz: NDArray[np.float32]
    power_w: NDArray[np.float32]
    step_count: int
    step_s: float
    fastest_rad: float


class SunlitGathering:
    """Sunlit steps of a run that is being walked through, block by block.

    fine_count, fine_step_s   fine steps of the run and their length
    """

    def __init__(self, fine_count: int, fine_step_s: float) -> None:
        """Start with nothing."""
        self._every = max(1, math.ceil(fine_count / MOST_STEPS))
        self._step_count, self._step_s = math.ceil(fine_count / self._every), fine_step_s * self._every
        self._parts: list[tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]] = []
        self._last: FloatArray | None = None
        self._furthest = 0.0

    def add(self, first_fine: int, sun_enu_xyz: FloatArray, power_w: FloatArray) -> None:
        """Add the fine steps from first_fine on: directions (fine, 3), power (fine,)."""
        kept = np.arange(-first_fine % self._every, len(power_w), self._every)
        sun, power = sun_enu_xyz[kept], power_w[kept]
        if len(kept) == 0:
            return
        way = sun if self._last is None else np.concatenate([self._last[None], sun])
        self._furthest = max(self._furthest, float((np.diff(way, axis=0) ** 2).sum(axis=1).max(initial=0.0)))
        self._last = sun[-1]
        lit = np.flatnonzero(power > 0.0)
        step = (first_fine + kept[lit]) // self._every
        self._parts.append((step, sun[lit].astype(np.float32), power[lit].astype(np.float32)))

    def finished(self) -> SunlitSteps:
        """What was gathered."""
        step, sun, power = (np.concatenate(column) for column in zip(*self._parts, strict=True))
        return SunlitSteps(
            step=np.asarray(step, dtype=np.int64),
            sun_enu_xyz=np.ascontiguousarray(sun),
            power_w=power,
            step_count=self._step_count,
            step_s=self._step_s,
            # chord to angle, and what single precision adds
            fastest_rad=2.0 * math.asin(min(math.sqrt(self._furthest) / 2.0, 1.0)) * (1.0 + 1e-6) + 1e-7,
        )
