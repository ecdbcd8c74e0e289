"""A saved estimate as one HTML file on which mounts are turned by hand and the year changes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import Gathered
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
    from yieldsim.files.inputs.load import read_load
    from yieldsim.files.text.bundled import page_assets
    from yieldsim.report.estimate.summary_schema import estimate_summary
    from yieldsim.report.page.document import ASSETS, document
    from yieldsim.report.page.packed_arrays import packed
    from yieldsim.runs.budget.inputs import prepare_budget
    from yieldsim.runs.open_estimate import estimate_given
    from yieldsim.runs.open_inputs import given
    from yieldsim.runs.page.payload import budget_payload, facing_payload, light_payload

    gathered = Gathered()
    with gathered:
        ds = estimate_given(estimate)
    with gathered:
        facing = None if orient is None else _facing(orient)
    if gathered.problems and load is not None:
        with gathered:
            given("load", load, LoadPlan, read_load)
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


def _facing(given: Any) -> xr.Dataset:
    """A map of orientations, or the file of one. Raises InputError."""
    import xarray as xr

    from yieldsim.files.output.facing_file import read_facing, refuse_other_map
    from yieldsim.files.text.paths import path_given

    if isinstance(given, xr.Dataset):
        refuse_other_map(given, "orient")
        return given
    return read_facing(path_given(given, "orient", "a facing.nc, or the folder that holds one, or a Dataset"))
