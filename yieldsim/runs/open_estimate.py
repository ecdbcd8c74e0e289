"""A saved estimate opened again: the file, its series and its summary, each held to the other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import InputError

if TYPE_CHECKING:
    import xarray as xr


def open_estimate(path: Path | str) -> xr.Dataset:
    """An estimate.nc, or the folder that holds one. Raises InputError where it is damaged or has been altered."""
    from yieldsim.files.output.dataset import read_dataset
    from yieldsim.files.output.estimate_check import total_problems
    from yieldsim.files.text.paths import shown
    from yieldsim.report.estimate.summary_schema import estimate_summary

    ds = read_dataset(path)
    problems = total_problems(ds, estimate_summary(ds), shown(Path(path)))
    if problems:
        raise InputError(problems)
    return ds
