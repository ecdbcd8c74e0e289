"""Stretches of light of a facing, read from lit steps in the order of time: compiled loops of `sunlit_series`.

The Sun moves at most `fastest` a step, so from an angle E outside the edge of acceptance nothing can happen for
E / fastest steps, and from inside it light goes on as long, up to the next dark step.

The longest gap is found by leaps of the longest one so far: from a step with light, a longer one must be dark just so far on.
"""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.sunlit import Rows
from yieldsim.optics.acceptance_interpolator import Lookup, any_light, clearance, curve_light, grid_light

Runs = tuple[NDArray[np.int64], NDArray[np.int64]]
"""Starts and ends (first step after) of stretches of fine steps that deliver, in order and apart."""

FACINGS_A_THREAD = 4
"""Fewer are not worth a thread."""
PROBES = 12
"""So many places, amid the longest gaps of the facings before, are looked at before a facing is read from end to end."""


@njit(cache=True, error_model="numpy")
def gather_power(
    rows: Rows,
    power_w: FloatArray,
    ready: Lookup,
    axes: FloatArray,
    per_interval: int,
    fastest: float,
    power: FloatArray,
) -> None:
    """Add each step's delivered power to its interval; the Sun moves at most `fastest` a step while it is up."""
    closest, count = math.cos(min(ready.reach_rad, math.pi)), rows.step.shape[0]
    sines, cosines = np.sin(ready.sides), np.cos(ready.sides)
    # a lookup is dear to hand on: it is read here
    sun, radius_class, step, run_last = rows.sun, rows.radius_class, rows.step, rows.run_last
    is_round, curve, chord_step, grid = ready.is_round, ready.curve, ready.chord_step, ready.grid
    first_t, step_t, fold_t = ready.first_t, ready.step_t, ready.fold_t
    first_l, step_l, fold_l = ready.first_l, ready.step_l, ready.fold_l
    i, interval, end = 0, 0, 0
    while i < count:
        sx, sy, sz = sun[i, 0], sun[i, 1], sun[i, 2]
        z = axes[2, 0] * sx + axes[2, 1] * sy + axes[2, 2] * sz
        # by what the Sun is off the light at least: angles are no smaller than differences of their sines or cosines
        away = closest - z
        if is_round:
            share = curve_light(curve[radius_class[i]], chord_step, z) if away < 0.0 else 0.0
        else:
            x = axes[0, 0] * sx + axes[0, 1] * sy + axes[0, 2] * sz
            y = axes[1, 0] * sx + axes[1, 1] * sy + axes[1, 2] * sz
            across = max(z * sines[0] - x * cosines[0], x * cosines[1] - z * sines[1])
            along = max(z * sines[2] - y * cosines[2], y * cosines[3] - z * sines[3])
            away, share = max(away, across, along), 0.0
            if away < 0.0 and z > 0.0:
                own = grid[radius_class[i]]
                share = z * grid_light(own, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z)
        if share > 0.0:
            if step[i] >= end:
                interval = step[i] // per_interval
                end = (interval + 1) * per_interval
            power[interval] += power_w[i] * share
        # dark for as long as the Sun needs to come near, if it stays up
        i = min(i + int(max(away, 0.0) / fastest), run_last[i]) + 1


@njit(cache=True)
def edges_of(ready: Lookup) -> tuple[float, float]:
    """Angles off the normal within which every class of the disc surely delivers (below 0: unknown) and beyond which none does."""
    if ready.solid:
        return ready.edge_rad.min(), ready.edge_rad.max()
    return -1.0, ready.reach_rad


@njit(cache=True, inline="always")
def next_lit(
    start: int,
    forward: bool,
    until: float,
    rows: Rows,
    ready: Lookup,
    edges: tuple[float, float],
    axes: FloatArray,
    fastest: float,
) -> tuple[int, float]:
    """Place of the first row that delivers, from place `start` on (or back), and by how much the Sun may move for it to go on surely.

    Going on: the number of rows where there is none, and a dark row after the step `until` where there is none up to it. Going
    back: the place `until` at the furthest.
    """
    # a lookup is dear to hand on: plain cones are judged here, others as far as their map of clearances is sure
    inner, outer = edges
    cos_outer, count = math.cos(min(outer, math.pi)), rows.step.shape[0]
    step, sun, radius_class = rows.step, rows.sun, rows.radius_class
    solid, edge_rad, sure_rad = ready.solid, ready.edge_rad, ready.clearance_rad
    is_round, radius_rad, disc_xy = ready.is_round, ready.radius_rad, ready.disc_xy
    table_x, table_y, table = ready.table_x, ready.table_y, ready.table
    grid, first_t, step_t, fold_t = ready.grid, ready.first_t, ready.step_t, ready.fold_t
    first_l, step_l, fold_l = ready.first_l, ready.step_l, ready.fold_l
    i, sure = start, 0.0
    while i < count and (step[i] <= until if forward else i > until):
        sx, sy, sz = sun[i, 0], sun[i, 1], sun[i, 2]
        z = axes[2, 0] * sx + axes[2, 1] * sy + axes[2, 2] * sz
        x = axes[0, 0] * sx + axes[0, 1] * sy + axes[0, 2] * sz
        y = axes[1, 0] * sx + axes[1, 1] * sy + axes[1, 2] * sz
        if solid or z <= cos_outer:
            off = math.atan2(math.hypot(x, y), z)
            if solid and z > cos_outer and off < edge_rad[radius_class[i]]:
                # a later row may be of a class with a narrower edge
                sure = max(inner - off, 0.0)
                break
            away = off - outer
        else:
            sure = clearance(sure_rad, x, y, z)
            number = radius_class[i]
            if sure > 0.0 or (
                sure == 0.0
                and any_light(
                    is_round, grid[number], first_t, step_t, fold_t, first_l, step_l, fold_l,
                    table_x, table_y, table, disc_xy, radius_rad[number], x, y, z,
                )
            ):  # fmt: skip
                break
            away = -sure
        skip = int(max(away, 0.0) / fastest) + 1
        if forward:
            i = _at_or_after(step, step[i] + skip, i, min(i + skip, count))
        else:
            i = _at_or_before(step, step[i] - skip, max(i - skip, -1), i)
    return i, max(sure, 0.0)


@njit(cache=True, inline="always")
def _at_or_after(step: NDArray[np.int64], number: int, low: int, high: int) -> int:
    """The first place in (low, high] whose step is a number or more; the first after it where none is known to be."""
    if high < step.shape[0] and step[high] == number:
        return high
    while high - low > 1:
        middle = (low + high) // 2
        if step[middle] < number:
            low = middle
        else:
            high = middle
    return high


@njit(cache=True, inline="always")
def _at_or_before(step: NDArray[np.int64], number: int, low: int, high: int) -> int:
    """The last place in (low, high) whose step is a number or less; low, which may be -1, where none is."""
    if low >= 0 and step[low] == number:
        return low
    while high - low > 1:
        middle = (low + high) // 2
        if step[middle] <= number:
            low = middle
        else:
            high = middle
    return low


@njit(cache=True, error_model="numpy")
def gap_steps(
    rows: Rows,
    ready: Lookup,
    axes: FloatArray,
    most_steps: FloatArray,
    order: NDArray[np.int64],
    fastest: float,
    step_count: int,
    found: FloatArray,
) -> None:
    """Fill found (n,) with the longest gap of the facings in `order`; infinite where it is over most_steps (n,)."""
    count, step, edges = rows.step.shape[0], rows.step, edges_of(ready)
    probes, known = np.zeros(PROBES, np.int64), 0
    for k in range(order.shape[0]):
        facing, probe, amid = order[k], min(known, PROBES), -1
        most, longest, dark_from, lit, at, forward = most_steps[facing], 0, 0, -1, 0, True
        if probe > 0:
            at, forward = probes[probe - 1], False
        while longest <= most:
            # the end of a dark stretch is sought, or the last light up to a place
            until = dark_from + most if forward else float(lit)
            place, sure = next_lit(at, forward, until, rows, ready, edges, axes[facing], fastest)
            if not forward and (place == lit or probe > 0):
                dark_from, lit, at, forward = step[place] + 1 if place >= 0 else 0, place, at + 1, True
                continue
            if forward:
                gap = (step[place] if place < count else step_count) - dark_from
                if probe > 0:
                    longest, probe, lit = max(longest, gap), probe - 1, -1
                    at, dark_from, forward = (probes[probe - 1], 0, False) if probe > 0 else (0, 0, True)
                    continue
                if gap > longest:
                    longest, amid = gap, max(lit + place, 0) // 2
                if place >= count:
                    break
            lit = min(place + int(sure / fastest), rows.run_last[place])
            target, forward = step[lit] + longest + 1, False
            if target >= step_count:
                break
            at = _at_or_before(step, target, lit, min(lit + longest + 2, count))
        if amid >= 0:
            probes[known % PROBES], known = amid, known + 1
        found[facing] = longest if longest <= most else np.inf


@njit(cache=True, error_model="numpy")
def _runs(
    rows: Rows,
    ready: Lookup,
    axes: FloatArray,
    fastest: float,
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
) -> int:
    """Fill in the stretches of one facing; how many there are."""
    count, edges, stretches, first = rows.step.shape[0], edges_of(ready), 0, 0
    while True:
        first, sure = next_lit(first, True, np.inf, rows, ready, edges, axes, fastest)
        if first >= count:
            return stretches
        if stretches == 0 or rows.step[first] > ends[stretches - 1]:
            starts[stretches] = rows.step[first]
            stretches += 1
        first = min(first + int(sure / fastest), rows.run_last[first]) + 1
        ends[stretches - 1] = rows.step[first - 1] + 1


def runs_of(rows: Rows, ready: Lookup, axes: FloatArray, fastest: float) -> Runs:
    """Stretches that a facing with these axes (3, 3) delivers in, in order."""
    starts, ends = np.empty((2, rows.step.shape[0]), np.int64)
    count = _runs(rows, ready, axes, fastest, starts, ends)
    return starts[:count].copy(), ends[:count].copy()


def gaps_of(
    rows: Rows,
    ready: Lookup,
    axes: FloatArray,
    most_steps: FloatArray,
    fastest: float,
    step_count: int,
) -> FloatArray:
    """Longest gap of facings with axes (n, 3, 3), steps (n,); infinite where one is over most_steps (n,).

    Shared among threads, neighbours after each other: a loop for one thread takes half as long to compile as one that shares
    itself.
    """
    found = np.empty(axes.shape[0])
    threads = max(1, min(os.cpu_count() or 1, len(axes) // FACINGS_A_THREAD))

    def part(place: int) -> None:
        gap_steps(
            rows, ready, axes, most_steps, np.arange(place, len(axes), threads), fastest, step_count, found
        )

    if threads == 1:
        part(0)
    else:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(part, range(threads)))
    return found
