"""What a finished growth holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from yieldsim.base.results.attached import Summarised
from yieldsim.base.results.growth import GrowthResult

if TYPE_CHECKING:
    import numpy as np
    import xarray as xr


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class GrowthRun(Summarised):
    """A finished growth.

    summary      growth.json
    estimates    of each phase, by the name of its file
    budgets      of each phase: its hours
    files        names and texts of the site, and of the collector and load of each phase
    certificate  arrays that prove the bound of the combination chosen
    """

    summary: GrowthResult
    estimates: dict[str, xr.Dataset]
    budgets: tuple[xr.Dataset, ...]
    files: dict[str, str]
    certificate: dict[str, np.ndarray]
