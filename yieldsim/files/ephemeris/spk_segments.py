"""Positions from kernel segments that hold states or difference lines, as those of asteroids and spacecraft do.

The library reads Chebyshev series alone (types 2 and 3). Here are:

    8, 9     states at even and uneven times, Lagrange interpolation of position and of velocity
    12, 13   the same, Hermite interpolation of position and velocity together
    1, 21    modified difference lines, the form in which small bodies are handed out

Source: NAIF, SPK Required Reading, "Supported Data Types". The tests hold each to CSPICE.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skyfield.vectorlib import VectorFunction

from yieldsim.base.constants import AU_KM, J2000_JD, SECONDS_PER_DAY
from yieldsim.base.numerics.vectors import FloatArray

LAGRANGE, HERMITE = (8, 9), (12, 13)
EVEN = (8, 12)
DIFFERENCES = {1: 15, 21: None}
"""Types of difference lines and their longest table; None: the segment says."""
STATE_TYPES = (*DIFFERENCES, *LAGRANGE, *HERMITE)
COMPONENTS = 6


class StateSegment(VectorFunction):  # type: ignore[misc]
    """One such segment as the library's vector function."""

    def __init__(self, spk_segment: Any) -> None:
        """Read the segment's numbers. Raises ValueError where they contradict each other."""
        self.center, self.target = spk_segment.center, spk_segment.target
        self.spk_segment = spk_segment
        words = spk_segment.daf.read_array(spk_segment.start_i, spk_segment.end_i)
        kind = spk_segment.data_type
        self._table = _lines(words, DIFFERENCES[kind]) if kind in DIFFERENCES else _states(words, kind)

    @property
    def vector_name(self) -> str:
        """What the library calls it in its own messages."""
        return f"type {self.spk_segment.data_type} segment"

    def _at(self, t: Any) -> tuple[FloatArray, FloatArray, None, None]:
        whole, part = np.broadcast_arrays(t.whole, t.tdb_fraction)
        second = ((whole - J2000_JD) + part) * SECONDS_PER_DAY
        state = self._table.at(second.ravel()).reshape(COMPONENTS, *second.shape)
        return state[:3] / AU_KM, state[3:] * (SECONDS_PER_DAY / AU_KM), None, None


# ---------------------------------------------------------------- states


@dataclass(frozen=True, slots=True, eq=False)
class States:
    """States at increasing times.

    second   (n,)  TDB past J2000
    state    (n, 6)  km, km/s
    window   how many of them one interpolation uses
    """

    second: FloatArray
    state: FloatArray
    window: int
    hermite: bool

    def at(self, second: FloatArray) -> FloatArray:
        """Position and velocity (6, m)."""
        first = self._first(second)
        rows = first[:, None] + np.arange(self.window)
        # measured from the moment asked for, in mean steps
        step_s = (self.second[-1] - self.second[0]) / (len(self.second) - 1)
        x = (self.second[rows] - second[:, None]) / step_s
        y = self.state[rows]
        if not self.hermite:
            return _lagrange(x, y).T
        position, slope = _hermite(x, y[..., :3], y[..., 3:] * step_s)
        return np.concatenate([position, slope / step_s], axis=1).T

    def _first(self, second: FloatArray) -> NDArray[np.int64]:
        """First row of each window: half of it before the moment, or around the nearest row for an odd one."""
        before = np.clip(np.searchsorted(self.second, second, side="right") - 1, 0, len(self.second) - 2)
        if self.window % 2:
            nearer_next = self.second[before + 1] - second < second - self.second[before]
            first = before + nearer_next - self.window // 2
        else:
            first = before - self.window // 2 + 1
        return np.asarray(np.clip(first, 0, len(self.second) - self.window))


def _states(words: FloatArray, kind: int) -> States:
    """States of a segment of types 8, 9, 12, 13."""
    less, count = int(words[-2]), int(words[-1])
    window = less + 1
    size = COMPONENTS * count
    if not 2 <= window <= count or len(words) < size:
        raise ValueError("its counts do not fit its length")
    if not np.isfinite(words[:size]).all():
        raise ValueError("its states are not all numbers")
    even = kind in EVEN
    second = words[-4] + words[-3] * np.arange(count) if even else np.array(words[size : size + count])
    if len(second) != count or not (np.diff(second) > 0.0).all():
        raise ValueError("its times do not increase")
    return States(second, np.array(words[:size]).reshape(count, COMPONENTS), window, kind in HERMITE)


def _lagrange(x: FloatArray, y: FloatArray) -> FloatArray:
    """Values at 0 of polynomials through x (m, w), y (m, w, k), by Neville's scheme: (m, k)."""
    p = y.copy()
    for m in range(1, x.shape[1]):
        left, right = x[:, :-m, None], x[:, m:, None]
        p = (right * p[:, :-1] - left * p[:, 1:]) / (right - left)
    return np.asarray(p[:, 0])


def _hermite(x: FloatArray, y: FloatArray, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Values and slopes at 0 of polynomials with given values and slopes (m, w, k) at x (m, w): divided differences."""
    z = np.repeat(x, 2, axis=1)
    column = np.repeat(y, 2, axis=1)
    coefficients = [column[:, 0]]
    for order in range(1, z.shape[1]):
        apart = (z[:, order:] - z[:, :-order])[..., None]
        rise = column[:, 1:] - column[:, :-1]
        if order == 1:
            # both copies of a node: the slope there
            column = np.divide(rise, apart, out=np.empty_like(rise), where=apart != 0.0)
            column[:, ::2] = slope
        else:
            column = rise / apart
        coefficients.append(column[:, 0])
    value, change = coefficients[-1], np.zeros_like(coefficients[-1])
    for order in range(z.shape[1] - 2, -1, -1):
        away = -z[:, order, None]
        change = change * away + value
        value = value * away + coefficients[order]
    return value, change


# ---------------------------------------------------------------- difference lines


@dataclass(frozen=True, slots=True, eq=False)
class DifferenceLines:
    """Modified difference lines: one record answers until its last second.

    last_second   (n,)
    record        (n, 4 longest + 11)
    """

    last_second: FloatArray
    record: FloatArray
    longest: int

    def at(self, second: FloatArray) -> FloatArray:
        """Position and velocity (6, m)."""
        which = np.minimum(np.searchsorted(self.last_second, second), len(self.last_second) - 1)
        state = np.empty((COMPONENTS, len(second)))
        for number in np.unique(which):
            here = which == number
            state[:, here] = _line(self.record[number], self.longest, second[here])
        return state


def _lines(words: FloatArray, longest: int | None) -> DifferenceLines:
    """Records of a segment of types 1 and 21."""
    count = int(words[-1])
    longest = int(words[-2]) if longest is None else longest
    width = 4 * longest + 11
    if count < 1 or longest < 1 or len(words) < count * (width + 1):
        raise ValueError("its counts do not fit its length")
    record = np.array(words[: count * width]).reshape(count, width)
    last_second = np.array(words[count * width : count * (width + 1)])
    if not np.isfinite(record).all() or not (np.diff(last_second) >= 0.0).all():
        raise ValueError("its records are not all numbers, or not in order of time")
    most, orders = record[:, 7 + 4 * longest], record[:, 8 + 4 * longest :]
    fits = (most >= 2.0) & (most <= longest + 2.0) & (orders >= 0.0).all(axis=1)
    fits &= (orders.max(axis=1) < most) & (orders.max(axis=1) <= longest)
    if not fits.all():
        raise ValueError("its records have orders that do not fit their tables")
    return DifferenceLines(last_second, record, longest)


def _line(record: FloatArray, longest: int, second: FloatArray) -> FloatArray:
    """One record's state (6, m): the variable-order integrator's own extrapolation.

    A record holds the reference time, step sizes g, position and velocity there in turn, three tables of
    differences, the highest order plus one, and the three orders. Weights w are built up order by order from
    1, 1/2, 1/3 ...; summed over the differences they give the position, and one order lower the velocity.
    """
    since = second - record[0]
    steps = record[1 : 1 + longest]
    place, speed = record[1 + longest : 7 + longest].reshape(3, 2).T
    differences = record[7 + longest : 7 + 4 * longest].reshape(3, longest)
    most = int(record[7 + 4 * longest])
    orders = record[8 + 4 * longest : 11 + 4 * longest].astype(np.int64)
    # how far along the steps, and over each of them
    along = since + np.concatenate([[0.0], steps])[: most - 2, None]
    ahead, over = along / steps[: most - 2, None], since / steps[: most - 2, None]
    w = np.repeat(1.0 / np.arange(1.0, most + 1.0)[:, None], len(second), axis=1)

    def lowered(level: int, rows: int) -> None:
        for j in range(rows):
            w[j + level] = ahead[j] * w[j + level - 1] - over[j] * w[j + level]

    for rows, level in enumerate(range(most - 1, 1, -1), start=1):
        lowered(level, rows)

    def gathered(level: int) -> FloatArray:
        return np.stack([differences[i, :order] @ w[level : level + order] for i, order in enumerate(orders)])

    position = place[:, None] + since * (speed[:, None] + since * gathered(1))
    lowered(1, most - 2)
    return np.concatenate([position, speed[:, None] + since * gathered(0)])
