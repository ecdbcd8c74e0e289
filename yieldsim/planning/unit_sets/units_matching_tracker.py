"""How few fixed units stay dark no longer than a mount that follows the Sun: quickly, so that every estimate can say it.

Units may face where they like. Each facing is known by its stretches of light on steps thinned to a share of the gap asked for. A
set leaves no gap of more than g steps if every window of g + 1 steps holds light of one of its units: a covering problem. It is
solved over a few windows, more are added where the set found fails, until none does. Coverings are chosen greedily under weights,
again and again, a window weighing the less the more units served it before.

The set found need not be the smallest, only near it: for the shipped sites and collectors an exact integer programme over more
facings gave the same number for gaps of days, and 10 for 12 where a narrow lens on Mars is to miss no sol.
`planning.unit_sets.design` searches longer and more finely. Estimates and searches for facings ask here alike, so that both say
the same.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.model import Mount
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import azimuth_elevation_deg
from yieldsim.energy.sunlit import LitSteps
from yieldsim.optics.acceptance_interpolator import Lookup
from yieldsim.planning.orientation.mount_frames import Facings, facings, of_mounts, together
from yieldsim.planning.sunlight.histogram import cell_numbers
from yieldsim.planning.sunlight.interval_kernels import Runs
from yieldsim.planning.sunlight.sunlit_series import runs_of_facings
from yieldsim.planning.tracking import SAME_GAP
from yieldsim.planning.unit_sets.set_cover import RunLists, serving, united

STEPS_PER_GAP = 32
"""A gap is this many steps long at least, as far as the run's own steps allow."""
STEP_PER_REACH, FINEST_STEP_DEG, WIDEST_STEP_DEG, MOST_FACINGS = 0.25, 1.0, 6.0, 700
"""Distance of facings tried: by the reach of the acceptance, within limits, and further apart where they would be more."""
FIRST_WINDOWS, WINDOWS_A_ROUND = 300, 24
ROUNDS, CHOICES = 40, 60
LEAST_WEIGHT = 1e-6


def units_for_gaps(
    track: LitSteps, ready: Lookup, mounts: tuple[Mount, ...], gap_hours: list[float]
) -> list[int | None]:
    """For each gap the number of units of a set found that stays dark no longer than it, times SAME_GAP; None where
    no set does.

    track    with one class of the disc's radius and no dust (`LitSteps.bare`)
    mounts   facings to be tried besides those towards where the Sun stands when it shines
    """
    if len(track.step) == 0:
        return [None] * len(gap_hours)
    # runs differ in their steps by powers of two: thinned by one, they come to the same steps
    thin = track.thinned(_power_of_two(min(gap_hours) / track.step_hours / STEPS_PER_GAP))
    some = together(of_mounts(mounts), towards_the_sun(thin, ready))
    axes = some.axes_enu_xyz
    lists = RunLists.of(
        runs_of_facings(thin, ready, axes, some.tilt_deg),
        thin.step_count,
    )
    most_steps = [max(int(SAME_GAP * hours / thin.step_hours + 1e-6), 1) for hours in gap_hours]
    sets = {most: few(lists, most) for most in set(most_steps)}
    return [None if (chosen := sets[most]) is None else len(chosen) for most in most_steps]


def _power_of_two(most: float) -> int:
    return int(2 ** max(math.floor(math.log2(most)), 0)) if most > 1.0 else 1


def towards_the_sun(track: LitSteps, ready: Lookup) -> Facings:
    """Facings towards the mean of the Sun's places in each cell of the sky where it shines; two-angle optics both ways
    round."""
    sun = track.sun_enu_xyz.astype(np.float64)
    rolls = (0.0,) if ready.is_round else (0.0, 90.0)
    step_deg = min(max(STEP_PER_REACH * math.degrees(ready.reach_rad), FINEST_STEP_DEG), WIDEST_STEP_DEG)
    cells, of = np.unique(cell_numbers(sun, step_deg), return_inverse=True)
    while len(cells) * len(rolls) > MOST_FACINGS:
        step_deg *= 1.15
        cells, of = np.unique(cell_numbers(sun, step_deg), return_inverse=True)
    mean = np.stack([np.bincount(of, sun[:, k]).astype(np.float64) for k in range(3)], axis=1)
    azimuth, elevation = azimuth_elevation_deg(mean)
    return together(*(facings(90.0 - elevation, azimuth, roll) for roll in rolls))


def few(lists: RunLists, most_steps: int) -> list[int] | None:
    """Few facings whose light together leaves no gap of more than most_steps; None where all of them leave one, or
    no set was found in so many rounds."""
    length, none = most_steps + 1, np.zeros(0, dtype=np.int64)
    last = lists.step_count - length
    if last < 0:
        return []
    starts = list(range(0, last + 1, max(length // 16, last // FIRST_WINDOWS, 1)))
    rows: dict[bytes, NDArray[np.bool_]] = {}
    for _ in range(ROUNDS):
        fresh = (serving(lists, start, length) for start in starts)
        rows |= {row.tobytes(): row for row in fresh}
        served = np.array(list(rows.values())).reshape(len(rows), lists.count)
        if not served.any(axis=1).all():
            return None
        chosen = [int(facing) for facing in covering(served, CHOICES)]
        held: Runs = (none, none)
        for facing in chosen:
            held = united(held, lists.runs(facing))
        opens, closes = np.append(0, held[1]), np.append(held[0], lists.step_count)
        failing = np.flatnonzero(closes - opens > most_steps)
        if len(failing) == 0:
            return chosen
        longest = failing[np.argsort(opens[failing] - closes[failing], kind="stable")][:WINDOWS_A_ROUND]
        starts = [int(start) for i in longest for start in {opens[i], closes[i] - length}]
    return None


@njit(cache=True)
def covering(served: NDArray[np.bool_], choices: int) -> NDArray[np.int64]:
    """Facings such that each window (windows, facings) is served by one of them: the fewest of several greedy choices."""
    windows, facings_count = served.shape
    weight = np.empty(windows)
    for w in range(windows):
        weight[w] = 1.0 / served[w].sum()
    best = np.arange(facings_count)
    for _ in range(choices):
        gain = np.zeros(facings_count)
        for w in range(windows):
            for f in range(facings_count):
                gain[f] += weight[w] * served[w, f]
        times = np.zeros(windows, dtype=np.int64)
        chosen = np.empty(facings_count, dtype=np.int64)
        count, left = 0, windows
        while left > 0:
            facing = gain.argmax()
            gain[facing] = -1.0
            chosen[count] = facing
            count += 1
            for w in range(windows):
                if served[w, facing]:
                    times[w] += 1
                    if times[w] == 1:
                        left -= 1
                        for f in range(facings_count):
                            gain[f] -= weight[w] * served[w, f]
        kept = 0
        for k in range(count):
            needed = False
            for w in range(windows):
                if served[w, chosen[k]] and times[w] == 1:
                    needed = True
                    break
            if needed:
                chosen[kept] = chosen[k]
                kept += 1
            else:
                for w in range(windows):
                    times[w] -= served[w, chosen[k]]
        if kept < len(best):
            best = chosen[:kept].copy()
        weight /= np.sqrt(np.maximum(times, 1))
        weight = np.maximum(weight / weight.max(), LEAST_WEIGHT)
    return best
