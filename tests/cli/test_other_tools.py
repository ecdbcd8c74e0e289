"""What `estimate` and `survey` write, opened by the tools that others use, with their defaults."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import yieldsim
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.estimate.output import write_estimate
from yieldsim.runs.survey.options import SurveyOptions
from yieldsim.runs.survey.output import write_survey

duckdb = pytest.importorskip("duckdb")
polars = pytest.importorskip("polars")
rasterio = pytest.importorskip("rasterio")
rioxarray = pytest.importorskip("rioxarray")
pytest.importorskip("pyarrow")
from rasterio.transform import Affine  # noqa: E402

SITE, COLLECTOR = sites_folder() / "lantern-ridge.toml", sites_folder() / "wide.collector.toml"
WIDTH, HEIGHT, PIXEL_M = 1060, 40, 200.0
WHOLE = {"year", "solar_day"}
"""Columns that count."""
TEXT = {"time_utc", "date_utc", "month"}


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("estimate") / "results"
    write_estimate(yieldsim.estimate(SITE, COLLECTOR, "2027-06-01", "2027-08-01"), folder, report=False)
    return folder


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A strip of rolling ground past the north pole."""
    path = tmp_path_factory.mktemp("ground") / "north.tif"
    kind = {
        "driver": "GTiff",
        "width": WIDTH,
        "height": HEIGHT,
        "count": 1,
        "dtype": "float32",
        "nodata": -1e5,
    }
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    heights = (300.0 * np.sin(x / 30.0) * np.cos(y / 40.0)).astype(np.float32)
    place = Affine(PIXEL_M, 0.0, -100_000.0, 0.0, -PIXEL_M, 5_000.0)
    with rasterio.open(
        path, "w", crs="+proj=stere +lat_0=90 +R=1737400 +units=m", transform=place, **kind
    ) as file:
        file.write(heights, 1)
    return path


@pytest.fixture(scope="module")
def maps(terrain: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("maps")
    options = SurveyOptions(stride=2, azimuths=72, workers=1, reach_km=30.0, goal="lit", places=3)
    ds = yieldsim.survey(
        [terrain], "moon", None, "2027-06-01", "2027-06-08", options=options, work_folder=folder
    )
    write_survey(ds, folder / "out", [terrain], figure=False)
    return folder / "out"


def test_every_reader_takes_numbers_for_numbers(results: Path) -> None:
    """Columns that begin with 0 for many rows, as power at night does, are none of integers."""
    for path in sorted(results.glob("*.csv")):
        mine = pd.read_csv(path)
        assert set(mine.select_dtypes("integer").columns) <= WHOLE, path.name
        assert set(mine.columns) - set(mine.select_dtypes("number").columns) <= TEXT
        theirs = polars.read_csv(path)
        assert {name for name, kind in theirs.schema.items() if kind.is_integer()} <= WHOLE
        table = duckdb.sql(f"SELECT * FROM '{path}'")
        kinds = dict(zip(table.columns, (str(kind) for kind in table.types), strict=True))
        assert {name for name, kind in kinds.items() if "INT" in kind} <= WHOLE
        for name in mine.columns:
            if name not in TEXT:
                np.testing.assert_array_equal(mine[name], theirs[name].to_numpy(), err_msg=name)
                assert float(table.sum(f'"{name}"').fetchall()[0][0]) == pytest.approx(
                    float(mine[name].sum())
                )


def test_the_hours_as_parquet_are_those_of_the_table(results: Path) -> None:
    import pyarrow.parquet as pq

    path = results / "hourly.parquet"
    table = pd.read_csv(results / "hourly.csv")
    mine = pd.read_parquet(path)
    assert list(mine.columns) == list(table.columns)
    assert str(mine["time_utc"].dtype) == "datetime64[ms, UTC]"
    np.testing.assert_allclose(mine["delivered_power_w"], table["delivered_power_w"], rtol=1e-9)
    assert polars.read_parquet(path)["delivered_power_w"].sum() == pytest.approx(
        mine["delivered_power_w"].sum()
    )
    [(first, total)] = duckdb.sql(
        f"SELECT min(time_utc AT TIME ZONE 'UTC'), sum(delivered_power_w) FROM '{path}'"
    ).fetchall()
    assert str(first) == "2027-06-01 00:00:00"
    assert total == pytest.approx(mine["delivered_power_w"].sum())
    for field in pq.read_schema(path):
        assert field.metadata[b"meaning"], field.name
        assert not field.name.endswith("_w") or field.metadata[b"unit"] == b"W"


def test_maps_open_as_rasters(maps: Path, terrain: Path) -> None:
    """GDAL by rasterio and by rioxarray, GeoTIFF and NetCDF: one grid, which lies within the terrain's."""
    with xr.open_dataset(maps / "survey.nc") as ds, rasterio.open(terrain) as source:
        names = [name for name in ds.data_vars if ds[name].dims == ("y", "x")]
        assert len(names) == 7
        for name in names:
            with rasterio.open(maps / f"{name}.tif") as tif:
                assert tif.tags()["AREA_OR_POINT"] == "Point"
                assert tif.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
                assert tif.overviews(1), "a map past 512 cells has overviews"
                assert np.isnan(tif.nodata)
                assert tif.units[0] == ds[name].attrs["units"].replace("kW h", "kWh")
                np.testing.assert_array_equal(tif.read(1), ds[name].values)
                np.testing.assert_allclose([tif.xy(0, 0)[0], tif.xy(0, 0)[1]], [ds.x[0], ds.y[0]], atol=1e-6)
                a, b = tif.bounds, source.bounds
                slack = 1e-6
                assert a.left >= b.left - slack
                assert a.right <= b.right + slack
                assert a.bottom >= b.bottom - slack
                assert a.top <= b.top + slack
            one = rioxarray.open_rasterio(maps / f"{name}.tif")
            assert one.rio.crs is not None
            np.testing.assert_array_equal(one.x.values, ds.x.values)
            inside = f'NETCDF:"{maps / "survey.nc"}":{name}'
            with rasterio.open(inside) as nc:
                assert nc.bounds == pytest.approx(tif.bounds)
                assert nc.crs.to_dict()["proj"] == "stere"
                np.testing.assert_array_equal(nc.read(1), ds[name].values)
        whole = rioxarray.open_rasterio(maps / "survey.nc")
        assert whole is not None


def test_places_open_as_tables(maps: Path) -> None:
    mine, theirs = pd.read_csv(maps / "places.csv"), polars.read_csv(maps / "places.csv")
    assert [name for name, kind in theirs.schema.items() if kind.is_integer()] == ["rank"]
    assert list(mine.select_dtypes("integer").columns) == ["rank"]
    assert len(duckdb.sql(f"SELECT * FROM '{maps / 'places.csv'}'").fetchall()) == len(mine) == 3
