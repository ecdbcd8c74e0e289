"""Results of a run: NetCDF (CF), CSV tables and JSON, staged together and moved into place only when all are complete."""

from __future__ import annotations

import contextlib
import json
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.dataset import spoilt
from yieldsim.base.errors import InputError, Problem
from yieldsim.files.text.paths import shown
from yieldsim.files.whole_folders import mend
from yieldsim.files.whole_folders import refuse_file as refuse_file
from yieldsim.files.whole_folders import staged_folder as staged_folder

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

ROWS_AT_ONCE = 50_000
CHUNK_CACHE_BYTES = 1 << 20
PNG_HEADER_BYTES = 33
"""The signature, 8, and the header chunk: length, kind, 13 bytes, check sum."""
ESTIMATE_SCHEMA = "yieldsim estimate 1"
ESTIMATE_VARIABLES = (
    *("time", "time_bnds", "mount_tilt_deg", "mount_azimuth_deg", "mount_roll_deg", "mount_count"),
    *("horizon_azimuth_deg", "horizon_elevation_deg", "solar_longitude_deg", "local_true_solar_time_hours"),
    *("stage_power_w", "shield_power_w", "clean_fraction", "mount_delivered_power_w", *FIRST_HOURLY_COLUMNS),
)
"""What budgets and reports read; the columns of hourly.csv among them."""


def write_dataset(ds: xr.Dataset, path: Path) -> None:
    """NetCDF-4 with CF time (no fill value on time and bounds), compressed; the same bytes for the same Dataset.

    Units are spelt as UDUNITS reads them, which CF asks for: kW h, not kWh. Raises OSError when the disk refuses.
    """
    import numpy as np

    encoding: dict[str, dict[str, Any]] = {}
    for name, variable in ds.variables.items():
        if np.issubdtype(variable.dtype, np.floating):
            encoding[str(name)] = {"zlib": True, "complevel": 4, "_FillValue": None}
        elif np.issubdtype(variable.dtype, np.datetime64):
            encoding[str(name)] = {
                "units": "seconds since 2000-01-01T00:00:00",
                "calendar": "proleptic_gregorian",
                "dtype": "int64",
                "_FillValue": None,
            }
    spelt = ds.copy()
    for variable in spelt.variables.values():
        if "units" in variable.attrs:
            variable.attrs["units"] = variable.attrs["units"].replace("kWh", "kW h")
    try:
        with _small_chunk_cache():
            spelt.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding=encoding)
    except RuntimeError as error:
        # the NetCDF library's word for a full disk
        raise OSError(f"the disk refuses {path.name} ({error}); is it full?") from None


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
    """An estimate.nc, or a folder that holds one, into memory. Raises InputError."""
    import xarray as xr

    file = Path(path)
    if file.is_dir():
        file = file / "estimate.nc"
    # a folder that can't be written is read as it is
    with contextlib.suppress(OSError):
        mend(file.parent)
    if not file.is_file():
        raise InputError(
            Problem(shown(file), found="is not there", hint="name an estimate.nc or the folder that holds it")
        )
    try:
        with xr.open_dataset(file, engine="netcdf4") as ds:
            loaded = ds.load()
    except (OSError, ValueError) as error:
        raise InputError(
            Problem(shown(file), found="cannot be read as NetCDF", hint=str(error).splitlines()[0])
        ) from None
    refuse_other(loaded, shown(file))
    return loaded


def refuse_other(ds: xr.Dataset, where: str) -> None:
    """Raise InputError for a Dataset that is not the result of an estimate."""
    try:
        schema = json.loads(ds.attrs["summary"])["schema"]
    except (KeyError, TypeError, ValueError):
        schema = ""
    if schema != ESTIMATE_SCHEMA:
        hint = f'it is one of "{schema}"' if schema else ""
        raise InputError(Problem(where, found="is not a result of yieldsim estimate", hint=hint))
    again = "altered since; run the estimate again"
    lacking = [name for name in ESTIMATE_VARIABLES if name not in ds.variables]
    lacking += [name for name in ("interval_s", "source", "history") if name not in ds.attrs]
    problems = [Problem(where, name, "is missing", hint=again) for name in lacking]
    for name in spoilt(ds):
        problems.append(Problem(where, name, "holds what is no number or out of its range", hint=again))
    if problems:
        raise InputError(problems)


def hourly_frame(ds: xr.Dataset) -> pd.DataFrame:
    """The interval series as a table: one row an interval, incidence_deg the smallest over the mounts."""
    import numpy as np
    import pandas as pd

    stamps = np.datetime_as_string(ds["time"].values, unit="s")
    columns: dict[str, Any] = {"time_utc": np.char.add(stamps, "Z")}
    for name in FIRST_HOURLY_COLUMNS:
        values = ds[name].values
        columns[name] = values.min(axis=1) if values.ndim == 2 else values
    for word in ds.data_vars:
        if ds[word].dims == ("time",) and word not in columns:
            columns[str(word)] = ds[word].values
    for name in ("clean_fraction", "mount_delivered_power_w"):
        for mount in range(ds.sizes["mount"]):
            columns[f"mount{mount + 1}_{name.removeprefix('mount_')}"] = ds[name].values[:, mount]
    return pd.DataFrame(columns)


def write_table(frame: pd.DataFrame, path: Path, *, more: bool = False) -> None:
    """CSV with a header row, '.' decimals, ten significant digits and plain line ends; `more` rows go below those there."""
    frame.to_csv(
        path,
        mode="a" if more else "w",
        header=not more,
        index=False,
        float_format="%.10g",
        lineterminator="\n",
    )


def write_hourly(ds: xr.Dataset, path: Path) -> None:
    """The interval series as CSV, block by block: a long run in short rows is not copied as a whole."""
    for first in range(0, ds.sizes["time"], ROWS_AT_ONCE):
        part = ds.isel(time=slice(first, first + ROWS_AT_ONCE))
        write_table(hourly_frame(part), path, more=first > 0)


def write_json(values: Mapping[str, Any], path: Path) -> None:
    """Indented JSON; NaN and infinity are refused."""
    path.write_text(
        json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
    )


def write_image(content: bytes, path: Path) -> None:
    """A finished page or picture."""
    path.write_bytes(content)


def with_provenance(png: bytes, record: Mapping[str, Any]) -> bytes:
    """A PNG that carries what it rests on as text, where viewers show a picture's properties.

    An iTXt chunk after the header: length, kind, keyword and four empty fields, text, check sum (W3C, Portable
    Network Graphics, sections 5.3 and 11.3.4.5).
    """
    words = json.dumps(record, ensure_ascii=False, sort_keys=True).encode("utf-8")
    chunk = b"iTXt" + b"Provenance" + bytes(5) + words
    chunk = len(chunk[4:]).to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big")
    return png[:PNG_HEADER_BYTES] + chunk + png[PNG_HEADER_BYTES:]
