"""Our loads and stores where a night or a crop was worked out by hand."""

from __future__ import annotations

import numpy as np

from agreement.compare import ours
from agreement.published import half_digit, table
from yieldsim.base.load_model import Load, Schedule, Storage
from yieldsim.optics.photometry import SUNLIGHT
from yieldsim.planning.habitat.dispatch import ESSENTIAL, dispatch, needs_from, store_of
from yieldsim.planning.habitat.load_profile import Rows, need_power_w
from yieldsim.planning.habitat.sizing import case_of, smallest_storage_kwh

NIGHT_HOURS = 354.367
"""Half the mean synodic month of 29.530588853 days."""
DAY_ROWS = 12


def night(load_kw: float, round_trip: float) -> tuple[float, float]:
    """The smallest store that carries a steady load through a lunar night, and what is charged into it by day, kWh."""
    row_hours = NIGHT_HOURS / DAY_ROWS
    light = np.concatenate([np.full(DAY_ROWS, 5.0 * load_kw * row_hours), np.zeros(DAY_ROWS)])
    storage = Storage(capacity_kwh=1.0e6, charge_efficiency=round_trip)
    one = np.ones(1)
    asked = np.full((2 * DAY_ROWS, 1), load_kw * row_hours)
    needs = needs_from(asked, one, one, np.array([ESSENTIAL]), np.zeros(1, dtype=int))
    clock = ((np.arange(2 * DAY_ROWS) + 0.5) * 12.0 / DAY_ROWS) % 24.0
    size = smallest_storage_kwh(case_of(light, 1, needs, storage, clock, row_hours, 1.0, "energy"), 1)
    flows = dispatch(light, needs, store_of(storage, row_hours, size)._replace(start_kwh=0.0))
    return size, float(flows.charging.sum())


@ours("lunar-night-loads")
def lunar_night_loads() -> float:
    """Largest difference in units of the last printed digit."""
    worst = 0.0
    for row in table("lunar_night_loads.csv"):
        found = night(float(row["load_kw"]), float(row["round_trip"]))
        for key, number in zip(("delivered_kwh", "charged_kwh"), found, strict=True):
            worst = max(worst, abs(number - float(row[key])) / (2.0 * half_digit(row[key])))
    return worst


def daily_mol(flux_umol_s: float, hours: float = 16.0) -> tuple[float, float]:
    """Photons of a day, mol, of a crop on a square metre lit by delivered sunlight for so long, and that light's power, W."""
    crop = Load(
        name="salad",
        kind="light",
        unit="umol/s",
        amount=flux_umol_s,
        schedule=Schedule(windows=((6.0, 6.0 + hours),), clock="utc"),
    )
    edges = np.datetime64("2027-01-01", "ns") + np.arange(25) * np.timedelta64(1, "h")
    rows = Rows(
        edge_utc=edges,
        solar_time_hours=(np.arange(24) + 0.5) % 24.0,
        solar_longitude_deg=np.zeros(24),
        shield_power_w=np.zeros(24),
    )
    power_w = need_power_w(crop, rows, SUNLIGHT)
    return float(power_w.sum() * 3600.0 * SUNLIGHT.photon_yield_umol_per_j / 1e6), float(power_w.max())


@ours("salad-photons")
def salad_photons() -> float:
    """Largest difference in units of the last printed digit."""
    return max(
        abs(daily_mol(float(row["flux_umol_m2_s"]))[0] - float(row["daily_mol_m2"]))
        / (2.0 * half_digit(row["daily_mol_m2"]))
        for row in table("salad_crops.csv")
    )
