"""One site of a ranking: what its run stands on and what came out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.runs.setup.prepare import Prepared


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SiteRun:
    """One site's estimate, and what of its dust and facing was decided for it."""

    ready: Prepared
    estimate: xr.Dataset
    served: dict[str, Any] | None = None
    """What a load gets, where one was given."""
    load_warnings: tuple[str, ...] = ()
