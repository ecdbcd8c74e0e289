"""A survey on the disk beside its NetCDF file: one GeoTIFF a map, the best places as a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray as xr


PLACE_COLUMNS = (
    "rank",
    "latitude_deg",
    "longitude_deg",
    "x",
    "y",
    "elevation_m",
    "lit_fraction",
    "any_light_fraction",
    "sun_following_kwh_m2",
    "delivered_kwh",
    "best_azimuth_deg",
    "longest_dark_hours",
    "earth_visible_fraction",
)
BLOCK_CELLS = 512
CACHE_BYTES = 64 << 20
"""Of the raster library, which would take a twentieth of the machine's memory."""
NEVER_AVERAGED = ("best_azimuth_deg",)
"""Maps whose overviews take the nearest cell: azimuths have no mean."""


def write_survey_geotiffs(ds: xr.Dataset, folder: Path) -> list[str]:
    """One cloud-optimised GeoTIFF a map, with the coordinate system and overviews; the names written.

    Piece by piece: into a plain tiled file first, from which the raster library makes the final one.
    """
    import numpy as np
    import rasterio
    from rasterio.shutil import copy
    from rasterio.transform import Affine
    from rasterio.windows import Window

    height, width = ds.sizes["y"], ds.sizes["x"]
    transform = Affine.from_gdal(*(float(word) for word in ds["crs"].attrs["GeoTransform"].split()))
    names = []
    with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES):
        for name, variable in ds.data_vars.items():
            if variable.dims != ("y", "x"):
                continue
            plain, file = folder / f"{name}.plain.tif", folder / f"{name}.tif"
            with rasterio.open(
                plain,
                "w",
                driver="GTiff",
                width=width,
                height=height,
                count=1,
                dtype="float32",
                crs=ds["crs"].attrs["crs_wkt"],
                transform=transform,
                nodata=np.nan,
                tiled=True,
                blockxsize=BLOCK_CELLS,
                blockysize=BLOCK_CELLS,
                BIGTIFF="IF_SAFER",
            ) as dataset:
                # the values are those at the cells' centres, not means over them
                dataset.update_tags(AREA_OR_POINT="Point")
                dataset.set_band_description(1, str(variable.attrs["long_name"]))
                dataset.units = (str(variable.attrs["units"]),)
                for top in range(0, height, BLOCK_CELLS):
                    for left in range(0, width, BLOCK_CELLS):
                        part = variable[top : top + BLOCK_CELLS, left : left + BLOCK_CELLS]
                        window = Window(left, top, part.shape[1], part.shape[0])
                        dataset.write(part.values.astype(np.float32), 1, window=window)
            copy(
                plain,
                file,
                driver="COG",
                compress="DEFLATE",
                predictor="FLOATING_POINT",
                blocksize=BLOCK_CELLS,
                bigtiff="IF_SAFER",
                num_threads="ALL_CPUS",
                overview_resampling="NEAREST" if name in NEVER_AVERAGED else "AVERAGE",
            )
            plain.unlink()
            names.append(file.name)
    return names


def places_text(places: Sequence[Mapping[str, Any]]) -> str:
    """The best places as CSV: one row a place, best first."""
    if not places:
        return "rank\n"
    header = [name for name in PLACE_COLUMNS if name in places[0]]
    rows = [",".join(_number(place[name]) for name in header) for place in places]
    return "\n".join([",".join(header), *rows]) + "\n"


def _number(value: float) -> str:
    """A number as text: floats keep a decimal, lest a reader take their column for integers."""
    text = f"{value:.10g}"
    return f"{text}.0" if isinstance(value, float) and text.lstrip("-").isdigit() else text
