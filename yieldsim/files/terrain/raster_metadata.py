"""Opening a terrain raster and what its numbers mean: scale, offset, unit, nodata, from the file or its planetary label."""

from __future__ import annotations

import json
import math
import os
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from yieldsim.base.errors import DataMissing, InputError, Problem
from yieldsim.files.terrain.raster_sources import CLOSED_NETWORK, DRIVERS, refuse_far_files, refuse_sources
from yieldsim.files.terrain.remote import Address, asked_for
from yieldsim.files.text.paths import neighbour

UNITS_M = {"": 1.0, "m": 1.0, "metre": 1.0, "meter": 1.0, "metres": 1.0, "meters": 1.0}
UNITS_M |= {
    "km": 1000.0,
    "kilometre": 1000.0,
    "kilometer": 1000.0,
    "kilometres": 1000.0,
    "kilometers": 1000.0,
}
CACHE_BYTES = 128 << 20
"""Of the raster library for pixels, which would otherwise take a twentieth of the machine's memory in every process."""


@dataclass(frozen=True, slots=True)
class Coding:
    """How stored numbers become metres: stored * scale + offset; `nodata` is a stored number, `unit` what the file states."""

    scale: float
    offset: float
    nodata: float | None
    unit: str = ""


def has_terrain_extra() -> bool:
    """Whether the libraries that read rasters are installed."""
    try:
        import pyproj  # noqa: F401
        import rasterio  # noqa: F401
    except ImportError:
        return False
    return True


def needs_terrain_extra() -> None:
    """Raise DataMissing in one line when the libraries that read rasters are not installed."""
    if not has_terrain_extra():
        raise DataMissing("terrain files need the raster libraries: pip install 'yieldsim[terrain]'")


_VARIABLE = re.compile(
    r'^(?:netcdf:)?"?(?P<file>.+\.(?:nc4?|cdf))"?:/*(?P<variable>[\w./ -]+)$', re.IGNORECASE
)


def split_variable(name: str | Path) -> tuple[str, str | None]:
    """The file and the variable of "FILE.nc:VARIABLE", for a NetCDF file of several; no variable for any other name.

    >>> split_variable("dem.nc:height"), split_variable('NETCDF:"dem.nc":height'), split_variable("dem.tif")
    (('dem.nc', 'height'), ('dem.nc', 'height'), ('dem.tif', None))
    """
    match = _VARIABLE.match(str(name))
    return (str(name), None) if match is None else (match["file"], match["variable"])


def gdal_name(path: str | Path) -> str:
    """What to open: a NetCDF file's variable, the detached label beside a planetary image, the file itself otherwise."""
    if isinstance(path, Address):
        return path
    name, variable = split_variable(path)
    file = Path(name)
    if variable is not None:
        return f'NETCDF:"{file}":{variable}'
    if file.suffix.lower() == ".img":
        for suffix in (".LBL", ".lbl", ".xml", ".XML"):
            label = file.with_suffix(suffix)
            if label.is_file():
                return str(label)
    return str(path)


def refuse_no_file(file: str, where: str) -> Path:
    """Where a raster lies on the disk. Raises InputError for what is no file of this machine."""
    on_disk = Path(split_variable(file)[0])
    if on_disk.is_dir():
        raise InputError(Problem(where, found="is a folder", allowed="a raster file"))
    if str(on_disk).startswith("/vsi") or "://" in file:
        raise InputError(Problem(where, found="is not a file on this machine", allowed="a raster file"))
    if not on_disk.is_file():
        raise InputError(Problem(where, found="does not exist", hint=neighbour(on_disk)))
    return on_disk


@contextmanager
def opened_raster(file: str, where: str) -> Iterator[Any]:
    """A raster dataset open for reading. Raises InputError when it is missing, unreadable or a bundle of several rasters."""
    needs_terrain_extra()
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning
    from rasterio.io import DatasetReader

    if isinstance(file, Address):
        asked_for(file)
        name, drivers, network = f"/vsicurl/{file}", ["GTiff"], file.options()
    else:
        on_disk = refuse_no_file(file, where)
        refuse_sources(on_disk, where)
        # the whole path, lest a part of a file's name be taken for a scheme
        at, variable = os.path.abspath(on_disk), split_variable(file)[1]
        name = at if variable is None else f'NETCDF:"{at}":{variable}'
        drivers, network = list(DRIVERS), CLOSED_NETWORK
    with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES, **network):
        try:
            with warnings.catch_warnings():
                # a file without a place on the body gets our own message
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                # the library's own `open` takes one kind of file only
                dataset = DatasetReader(name, driver=drivers)
        except Exception as error:
            if not _of_raster_library(error):
                raise
            if isinstance(file, Address):
                found = "is not a GeoTIFF that can be read over the network"
                raise InputError(Problem(where, found=found, hint="download it and name the file")) from error
            raise InputError(_unreadable(file, where)) from error
        try:
            with dataset:
                if dataset.count == 0:
                    inside = [split_variable(one) for one in dataset.subdatasets]
                    names = ", ".join(f"{Path(one).name}:{part}" for one, part in inside if part)
                    raise InputError(
                        Problem(where, found="holds several rasters", allowed=names or "one raster")
                    )
                if isinstance(file, Address):
                    _refuse_more(dataset, name, where)
                else:
                    refuse_far_files(dataset.files, Path(at), where)
                yield dataset
        except Exception as error:
            if not _of_raster_library(error):
                raise
            reason = " ".join(str(error.__cause__ or error).split())[:160]
            if isinstance(file, Address):
                raise DataMissing(
                    f"{where}: its pixels cannot be read over the network ({reason})"
                ) from error
            raise InputError(
                Problem(
                    where, found=f"is damaged: its pixels cannot be read ({reason})", hint="fetch it again"
                )
            ) from error


def _refuse_more(dataset: Any, name: str, where: str) -> None:
    """Raise InputError for a raster at an address that rests on other files."""
    if dataset.files != [name] or "OVERVIEW_FILE" in dataset.tags(ns="OVERVIEWS"):
        raise InputError(Problem(where, found="rests on other files", allowed="one GeoTIFF"))


def _of_raster_library(error: Exception) -> bool:
    """Whether an exception tells of a file that the library can't read.

    Some of those that come out of it have no public name: the package that defines them tells.
    """
    return isinstance(error, UnicodeError) or any(
        kind.__module__.partition(".")[0] == "rasterio" for kind in type(error).__mro__
    )


def _unreadable(file: str, where: str) -> Problem:
    return Problem(
        where,
        found="is not a raster that can be read",
        allowed="GeoTIFF, PDS3 or PDS4 image with its label, NetCDF",
        hint="" if Path(file).suffix.lower() != ".img" else "its label (.LBL or .xml) must lie beside it",
    )


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
    if not math.isfinite(scale * offset) or scale == 0.0:
        found = f"has a scale of {scale:g} and an offset of {offset:g}"
        raise InputError(Problem(where, found=found, allowed="finite numbers, the scale not 0"))
    if "complex" in dataset.dtypes[0]:
        raise InputError(Problem(where, found="holds complex numbers", allowed="heights or radii"))
    nodata = None if nodata is None else float(nodata)
    return Coding(scale * UNITS_M[unit], offset * UNITS_M[unit], nodata, unit)


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
