"""Readers of the lit steps of a run: gaps, hours and series of a facing.

A facing's stretches of delivered light are found without looking at every step (`interval_kernels`). What "delivering" means is
what it means in an estimate: some point of the disc at which the acceptance table is read is accepted.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.sunlit import LitSteps
from yieldsim.optics.acceptance_interpolator import Lookup
from yieldsim.planning.sunlight.interval_kernels import Runs, gaps_of, gather_power, runs_of

# ---------------------------------------------------------------- one facing


def interval_power_w(track: LitSteps, ready: Lookup, axes_enu_xyz: FloatArray, tilt_deg: float) -> FloatArray:
    """Mean delivered power of one unit in each interval of the run, (intervals,); axes (3, 3) of the
    mount."""
    power = np.zeros(track.step_count // track.steps_per_interval)
    cleaned, axes = track.cleaned_power_w(tilt_deg), np.ascontiguousarray(axes_enu_xyz)
    gather_power(track.rows, cleaned, ready, axes, track.steps_per_interval, track.fastest_rad, power)
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


def gap_hours(
    track: LitSteps,
    ready: Lookup,
    axes_enu_xyz: FloatArray,
    tilt_deg: FloatArray,
    most_hours: FloatArray | None = None,
) -> FloatArray:
    """Longest gap of each facing, (n,) hours; axes (n, 3, 3), tilts (n,).

    most_hours   (n,)  a facing whose gap is longer is given up as soon as that is known: infinite gap
    """
    count = len(axes_enu_xyz)
    most = np.full(count, np.inf) if most_hours is None else np.broadcast_to(most_hours, (count,))
    most_steps = np.minimum(np.floor(most / track.step_hours + 1e-6), 2.0 * track.step_count)
    gap = np.empty(count)
    groups = [(track, np.arange(count))]
    if track.at_tilt(0.0) is not track:
        tilts, of = np.unique(tilt_deg, return_inverse=True)
        groups = [(track.at_tilt(float(tilt)), np.flatnonzero(of == k)) for k, tilt in enumerate(tilts)]
    for own, places in groups:
        axes = np.ascontiguousarray(axes_enu_xyz[places])
        gap[places] = gaps_of(own.rows, ready, axes, most_steps[places], own.fastest_rad, own.step_count)
    return gap * track.step_hours


def interleaved(count: int) -> NDArray[np.int64]:
    """0..count-1 in an order that spreads neighbours, so that threads share dear and cheap facings evenly."""
    strides = min(64, max(count, 1))
    return np.concatenate([np.arange(k, count, strides) for k in range(strides)])
