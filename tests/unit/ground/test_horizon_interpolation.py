"""Horizons between nodes: bilinear among known ones, the nearest known beside unknown ones."""

from __future__ import annotations

import numpy as np

from yieldsim.ground.horizon_interpolation import horizons_between
from yieldsim.ground.line_sweep import NO_CELL


def test_a_plane_of_angles_is_read_exactly() -> None:
    azimuth, row, column = np.meshgrid(np.arange(3), np.arange(5), np.arange(7), indexing="ij")
    horizon = (100 * azimuth + 20 * row - 40 * column).astype(np.int16)
    rng = np.random.default_rng(0)
    at_row, at_column = rng.uniform(0, 4, 50), rng.uniform(0, 6, 50)
    found = horizons_between(horizon, at_row, at_column)
    for a in range(3):
        np.testing.assert_allclose(found[a], 100 * a + 20 * at_row - 40 * at_column, atol=0.51)
    corners = horizons_between(horizon, np.array([0.0, 4.0]), np.array([0.0, 6.0]))
    np.testing.assert_array_equal(corners, horizon[:, [0, 4], [0, 6]])


def test_unknown_nodes_give_way_to_the_nearest_known() -> None:
    horizon = np.full((1, 2, 2), NO_CELL, dtype=np.int16)
    nowhere = horizons_between(horizon, np.array([0.5]), np.array([0.5]))
    assert nowhere[0, 0] == NO_CELL
    horizon[0, 0, 0], horizon[0, 1, 1] = 10, 20
    found = horizons_between(horizon, np.array([0.2, 0.9, 0.0, 1.0]), np.array([0.3, 0.7, 0.0, 1.0]))
    np.testing.assert_array_equal(found[0], [10, 20, 10, 20])
