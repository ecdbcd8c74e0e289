"""Opening a terrain raster and what its numbers mean: scale, offset, unit, nodata, from the file or its planetary label."""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from yieldsim.base.errors import InputError, Problem
from yieldsim.files.named_paths import neighbour

UNITS_M = {"": 1.0, "m": 1.0, "metre": 1.0, "meter": 1.0, "metres": 1.0, "meters": 1.0}
UNITS_M |= {
    "km": 1000.0,
    "kilometre": 1000.0,
    "kilometer": 1000.0,
    "kilometres": 1000.0,
    "kilometers": 1000.0,
}


@dataclass(frozen=True, slots=True)
class Coding:
    """How stored numbers become metres: stored * scale + offset; `nodata` is a stored number."""

    scale: float
    offset: float
    nodata: float | None


def needs_terrain_extra() -> None:
    """Raise InputError in one line when the libraries that read rasters are not installed."""
    try:
        import pyproj  # noqa: F401
        import rasterio  # noqa: F401
    except ImportError:
        raise InputError(
            Problem(
                "", found="terrain files need the raster libraries", hint="pip install 'yieldsim[terrain]'"
            )
        ) from None


def gdal_name(path: str | Path) -> str:
    """What to open: the detached label beside a planetary image, the file itself otherwise."""
    file = Path(path)
    if file.suffix.lower() == ".img":
        for suffix in (".LBL", ".lbl", ".xml", ".XML"):
            label = file.with_suffix(suffix)
            if label.is_file():
                return str(label)
    return str(path)


@contextmanager
def opened_raster(file: str, where: str) -> Iterator[Any]:
    """A raster dataset open for reading. Raises InputError when it is missing, unreadable or a bundle of several rasters."""
    needs_terrain_extra()
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    if ":" not in file and not Path(file).is_file():
        raise InputError(Problem(where, found="does not exist", hint=neighbour(Path(file))))
    try:
        with warnings.catch_warnings():
            # a file without a place on the body gets our own message
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            dataset = rasterio.open(file)
    except RasterioError as error:
        raise InputError(
            Problem(
                where,
                found="is not a raster that can be read",
                allowed="GeoTIFF, PDS3 or PDS4 image with its label, NetCDF",
                hint=""
                if Path(file).suffix.lower() != ".img"
                else "its label (.LBL or .xml) must lie beside it",
            )
        ) from error
    with dataset:
        if dataset.count == 0:
            inside = ", ".join(str(name) for name in dataset.subdatasets)
            raise InputError(Problem(where, found="holds several rasters", allowed=inside or "one raster"))
        yield dataset


def coding_of(dataset: Any, where: str) -> Coding:
    """Scale, offset, unit and nodata of the first band, completed from a PDS3 label where the reader dropped them.

    The raster library loses them for labels that point to a compressed image; the label is kept whole as metadata.
    """
    unit = (dataset.units[0] or "").strip().lower()
    label = _pds3_image(dataset)
    scale, offset, nodata = float(dataset.scales[0]), float(dataset.offsets[0]), dataset.nodata
    if scale == 1.0 and offset == 0.0:
        scale = float(label.get("SCALING_FACTOR", 1.0))
        offset = float(label.get("OFFSET", 0.0))
    if nodata is None and isinstance(label.get("MISSING_CONSTANT"), int | float):
        nodata = float(label["MISSING_CONSTANT"])
    unit = unit or str(label.get("UNIT", "")).strip().lower()
    if unit not in UNITS_M:
        raise InputError(Problem(where, found=f'holds heights in "{unit}"', allowed="metres or kilometres"))
    return Coding(scale * UNITS_M[unit], offset * UNITS_M[unit], None if nodata is None else float(nodata))


def _pds3_image(dataset: Any) -> dict[str, Any]:
    """The IMAGE object of a PDS3 label, empty where there is none."""
    if dataset.driver != "PDS":
        return {}
    # one item of metadata, split on the way at its first colon
    text = "".join(":".join(pair) for pair in dataset.tags(ns="json:PDS").items())
    try:
        label = json.loads(text)
    except ValueError:
        return {}
    found: dict[str, Any] = label.get("IMAGE") or next(
        (v["IMAGE"] for v in label.values() if isinstance(v, dict) and "IMAGE" in v), {}
    )
    return {key: value.get("value") if isinstance(value, dict) else value for key, value in found.items()}
