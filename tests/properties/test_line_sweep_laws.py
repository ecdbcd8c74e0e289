"""The sweep against plain search: for random ground the hull must find exactly what looking at every point finds.

The oracle is `searched_ground`.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.properties.searched_ground import Ground, R
from yieldsim.ground.cell_rays import RAY_STRIDE
from yieldsim.ground.line_points import NEAR_PIXELS, Direction
from yieldsim.ground.line_sweep import ANGLE_UNIT_DEG, HIGHEST, NO_CELL, near_slopes, sweep
from yieldsim.ground.tile_grid import cells_of, levels_of


def allowed_deg(elevation_deg, spread_m):
    """Half a stored unit, heights in 32 bits, and near distances scaled by one ground height for the tile.

    Heights within `spread_m` of the tile's mean: spread / R of a distance, half of it times sin(2 e) in the elevation.
    """
    return (
        0.5 * ANGLE_UNIT_DEG
        + 2e-4
        + np.degrees(0.5 * spread_m / R) * abs(np.sin(2.0 * np.radians(elevation_deg)))
    )


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**20),
    mast_m=st.sampled_from([0.0, 2.0, 60.0]),
    rough_m=st.sampled_from([0.0, 3.0, 60.0]),
    depth=st.sampled_from([1, 3, 5]),
)
def test_hull_finds_what_plain_search_finds(seed, mast_m, rough_m, depth):
    """Up to five levels: 16 lines share the ground of the last, some 100 km away."""
    _compare(Ground(seed, rough_m=rough_m, depth=depth), mast_m, 1)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 2**20),
    mast_m=st.sampled_from([0.0, 2.0, 60.0]),
    rough_m=st.sampled_from([0.0, 3.0, 60.0]),
    depth=st.sampled_from([1, 3, 5]),
)
def test_rays_find_what_plain_search_finds(seed, mast_m, rough_m, depth):
    _compare(Ground(seed, size=2 * RAY_STRIDE + 1, rough_m=rough_m, depth=depth), mast_m, RAY_STRIDE)


def _compare(ground, mast_m, stride):
    """Some cells and azimuths of a sweep with what plain search finds."""
    azimuth = np.sort(ground.rng.uniform(0.0, 360.0, 9))
    azimuth[0], azimuth[-1] = 0.0, 270.0
    known = np.ma.masked_less(ground.cells.near_m, -1e8)
    middle_m = float(known.mean())
    spread_m = float(abs(known - middle_m).max())
    found = sweep(ground.levels, ground.cells, ground.frame.to_gnomonic, R, middle_m, mast_m, azimuth, stride)
    for _ in range(6):
        row, column = ground.rng.integers(0, -(-ground.size // stride), 2)
        for k, angle in enumerate(azimuth):
            expected = ground.seen_deg(
                int(row) * stride, int(column) * stride, angle, mast_m, stride >= RAY_STRIDE
            )
            stored = found[k, row, column]
            if np.isnan(expected):
                assert stored == NO_CELL
            else:
                held = min(expected, HIGHEST * ANGLE_UNIT_DEG)
                assert stored * ANGLE_UNIT_DEG == pytest.approx(held, abs=allowed_deg(expected, spread_m)), (
                    row,
                    column,
                    angle,
                )


def test_negative_horizons_of_the_bare_sphere():
    """With a mast the horizon lies acos(R / (R + h)) below the cell's own horizontal, whatever the azimuth."""
    ground = Ground(3, rough_m=0.0, holes=0.0, size=33)
    azimuth = np.arange(0.0, 360.0, 10.0)
    mast_m = 100.0
    found = (
        sweep(ground.levels, ground.cells, ground.frame.to_gnomonic, R, 0.0, mast_m, azimuth) * ANGLE_UNIT_DEG
    )
    dip = np.degrees(np.arccos(R / (R + mast_m)))
    east, north, _ = np.einsum("ij,jkl->ikl", np.vstack([ground.frame.to_gnomonic, [0, 0, 1]]), _pixels(33))
    for k, angle in enumerate(np.radians(azimuth)):
        lean = np.degrees(np.arctan(east * np.sin(angle) + north * np.cos(angle)))
        # samples at up to 80 m leave 1e-3 deg of dip on top of the stored unit
        np.testing.assert_allclose(found[k] + lean, -dip, atol=ANGLE_UNIT_DEG)


@pytest.mark.parametrize("stride", [1, 3])
def test_ground_beyond_the_edge_is_no_lower_than_the_lowest(stride):
    """A table 500 m above a plain, known for 20 pixels only: at its rim, outwards, one sees the plain's sphere, not straight down."""
    ground = Ground(4, rough_m=0.0, holes=0.0, size=13)
    levels = levels_of(ground.frame, [_table_top(ground)])
    cells = cells_of(ground.frame, _table_top(ground))
    azimuth = np.array([0.0, 45.0, 90.0, 180.0, 270.0])
    found = sweep(levels, cells, ground.frame.to_gnomonic, R, 500.0, 2.0, azimuth, stride) * ANGLE_UNIT_DEG
    assert found.min() == pytest.approx(-np.degrees(np.arccos(R / (R + 502.0))), abs=0.012)


def _table_top(ground):
    """Heights of 500 m within 7 pixels of the middle, 0 m on one far pixel, nothing else known."""
    step = ground.pixel_m / R

    def heights(latitude, longitude):
        east, north = ground.frame.sphere.gnomonic(latitude, longitude)
        table = np.maximum(abs(east), abs(north)) < 7.5 * step
        plain = np.hypot(east - 20.0 * step, north - 20.0 * step) < 2.0 * step
        return np.where(table, 500.0, np.where(plain, 0.0, np.nan))

    return heights


def _pixels(size):
    row, column = np.meshgrid(np.arange(float(size)), np.arange(float(size)), indexing="ij")
    return np.stack([column, row, np.ones_like(row)])


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 2**20), stride=st.integers(2, 4))
def test_every_nth_cell_sees_the_same(seed, stride):
    ground = Ground(seed, size=11)
    azimuth = np.arange(0.0, 360.0, 15.0)
    whole = sweep(ground.levels, ground.cells, ground.frame.to_gnomonic, R, 0.0, 2.0, azimuth)
    thin = sweep(ground.levels, ground.cells, ground.frame.to_gnomonic, R, 0.0, 2.0, azimuth, stride)
    np.testing.assert_array_equal(thin, whole[:, ::stride, ::stride])


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 2**20))
def test_a_higher_mast_never_raises_the_horizon(seed):
    ground = Ground(seed, size=15)
    azimuth = np.arange(0.0, 360.0, 20.0)
    before = None
    for mast_m in (0.0, 1.0, 10.0, 100.0):
        found = sweep(ground.levels, ground.cells, ground.frame.to_gnomonic, R, 0.0, mast_m, azimuth)
        if before is not None:
            assert (found <= before).all()
        before = found


def test_lines_along_rows_that_lean_by_rounding():
    """A map whose rows lean by 1e-30 from the plane's: the slope of its lines is no divisor (it once was)."""
    ground = Ground(5, size=9)
    tilted = ground.frame.to_gnomonic.copy()
    tilted[0, 1] += 1e-30
    tilted[1, 0] -= 1e-30
    azimuth = np.array([0.0, 90.0, 180.0, 270.0])
    level = sweep(ground.levels, ground.cells, ground.frame.to_gnomonic, R, 0.0, 2.0, azimuth)
    np.testing.assert_array_equal(sweep(ground.levels, ground.cells, tilted, R, 0.0, 2.0, azimuth), level)


def test_near_slopes_are_the_same_bits_on_any_processor():
    """Every product and sum is rounded to 32 bits: none is fused, as processors with such an instruction would."""
    rng, margin, count = np.random.default_rng(6), NEAR_PIXELS + 1, 24
    near_m = rng.normal(0.0, 30.0, (count + 2 * margin, count + 2 * margin)).astype(np.float32)
    slope, step_m, mast_m = 0.3, 10.0, 2.0
    found = np.full((count, count), -np.inf, dtype=np.float32)
    line = Direction(1, slope, 0, step_m / R, 1.0, 0.0)
    near_slopes(found, near_m, count, line, step_m, R, mast_m, 1)
    expected = np.full((count, count), -np.inf, dtype=np.float32)
    eye_m = near_m[margin:-margin, margin:-margin] + np.float32(mast_m)
    for m in range(1, NEAR_PIXELS + 1):
        shift, share = int(m * slope), m * slope - int(m * slope)
        own, drop = np.float32(1.0 / (m * step_m)), np.float32(m * step_m / (2.0 * R))
        lower, upper = np.float32((1.0 - share) / (m * step_m)), np.float32(share / (m * step_m))
        first, second = (
            near_m[margin + shift + k : margin + shift + k + count, margin + m : margin + m + count]
            for k in (0, 1)
        )
        expected = np.maximum(expected, (first * lower + (second * upper - drop)) - eye_m * own)
    np.testing.assert_array_equal(found, expected)
