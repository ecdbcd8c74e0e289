"""Whole years of optical depth as they were measured: cut from a series by date, each kept as it came, its storms whole.

A year runs from solar longitude 0 to 360. It counts where neither its ends nor any two of its measurements are farther apart than
MOST_HOLE_DEG of solar longitude (some thirty sols on Mars): what is missing longer than that could have been a storm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.base.constants import SECONDS_PER_DAY
from yieldsim.base.model import OpticalDepthTable
from yieldsim.base.numerics.vectors import FloatArray

MOST_HOLE_DEG = 15.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MeasuredYear:
    """One year of a series.

    first_tdb_s           of its first measurement
    solar_longitude_deg   (n,) increasing within 0..360
    optical_depth         (n,)
    """

    first_tdb_s: float
    solar_longitude_deg: FloatArray
    optical_depth: FloatArray

    @property
    def table(self) -> OpticalDepthTable:
        """As a site states it, against the season."""
        return OpticalDepthTable(
            against="solar_longitude_deg", x=self.solar_longitude_deg, optical_depth=self.optical_depth
        )


def measured_years(
    series: OpticalDepthTable, solar_longitude_deg: FloatArray, year_days: float
) -> tuple[list[MeasuredYear], int]:
    """The whole years of a series by date, and how many it holds that are not whole.

    solar_longitude_deg   (n,)  at the series's moments, 0..360
    year_days             of the body, which tells how many turns lie in a long hole of the series
    Raises ValueError for a series that is not by date.
    """
    if series.against != "tdb_s":
        raise ValueError("a series of measured years is by date")
    season = np.asarray(solar_longitude_deg, dtype=np.float64) % 360.0
    moved = np.diff(season)
    turns = np.round((360.0 * np.diff(series.x) / (year_days * SECONDS_PER_DAY) - moved) / 360.0)
    year = np.concatenate([[0], np.cumsum(turns)]).astype(np.int64)
    found, numbers = [], np.unique(year)
    for number in numbers:
        own = np.flatnonzero(year == number)
        if np.diff(np.concatenate([[0.0], season[own], [360.0]])).max() <= MOST_HOLE_DEG:
            found.append(
                MeasuredYear(
                    first_tdb_s=float(series.x[own[0]]),
                    solar_longitude_deg=season[own],
                    optical_depth=np.asarray(series.optical_depth)[own],
                )
            )
    return found, len(numbers) - len(found)
