"""Sums over a run: the ledger of stages, calendar months, days and solar days."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.parts import LedgerStage
from yieldsim.base.year.run_months import SEASON_DEG, season_numbers


def interval_hours(ds: xr.Dataset) -> float:
    """Length of the intervals, hours."""
    return float(ds.attrs["interval_s"]) / SECONDS_PER_HOUR


def ledger_kwh(ds: xr.Dataset) -> list[LedgerStage]:
    """Energy left after each stage, kWh, in the order of the chain."""
    kwh = ds["stage_power_w"].sum("time", skipna=False).values * interval_hours(ds) / 1000.0
    return [
        {"stage": str(stage), "kwh": float(value)}
        for stage, value in zip(ds["stage"].values, kwh, strict=True)
    ]


def total_kwh(ds: xr.Dataset, name: str) -> float:
    """Energy of a power series over the run, kWh."""
    return float(ds[name].sum(skipna=False)) * interval_hours(ds) / 1000.0


def by_calendar(ds: xr.Dataset, period: str) -> pd.DataFrame:
    """Sums by UTC day ("D"), month ("M") or year ("Y"): energies in kWh, hours delivering, mean visible fraction."""
    number = ds["time"].values.astype(f"datetime64[{period}]").astype(np.int64)
    sums = _sums(ds, number)
    label = np.datetime_as_string(number[_first_rows(number)].astype(f"datetime64[{period}]"))
    sums.insert(0, {"D": "date_utc", "M": "month", "Y": "year"}[period], label.astype(object))
    return sums


def by_solar_day(ds: xr.Dataset) -> pd.DataFrame:
    """Sums by solar day of the site (a sol, a lunation), cut at local true midnight, numbered from the run's start.

    An interval belongs to the solar day its middle falls in. The first and the last are usually incomplete: `hours` tells.
    """
    number = solar_day_number(ds["local_true_solar_time_hours"].values)
    sums = _sums(ds, number)
    sums.insert(0, "solar_day", number[_first_rows(number)])
    return sums


def by_season(ds: xr.Dataset) -> pd.DataFrame:
    """Sums by 30 deg of solar longitude as the run passes through them, in order of time: what months are on a world without.

    An interval belongs to the part its middle falls in. The first and the last are usually incomplete: `hours` tells.
    """
    number = season_numbers(ds["solar_longitude_deg"].values)
    sums = _sums(ds, number)
    start = (number[_first_rows(number)] * SEASON_DEG) % 360.0
    sums.insert(0, "solar_longitude_from_deg", start)
    sums.insert(1, "solar_longitude_to_deg", start + SEASON_DEG)
    return sums


def solar_day_number(true_solar_time_hours: FloatArray) -> np.ndarray:
    """Number of local midnights passed since the first row, (time,).

    A solar time that runs backwards for a while (Mercury near perihelion) is followed through by its shortest steps.
    """
    turned = np.unwrap(true_solar_time_hours, period=24.0)
    return np.maximum.accumulate(np.floor(turned / 24.0 + 1e-9).astype(np.int64))


def _first_rows(number: np.ndarray) -> np.ndarray:
    """First row of each run of equal numbers."""
    return np.flatnonzero(np.concatenate([[True], number[1:] != number[:-1]]))


def _sums(ds: xr.Dataset, number: np.ndarray) -> pd.DataFrame:
    """Sums over the periods that number (time,), never decreasing, tells apart; without copies of the series."""
    hours, first = interval_hours(ds), _first_rows(number)

    def summed(name: str, factor: float) -> FloatArray:
        return np.asarray(np.add.reduceat(ds[name].values, first) * factor)

    return pd.DataFrame(
        {
            "hours": np.diff(np.append(first, len(number))) * hours,
            "delivered_kwh": summed("delivered_power_w", hours / 1000.0),
            "sun_following_kwh": summed("sun_following_power_w", hours / 1000.0),
            "beam_kwh_m2": summed("beam_irradiance_w_m2", hours / 1000.0),
            "shield_kwh_electric": summed("shield_power_w", hours / 1000.0),
            "hours_delivering": summed("delivering_fraction", hours),
            "hours_lit": summed("disc_visible_fraction", hours),
        }
    )
