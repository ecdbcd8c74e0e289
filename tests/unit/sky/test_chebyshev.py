"""Pieces of Chebyshev series: exact for polynomials, honest about what they can't follow, kernel against its twin."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.errors import CannotCompute
from yieldsim.sky.chebyshev import NODES, Pieces, fit


def absolute(difference: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.abs(difference).max(axis=1)


def twin(pieces: Pieces, seconds: np.ndarray) -> np.ndarray:
    """The same sums by NumPy, one time after the other."""
    count = len(pieces.coefficients)
    found = []
    for second in seconds:
        place = (second - pieces.start_s) / pieces.piece_s
        piece = min(max(int(place), 0), count - 1)
        found.append(np.polynomial.chebyshev.chebval(2.0 * (place - piece) - 1.0, pieces.coefficients[piece]))
    return np.array(found).T


def test_kernel_against_its_twin() -> None:
    random = np.random.default_rng(6)
    pieces = Pieces(100.0, 7.0, random.normal(size=(5, NODES, 4)) * 0.5 ** np.arange(NODES)[None, :, None])
    for seconds in (
        np.linspace(100.0, 135.0, 1000),
        random.uniform(100.0, 135.0, 300),
        np.array([100.0, 107.0, 135.0, 134.999_999]),
        np.array([]),
    ):
        expected = twin(pieces, seconds) if seconds.size else np.empty((4, 0))
        np.testing.assert_allclose(pieces.at(seconds), expected, rtol=0, atol=1e-13)


def test_polynomials_are_followed_exactly() -> None:
    def cubic(seconds: np.ndarray) -> np.ndarray:
        x = seconds / 1e4
        return np.stack([x**3 - 2.0 * x, 5.0 + 0.0 * x], axis=1)

    pieces, bound = fit(cubic, 0.0, 3e4, 1e4, 1e-9, absolute)
    seconds = np.linspace(0.0, 3e4, 777)
    assert len(pieces.coefficients) == 3
    assert bound < 1e-12
    np.testing.assert_allclose(pieces.at(seconds), cubic(seconds).T, rtol=0, atol=1e-12)
    np.testing.assert_array_equal(pieces.columns(1, 2).at(seconds)[0], pieces.at(seconds)[1])


def test_pieces_are_halved_until_the_tolerance_holds() -> None:
    def wave(seconds: np.ndarray) -> np.ndarray:
        return np.sin(seconds / 500.0)[:, None]

    for tolerance in (1e-4, 1e-7, 1e-11):
        pieces, bound = fit(wave, 0.0, 86_400.0, 86_400.0, tolerance, absolute)
        seconds = np.random.default_rng(8).uniform(0.0, 86_400.0, 20_000)
        error = np.abs(pieces.at(seconds)[0] - wave(seconds)[:, 0]).max()
        assert error <= bound + 1e-13  # the rounding of the sum
        assert bound <= tolerance
    assert 50.0 < pieces.piece_s < 2000.0


def test_a_jump_is_refused_not_smoothed() -> None:
    def jump(seconds: np.ndarray) -> np.ndarray:
        return (seconds > 12_345.0).astype(np.float64)[:, None]

    with pytest.raises(CannotCompute, match="pieces of 60 s"):
        fit(jump, 0.0, 86_400.0, 3600.0, 1e-7, absolute)
