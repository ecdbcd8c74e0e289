"""Smooth functions of time as equal pieces of Chebyshev series, with their error watched while they are made.

A function is taken exactly at the Chebyshev nodes of each piece. Two watches bound the error: the size of the
last two coefficients of every piece (the terms left out are smaller, for a series that converges), and exact
values between the nodes for a sample. Where either is above the tolerance the pieces are halved. The bound is
the larger of the two, times a margin: the ephemerides are pieces themselves, and across their joints a series
converges no further.
Source: J. P. Boyd, "Chebyshev and Fourier Spectral Methods", 2nd ed., 2001, section
2.12, "last coefficient rule of thumb".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from yieldsim.base.errors import CannotCompute
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

NODES = 18
"""Nodes of a piece: over a full turn the series of a sine then ends at 1e-10."""
MARGIN = 4.0
"""Largest error found over the larger watch, on the Moon, Mars, Mercury and the Earth: 2.6."""
TRIAL_PIECES = 8
CHECKED_TIMES = 24
SHORTEST_PIECE_S = 60.0
LANES = 128

Function = Callable[[FloatArray], FloatArray]
"""Seconds (n,) to values (n, k)."""
Distance = Callable[[FloatArray, FloatArray], FloatArray]
"""Differences (n, k) and the values (n, k) they are of, to errors (n,) in the unit of the tolerance."""


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Equal pieces from start_s on; coefficients (pieces, NODES, k)."""

    start_s: float
    piece_s: float
    coefficients: FloatArray

    def at(self, seconds: FloatArray) -> FloatArray:
        """Values (k, n) at any seconds (n,), increasing ones fastest; outside, the end pieces go on."""
        times = np.ascontiguousarray(seconds, dtype=np.float64)
        values = np.empty((self.coefficients.shape[2], times.size))
        _evaluate(times, self.start_s, self.piece_s, self.coefficients, values)
        return values

    def columns(self, first: int, last: int) -> Pieces:
        """The pieces of some of the components."""
        return Pieces(self.start_s, self.piece_s, np.ascontiguousarray(self.coefficients[:, :, first:last]))


def fit(
    function: Function, start_s: float, end_s: float, first_piece_s: float, tolerance: float, error: Distance
) -> tuple[Pieces, float]:
    """Pieces over start_s..end_s and the bound on their error.

    Raises CannotCompute when pieces of a minute are not short enough.
    """
    span_s = max(end_s - start_s, 1.0)
    count = int(np.ceil(span_s / first_piece_s))
    while span_s / count >= min(SHORTEST_PIECE_S, span_s):
        if count > 2 * TRIAL_PIECES:
            trial = np.linspace(0, count - 1, TRIAL_PIECES).astype(np.int64)
            if MARGIN * _tails(*_series(function, start_s, span_s / count, trial), error) > tolerance:
                count *= 2
                continue
        coefficients, values = _series(function, start_s, span_s / count, np.arange(count))
        pieces = Pieces(start_s, span_s / count, coefficients)
        bound = MARGIN * max(_tails(coefficients, values, error), _between(function, pieces, error))
        if bound <= tolerance:
            return pieces, bound
        count *= 2
    raise CannotCompute(
        f"the sky can't be interpolated to {tolerance:g} degrees, not even over pieces of "
        f"{SHORTEST_PIECE_S:g} s; allow a larger error"
    )


def _nodes() -> FloatArray:
    return np.cos(np.pi * (np.arange(NODES)[::-1] + 0.5) / NODES)


def _series(
    function: Function, start_s: float, piece_s: float, which: np.ndarray
) -> tuple[FloatArray, FloatArray]:
    """Coefficients (pieces, NODES, k) of the pieces numbered `which`, and the values at their nodes.

    c_k = (2 / N) sum_j f(x_j) T_k(x_j), c_0 halved        (interpolation at the roots of T_N)
    """
    nodes = _nodes()
    seconds = start_s + (which[:, None] + (nodes + 1.0) / 2.0) * piece_s
    values = function(seconds.ravel()).reshape(which.size, NODES, -1)
    basis = np.polynomial.chebyshev.chebvander(nodes, NODES - 1) * (2.0 / NODES)
    basis[:, 0] /= 2.0
    return np.einsum("jk,pjc->pkc", basis, values), values


def _tails(coefficients: FloatArray, values: FloatArray, error: Distance) -> float:
    """Largest error that the last two coefficients of any piece stand for."""
    tail = np.abs(coefficients[:, -1]) + np.abs(coefficients[:, -2])
    return float(error(tail, values[:, NODES // 2]).max())


def _between(function: Function, pieces: Pieces, error: Distance) -> float:
    """Largest error against the function itself, half way between nodes, a sample over the whole span."""
    which = np.linspace(0, len(pieces.coefficients) - 1, CHECKED_TIMES).astype(np.int64)
    gap = np.arange(CHECKED_TIMES) * 7 % (NODES - 1)
    nodes = _nodes()
    middle = (nodes[gap] + nodes[gap + 1]) / 2.0
    seconds = pieces.start_s + (which + (middle + 1.0) / 2.0) * pieces.piece_s
    exact = function(seconds)
    return float(error(pieces.at(seconds).T - exact, exact).max())


@njit(cache=True)
def _evaluate(
    seconds: FloatArray, start_s: float, piece_s: float, coefficients: FloatArray, values: FloatArray
) -> None:
    """Sum the series at each time, up to LANES consecutive times of one piece side by side.

    T_0 = 1, T_1 = x, T_(k+1) = 2 x T_k - T_(k-1)
    """
    pieces, terms, parts = coefficients.shape
    x, before, now = np.empty(LANES), np.empty(LANES), np.empty(LANES)
    i = 0
    while i < seconds.size:
        piece = min(max(int((seconds[i] - start_s) / piece_s), 0), pieces - 1)
        count = 0
        while count < LANES and i + count < seconds.size:
            place = (seconds[i + count] - start_s) / piece_s
            if min(max(int(place), 0), pieces - 1) != piece:
                break
            x[count] = 2.0 * (place - piece) - 1.0
            count += 1
        for j in range(count):
            before[j] = 1.0
            now[j] = x[j]
        for c in range(parts):
            for j in range(count):
                values[c, i + j] = coefficients[piece, 0, c] + coefficients[piece, 1, c] * x[j]
        for k in range(2, terms):
            for j in range(count):
                following = 2.0 * x[j] * now[j] - before[j]
                before[j] = now[j]
                now[j] = following
            for c in range(parts):
                coefficient = coefficients[piece, k, c]
                for j in range(count):
                    values[c, i + j] += coefficient * now[j]
        i += count
