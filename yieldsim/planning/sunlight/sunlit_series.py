"""The lit fine steps of a run in the order of time: what gaps, hours and series of a facing are read from.

Only steps with light are kept (direction, power on a unit's aperture, dust load, class of the disc's radius):
some 30 bytes each, so ten years at ten minutes stay far under a gigabyte. A facing's stretches of delivered
light are found without looking at every step (`interval_kernels`). What "delivering" means is what it means in
an estimate: some point of the disc at which the acceptance table is read is accepted.
"""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.optics.acceptance_interpolator import Lookup
from yieldsim.planning.sunlight.interval_kernels import Rows, Runs, gaps_of, gather_power, runs_of


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LitSteps:
    """Lit steps of one unit's aperture.

    step           (n,)  number of the fine step, increasing
    run_last       (n,)  place in these arrays of the last step of the stretch without a dark step between
    sun_enu_xyz    (n, 3) float32
    power_w        (n,) float32  W on the aperture square to the Sun, before acceptance; dust counted unless
        it depends on the tilt
    load_days      (n,) float32  dust load of a level aperture where it does, else empty
    radius_class   (n,)
    step_count     fine steps of the run, lit or not
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
        clean = self.dust.clean_at(self.load_days.astype(np.float64), tilt_deg)
        kept = np.flatnonzero(clean > 0.0)
        return replace(
            self,
            step=self.step[kept],
            run_last=ends_of_runs(self.step[kept]),
            sun_enu_xyz=self.sun_enu_xyz[kept],
            power_w=self.power_w[kept],
            load_days=self.load_days[kept],
            radius_class=self.radius_class[kept],
        )

    def thinned(self, stride: int) -> LitSteps:
        """Every stride-th step, each standing for so many: gaps and stretches good to that length."""
        kept = np.flatnonzero(self.step % stride == 0)
        if stride == 1 or self.step_count < stride or len(kept) == 0:
            return self
        step = self.step[kept] // stride
        return replace(
            self,
            step=step,
            run_last=ends_of_runs(step),
            sun_enu_xyz=self.sun_enu_xyz[kept],
            power_w=self.power_w[kept],
            load_days=self.load_days[kept] if self.load_days.size else self.load_days,
            radius_class=self.radius_class[kept],
            step_count=self.step_count // stride,
            step_s=self.step_s * stride,
            fastest_rad=self.fastest_rad * stride,
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
    """Lit steps of a run that is still being walked through, block by block."""

    def __init__(self) -> None:
        """Start with nothing."""
        self._parts: list[
            tuple[
                NDArray[np.int64],
                NDArray[np.float32],
                NDArray[np.float32],
                NDArray[np.float32],
                NDArray[np.int64],
            ]
        ] = []
        self._fastest_rad = 0.0
        self._last_sun: FloatArray | None = None

    def add(
        self, first_step: int, sun_enu_xyz: FloatArray, lit: NDArray[np.int64], power_w: FloatArray, load_days: FloatArray,
        radius_class: NDArray[np.int64],
    ) -> None:  # fmt: skip
        """Add a block: directions of all its steps (steps, 3), and power, load and class of the lit ones
        (lit,)."""
        way = sun_enu_xyz if self._last_sun is None else np.concatenate([self._last_sun[None], sun_enu_xyz])
        moved = np.sqrt((np.diff(way, axis=0) ** 2).sum(axis=1))
        self._fastest_rad = max(self._fastest_rad, float(moved.max(initial=0.0)))
        self._last_sun = sun_enu_xyz[-1]
        single = (
            sun_enu_xyz[lit].astype(np.float32),
            power_w.astype(np.float32),
            load_days.astype(np.float32),
        )
        self._parts.append((lit + first_step, *single, radius_class))

    def finished(
        self, dust: DustRates, class_numbers: NDArray[np.int64], start_utc: np.datetime64, step_count: int, step_s: float,
        steps_per_interval: int,
    ) -> LitSteps:  # fmt: skip
        """The lit steps; `class_numbers` lists the classes of radius in the order of the weighted sky."""
        columns = [np.concatenate(column) for column in zip(*self._parts, strict=True)]
        step, sun, power, load, classes = columns
        return LitSteps(
            step=step,
            run_last=ends_of_runs(step),
            sun_enu_xyz=np.ascontiguousarray(sun),
            power_w=power,
            load_days=load if dust.by_tilt else load[:0],
            radius_class=np.searchsorted(class_numbers, classes),
            dust=dust,
            start_utc=start_utc,
            step_count=step_count,
            step_s=step_s,
            steps_per_interval=steps_per_interval,
            # chord to angle, and what single precision adds
            fastest_rad=2.0 * math.asin(min(self._fastest_rad / 2.0, 1.0)) * (1.0 + 1e-6) + 1e-7,
        )


def ends_of_runs(step: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each of increasing steps (n,), the place of the last step that follows it without a hole."""
    if len(step) == 0:
        return step
    last = np.append(np.flatnonzero(np.diff(step) > 1), len(step) - 1)
    return last[np.searchsorted(last, np.arange(len(step)))]


# ---------------------------------------------------------------- one facing


def interval_power_w(track: LitSteps, ready: Lookup, axes_enu_xyz: FloatArray, tilt_deg: float) -> FloatArray:
    """Mean delivered power of one unit in each interval of the run, (intervals,); axes (3, 3) of the
    mount."""
    power = np.zeros(track.step_count // track.steps_per_interval)
    cleaned, axes = track.cleaned_power_w(tilt_deg), np.ascontiguousarray(axes_enu_xyz)
    gather_power(track.rows, cleaned, ready, axes, track.steps_per_interval, power)
    return power / track.steps_per_interval


def delivering_runs(track: LitSteps, ready: Lookup, axes_enu_xyz: FloatArray, tilt_deg: float) -> Runs:
    """Stretches of fine steps during which a facing delivers."""
    own = track.at_tilt(tilt_deg)
    return joined(*runs_of(own.rows, ready, np.ascontiguousarray(axes_enu_xyz), own.fastest_rad))


def runs_of_facings(
    track: LitSteps, ready: Lookup, axes_enu_xyz: FloatArray, tilt_deg: FloatArray
) -> list[Runs]:
    """Stretches during which each of many facings delivers; axes (n, 3, 3), tilts (n,)."""

    def of_one(place: int) -> Runs:
        return delivering_runs(track, ready, axes_enu_xyz[place], float(tilt_deg[place]))

    # the compiled loop lets go of the interpreter; the first call compiles it
    first = [of_one(0)] if len(tilt_deg) else []
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return first + list(pool.map(of_one, range(1, len(tilt_deg))))


def lit_runs(track: LitSteps) -> Runs:
    """Stretches with any light at all: what a mount that follows the Sun has."""
    if len(track.step) == 0:
        return track.step, track.step
    last = np.unique(track.run_last)
    first = np.concatenate([[0], last[:-1] + 1])
    return track.step[first], track.step[last] + 1


def joined(starts: NDArray[np.int64], ends: NDArray[np.int64]) -> Runs:
    """The union of stretches, given in any order: in order and apart."""
    if len(starts) == 0:
        return starts, ends
    order = np.argsort(starts, kind="stable")
    starts, reach = starts[order], np.maximum.accumulate(ends[order])
    fresh = np.concatenate([[True], starts[1:] > reach[:-1]])
    last = np.append(np.flatnonzero(fresh)[1:] - 1, len(starts) - 1)
    return starts[fresh], reach[last]


def longest_gap_steps(runs: Runs, step_count: int) -> tuple[int, int]:
    """Length and first step of the longest stretch without light, the ends of the run included; the earliest
    of equals."""
    starts, ends = runs
    edges_from = np.concatenate([[0], ends])
    edges_to = np.concatenate([starts, [step_count]])
    longest = int(np.argmax(edges_to - edges_from))
    return int(edges_to[longest] - edges_from[longest]), int(edges_from[longest])


def is_cut(first: int, length: int, count: int) -> bool:
    """Whether a stretch of a run of `count` steps touches an end of it, so that it lasts longer than it seems."""
    return length > 0 and (first == 0 or first + length >= count)


# ---------------------------------------------------------------- many facings


def gaps_and_hours(
    track: LitSteps,
    ready: Lookup,
    axes_enu_xyz: FloatArray,
    tilt_deg: FloatArray,
    most_hours: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Longest gap and hours delivering of each facing, (n,) hours each; axes (n, 3, 3), tilts (n,).

    most_hours   (n,)  a facing whose gap is longer is given up as soon as that is known: infinite gap, part
        of the hours
    """
    count = len(axes_enu_xyz)
    most = np.full(count, np.inf) if most_hours is None else np.broadcast_to(most_hours, (count,))
    most_steps = np.minimum(np.floor(most / track.step_hours + 1e-6), 2.0 * track.step_count)
    gap, delivering = np.empty(count), np.empty(count)
    groups = [(track, np.arange(count))]
    if track.at_tilt(0.0) is not track:
        tilts, of = np.unique(tilt_deg, return_inverse=True)
        groups = [(track.at_tilt(float(tilt)), np.flatnonzero(of == k)) for k, tilt in enumerate(tilts)]
    for own, places in groups:
        axes = np.ascontiguousarray(axes_enu_xyz[places])
        found = gaps_of(own.rows, ready, axes, most_steps[places], own.fastest_rad, own.step_count)
        gap[places], delivering[places] = found[:, 0], found[:, 1]
    return gap * track.step_hours, delivering * track.step_hours


def interleaved(count: int) -> NDArray[np.int64]:
    """0..count-1 in an order that spreads neighbours, so that threads share dear and cheap facings evenly."""
    strides = min(64, max(count, 1))
    return np.concatenate([np.arange(k, count, strides) for k in range(strides)])
