"""Nested height grids: bilinear, finest first, no step at the seams, holes are unknown and not low."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.relief import HeightGrid
from yieldsim.ground.terrain import NestedTerrain, blend_weight


def grid(heights, pixel_m=1.0, first=(0.0, 0.0), **more):
    """A grid whose latitude counts rows and whose longitude counts columns, from `first`, in pixels of `pixel_m`."""
    return HeightGrid(
        heights_m=np.asarray(heights, dtype=np.float32),
        pixel_m=pixel_m,
        to_pixel=lambda lat, lon: ((lat - first[0]) / pixel_m, (lon - first[1]) / pixel_m),
        **more,
    )


def test_bilinear_between_pixel_centres():
    rng = np.random.default_rng(1)
    heights = rng.normal(size=(6, 7)).astype(np.float32)
    terrain = NestedTerrain([grid(heights)])
    row, column = rng.uniform(0, 5, 50), rng.uniform(0, 6, 50)
    i, j = row.astype(int), column.astype(int)
    u, v = row - i, column - j
    h = heights.astype(float)
    expected = (h[i, j] * (1 - v) + h[i, j + 1] * v) * (1 - u) + (
        h[i + 1, j] * (1 - v) + h[i + 1, j + 1] * v
    ) * u
    np.testing.assert_allclose(terrain.heights_m(row, column), expected, atol=1e-12)


def test_nothing_is_known_outside_or_beside_a_hole():
    heights = np.zeros((5, 5))
    heights[2, 2] = np.nan
    terrain = NestedTerrain([grid(heights)])
    found = terrain.heights_m(np.array([-0.1, 4.1, 1.5, 3.5]), np.array([2.0, 2.0, 1.5, 3.5]))
    assert np.isnan(found[:3]).all()
    assert found[3] == 0.0


def test_a_coarser_grid_fills_a_hole():
    fine = np.full((21, 21), 5.0)
    fine[10, 10] = np.nan
    terrain = NestedTerrain([grid(fine), grid(np.full((11, 11), 2.0), 4.0, (-10.0, -10.0))])
    assert terrain.heights_m(10.2, 10.2) == 2.0


def test_no_step_at_the_seam():
    fine = grid(np.full((201, 201), 30.0))
    coarse = grid(np.zeros((41, 41)), 10.0, (-100.0, -100.0))
    terrain = NestedTerrain([fine, coarse])
    across = np.linspace(-50.0, 100.0, 30_001)
    found = terrain.heights_m(np.full_like(across, 100.0), across)
    assert found[0] == 0.0
    assert found[-1] == 30.0
    # 30 m of mismatch over 25 pixels of 1 m: 1.2 m of height a metre, nowhere more
    assert np.abs(np.diff(found)).max() <= 1.2 * 0.005 * 1.01
    # a step, where blending is left out: the fault this test is for
    bare = NestedTerrain([fine, coarse])
    bare.weights[0][:] = 1.0
    assert np.abs(np.diff(bare.heights_m(np.full_like(across, 100.0), across))).max() > 20.0


def test_weight_rises_from_edges_and_holes():
    heights = np.zeros((31, 31))
    heights[15, 15] = np.nan
    weight = blend_weight(grid(heights), 5.0)
    assert weight[15, 15] == 0.0
    assert 0.0 < weight[0, 3] < 1e-5
    assert weight[3, 3] == pytest.approx(0.6, abs=1e-5)
    assert weight[15, 18] == pytest.approx(0.4, abs=1e-5)
    assert weight[8, 8] == 1.0


def test_a_whole_turn_closes_on_itself():
    heights = np.tile(np.arange(8.0), (3, 1))
    turn = grid(heights, wrapped=True)
    terrain = NestedTerrain([turn])
    assert terrain.heights_m(1.0, 7.5) == pytest.approx(3.5)
    assert terrain.heights_m(1.0, -0.25) == pytest.approx(1.75)
