"""The one door through which a variable enters a Dataset: known name, right shape, finite, in range, once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

# the accessor comes with the first Dataset that this package makes or reads
from yieldsim.base import result_accessor as result_accessor
from yieldsim.base.variables import VOCABULARY, Word

if TYPE_CHECKING:
    from yieldsim.base.results.budget import ColumnNote

ROUNDING = 1e-9
"""Slack on the allowed range, for sums and interpolation that end a few ulp outside it."""


def attributes(name: str) -> dict[str, str]:
    """CF attributes of a variable of the vocabulary."""
    word = VOCABULARY[name]
    attrs = {"units": word.unit, "long_name": word.long_name}
    if word.standard_name:
        attrs["standard_name"] = word.standard_name
    if word.sampled != "none":
        attrs["cell_methods"] = f"time: {word.sampled}"
    if word.sampled == "point":
        attrs["comment"] = "at the middle of the interval"
    return attrs


def column_note(column: str, name: str, before: str = "") -> ColumnNote:
    """What a column of a table holds, from the variable it was taken from: column, unit, meaning."""
    word = attributes(name)
    how = {"time: mean": ", mean over the interval", "time: point": ", at its middle"}
    meaning = before + word["long_name"] + how.get(word.get("cell_methods", ""), "")
    return {"column": column, "unit": word["units"], "meaning": meaning}


def spoilt(ds: xr.Dataset) -> list[str]:
    """Variables of the vocabulary that hold what `add` would have refused: NaN, infinite or out of range."""
    names = [str(name) for name in ds.variables if name in VOCABULARY]
    return [name for name in names if not _in_range(ds[name].values, VOCABULARY[name])]


def _in_range(data: Any, word: Word) -> bool:
    if not data.size:
        return True
    if data.dtype.kind not in "fiu":
        return False
    low, high = float(data.min()), float(data.max())
    return (
        math.isfinite(low)
        and math.isfinite(high)
        and word.low - ROUNDING <= low
        and high <= word.high + ROUNDING
    )


def add(ds: xr.Dataset, name: str, values: Any, dims: Sequence[str] = ("time",)) -> xr.Dataset:
    """A new Dataset with one more variable; the given one is left as it was.

    Raises ValueError on an unknown name, a second writing, a wrong shape, a NaN, an infinite value or one out of range.
    """
    return ds.assign({name: _checked(ds, name, values, dims)})


def add_all(
    ds: xr.Dataset, values: Mapping[str, Any], further: Mapping[str, Sequence[str]] | None = None
) -> xr.Dataset:
    """The same for several variables over `time`, in less time than one by one. Raises ValueError as `add` does.

    further   dimensions after `time`, of those that have some
    """
    dims = {name: ("time", *(further or {}).get(name, ())) for name in values}
    return ds.assign({name: _checked(ds, name, value, dims[name]) for name, value in values.items()})


def _checked(
    ds: xr.Dataset, name: str, values: Any, dims: Sequence[str]
) -> tuple[tuple[str, ...], Any, dict[str, str]]:
    """Dimensions, values and attributes of a variable that may come in."""
    if name not in VOCABULARY:
        raise ValueError(f"{name} is not in the vocabulary")
    if name in ds.variables:
        raise ValueError(f"{name} is already written")
    word = VOCABULARY[name]
    data = np.asarray(values, dtype=np.float64)
    shape = tuple(ds.sizes[dim] for dim in dims)
    if data.shape != shape:
        raise ValueError(f"{name} has shape {data.shape}, not {shape}")
    if not _in_range(data, word):
        raise ValueError(f"{name} runs {data.min()} to {data.max()}, outside {word.low} to {word.high}")
    return tuple(dims), data, attributes(name)
