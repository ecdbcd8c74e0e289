"""Ground areas of cells against the areas of whole spheres, spheroids and caps."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from yieldsim.files.inputs.readers import read_body

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.files.terrain.raster import open_raster  # noqa: E402
from yieldsim.runs.survey.cell_areas import cell_areas_km2  # noqa: E402
from yieldsim.runs.survey.layout import tiles_of, window_pixels  # noqa: E402


def job_of(path: Any, body: str, stride: int) -> Any:
    noun = read_body(body).noun
    return SimpleNamespace(
        site=SimpleNamespace(body=noun), terrain=(str(path),), holds="auto", stride=stride,
        shape=lambda tile: (1, -(-tile.rows // stride), -(-tile.columns // stride)),
    )  # fmt: skip


def made(path: Any, crs: str, place: Affine, size: tuple[int, int]) -> Any:
    kind = {"driver": "GTiff", "width": size[1], "height": size[0], "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", crs=crs, transform=place, **kind) as file:
        file.write(np.ones(size, dtype=np.float32), 1)
    return path


@pytest.mark.parametrize("body", ["moon", "mars"])
@pytest.mark.parametrize("stride", [1, 5])
def test_all_cells_of_a_world_are_its_surface(tmp_path: Any, body: str, stride: int) -> None:
    """4 pi R^2; on a spheroid 2 pi a^2 (1 + (1 - e^2) / e atanh e). Rows on a sphere are planetocentric."""
    noun = read_body(body).noun
    radius = noun.equatorial_radius_km * 1000.0
    path = made(
        tmp_path / "all.tif", f"+proj=longlat +R={radius}", Affine(1.0, 0, -180, 0, -1.0, 90), (180, 360)
    )
    raster = open_raster(path, noun)
    job = job_of(path, body, stride)
    block = window_pixels(raster, None, stride)
    tiles = tiles_of(raster, job.site, block, stride)
    assert sum(job.shape(tile)[1] * job.shape(tile)[2] for tile in tiles) == (180 // stride) * (360 // stride)
    total = sum(float(cell_areas_km2(job, tile).sum()) for tile in tiles)
    a, c = noun.equatorial_radius_km, noun.polar_radius_km
    e = np.sqrt(1.0 - (c / a) ** 2)
    surface = (
        4.0 * np.pi * a * a if e == 0.0 else 2.0 * np.pi * a * a * (1.0 + (1.0 - e * e) / e * np.arctanh(e))
    )
    assert total == pytest.approx(surface, rel=2e-4 if stride == 1 else 3e-3)


def test_a_polar_cap_is_smaller_than_its_map(tmp_path: Any) -> None:
    """Cells of a polar stereographic map out to 80 deg: 2 pi R^2 (1 - sin 80), where the map itself is 0.8 % larger on average."""
    noun = read_body("moon").noun
    path = made(
        tmp_path / "pole.tif",
        "+proj=stere +lat_0=90 +R=1737400",
        Affine(2000.0, 0, -306e3, 0, -2000.0, 306e3),
        (306, 306),
    )
    raster = open_raster(path, noun)
    job = job_of(path, "moon", 1)
    total = 0.0
    for tile in tiles_of(raster, job.site, window_pixels(raster, None, 1), 1):
        row, column = np.meshgrid(
            tile.row + np.arange(float(tile.rows)),
            tile.column + np.arange(float(tile.columns)),
            indexing="ij",
        )
        latitude, _ = raster.to_place(row, column)
        total += float(cell_areas_km2(job, tile)[latitude > 80.0].sum())
    cap = 2.0 * np.pi * 1737.4**2 * (1.0 - np.sin(np.radians(80.0)))
    assert total == pytest.approx(cap, rel=2e-3)
