"""Stretches of light of a facing, read from lit steps in the order of time: compiled loops of `sunlit_series`.

The Sun moves at most `fastest` a step, so from an angle E outside the edge of acceptance nothing can happen for
E / fastest steps, and from inside it light goes on as long, up to the next dark step.
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
PROBES = 8
"""So many dark stretches, the latest that a facing was given up for, are looked at before a facing is read from end to end."""


@njit(cache=True)
def gather_power(
    rows: Rows, power_w: FloatArray, ready: Lookup, axes: FloatArray, per_interval: int, power: FloatArray
) -> None:
    """Add each step's delivered power to its interval."""
    closest = math.cos(min(ready.reach_rad, math.pi))
    # a lookup is dear to hand on: it is read here
    sun, radius_class, step = rows.sun, rows.radius_class, rows.step
    is_round, curve, chord_step, grid = ready.is_round, ready.curve, ready.chord_step, ready.grid
    first_t, step_t, fold_t = ready.first_t, ready.step_t, ready.fold_t
    first_l, step_l, fold_l = ready.first_l, ready.step_l, ready.fold_l
    for i in range(step.shape[0]):
        sx, sy, sz = sun[i, 0], sun[i, 1], sun[i, 2]
        z = axes[2, 0] * sx + axes[2, 1] * sy + axes[2, 2] * sz
        if z <= closest:
            continue
        if is_round:
            share = curve_light(curve[radius_class[i]], chord_step, z)
        elif z <= 0.0:
            continue
        else:
            x = axes[0, 0] * sx + axes[0, 1] * sy + axes[0, 2] * sz
            y = axes[1, 0] * sx + axes[1, 1] * sy + axes[1, 2] * sz
            own = grid[radius_class[i]]
            share = z * grid_light(own, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z)
        power[step[i] // per_interval] += power_w[i] * share


@njit(cache=True, inline="always")
def next_run(
    start: int, until: float, rows: Rows, ready: Lookup, axes: FloatArray, fastest: float
) -> tuple[int, int]:
    """Places of the first and the last step of the next stretch that delivers, from place `start` on.

    Both are the number of rows where there is none, and a dark step after `until` where there is none up to it.
    """
    count = rows.step.shape[0]
    # a lookup is dear to hand on: plain cones are judged here, others as far as their map of clearances is sure
    solid, edge_rad, sure_rad = ready.solid, ready.edge_rad, ready.clearance_rad
    outer, inner = (edge_rad.max(), edge_rad.min()) if solid else (ready.reach_rad, -1.0)
    cos_outer, wider = math.cos(min(outer, math.pi)), outer - inner if solid else 0.0
    step, run_last, sun, radius_class = rows.step, rows.run_last, rows.sun, rows.radius_class
    is_round, radius_rad, disc_xy = ready.is_round, ready.radius_rad, ready.disc_xy
    table_x, table_y, table = ready.table_x, ready.table_y, ready.table
    grid, first_t, step_t, fold_t = ready.grid, ready.first_t, ready.step_t, ready.fold_t
    first_l, step_l, fold_l = ready.first_l, ready.step_l, ready.fold_l
    ax, ay, az = axes[0, 0], axes[0, 1], axes[0, 2]
    bx, by, bz = axes[1, 0], axes[1, 1], axes[1, 2]
    nx, ny, nz = axes[2, 0], axes[2, 1], axes[2, 2]
    i = start
    while i < count:
        if step[i] > until:
            return i, i
        sx, sy, sz = sun[i, 0], sun[i, 1], sun[i, 2]
        x, y, z = ax * sx + ay * sy + az * sz, bx * sx + by * sy + bz * sz, nx * sx + ny * sy + nz * sz
        off = 0.0
        if z > cos_outer:
            number = radius_class[i]
            if solid:
                off = math.atan2(math.hypot(x, y), z) - edge_rad[number]
                if off < 0.0:
                    break
            else:
                sure = clearance(sure_rad, x, y, z)
                if sure > 0.0:
                    break
                if sure == 0.0 and any_light(
                    is_round, grid[number], first_t, step_t, fold_t, first_l, step_l, fold_l,
                    table_x, table_y, table, disc_xy, radius_rad[number], x, y, z,
                ):  # fmt: skip
                    break
                off = -sure
        else:
            off = math.atan2(math.hypot(x, y), z) - outer
        # a later row may be of a class with a wider edge
        skip = int(max(off - wider, 0.0) / fastest) + 1
        if i + skip <= run_last[i]:
            i += skip
            continue
        low, high = i, min(i + skip, count)
        while high - low > 1:
            middle = (low + high) // 2
            if step[middle] < step[i] + skip:
                low = middle
            else:
                high = middle
        i = high
    if i >= count:
        return count, count
    first, last = i, run_last[i]
    while i < last:
        sx, sy, sz = sun[i, 0], sun[i, 1], sun[i, 2]
        x, y, z = ax * sx + ay * sy + az * sz, bx * sx + by * sy + bz * sz, nx * sx + ny * sy + nz * sz
        within = inner - math.atan2(math.hypot(x, y), z) if solid else clearance(sure_rad, x, y, z)
        skip = int(within / fastest)
        if skip > 1:
            i = min(i + skip, last)
            continue
        sx, sy, sz = sun[i + 1, 0], sun[i + 1, 1], sun[i + 1, 2]
        x, y, z = ax * sx + ay * sy + az * sz, bx * sx + by * sy + bz * sz, nx * sx + ny * sy + nz * sz
        number = radius_class[i + 1]
        if solid:
            if math.atan2(math.hypot(x, y), z) >= edge_rad[number]:
                break
        elif not any_light(
            is_round, grid[number], first_t, step_t, fold_t, first_l, step_l, fold_l,
            table_x, table_y, table, disc_xy, radius_rad[number], x, y, z,
        ):  # fmt: skip
            break
        i += 1
    return first, i


@njit(cache=True)
def scan(
    rows: Rows,
    ready: Lookup,
    axes: FloatArray,
    most_steps: FloatArray,
    order: NDArray[np.int64],
    fastest: float,
    step_count: int,
    found: FloatArray,
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
) -> None:
    """Fill found (n, 3) for the facings in `order`: longest gap, steps delivering, number of stretches.

    An infinite gap stands for one over most_steps (n,), the rest of which is not read: the dark stretches that the facings before
    were given up for are looked at first. starts, ends hold the stretches of the last facing as far as they have room; two of
    them may touch.
    """
    count, room = rows.step.shape[0], starts.shape[0]
    dark_place, dark_since, given_up = np.full(PROBES, count), np.zeros(PROBES, np.int64), 0
    for k in range(order.shape[0]):
        facing = order[k]
        longest, delivering, dark_from, place, stretches = 0, 0, 0, 0, 0
        for probe in range(PROBES + 1):
            whole = probe == PROBES
            if longest > most_steps[facing] or not (whole or dark_place[probe] < count):
                continue
            place, dark_from = (0, 0) if whole else (dark_place[probe], dark_since[probe])
            while place < count and longest <= most_steps[facing]:
                until = dark_from + most_steps[facing]
                first, last = next_run(place, until, rows, ready, axes[facing], fastest)
                begin = rows.step[first] if first < count else step_count
                longest = max(longest, begin - dark_from)
                if not whole:
                    break
                if longest > most_steps[facing]:
                    dark_place[given_up % PROBES], dark_since[given_up % PROBES] = place, dark_from
                    given_up += 1
                if first < count:
                    end = rows.step[last] + 1
                    if stretches < room:
                        starts[stretches], ends[stretches] = begin, end
                    stretches += 1
                    delivering += end - begin
                    dark_from = end
                place = last + 1
        longest = max(longest, step_count - dark_from) if place >= count else longest
        found[facing, 0] = longest if longest <= most_steps[facing] else np.inf
        found[facing, 1], found[facing, 2] = delivering, stretches


def runs_of(rows: Rows, ready: Lookup, axes: FloatArray, fastest: float) -> Runs:
    """Stretches that a facing with these axes (3, 3) delivers in, in order; two of them may touch."""
    count = rows.step.shape[0]
    starts, ends, found = np.empty(count, np.int64), np.empty(count, np.int64), np.empty((1, 3))
    alone, any_gap = np.zeros(1, np.int64), np.full(1, np.inf)
    scan(rows, ready, axes[None], any_gap, alone, fastest, 0, found, starts, ends)
    stretches = int(found[0, 2])
    return starts[:stretches].copy(), ends[:stretches].copy()


def gaps_of(
    rows: Rows,
    ready: Lookup,
    axes: FloatArray,
    most_steps: FloatArray,
    fastest: float,
    step_count: int,
) -> FloatArray:
    """Longest gap and steps delivering of facings with axes (n, 3, 3), (n, 2); infinite gaps where one is over most_steps (n,).

    Shared among threads, neighbours after each other: a loop for one thread takes half as long to compile as one that shares
    itself.
    """
    found, none = np.empty((axes.shape[0], 3)), np.empty(0, np.int64)
    threads = max(1, min(os.cpu_count() or 1, len(axes) // FACINGS_A_THREAD))

    def part(place: int) -> None:
        own = np.arange(place, len(axes), threads)
        scan(rows, ready, axes, most_steps, own, fastest, step_count, found, none, none)

    if threads == 1:
        part(0)
    else:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(part, range(threads)))
    return found[:, :2]
