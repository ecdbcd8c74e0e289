"""The lit steps of a run in the order of time: where the Sun stood whenever it gave light, and how much.

Apertures of any facing are judged by them once a run is over (`planning.sunlight.sunlit_series` reads them). Only steps with light
are kept, some 30 bytes each: ten years at ten minutes stay far under a gigabyte.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.soiling_interpolation import DustRates

MOST_STEPS = 4_000_000
"""An estimate of more fine steps keeps every second, third, ... of them, so that memory does not grow with its length."""


class Rows(NamedTuple):
    """The columns of `LitSteps` that kernels read."""

    step: NDArray[np.int64]
    run_last: NDArray[np.int64]
    sun: NDArray[np.float32]
    radius_class: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LitSteps:
    """Steps of a run in which an aperture square to the Sun gets light.

    step           (n,)  number of the fine step, increasing
    run_last       (n,)  place in these arrays of the last step of the stretch without a dark step between
    sun_enu_xyz    (n, 3) float32
    power_w        (n,) float32  W on the aperture square to the Sun, before acceptance; dust counted unless
        it depends on the tilt. An estimate's: what all units deliver that follow the Sun, every loss counted
    load_days      (n,) float32  dust load of a level aperture where it does, else empty
    radius_class   (n,)
    step_count     steps of the run, lit or not
    fastest_rad    the most that the Sun moves from a step to the next
    """

    step: NDArray[np.int64]
    run_last: NDArray[np.int64]
    sun_enu_xyz: NDArray[np.float32]
    power_w: NDArray[np.float32]
    load_days: NDArray[np.float32]
    radius_class: NDArray[np.int64]
    dust: DustRates
    start_utc: np.datetime64
    step_count: int
    step_s: float
    steps_per_interval: int
    fastest_rad: float

    @property
    def step_hours(self) -> float:
        """Length of a fine step."""
        return self.step_s / SECONDS_PER_HOUR

    @property
    def rows(self) -> Rows:
        """What kernels read."""
        return Rows(self.step, self.run_last, self.sun_enu_xyz, self.radius_class)

    def at_tilt(self, tilt_deg: float) -> LitSteps:
        """The lit steps of apertures at a tilt: those whose dust has shut out all light (linear loss without
        a floor) are gone."""
        if self.load_days.size == 0:
            return self
        # the more dust, the less light
        if (
            self.dust.clean_at(self.load_days.max(keepdims=True, initial=0.0).astype(np.float64), tilt_deg)[0]
            > 0.0
        ):
            return self
        kept = np.flatnonzero(self.dust.clean_at(self.load_days.astype(np.float64), tilt_deg) > 0.0)
        return self.taken(kept, self.step[kept])

    def thinned(self, stride: int) -> LitSteps:
        """Every stride-th step, each standing for so many: gaps and stretches good to that length."""
        kept = np.flatnonzero(self.step % stride == 0)
        if stride == 1 or self.step_count < stride or len(kept) == 0:
            return self
        return replace(
            self.taken(kept, self.step[kept] // stride),
            step_count=math.ceil(self.step_count / stride),
            step_s=self.step_s * stride,
            fastest_rad=self.fastest_rad * stride,
        )

    def averaged(self, longest: float) -> LitSteps:
        """Up to `longest` neighbouring steps of an interval as one, at the mean direction of their light (a little shorter than
        1), with their mean power and load: quicker to read for powers of intervals, for no gaps."""
        stride = max(
            k
            for k in range(1, self.steps_per_interval + 1)
            if k <= max(longest, 1.0) and self.steps_per_interval % k == 0
        )
        if stride == 1 or len(self.step) == 0:
            return self
        whole = self.step // stride
        starts = np.flatnonzero(np.diff(whole, prepend=-1))
        power = self.power_w.astype(np.float64)
        summed, counts = np.add.reduceat(power, starts), np.diff(np.append(starts, len(whole)))
        sun = np.add.reduceat(power[:, None] * self.sun_enu_xyz, starts, axis=0) / summed[:, None]
        load = np.add.reduceat(self.load_days, starts) / counts if self.load_days.size else self.load_days
        return replace(
            self,
            step=whole[starts],
            run_last=ends_of_runs(whole[starts]),
            sun_enu_xyz=np.ascontiguousarray(sun.astype(np.float32)),
            power_w=(summed / stride).astype(np.float32),
            load_days=load.astype(np.float32),
            radius_class=self.radius_class[starts],
            step_count=math.ceil(self.step_count / stride),
            step_s=self.step_s * stride,
            steps_per_interval=self.steps_per_interval // stride,
            # a mean may lie at either end of its steps
            fastest_rad=self.fastest_rad * 2.0 * stride,
        )

    def taken(self, places: NDArray[np.int64], step: NDArray[np.int64]) -> LitSteps:
        """Some of the lit steps, and the numbers they have now (kept,)."""
        return replace(
            self,
            step=step,
            run_last=ends_of_runs(step),
            sun_enu_xyz=self.sun_enu_xyz[places],
            power_w=self.power_w[places],
            load_days=self.load_days[places] if self.load_days.size else self.load_days,
            radius_class=self.radius_class[places],
        )

    def bare(self, factor: float = 1.0) -> LitSteps:
        """The same steps with their power times a factor, one class of the disc's radius and no dust: all that gaps ask for."""
        return replace(
            self,
            power_w=self.power_w * np.float32(factor),
            radius_class=np.zeros_like(self.radius_class),
            dust=DustRates.none(),
        )

    def cleaned_power_w(self, tilt_deg: float) -> FloatArray:
        """Power (n,) on an aperture at a tilt, its dust counted."""
        power = self.power_w.astype(np.float64)
        if self.load_days.size == 0:
            return power
        return power * self.dust.clean_at(self.load_days.astype(np.float64), tilt_deg)

    def step_utc(self, step: int) -> np.datetime64:
        """Start of a fine step (or the end of the run)."""
        return self.start_utc + np.timedelta64(round(step * self.step_s * 1e9), "ns")


class LitStepsGathering:
    """Lit steps of a run that is being walked through, block by block.

    step_count, step_s   fine steps of the run and their length
    steps_per_interval   fine steps in each of its intervals
    most_steps           no more steps than this are told apart; None: all
    """

    def __init__(
        self,
        start_utc: np.datetime64,
        step_count: int,
        step_s: float,
        steps_per_interval: int,
        dust: DustRates | None = None,
        most_steps: int | None = None,
    ) -> None:
        """Start with nothing."""
        self._every = max(1, math.ceil(step_count / most_steps)) if most_steps else 1
        self._start_utc, self._per_interval, self._dust = (
            start_utc,
            steps_per_interval,
            dust or DustRates.none(),
        )
        self._step_count, self._step_s = math.ceil(step_count / self._every), step_s * self._every
        self._parts: list[tuple[NDArray[Any], ...]] = []
        self._last_sun: FloatArray | None = None
        self._furthest = 0.0

    def add(
        self,
        first_step: int,
        sun_enu_xyz: FloatArray,
        power_w: FloatArray,
        load_days: FloatArray | None = None,
        radius_class: NDArray[np.int64] | None = None,
    ) -> None:
        """Add the fine steps from first_step on: directions (fine, 3), the rest (fine,) each."""
        kept = np.arange(-first_step % self._every, len(power_w), self._every)
        if len(kept) == 0:
            return
        sun = sun_enu_xyz[kept]
        way = sun if self._last_sun is None else np.concatenate([self._last_sun[None], sun])
        self._furthest = max(self._furthest, float((np.diff(way, axis=0) ** 2).sum(axis=1).max(initial=0.0)))
        self._last_sun = sun[-1]
        lit = kept[power_w[kept] > 0.0]
        load = load_days[lit] if load_days is not None and self._dust.by_tilt else np.empty(0)
        classes = np.zeros(len(lit), dtype=np.int64) if radius_class is None else radius_class[lit]
        single = (column.astype(np.float32) for column in (sun_enu_xyz[lit], power_w[lit], load))
        self._parts.append(((first_step + lit) // self._every, *single, classes))

    def finished(self, class_numbers: NDArray[np.int64] | None = None) -> LitSteps:
        """The lit steps; `class_numbers` lists the classes of radius in the order in which they are counted from 0."""
        step, sun, power, load, classes = (
            np.concatenate(column) for column in zip(*self._parts, strict=True)
        )
        return LitSteps(
            step=step,
            run_last=ends_of_runs(step),
            sun_enu_xyz=np.ascontiguousarray(sun),
            power_w=power,
            load_days=load,
            radius_class=classes if class_numbers is None else np.searchsorted(class_numbers, classes),
            dust=self._dust,
            start_utc=self._start_utc,
            step_count=self._step_count,
            step_s=self._step_s,
            steps_per_interval=self._per_interval,
            # chord to angle, and what single precision adds
            fastest_rad=2.0 * math.asin(min(math.sqrt(self._furthest) / 2.0, 1.0)) * (1.0 + 1e-6) + 1e-7,
        )


def ends_of_runs(step: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each of increasing steps (n,), the place of the last step that follows it without a hole."""
    if len(step) == 0:
        return step
    last = np.append(np.flatnonzero(np.diff(step) > 1), len(step) - 1)
    return last[np.searchsorted(last, np.arange(len(step)))]
