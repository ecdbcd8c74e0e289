"""Several mounts against the dark: gaps of the union of their light, and the least gap that any number of
units can leave.

Each candidate facing is a list of stretches of fine steps during which it delivers (`planning.sunlight.sunlit_series`).
The longest gap of a set is that of the union of its lists.

The bound: if N units leave no gap of g steps, every window of g steps holds light of one of them. Then the
least sum of fractional units x with

    sum of x over facings that deliver within the window >= 1    for every window of g steps,   x >= 0

is at most N (a relaxation of covering: units may be divided). A linear programme finds that sum; windows are
added where the last solution fails until none is. If the least sum exceeds N, N units leave a gap of at least
g, whatever facings of the list they have. With lists made for an acceptance widened by the distance to the
furthest facing between candidates, that holds for all facings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.sunlight.interval_kernels import Runs

Steps = NDArray[np.int64]
FIRST_WINDOWS = 300
WINDOWS_A_ROUND = 24
ROUNDS = 4
HALVINGS = 8


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RunLists:
    """Stretches of light of many facings, one after the other.

    starts, ends   (all,)  first step of each stretch, and the first after it
    first          (facings + 1,)  where each facing's stretches begin
    step_count     steps of the run
    """

    starts: Steps
    ends: Steps
    first: Steps
    step_count: int

    @classmethod
    def of(cls, lists: list[Runs], step_count: int) -> RunLists:
        """From one pair of arrays a facing."""
        none = np.zeros(0, dtype=np.int64)
        return cls(
            starts=np.concatenate([none, *(starts for starts, _ in lists)]),
            ends=np.concatenate([none, *(ends for _, ends in lists)]),
            first=np.concatenate([[0], np.cumsum([len(starts) for starts, _ in lists])]).astype(np.int64),
            step_count=step_count,
        )

    @property
    def count(self) -> int:
        """How many facings."""
        return len(self.first) - 1

    def runs(self, facing: int) -> Runs:
        """The stretches of one."""
        part = slice(int(self.first[facing]), int(self.first[facing + 1]))
        return self.starts[part], self.ends[part]

    def extended(self, lists: list[Runs]) -> RunLists:
        """With more facings at the end."""
        return RunLists.of([*(self.runs(i) for i in range(self.count)), *lists], self.step_count)


def united(first: Runs, second: Runs) -> Runs:
    """The union of two lists."""
    starts, ends = _united(*first, *second)
    return starts, ends


def gaps_with(held: Runs, lists: RunLists) -> FloatArray:
    """Longest gap, and the root of the sum of squared gaps, when each facing is added to what is held:
    (facings, 2) steps."""
    found: FloatArray = _gaps_with(*held, lists.starts, lists.ends, lists.first, lists.step_count)
    return found


def scanned(lists: RunLists, gap_steps: int, most: int) -> list[int] | None:
    """Facings that leave no gap longer than gap_steps, found in the order of time; None if more than `most`
    are needed.

    Where the first longer gap opens, the facing that puts off the next one furthest is added: for stretches
    that follow each other once, as round a circle, no other way needs fewer.
    """
    none = np.zeros(0, dtype=np.int64)
    held: Runs = (none, none)
    chosen: list[int] = []
    until = -1
    while until < lists.step_count:
        opens = _first_gap_with(*held, lists.starts, lists.ends, lists.first, gap_steps, lists.step_count)
        best = int(opens.argmax())
        if len(chosen) == most or opens[best] <= until:
            return None
        chosen.append(best)
        held, until = united(held, lists.runs(best)), int(opens[best])
    return chosen


def least_units(lists: RunLists, gap_steps: int, enough: float) -> float:
    """A sum of fractional units that leaving no gap of `gap_steps` takes at least; infinite where even all
    facings leave one.

    The search for windows ends once the sum exceeds `enough`, or after ROUNDS: fewer windows than all only
    lower it.
    """
    from scipy.optimize import linprog

    every = [lists.runs(facing) for facing in range(lists.count)]
    last = lists.step_count - gap_steps
    failing = list(range(0, last + 1, max(gap_steps // 16, last // FIRST_WINDOWS, 1)))
    rows: list[NDArray[np.bool_]] = []
    least = 0.0
    for _ in range(ROUNDS):
        fresh = [serving(lists, start, gap_steps) for start in failing]
        if not all(row.any() for row in fresh):
            return np.inf
        rows += fresh
        # facings that serve the same windows are one to the programme
        columns, of = np.unique(np.array(rows), axis=1, return_inverse=True)
        count = columns.shape[1]
        answer = linprog(
            np.ones(count), A_ub=-columns.astype(float), b_ub=-np.ones(len(rows)), method="highs"
        )
        least = float(answer.fun)
        if least > enough:
            break
        share = np.maximum(answer.x, 0.0)
        used = np.flatnonzero(share > 1e-9)
        stand_ins = [every[int(np.argmax(of == i))] for i in used]
        poorest = _poorest(stand_ins, share[used], gap_steps, lists.step_count, WINDOWS_A_ROUND)
        failing = [start for start, light in poorest if light < 1.0 - 1e-6]
        if not failing:
            break
    return least


def least_gap_steps(lists: RunLists, units: int, shortest: int, longest: int, known: dict[int, float]) -> int:
    """A gap, steps, that `units` units can't undercut: between the shortest possible and one that was
    reached.

    known   least units by gap worked out before; gains what is worked out here
    """
    low, high = min(shortest, longest), longest
    for gap, least in known.items():
        if least > units + 1e-6 and gap <= longest:
            low = max(low, gap)
    for _ in range(HALVINGS):
        if high - low <= max(1, high // 200):
            break
        middle = (low + high) // 2
        known[middle] = max(known.get(middle, 0.0), least_units(lists, middle, units + 1e-6))
        if known[middle] > units + 1e-6:
            low = middle
        else:
            high = middle
    return low


def serving(lists: RunLists, start: int, length: int) -> NDArray[np.bool_]:
    """Which facings (facings,) deliver in a window."""
    return np.asarray(_touching(lists.starts, lists.ends, lists.first, start, start + length))


def _poorest(
    lists: list[Runs], share: FloatArray, length: int, step_count: int, most: int
) -> list[tuple[int, float]]:
    """Windows with the least sum of shares of facings that deliver in them, poorest first, and apart from
    each other."""
    at, change = [np.array([0])], [np.array([0.0])]
    for (starts, ends), weight in zip(lists, share, strict=True):
        # a stretch serves windows that begin after start - length and before its end
        opens, closes = np.maximum(starts - length + 1, 0), ends
        fresh = np.concatenate([[True], opens[1:] > closes[:-1]])[: len(opens)]
        last = np.append(np.flatnonzero(fresh)[1:] - 1, len(opens) - 1)[: int(fresh.sum())]
        at += [opens[fresh], closes[last]]
        change += [np.full(int(fresh.sum()), weight), np.full(len(last), -weight)]
    where, step = np.concatenate(at), np.concatenate(change)
    order = np.argsort(where, kind="stable")
    places, index = np.unique(where[order], return_index=True)
    level = np.cumsum(np.add.reduceat(step[order], index))
    inside = places <= step_count - length
    places, level = places[inside], level[inside]
    chosen: list[tuple[int, float]] = []
    for i in np.argsort(level, kind="stable"):
        if all(abs(int(places[i]) - start) >= length for start, _ in chosen):
            chosen.append((int(places[i]), float(level[i])))
            if len(chosen) == most:
                break
    return chosen


@njit(cache=True)
def _united(first_starts: Steps, first_ends: Steps, second_starts: Steps, second_ends: Steps) -> Runs:
    most = first_starts.shape[0] + second_starts.shape[0]
    starts, ends = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.int64)
    i, j, count = 0, 0, 0
    while i < first_starts.shape[0] or j < second_starts.shape[0]:
        if j >= second_starts.shape[0] or (i < first_starts.shape[0] and first_starts[i] <= second_starts[j]):
            start, end = first_starts[i], first_ends[i]
            i += 1
        else:
            start, end = second_starts[j], second_ends[j]
            j += 1
        if count > 0 and start <= ends[count - 1]:
            ends[count - 1] = max(ends[count - 1], end)
        else:
            starts[count], ends[count] = start, end
            count += 1
    return starts[:count].copy(), ends[:count].copy()


@njit(cache=True, parallel=True)
def _gaps_with(
    held_starts: Steps, held_ends: Steps, starts: Steps, ends: Steps, first: Steps, step_count: int
) -> FloatArray:
    found = np.empty((first.shape[0] - 1, 2))
    for facing in prange(first.shape[0] - 1):
        i, j, last = 0, first[facing], first[facing + 1]
        dark_from, longest, squares = 0, 0, 0.0
        while i < held_starts.shape[0] or j < last:
            if j >= last or (i < held_starts.shape[0] and held_starts[i] <= starts[j]):
                start, end = held_starts[i], held_ends[i]
                i += 1
            else:
                start, end = starts[j], ends[j]
                j += 1
            gap = start - dark_from
            if gap > 0:
                longest = max(longest, gap)
                squares += float(gap) * gap
            dark_from = max(dark_from, end)
        gap = step_count - dark_from
        if gap > 0:
            longest = max(longest, gap)
            squares += float(gap) * gap
        found[facing, 0] = longest
        found[facing, 1] = np.sqrt(squares)
    return found


@njit(cache=True, parallel=True)
def _first_gap_with(
    held_starts: Steps,
    held_ends: Steps,
    starts: Steps,
    ends: Steps,
    first: Steps,
    gap_steps: int,
    step_count: int,
) -> Steps:
    """Where the first gap longer than gap_steps opens when each facing is added to what is held; step_count
    if none."""
    found = np.empty(first.shape[0] - 1, dtype=np.int64)
    for facing in prange(first.shape[0] - 1):
        i, j, last = 0, first[facing], first[facing + 1]
        dark_from = 0
        open_gap = False
        while (i < held_starts.shape[0] or j < last) and not open_gap:
            if j >= last or (i < held_starts.shape[0] and held_starts[i] <= starts[j]):
                start, end = held_starts[i], held_ends[i]
                i += 1
            else:
                start, end = starts[j], ends[j]
                j += 1
            if start - dark_from > gap_steps:
                open_gap = True
            else:
                dark_from = max(dark_from, end)
        found[facing] = dark_from if open_gap or step_count - dark_from > gap_steps else step_count
    return found


@njit(cache=True)
def _touching(starts: Steps, ends: Steps, first: Steps, begin: int, until: int) -> NDArray[np.bool_]:
    found = np.zeros(first.shape[0] - 1, dtype=np.bool_)
    for facing in range(first.shape[0] - 1):
        low, high = first[facing], first[facing + 1]
        # the first stretch that ends after the window begins
        while low < high:
            middle = (low + high) // 2
            if ends[middle] <= begin:
                low = middle + 1
            else:
                high = middle
        found[facing] = low < first[facing + 1] and starts[low] < until
    return found
