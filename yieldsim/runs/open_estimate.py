"""A saved estimate opened again: the file, its series and its summary, each held to the other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import refuse

if TYPE_CHECKING:
    import xarray as xr

ALLOWED = "an estimate.nc, or the folder that holds one"


def open_estimate(path: Path | str) -> xr.Dataset:
    """A saved estimate as `estimate` returned it.

    path   an estimate.nc, or the folder that holds one

    Raises InputError where it is damaged or has been altered.
    """
    from yieldsim.files.output.dataset import read_dataset
    from yieldsim.files.output.estimate_check import total_problems
    from yieldsim.files.text.paths import path_given, shown
    from yieldsim.report.estimate.summary_schema import estimate_summary

    file = path_given(path, "path", ALLOWED)
    ds = read_dataset(file)
    problems = total_problems(ds, estimate_summary(ds), shown(file))
    refuse(problems)
    return ds


def estimate_given(estimate: object) -> xr.Dataset:
    """What a verb is given as an estimate: a path, or the Dataset itself. Raises InputError as `open_estimate` does."""
    import xarray as xr

    from yieldsim.files.output.estimate_check import refuse_other, total_problems
    from yieldsim.files.text.paths import path_given
    from yieldsim.report.estimate.summary_schema import estimate_summary

    if isinstance(estimate, xr.Dataset):
        refuse_other(estimate, "estimate")
        refuse(total_problems(estimate, estimate_summary(estimate), "estimate"))
        return estimate
    return open_estimate(path_given(estimate, "estimate", f"{ALLOWED}, or a Dataset"))
