"""A saved estimate as one HTML file on which mounts are turned by hand and the year changes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import Gathered, InputError, Problem
from yieldsim.base.load_model import LoadPlan
from yieldsim.runs.page.page_file import Page

if TYPE_CHECKING:
    import xarray as xr


def page(
    estimate: str | Path | xr.Dataset,
    *,
    load: str | Path | LoadPlan | None = None,
    orient: str | Path | xr.Dataset | None = None,
) -> Page:
    """The live page of an estimate: drag a mount, move a slider, and the year, its outages and the budget follow.

    estimate   an estimate.nc, the folder that holds one, or the Dataset itself
    load       a load file or the plan itself: adds the budget, by the rule of `budget` without site and collector
    orient     a facing.nc, the folder that holds one, or the Dataset that `orient` returned: its map lies under the sky

    The page works by itself: no server, no network, nothing stored. A state that is turned by hand is a preview, within 0.3 %
    of an estimate; the estimate itself is the figure to quote. A notebook shows what is returned; `.save(path)` writes it.
    Raises InputError or DataMissing.
    """
    from yieldsim.files.text.bundled import page_assets
    from yieldsim.report.estimate.summary_schema import estimate_summary
    from yieldsim.report.page.document import ASSETS, document
    from yieldsim.report.page.packed_arrays import packed
    from yieldsim.runs.budget.inputs import prepare_budget
    from yieldsim.runs.page.payload import budget_payload, facing_payload, light_payload

    gathered = Gathered()
    with gathered:
        ds = _estimate(estimate)
    with gathered:
        facing = None if orient is None else _facing(orient)
    if gathered.problems and load is not None and not isinstance(load, LoadPlan):
        from yieldsim.files.inputs.load import read_load

        with gathered:
            read_load(Path(load))
    gathered.refuse()
    summary = estimate_summary(ds)
    with gathered:
        words, arrays = light_payload(ds, summary)
    if load is not None:
        with gathered:
            case, _ = prepare_budget(ds, load, None, None, None, None, None)
            added, more = budget_payload(case)
    if facing is not None:
        with gathered:
            found, under = facing_payload(facing, summary)
    gathered.refuse()
    if load is not None:
        words["budget"] = added
        arrays |= more
    if facing is not None:
        words["facing"] = found
        arrays |= under
    contents, text = packed(arrays)
    words["arrays"] = contents
    title = f"{summary['collector']['name']} at {summary['site']['name']}"
    return Page(html=document(title, words, text, page_assets(ASSETS)), title=title)


def _estimate(given: Any) -> xr.Dataset:
    from yieldsim.files.output.estimate_check import refuse_other
    from yieldsim.runs.open_estimate import open_estimate

    return _opened("estimate", given, lambda ds: refuse_other(ds, "estimate"), open_estimate)


def _facing(given: Any) -> xr.Dataset:
    from yieldsim.files.output.facing_file import read_facing, refuse_other_map

    return _opened("orient", given, lambda ds: refuse_other_map(ds, "orient"), read_facing)


def _opened(
    key: str, given: Any, refuse: Callable[[xr.Dataset], None], read: Callable[[str | Path], xr.Dataset]
) -> xr.Dataset:
    """A Dataset that is looked at, or the file of one that is read. Raises InputError."""
    import xarray as xr

    if isinstance(given, xr.Dataset):
        refuse(given)
        return given
    if not isinstance(given, str | Path):
        raise InputError(Problem("", key, f"is {type(given).__name__}", "a path or a Dataset"))
    return read(given)
