"""Piecewise-linear interpolation that says what happens outside its table; it can't overshoot."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.numerics.vectors import FloatArray

Outside = Literal["error", "zero", "periodic", "hold"]


def linear(
    x: ArrayLike, table_x: FloatArray, table_y: FloatArray, *, outside: Outside, period: float = 360.0
) -> FloatArray:
    """Linear interpolation of table_y (n,) over increasing table_x (n,) at x, any shape.

    outside   "error" raises ValueError; "zero" answers 0; "periodic" wraps with `period`; "hold" repeats the
              end values, for tables whose ends mean "and so on". There is no default.

    >>> linear([5.0, 95.0], np.array([0.0, 10.0]), np.array([1.0, 0.0]), outside="zero")
    array([0.5, 0. ])
    """
    at = np.asarray(x, dtype=np.float64)
    if outside == "periodic":
        first = table_x[0]
        wrapped = (at - first) % period + first
        closed_x = np.append(table_x, first + period)
        closed_y = np.append(table_y, table_y[0])
        return np.asarray(np.interp(wrapped, closed_x, closed_y))
    beyond = (at < table_x[0]) | (at > table_x[-1])
    if outside == "error" and beyond.any():
        worst = at[beyond].flat[0]
        raise ValueError(f"{worst:g} is outside the table ({table_x[0]:g} to {table_x[-1]:g})")
    value = np.interp(at, table_x, table_y)
    if outside == "zero":
        value = np.where(beyond, 0.0, value)
    return np.asarray(value)


def edges_between(middle: FloatArray) -> FloatArray:
    """Edges (n + 1,) of rows whose middles (n,), two at least, are given: half-way between them, the outer two continued.

    >>> edges_between(np.array([1.0, 3.0, 4.0]))
    array([0. , 2. , 3.5, 4.5])
    """
    inner = 0.5 * (middle[1:] + middle[:-1])
    ends = 2.0 * middle[[0, -1]] - inner[[0, -1]]
    return np.concatenate([ends[:1], inner, ends[1:]])


def falls_to_deg(angle_deg: FloatArray, value: FloatArray, level: float) -> float:
    """Angle at which a curve first falls, beyond its peak, to `level` of the peak, linear between rows; NaN
    where it never does.

    >>> falls_to_deg(np.array([0.0, 2.0, 4.0]), np.array([0.8, 0.8, 0.0]), 0.5)
    3.0
    """
    peak = int(value.argmax())
    below = peak + np.flatnonzero(value[peak:] < level * value[peak])
    if below.size == 0:
        return math.nan
    high, low = int(below[0]) - 1, int(below[0])
    share = (value[high] - level * value[peak]) / (value[high] - value[low])
    return float(angle_deg[high] + share * (angle_deg[low] - angle_deg[high]))
