"""One site of a ranking: its run, and what is kept of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.model import Collector, Source
    from yieldsim.base.year.period import Period
    from yieldsim.runs.setup.prepare import Prepared


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SiteRun:
    """One site's estimate, and what of its dust and facing was decided for it."""

    ready: Prepared
    estimate: xr.Dataset
    served: dict[str, Any] | None = None
    """What a load gets, where one was given."""
    load_warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SiteFound:
    """What is kept of a site once its run is done: no series.

    row         as the answer has it, but for the span where the answer counts years
    collector   as it stands there
    sources     what its run rests on
    """

    row: dict[str, Any]
    collector: Collector
    sources: tuple[Source, ...]
    period: Period
    interval_s: float
