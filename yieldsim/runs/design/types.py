"""What a finished design holds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from yieldsim.base.results.attached import Summarised
from yieldsim.base.results.design import DesignResult

if TYPE_CHECKING:
    import numpy as np
    import xarray as xr


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class DesignRun(Summarised):
    """A finished design.

    summary       design.json
    series        the design's hours: light, loads, store
    estimate      of the design's own files
    joined        the estimate of two joined sites together; None where there is none
    files         names and texts of its site, collector and load
    certificate   arrays that prove the bound of the combination chosen
    joined_certificates   those that prove the bounds with a second site, by the name of their file
    """

    summary: DesignResult
    series: xr.Dataset
    estimate: xr.Dataset
    files: dict[str, str]
    certificate: dict[str, np.ndarray]
    joined: xr.Dataset | None = None
    joined_certificates: dict[str, dict[str, np.ndarray]] = field(default_factory=dict)
