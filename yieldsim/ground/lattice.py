"""Places on a lattice, and smooth functions of them: computed at few of its points, interpolated between.

Where a map's projection is asked for millions of places at known spacing, a few thousand tell all: between two charts of the same
ground it is smooth but at a pole of longitude or where a map ends. Midpoints between the points computed say whether it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

ToPlace = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""(u, v) of the lattice -> planetocentric latitude and longitude in degrees."""
ToPixel = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]

KNOTS = (17, 33, 65, 129)
"""Points computed a side, tried in turn."""
TOLERANCE_PIXELS = 1e-4
"""Largest error at the midpoints: of a pixel of 10 m a millimetre."""
AFAR = 1e-3
FEWEST = 4
"""Points to a cubic."""


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """All pairs of u (rows,) and v (columns,), increasing, and where they lie."""

    u: FloatArray
    v: FloatArray
    to_place: ToPlace

    def places(self) -> tuple[FloatArray, FloatArray]:
        """Latitude and longitude (rows, columns)."""
        return self.to_place(*np.meshgrid(self.u, self.v, indexing="ij"))

    def pixels(
        self, to_pixel: ToPixel, shape: tuple[int, int] | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Row and column (rows, columns) on a map, interpolated between `knots` where they tell of all."""
        knots = self.knots(to_pixel, shape)
        row, column = to_pixel(*self.places()) if knots is None else interpolated(*knots, self.u, self.v)
        return row, column

    def knots(
        self, to_pixel: ToPixel, shape: tuple[int, int] | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        """A few points (u,), (v,) and row and column (2, u, v) on a map there; None where a few don't tell of all.

        Cubics between them (`interpolated`) are right to TOLERANCE_PIXELS on the map and to AFAR of the distance to it elsewhere.

        shape   (rows, columns) of the map; None: it has no end
        """

        def at(u: FloatArray, v: FloatArray) -> FloatArray:
            return np.stack(to_pixel(*self.to_place(*np.meshgrid(u, v, indexing="ij"))))

        for count in KNOTS if min(self.u.size, self.v.size) > 1 else ():
            u, v = _knots(self.u, count), _knots(self.v, count)
            if 4 * u.size * v.size > self.u.size * self.v.size:
                break
            known = at(u, v)
            if not np.isfinite(known).all():
                break
            between = 0.5 * (u[1:] + u[:-1]), 0.5 * (v[1:] + v[:-1])
            exact = at(*between)
            off = np.abs(interpolated(u, v, known, *between) - exact)
            # not finite is not within
            if (off <= TOLERANCE_PIXELS + AFAR * _outside(exact, shape)).all():
                return u, v, known
        return None


def _outside(pixels: FloatArray, shape: tuple[int, int] | None) -> FloatArray | float:
    """How far pixels (2, ...) lie from a map."""
    if shape is None:
        return 0.0
    beyond = [np.maximum(np.maximum(-at, at - count), 0.0) for at, count in zip(pixels, shape, strict=True)]
    return np.asarray(np.maximum(*beyond))


def _knots(values: FloatArray, count: int) -> FloatArray:
    """Points evenly from the first to the last."""
    return np.linspace(values[0], values[-1], max(min(count, values.size), FEWEST))


@njit(cache=True)
def interpolated(
    u: FloatArray, v: FloatArray, known: FloatArray, at_u: FloatArray, at_v: FloatArray
) -> FloatArray:
    """Values (functions, at_u, at_v) by cubics through the four nearest of evenly spaced points `known` (functions, u, v)."""
    out = np.empty((known.shape[0], at_u.shape[0], at_v.shape[0]))
    first, across = column_weights(v, at_v)
    lines = np.empty((known.shape[0], v.shape[0]))
    for i in range(at_u.shape[0]):
        line_at(u, at_u[i], known, lines)
        for f in range(known.shape[0]):
            for j in range(at_v.shape[0]):
                k = first[j]
                out[f, i, j] = (
                    across[j, 0] * lines[f, k]
                    + across[j, 1] * lines[f, k + 1]
                    + across[j, 2] * lines[f, k + 2]
                    + across[j, 3] * lines[f, k + 3]
                )
    return out


@njit(cache=True)
def column_weights(v: FloatArray, at_v: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """The first of the four points about each at_v (n,), and their weights (n, FEWEST)."""
    first, across = np.empty(at_v.shape[0], dtype=np.int64), np.empty((at_v.shape[0], FEWEST))
    for j in range(at_v.shape[0]):
        first[j] = _weights(v, at_v[j], across[j])
    return first, across


@njit(cache=True)
def line_at(u: FloatArray, at_u: float, known: FloatArray, lines: FloatArray) -> None:
    """Write the values (functions, v) at one u."""
    weight = np.empty(FEWEST)
    top = _weights(u, at_u, weight)
    for f in range(known.shape[0]):
        for k in range(known.shape[2]):
            lines[f, k] = 0.0
            for n in range(FEWEST):
                lines[f, k] += weight[n] * known[f, top + n, k]


@njit(cache=True)
def _weights(knots: FloatArray, at: float, weight: FloatArray) -> int:
    """Lagrange's weights of four neighbouring points, and the first of them."""
    last = knots.shape[0] - 1
    place = (at - knots[0]) / (knots[last] - knots[0]) * last
    first: int = min(max(int(place) - 1, 0), last - 3)
    t = place - first
    weight[0] = -(t - 1.0) * (t - 2.0) * (t - 3.0) / 6.0
    weight[1] = t * (t - 2.0) * (t - 3.0) / 2.0
    weight[2] = -t * (t - 1.0) * (t - 3.0) / 2.0
    weight[3] = t * (t - 1.0) * (t - 2.0) / 6.0
    return first
