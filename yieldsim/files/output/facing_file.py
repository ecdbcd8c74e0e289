"""A saved map of orientations opened again: facing.nc of `orient`, held to its shape before anything is read of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.errors import InputError, refusal, refuse
from yieldsim.files.output.estimate_check import declared_problems
from yieldsim.files.text.paths import shown

if TYPE_CHECKING:
    import xarray as xr

FACING_SCHEMA = "yieldsim orient 1"
AGAIN = "altered or damaged since; run yieldsim orient again"
NAME_ONE = "name a facing.nc, or the folder that yieldsim orient wrote"


def read_facing(path: Path | str) -> xr.Dataset:
    """A facing.nc, or the folder that holds one, into memory. Raises InputError."""
    import xarray as xr

    file = Path(path)
    try:
        file = file / "facing.nc" if file.is_dir() else file
        there = file.is_file()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise refusal(shown(file), found=f"cannot be read: {reason.lower()}") from None
    where = shown(file)
    if not there:
        raise refusal(where, found="is not there", hint=NAME_ONE)
    try:
        problems = declared_problems(file, where)
        refuse(problems)
        with xr.open_dataset(file, engine="netcdf4", decode_times=False) as opened:
            ds: xr.Dataset = opened.load()
    except InputError:
        raise
    # whatever the library raises on a damaged file
    except Exception:
        # a file of another name is no damaged map but another file
        hint = AGAIN if file.suffix.lower() == ".nc" else NAME_ONE
        raise refusal(where, found="is no readable NetCDF file", hint=hint) from None
    refuse_other_map(ds, where)
    return ds


def refuse_other_map(ds: xr.Dataset, where: str) -> None:
    """Raise InputError for a Dataset that is not the result of `orient`, or no longer."""
    try:
        summary = json.loads(ds.attrs["summary"])
        known = summary["schema"] == FACING_SCHEMA
    except (KeyError, TypeError, ValueError, RecursionError):
        known = False
    if not known:
        raise refusal(where, found="is not a result of yieldsim orient")
    if not ("annual_kwh" in ds and ds["annual_kwh"].dims == ("tilt", "azimuth") and ds["annual_kwh"].size):
        raise refusal(where, "annual_kwh", "is missing or of another shape", hint=AGAIN)
    for name in ("annual_kwh", "tilt", "azimuth"):
        values = ds[name].values
        if values.dtype.kind != "f" or not np.isfinite(values).all() or (values < 0.0).any():
            raise refusal(where, name, "holds what is no number or out of its range", hint=AGAIN)
    rows = summary.get("best")
    keys = ("tilt_deg", "azimuth_deg", "roll_deg", "annual_kwh")
    if not (
        isinstance(rows, list)
        and all(
            isinstance(row, dict)
            and isinstance(row.get("words"), str)
            and all(isinstance(row.get(key), int | float) for key in keys)
            for row in rows
        )
        and isinstance(summary.get("site"), dict)
        and isinstance(summary.get("collector"), dict)
    ):
        raise refusal(where, "summary", "lacks the best orientations, site or collector", hint=AGAIN)
