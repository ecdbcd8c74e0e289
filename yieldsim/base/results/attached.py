"""The answer that a Dataset of ours carries in its attributes."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, TypeVar, cast

if TYPE_CHECKING:
    import xarray as xr

Result = TypeVar("Result")


def result_of(ds: xr.Dataset, model: type[Result]) -> Result:
    """The answer, as its command's model says it is; unchecked, since the program made it."""
    return cast(Result, json.loads(ds.attrs["summary"]))
