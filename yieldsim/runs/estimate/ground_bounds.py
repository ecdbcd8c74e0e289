"""The two bounds of a run whose skyline has holes of unknown ground before the Sun."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.runs.setup.prepare import Prepared


def upper_bound(ready: Prepared, delivered_kwh: float, tolerance: float) -> dict[str, float] | None:
    """Energy of the run with holes blocking (the answer) and with holes as nothing, told in a note; None where no hole matters."""
    if ready.clear_mask is None:
        return None
    from yieldsim.energy.integration import converge

    site = replace(ready.setting.site, horizon=ready.clear_mask)
    upper, _ = converge(replace(ready.setting, site=site, mask=ready.clear_mask), ready.grid, tolerance)
    ready.notes.add(
        f"unknown ground: {delivered_kwh:.4g} kWh with its holes blocking the Sun, which is the answer given, "
        f"{upper.delivered_kwh:.4g} kWh with them as nothing; what the ground lets through lies between"
    )
    return {"delivered_kwh_blocked": delivered_kwh, "delivered_kwh_clear": upper.delivered_kwh}


def stated(ds: xr.Dataset, bounds: dict[str, float] | None) -> xr.Dataset:
    """The run's Dataset with the bounds in its summary."""
    if bounds is not None:
        summary = json.loads(ds.attrs["summary"]) | {"unknown_ground": bounds}
        ds.attrs["summary"] = json.dumps(summary, ensure_ascii=False)
    return ds
