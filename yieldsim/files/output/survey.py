"""A survey on the disk beside its NetCDF file: one GeoTIFF a map, the best places as a table, finished tiles."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.files.output.atomic_write import whole_file

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.numerics.height_grid import Float32Array


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
)


def write_survey_geotiffs(ds: xr.Dataset, folder: Path) -> list[str]:
    """One GeoTIFF a map, with the coordinate system; the names written."""
    import numpy as np
    import rasterio
    from rasterio.transform import Affine

    x, y = ds["x"].values, ds["y"].values
    step_x = float(x[1] - x[0]) if x.size > 1 else abs(float(y[0] - y[-1])) / max(y.size - 1, 1) or 1.0
    step_y = float(y[1] - y[0]) if y.size > 1 else -abs(step_x)
    transform = Affine(step_x, 0.0, float(x[0]) - 0.5 * step_x, 0.0, step_y, float(y[0]) - 0.5 * step_y)
    names = []
    for name, variable in ds.data_vars.items():
        if variable.dims != ("y", "x"):
            continue
        file = folder / f"{name}.tif"
        with rasterio.open(
            file,
            "w",
            driver="GTiff",
            width=x.size,
            height=y.size,
            count=1,
            dtype="float32",
            crs=ds["crs"].attrs["crs_wkt"],
            transform=transform,
            nodata=np.nan,
            compress="deflate",
            predictor=3,
        ) as dataset:
            dataset.write(variable.values.astype(np.float32), 1)
            dataset.set_band_description(1, str(variable.attrs["long_name"]))
            dataset.units = (str(variable.attrs["units"]),)
        names.append(file.name)
    return names


def places_text(places: Sequence[dict[str, Any]]) -> str:
    """The best places as CSV: one row a place, best first."""
    if not places:
        return "rank\n"
    header = [name for name in PLACE_COLUMNS if name in places[0]]
    rows = [",".join(f"{place[name]:.10g}" for name in header) for place in places]
    return "\n".join([",".join(header), *rows]) + "\n"


def save_tile(path: Path, maps: Float32Array) -> None:
    """Keep a finished tile, its digest behind it; into place only when whole. Raises WriteFailed."""
    import numpy as np

    with whole_file(path) as partial, partial.open("wb") as file:
        np.save(file, maps, allow_pickle=False)
        file.write(_digest(path, maps))


def load_tile(path: Path, shape: tuple[int, ...]) -> Float32Array | None:
    """A finished tile's maps; None where there is none, or not this one whole: then it is to be computed."""
    import numpy as np

    try:
        with path.open("rb") as file:
            maps = np.load(file, allow_pickle=False)
            digest = file.read()
    except (OSError, ValueError, EOFError, SyntaxError, MemoryError):
        return None
    if not is_tile(maps, shape) or digest != _digest(path, maps):
        return None
    found: Float32Array = maps
    return found


def is_tile(maps: object, shape: tuple[int, ...]) -> bool:
    """Whether something is the finished maps of a tile."""
    import numpy as np

    return isinstance(maps, np.ndarray) and maps.dtype == np.float32 and maps.shape == shape


def _digest(path: Path, maps: Float32Array) -> bytes:
    """Of the maps, of the tile's name and of its folder's, which holds the digest of all inputs."""
    return hashlib.sha256(f"{path.parent.name}/{path.name}".encode() + maps.tobytes()).digest()
