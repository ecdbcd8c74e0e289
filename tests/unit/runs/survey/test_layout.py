"""Where the cells of a survey lie: windows across the ends of a map that goes around the body."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.inputs.readers import read_body

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.files.terrain.raster import open_raster  # noqa: E402
from yieldsim.ground.tile_grid import tile_frame  # noqa: E402
from yieldsim.runs.survey.blocks import blocks  # noqa: E402
from yieldsim.runs.survey.layout import window_pixels  # noqa: E402


@pytest.fixture(scope="module")
def planet(tmp_path_factory):
    """Two degrees a pixel around the Moon, from longitude 0."""
    path = tmp_path_factory.mktemp("planet") / "planet.tif"
    options = {"driver": "GTiff", "width": 180, "height": 90, "count": 1, "dtype": "float32"}
    place = Affine(2.0, 0.0, 0.0, 0.0, -2.0, 90.0)
    with rasterio.open(path, "w", crs="+proj=longlat +R=1737400", transform=place, **options) as file:
        file.write(np.arange(16200, dtype=np.float32).reshape(90, 180), 1)
    return open_raster(path, read_body("moon").noun)


@pytest.mark.parametrize(
    ("window", "block"),
    [
        ((10.0, -10.0, 20.0, 10.0), (40, 5, 10, 5)),
        ((-10.0, -10.0, 10.0, 10.0), (40, -5, 10, 10)),
        ((350.0, -10.0, 370.0, 10.0), (40, 175, 10, 10)),
        (None, (0, 0, 90, 180)),
    ],
)
def test_windows_may_cross_the_ends_of_a_whole_turn(planet, window, block):
    found = window_pixels(planet, window, 1)
    assert found == block
    # the places are the same, whichever turn the window counts in
    longitude = planet.to_place(np.array([45.0]), np.array([float(found[1])]))[1][0]
    assert longitude % 360.0 == pytest.approx((2.0 * found[1] + 1.0) % 360.0)


@pytest.mark.parametrize(
    "window",
    [(-400.0, 0.0, -390.0, 2.0), (-10.0, 0.0, 360.0, 2.0), (0.0, 80.0, 10.0, 95.0), (0.0, 0.0, np.nan, 2.0)],
)
def test_windows_outside_are_refused(planet, window):
    with pytest.raises(InputError, match="window is"):
        window_pixels(planet, window, 1)


def test_a_rotated_map_gives_no_cells(planet):
    turned = replace(planet, transform=(2.0, 0.1, 0.0, 0.1, -2.0, 90.0))
    with pytest.raises(InputError, match="is rotated: a survey's map needs rows along x"):
        window_pixels(turned, None, 1)


@pytest.mark.parametrize("stride", [1, 2, 3, 4, 5, 8, 9, 45, 90])
@pytest.mark.parametrize("window", [None, (100.0, -40.0, 300.0, 40.0)])
def test_cells_of_a_stride_lie_within_the_file(planet, stride, window):
    """Every cell is a stride wide about its pixel's centre: none ends past the map, and none that would fit is left out."""
    part = replace(planet, columns=170, period_columns=None)  # not around the body
    row, column, rows, columns = window_pixels(part, window, stride)
    wanted = (90, 170) if window is None else (40, 100)
    for first, count, end, whole in ((row, rows, 90, wanted[0]), (column, columns, 170, wanted[1])):
        cells = (count - 1) // stride + 1
        assert count == (cells - 1) * stride + 1
        assert first + 0.5 - 0.5 * stride >= 0.0
        assert first + count - 0.5 + 0.5 * stride <= end or cells == 1
        assert whole // stride - 1 <= cells <= max(whole // stride, 1)
        if stride % 2 == 1:
            assert cells == max(whole // stride, 1)


@pytest.mark.parametrize(
    ("side", "stride", "most_cells"), [(512, 1, 33), (1024, 1, 33), (1024, 4, 9), (1536, 12, 9)]
)
def test_blocks_are_no_larger_on_larger_tiles(side, stride, most_cells):
    """Of coarse pixels and a narrow acceptance, where a block's horizontals lean by more than is asked for."""
    radius_m, pixel_m = 1_737_400.0, 240.0

    def place(row, column):
        x, y = (column - side / 2) * pixel_m, (side / 2 - row) * pixel_m
        return -90.0 + np.degrees(2.0 * np.arctan(np.hypot(x, y) / (2.0 * radius_m))), np.degrees(
            np.arctan2(x, y)
        )

    frame = tile_frame(radius_m, radius_m, place, side, side)
    known = np.ones((-(-side // stride),) * 2, dtype=bool)
    found = [one.inside.shape for one in blocks(frame, known, stride, 0.02)]
    assert max(max(shape) for shape in found) <= most_cells
    assert sum(rows * columns for rows, columns in found) == known.size
