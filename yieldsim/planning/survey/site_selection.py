"""The best places of a map, spaced apart: the best cell, then the best that is far enough from all before it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray


def best_places(
    value: FloatArray, x_m: FloatArray, y_m: FloatArray, spacing_m: float, count: int
) -> list[tuple[int, int]]:
    """(row, column) of up to `count` cells of largest value (rows, columns), each at least `spacing_m` from the others.

    x_m, y_m   (rows, columns) places on a plane; NaN values are never chosen; ties go to the first cell in reading order.

    >>> best_places(np.array([[1.0, 3.0, 2.0]]), np.array([[0.0, 1.0, 9.0]]), np.zeros((1, 3)), 5.0, 3)
    [(0, 1), (0, 2)]
    """
    left: NDArray[np.bool_] = np.isfinite(value)
    order = np.argsort(-np.where(left, value, -np.inf), axis=None, kind="stable")
    chosen: list[tuple[int, int]] = []
    flat = left.ravel().copy()
    for cell in order:
        if len(chosen) == count:
            break
        if not flat[cell]:
            continue
        row, column = divmod(int(cell), value.shape[1])
        chosen.append((row, column))
        near = np.hypot(x_m - x_m[row, column], y_m - y_m[row, column]) < spacing_m
        near[row, column] = True
        flat &= ~near.ravel()
        if not flat.any():
            break
    return chosen
