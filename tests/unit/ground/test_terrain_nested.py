"""Nested height grids: bilinear, finest first, no step at the seams, holes are unknown and not low."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.numerics.height_grid import HeightGrid
from yieldsim.ground.terrain import NestedTerrain


def grid(heights, pixel_m=1.0, first=(0.0, 0.0), **more):
    """A grid whose latitude counts rows and whose longitude counts columns, from `first`, in pixels of `pixel_m`."""
    return HeightGrid(
        heights_m=np.asarray(heights, dtype=np.float32),
        pixel_m=pixel_m,
        to_pixel=lambda lat, lon: ((lat - first[0]) / pixel_m, (lon - first[1]) / pixel_m),
        to_place=lambda row, column: (first[0] + row * pixel_m, first[1] + column * pixel_m),
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


@pytest.mark.parametrize("off", [0.0, 1e-9, -1e-9, 1e-4, -1e-4])
def test_a_pixel_beside_a_hole_is_known_at_its_centre(off):
    """However its place is rounded: a hole is as large as the file says, on every tile."""
    heights = np.arange(25.0).reshape(5, 5)
    heights[2, 2] = np.nan
    terrain = NestedTerrain([grid(heights)])
    row, column = np.meshgrid(np.arange(5.0), np.arange(5.0), indexing="ij")
    found = terrain.heights_m(row + off, column - off)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(heights))
    # off by 1e-4 of a pixel: 4e-4 of these heights
    np.testing.assert_allclose(found, heights, atol=1e-3)


@pytest.mark.parametrize("off", [0.0, 1e-9, 1e-4])
def test_outermost_pixels_are_known_where_coarser_grids_end_with_them(off):
    """A fine grid's fringe lies beyond all data there: it is as unknown as what has no fringe."""
    fine, coarse = np.full((41, 41), 5.0), np.full((11, 11), 2.0)
    terrain = NestedTerrain([grid(fine), grid(coarse, 4.0)])
    places = np.array([40.0 + off, 20.0, -off, 20.0]), np.array([20.0, 40.0 + off, 20.0, -off])
    np.testing.assert_array_equal(terrain.heights_m(*places), 5.0)


def test_a_coarser_grid_fills_a_hole():
    fine = np.full((61, 61), 5.0)
    fine[10:51, 10:51] = np.nan
    terrain = NestedTerrain([grid(fine), grid(np.full((11, 11), 2.0), 4.0)])
    assert terrain.heights_m(30.0, 30.0) == 2.0
    # along the hole's edge the difference of 3 m fades over two coarse pixels, 8 m
    assert terrain.heights_m(30.0, 13.0) == pytest.approx(2.0 + 3.0 * (1.0 - 4.0 / 8.0))


def across(terrain):
    """Heights along a line from inside the fine grid to far outside, every 5 mm."""
    place = np.linspace(150.0, 300.0, 30_001)
    return place, terrain.heights_m(np.full_like(place, 100.0), place)


def test_no_step_at_the_seam_and_the_fine_grid_stands():
    fine = grid(np.full((201, 201), 30.0))
    coarse = grid(np.zeros((61, 61)), 10.0, (-100.0, -100.0))
    place, found = across(NestedTerrain([fine, coarse]))
    assert (found[place <= 200.0] == 30.0).all()
    assert (found[place >= 221.0] == 0.0).all()
    # 30 m of mismatch over two coarse pixels of 10 m: 1.5 m of height a metre, nowhere more
    assert np.abs(np.diff(found)).max() <= 1.5 * 0.005 * 1.01


def test_relief_of_the_coarse_grid_is_kept_in_the_fringe():
    """Where both agree there is nothing to fade: the fringe is the coarse grid."""
    slope = grid(np.arange(201.0)[None, :] * np.ones((201, 1)) * 0.5)
    coarse = grid((np.arange(61.0)[None, :] * 10.0 - 100.0) * 0.5 * np.ones((61, 1)), 10.0, (-100.0, -100.0))
    place, found = across(NestedTerrain([slope, coarse]))
    np.testing.assert_allclose(found, 0.5 * place, atol=1e-4)


def test_the_first_of_three_that_knows_answers():
    grids = [
        grid(np.full((21, 21), 1.0), 1.0, (90.0, 90.0)),
        grid(np.full((21, 21), 2.0), 5.0, (50.0, 50.0)),
        grid(np.full((21, 21), 3.0), 10.0, (0.0, 0.0)),
    ]
    found = NestedTerrain(grids).heights_m(np.full(3, 100.0), np.array([100.0, 130.0, 190.0]))
    np.testing.assert_array_equal(found, [1.0, 2.0, 3.0])


def test_a_whole_turn_closes_on_itself():
    heights = np.tile(np.arange(8.0), (3, 1))
    turn = grid(heights, wrapped=True)
    terrain = NestedTerrain([turn])
    assert terrain.heights_m(1.0, 7.5) == pytest.approx(3.5)
    assert terrain.heights_m(1.0, -0.25) == pytest.approx(1.75)
