"""Horizons of places between the nodes of a grid on which they were swept."""

from __future__ import annotations

import math

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.ground.line_sweep import NO_CELL


@njit(cache=True, parallel=True)
def horizons_between(horizon: NDArray[np.int16], row: FloatArray, column: FloatArray) -> NDArray[np.int16]:
    """Horizons (azimuth, places) at places among the nodes of horizons (azimuth, rows, columns), bilinear in the angle.

    Beside nodes of unknown ground the nearest of the four that is known answers; NO_CELL where none is.
    """
    azimuths, rows, columns = horizon.shape
    out = np.empty((azimuths, row.shape[0]), dtype=np.int16)
    for a in prange(azimuths):
        for k in range(row.shape[0]):
            i = min(max(math.floor(row[k]), 0), rows - 2)
            j = min(max(math.floor(column[k]), 0), columns - 2)
            u, v = row[k] - i, column[k] - j
            total, known, nearest, least = 0.0, 0.0, NO_CELL, np.inf
            for down in range(2):
                for across in range(2):
                    value = horizon[a, i + down, j + across]
                    if value == NO_CELL:
                        continue
                    weight = (u if down else 1.0 - u) * (v if across else 1.0 - v)
                    total += weight * value
                    known += weight
                    far = (u - down) ** 2 + (v - across) ** 2
                    if far < least:
                        nearest, least = value, far
            out[a, k] = np.int16(np.rint(total)) if known > 1.0 - 1e-9 else np.int16(nearest)
    return out
