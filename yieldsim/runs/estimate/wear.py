"""What a shield's stated range or its grain sizes make of a run, and what radiation takes over the years."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.constants import DAYS_PER_YEAR, SECONDS_PER_DAY
from yieldsim.base.errors import CannotCompute
from yieldsim.base.results.attached import rows_of
from yieldsim.base.results.estimate import DoseYearResult, GrainsResult, RemovalRangeResult
from yieldsim.energy.degradation import CleanLight, clean_light, light_by_rate
from yieldsim.energy.grain_removal import fresh_removal, settled_removal
from yieldsim.energy.radiation_loss import (
    fibre_dose_gy,
    fibre_left,
    induced_db_per_km,
    lens_dose_gy,
    lens_left,
)
from yieldsim.energy.soiling import cleaning_events, removals

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.model import Collector, Shield
    from yieldsim.energy.integration import Setting, TimeGrid

YEARS = (1.0, 5.0, 10.0, 15.0)
"""Of service, from the start of the run."""


def grains_result(shield: Shield | None) -> GrainsResult | None:
    """What removal by grain size comes to; None where none is stated."""
    if shield is None or shield.grains is None:
        return None
    return {"fresh_removal": fresh_removal(shield.grains), "settled_removal": settled_removal(shield.grains)}


def dose_years(collector: Collector) -> list[DoseYearResult] | None:
    """What radiation takes from fibre and lens over YEARS; None without a dose."""
    radiation = collector.radiation
    if radiation is None:
        return None
    since_s = np.array(YEARS) * DAYS_PER_YEAR * SECONDS_PER_DAY
    dose = fibre_dose_gy(radiation, since_s)
    fibre, lens = fibre_left(collector, since_s), lens_left(collector, since_s)
    return rows_of(
        DoseYearResult,
        years=YEARS,
        fibre_dose_gy=dose,
        lens_dose_gy=lens_dose_gy(radiation, since_s),
        fibre_added_db_per_km=induced_db_per_km(radiation, dose),
        fibre_left=fibre,
        lens_left=lens,
        left=fibre * lens,
    )


def removal_range(ds: xr.Dataset, setting: Setting, grid: TimeGrid) -> RemovalRangeResult | None:
    """The run's energy at both ends of the shield's stated removal; None without a range, without dust, or with too much of it."""
    collector, dust = setting.collector, setting.site.dust
    shield = collector.shield
    if dust is None or shield is None or not shield.cleans:
        return None
    low, high = shield.lowest_removal, shield.highest_removal
    if low is None or high is None:
        return None
    try:
        light: CleanLight = clean_light(
            ds["mount_delivered_power_w"].values,
            ds["clean_fraction"].values,
            grid.edge_tdb_s - setting.start_tdb_s,
            collector,
            dust,
            collector.unit_count,
        )
    except CannotCompute:
        return None
    by_rate, end_s = light_by_rate(light), float(light.edge_s[-1])
    events = tuple((at_s - setting.start_tdb_s, removes) for at_s, removes in cleaning_events(dust))
    kwh = [
        float(by_rate.dusty_kwh(removals(replace(shield, removal=removal), end_s, events)).sum())
        for removal in (low, high)
    ]
    return {
        "lowest_removal": low,
        "highest_removal": high,
        "delivered_kwh_at_lowest": kwh[0],
        "delivered_kwh_at_highest": kwh[1],
    }
