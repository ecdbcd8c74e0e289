"""Results of a run: NetCDF (CF), CSV tables and JSON, staged together and moved into place only when all are complete."""

from __future__ import annotations

import contextlib
import json
import re
import zlib
from collections.abc import Iterator, Mapping
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import refusal, refuse
from yieldsim.base.variables import VOCABULARY
from yieldsim.files.output.result_folder import mend
from yieldsim.files.output.result_folder import refuse_file as refuse_file
from yieldsim.files.output.result_folder import staged_folder as staged_folder
from yieldsim.files.output.result_folder import write_image as write_image
from yieldsim.files.text.paths import shown

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

FIRST_HOURLY_COLUMNS = (
    "solar_azimuth_deg",
    "solar_elevation_deg",
    "sun_distance_au",
    "disc_visible_fraction",
    "beam_irradiance_w_m2",
    "incidence_deg",
    "delivered_power_w",
)

QUOTED = re.compile('[,"\r\n]')
MOST_REASON = 160
"""Letters of a library's own words in a message."""
NAME_ONE = "name an estimate.nc or the folder that holds it"
ROWS_AT_ONCE = 50_000
CHUNK_CACHE_BYTES = 1 << 20
PNG_HEADER_BYTES = 33
"""The signature, 8, and the header chunk: length, kind, 13 bytes, check sum."""


def write_dataset(ds: xr.Dataset, path: Path) -> None:
    """NetCDF-4 by CF, compressed; the same bytes for the same Dataset.

    Only maps, in 32 bits, may lack values (NaN); the fill value says so. Units are spelt as UDUNITS reads them, which CF
    asks for: kW h, not kWh. Times count no leap seconds (CF-1.11, section 4.4). Raises OSError when the disk refuses.
    """
    import numpy as np

    encoding: dict[str, dict[str, Any]] = {}
    spelt = ds.copy()
    for name, variable in spelt.variables.items():
        if np.issubdtype(variable.dtype, np.floating):
            fill = np.float32(np.nan) if variable.dtype == np.float32 else None
            packed = {"zlib": True, "complevel": 4} if variable.ndim else {}
            encoding[str(name)] = {**packed, "_FillValue": fill}
        elif np.issubdtype(variable.dtype, np.datetime64):
            encoding[str(name)] = {
                "units": "seconds since 2000-01-01T00:00:00",
                "calendar": "proleptic_gregorian",
                "dtype": "int64",
                "_FillValue": None,
            }
            if "bounds" in variable.attrs:
                variable.attrs["units_metadata"] = "leap_seconds: none"
        if "units" in variable.attrs:
            variable.attrs["units"] = variable.attrs["units"].replace("kWh", "kW h")
    try:
        with _small_chunk_cache():
            maps = [
                str(name)
                for name, variable in spelt.data_vars.items()
                # series that were read from a file have pieces too
                if variable.dtype == np.float32 and "chunksizes" in variable.encoding
            ]
            rest = spelt.drop_vars(maps)
            kept = {name: encoding[name] for name in encoding if name in rest.variables}
            rest.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding=kept)
            for name in maps:
                _add_map(spelt, name, path)
    except RuntimeError as error:
        # the NetCDF library's word for a full disk
        raise OSError(f"the disk refuses {path.name} ({error}); is it full?") from None


def _add_map(ds: xr.Dataset, name: str, path: Path) -> None:
    """A map of 32 bits into a file that has its axes, piece by piece, in the pieces that it is stored in: so it may be larger than
    the memory, and makes the same bytes wherever it comes from."""
    import netCDF4
    import numpy as np

    variable = ds[name]
    pieces, dims = variable.encoding["chunksizes"], [str(dim) for dim in variable.dims]
    aside = " ".join(str(coordinate) for coordinate in ds.coords if coordinate not in ds.dims)
    with netCDF4.Dataset(path, "a") as file:
        made = file.createVariable(
            name, "f4", dims, zlib=True, complevel=4, chunksizes=pieces, fill_value=np.float32(np.nan)
        )
        made.setncatts(variable.attrs | {"coordinates": aside} if aside else variable.attrs)
        for first in product(
            *(range(0, size, piece) for size, piece in zip(variable.shape, pieces, strict=True))
        ):
            part = tuple(slice(at, at + piece) for at, piece in zip(first, pieces, strict=True))
            made[part] = variable[part].values


@contextlib.contextmanager
def _small_chunk_cache() -> Iterator[None]:
    """Variables are written once, in order: a cache for each of them would hold a long run a second time."""
    import netCDF4

    before = netCDF4.get_chunk_cache()
    netCDF4.set_chunk_cache(CHUNK_CACHE_BYTES, *before[1:])
    try:
        yield
    finally:
        netCDF4.set_chunk_cache(*before)


def read_dataset(path: Path | str) -> xr.Dataset:
    """An estimate.nc, or a folder that holds one, into memory. Raises InputError.

    Its declared size is looked at before anything of it is loaded.
    """
    import xarray as xr

    from yieldsim.files.output.estimate_check import AGAIN, declared_problems, refuse_other

    file = Path(path)
    where = shown(file)
    try:
        if file.is_dir():
            file = file / "estimate.nc"
            where = shown(file)
        # a folder that can't be written is read as it is
        with contextlib.suppress(OSError):
            mend(file.parent)
        there = file.is_file()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise refusal(where, found=f"cannot be read: {reason.lower()}") from None
    if not there:
        raise refusal(where, found="is not there", hint=NAME_ONE)
    try:
        problems = declared_problems(file, where)
        if not problems:
            with xr.open_dataset(file, engine="netcdf4") as ds:
                loaded = ds.load()
    # whatever the libraries make of a damaged file
    except Exception as error:
        words = getattr(error, "strerror", None) or str(error)
        reason = " ".join(words.split()).partition(". ")[0][:MOST_REASON] or type(error).__name__
        # a file of another name is no damaged estimate but another file
        hint = AGAIN if file.suffix.lower() == ".nc" else NAME_ONE
        raise refusal(where, found=f"cannot be read as NetCDF: {reason}", hint=hint) from None
    refuse(problems)
    refuse_other(loaded, where)
    return loaded


def hourly_frame(ds: xr.Dataset) -> pd.DataFrame:
    """The interval series as a table: one row an interval, incidence_deg the smallest over the mounts."""
    import numpy as np
    import pandas as pd

    stamps = np.datetime_as_string(ds["time"].values, unit="s")
    columns: dict[str, Any] = {"time_utc": np.char.add(stamps, "Z")}
    for name in FIRST_HOURLY_COLUMNS:
        values = ds[name].values
        columns[name] = values.min(axis=1) if values.ndim == 2 else values
    for word in VOCABULARY:
        if word in ds.variables and ds[word].dims == ("time",) and word not in columns:
            columns[word] = ds[word].values
    heat = tuple(name for name in VOCABULARY if name.endswith("_temperature_k") and name in ds.variables)
    colour = [name for name in ("mount_fibre_transmittance",) if name in ds.variables]
    by_mount = ("clean_fraction", *colour, "mount_delivered_power_w")
    for name in (*by_mount, *(n for n in heat if "mount" in ds[n].dims)):
        for mount in range(ds.sizes["mount"]):
            columns[f"mount{mount + 1}_{name.removeprefix('mount_')}"] = ds[name].values[:, mount]
    return pd.DataFrame(columns)


def write_table(frame: pd.DataFrame, path: Path, *, more: bool = False) -> None:
    """CSV with a header row, '.' decimals, ten significant digits and plain line ends; `more` rows go below those there."""
    columns = [frame[name].to_numpy() for name in frame.columns]
    # as dust on mounts of one tilt: numbers that are the same are spelt once
    same = [one.tobytes() if one.dtype.kind == "f" else str(place) for place, one in enumerate(columns)]
    once = {key: _spelt(one) for key, one in dict(zip(same, columns, strict=True)).items()}
    spelt = [once[key] for key in same]
    head = [] if more else [",".join(map(_quoted, frame.columns))]
    lines = "\n".join([*head, *map(",".join, zip(*spelt, strict=True)), ""])
    with path.open("a" if more else "w", encoding="utf-8", newline="") as file:
        file.write(lines)


def _quoted(value: Any) -> str:
    """A field of CSV, in quotes where a letter in it asks for them (RFC 4180, section 2)."""
    text = "" if value is None else str(value)
    return '"' + text.replace('"', '""') + '"' if QUOTED.search(text) else text


def _spelt(values: Any) -> list[str]:
    """A column's numbers as text, NaN as nothing; each that differs once, and all in one call, ten times as fast as one for each.

    Whole numbers among them keep a decimal: readers that look at the first rows would take the column for integers.
    """
    if values.dtype.kind != "f":
        return [_quoted(value) for value in values.tolist()]
    import numpy as np

    # by their bits, or 0 and -0 would be one
    bits = np.ascontiguousarray(values, dtype=np.float64).view(np.int64)
    different, which = np.unique(bits, return_inverse=True)
    text = (("%.10g\n" * different.size) % tuple(different.view(np.float64).tolist())).replace("nan", "")
    words = text.split("\n")[:-1]
    if text.count(".") < different.size:
        words = [f"{one}.0" if one.removeprefix("-").isdigit() else one for one in words]
    return list(map(words.__getitem__, which.tolist()))


def write_hourly(ds: xr.Dataset, path: Path) -> None:
    """The interval series as CSV, block by block: a long run in short rows is not copied as a whole."""
    for first in range(0, ds.sizes["time"], ROWS_AT_ONCE):
        part = ds.isel(time=slice(first, first + ROWS_AT_ONCE))
        write_table(hourly_frame(part), path, more=first > 0)


def write_hourly_parquet(ds: xr.Dataset, path: Path) -> None:
    """The interval series as Parquet, block by block; units and meanings are in the fields' metadata."""
    from yieldsim.files.output.csv_metadata import column_notes
    from yieldsim.files.output.parquet import write_parquet

    notes = column_notes(hourly_frame(ds.isel(time=slice(1))).columns)
    parts = (
        hourly_frame(ds.isel(time=slice(first, first + ROWS_AT_ONCE)))
        for first in range(0, ds.sizes["time"], ROWS_AT_ONCE)
    )
    write_parquet(parts, notes, path)


def write_json(values: Mapping[str, Any], path: Path) -> None:
    """Indented JSON; NaN and infinity are refused."""
    path.write_text(
        json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
    )


def with_provenance(png: bytes, record: Mapping[str, Any]) -> bytes:
    """A PNG that carries what it rests on as text, where viewers show a picture's properties.

    An iTXt chunk after the header: length, kind, keyword and four empty fields, text, check sum (W3C, Portable
    Network Graphics, sections 5.3 and 11.3.4.5).
    """
    words = json.dumps(record, ensure_ascii=False, sort_keys=True).encode("utf-8")
    chunk = b"iTXt" + b"Provenance" + bytes(5) + words
    chunk = len(chunk[4:]).to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big")
    return png[:PNG_HEADER_BYTES] + chunk + png[PNG_HEADER_BYTES:]
