"""The arctangent for kernels against the mathematical library's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numba import njit

from yieldsim.base.numerics.atan2 import arctangent2, arctangent_32


@njit
def each(y: np.ndarray, x: np.ndarray, angle: np.ndarray) -> None:
    for i in range(y.size):
        angle[i] = arctangent2(y[i], x[i])


def of(y: np.ndarray, x: np.ndarray) -> np.ndarray:
    angle = np.empty(y.size)
    each(y, x, angle)
    return angle


def test_to_two_ulp_in_every_direction_and_size() -> None:
    random = np.random.default_rng(4)
    y, x = random.normal(size=(2, 200_000))
    y *= 10.0 ** random.integers(-14, 4, y.size)
    expected = np.arctan2(y, x)
    assert (np.abs(of(y, x) - expected) / np.abs(expected)).max() < 8e-16


@pytest.mark.parametrize("y", [0.0, 1.0, -1.0, 1e-300, 1e300])
@pytest.mark.parametrize("x", [0.0, 1.0, -1.0, 1e-300, 1e300])
def test_axes_and_extremes(y: float, x: float) -> None:
    assert of(np.array([y]), np.array([x]))[0] == pytest.approx(math.atan2(y, x), rel=1e-15, abs=0.0)


def test_arctangent_in_32_bits():
    """Against the library's over all slopes: 1e-5 deg, a two-hundredth of the unit in which horizons are stored."""
    slope = np.concatenate([-np.geomspace(1e-6, 1e6, 4001), [0.0], np.geomspace(1e-6, 1e6, 4001)]).astype(
        np.float32
    )
    found = np.array([arctangent_32(x) for x in slope], dtype=np.float64)
    np.testing.assert_allclose(np.degrees(found), np.degrees(np.arctan(slope.astype(np.float64))), atol=1e-5)
