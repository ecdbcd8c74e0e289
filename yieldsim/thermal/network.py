"""A thermal network: nodes that hold, radiate and conduct heat, followed through time.

    C_i dT_i/dt = q_i(t) - e_i T_i^4 - sum over links (i, j) of [r (T_i^4 - T_j^4) + g (T_i - T_j)]

q is what reaches a node from outside (sunlight, sky, ground), constant over a step; e T^4 what it sends there. Nodes of no heat
capacity balance at once. Time is stepped backwards (implicit Euler), which keeps to the bounds below whatever the step's length;
a step is accepted where two of half its length end within TOLERANCE_K of it, and then their difference is added once more, which
takes the error of the first order away and can't lead further out than that. Else it is halved.

The system is cooperative: more heat anywhere cools nothing. So the steady state under the least heat of each node lies below,
and that under the most above, whatever starts between them and lives between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# what `solve` calls inside the kernels: an interruption while it is loaded there would end the process on the spot
from scipy.linalg import cython_blas as cython_blas
from scipy.linalg import cython_lapack as cython_lapack

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

TOLERANCE_K = 0.05
FINEST = 4096
"""A step is cut into no more than this many."""
SETTLED = 1e-10
"""Of the temperature: Newton's method has ended."""
MOST_ITERATIONS = 200
LEAST_K = 1e-3
Law = tuple[FloatArray, NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]
"""What nodes radiate outside, both ends of the links, what links radiate and conduct."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Network:
    """Nodes (n,) and links (m,).

    capacity_j_k      heat capacities
    emission_w_k4     what a node radiates to the outside over T^4
    first, second     ends of the links
    """

    capacity_j_k: FloatArray
    emission_w_k4: FloatArray
    first: NDArray[np.int64]
    second: NDArray[np.int64]
    radiative_w_k4: FloatArray
    conductive_w_k: FloatArray

    def steady_k(self, heat_w: FloatArray) -> FloatArray:
        """Temperatures (n,) at which all heat balances."""
        # from above: there Newton's method falls to the root without turning
        start = np.full(self.capacity_j_k.shape, 3000.0)
        nothing = np.zeros_like(start)
        return np.asarray(_settled(start, nothing, nothing, heat_w, 1.0, self._law()))

    def through_k(self, heat_w: FloatArray, step_s: float, start_k: FloatArray) -> FloatArray:
        """Temperatures (steps, n) at the end of each step of heat (steps, n)."""
        return np.asarray(_through(heat_w, step_s, start_k, self.capacity_j_k, self._law()))

    def _law(self) -> Law:
        return self.emission_w_k4, self.first, self.second, self.radiative_w_k4, self.conductive_w_k


@njit(cache=True)
def _through(
    heat_w: FloatArray, step_s: float, start_k: FloatArray, capacity_j_k: FloatArray, law: Law
) -> FloatArray:
    """Steps of the given length, each in parts as large as TOLERANCE_K allows."""
    found = np.empty_like(heat_w)
    now = start_k.copy()
    # counted in the finest parts, so that they add up to the step
    part = FINEST
    for step in range(heat_w.shape[0]):
        q, left = heat_w[step], FINEST
        while left > 0:
            part = min(part, left)
            length_s = step_s * part / FINEST
            half = 0.5 * length_s
            whole = _settled(now, capacity_j_k, capacity_j_k * now, q, length_s, law)
            middle = _settled(now, capacity_j_k, capacity_j_k * now, q, half, law)
            twice = _settled(middle, capacity_j_k, capacity_j_k * middle, q, half, law)
            off = np.abs(twice - whole).max()
            if off > TOLERANCE_K and part > 1:
                part //= 2
                continue
            # the finest part is taken as it is, however far it moves
            now = 2.0 * twice - whole if off <= TOLERANCE_K else twice
            left -= part
            if off < 0.25 * TOLERANCE_K:
                part = min(2 * part, FINEST)
        found[step] = now
    return found


@njit(cache=True)
def _shed_w(kelvin: FloatArray, law: Law) -> FloatArray:
    """What each node sends outside and to its neighbours."""
    emission, first, second, radiative, conductive = law
    shed = emission * kelvin**4
    for link in range(first.shape[0]):
        i, j = first[link], second[link]
        flow = radiative[link] * (kelvin[i] ** 4 - kelvin[j] ** 4) + conductive[link] * (
            kelvin[i] - kelvin[j]
        )
        shed[i] += flow
        shed[j] -= flow
    return shed


@njit(cache=True)
def _settled(
    guess_k: FloatArray,
    capacity_j_k: FloatArray,
    held_j: FloatArray,
    heat_w: FloatArray,
    weight_s: float,
    law: Law,
) -> FloatArray:
    """The root T of C T - held - w [q - shed(T)] by Newton's method; its Jacobian is an M-matrix, never singular."""
    emission, first, second, radiative, conductive = law
    kelvin = guess_k.copy()
    count = kelvin.shape[0]
    for _ in range(MOST_ITERATIONS):
        residual = capacity_j_k * kelvin - held_j - weight_s * (heat_w - _shed_w(kelvin, law))
        slope = np.zeros((count, count))
        for node in range(count):
            slope[node, node] = capacity_j_k[node] + weight_s * 4.0 * emission[node] * kelvin[node] ** 3
        for link in range(first.shape[0]):
            i, j = first[link], second[link]
            by_i = weight_s * (4.0 * radiative[link] * kelvin[i] ** 3 + conductive[link])
            by_j = weight_s * (4.0 * radiative[link] * kelvin[j] ** 3 + conductive[link])
            slope[i, i] += by_i
            slope[i, j] -= by_j
            slope[j, j] += by_j
            slope[j, i] -= by_i
        step = np.linalg.solve(slope, residual)
        largest = 0.0
        for node in range(count):
            # never below half: the fourth power has no root on the other side of zero
            changed = max(kelvin[node] - step[node], 0.5 * kelvin[node], LEAST_K)
            largest = max(largest, abs(changed - kelvin[node]) / changed)
            kelvin[node] = changed
        if largest < SETTLED:
            break
    return kelvin
