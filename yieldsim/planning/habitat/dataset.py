"""A dispatched run as labelled series: a Dataset over time and load, and the flat table made from it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from yieldsim.base.dataset import add, column_note
from yieldsim.base.load_model import Load
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.budget import ColumnNote
from yieldsim.energy.ledger import interval_hours, solar_day_number
from yieldsim.planning.habitat.dispatch import Flows, Needs, Store

BY_LOAD = ("asked_power_w", "served_directly_power_w", "served_from_storage_power_w", "unserved_power_w")
BY_TIME = (
    "delivered_power_w",
    "used_light_power_w",
    "charging_light_power_w",
    "curtailed_light_power_w",
    "storage_output_power_w",
    "storage_loss_power_w",
    "stored_energy_kwh",
    "storage_capacity_kwh",
)
FROM_ESTIMATE = ("local_true_solar_time_hours", "solar_longitude_deg")


def budget_series(
    ds: xr.Dataset, loads: tuple[Load, ...], needs: Needs, store: Store, flows: Flows
) -> xr.Dataset:
    """Powers are means over rows, the stored energy is that at a row's end (the start is an attribute of it)."""
    hours = interval_hours(ds)

    def power_w(kwh: FloatArray) -> FloatArray:
        return np.asarray(kwh * 1000.0 / hours)

    delivered = ds["delivered_power_w"].values
    series = xr.Dataset(
        coords={"time": ds["time"].variable}
        | {
            name: ("load", np.array(words, dtype=object), {"long_name": meaning})
            for name, words, meaning in (
                ("load", [load.name for load in loads], "load, in the order of the load file"),
                ("load_kind", [load.kind for load in loads], "what the load asks for"),
                ("load_priority", [load.priority for load in loads], "who is served first"),
            )
        }
    )
    series["time_bnds"] = ds["time_bnds"].variable
    for name in (*FROM_ESTIMATE, "delivered_power_w"):
        series = add(series, name, ds[name].values)
    values = {
        "used_light_power_w": np.maximum(delivered - power_w(flows.charging + flows.curtailed), 0.0),
        "charging_light_power_w": power_w(flows.charging),
        "curtailed_light_power_w": power_w(flows.curtailed),
        "storage_output_power_w": power_w(flows.drawn),
        "storage_loss_power_w": power_w(flows.lost),
        "stored_energy_kwh": flows.stored,
        "storage_capacity_kwh": flows.capacity,
    }
    for name, value in values.items():
        series = add(series, name, value)
    for name, kwh in zip(
        BY_LOAD, (needs.asked_kwh, flows.direct, flows.from_store, flows.unserved), strict=True
    ):
        series = add(series, name, power_w(kwh), ("time", "load"))
    series["stored_energy_kwh"].attrs["at_start_kwh"] = store.start_kwh
    return series


def budget_frame(series: xr.Dataset, words: list[str]) -> pd.DataFrame:
    """One row an interval, both clocks first; columns of a load begin with its word (loads,)."""
    time = series["time"].values
    columns: dict[str, Any] = {
        "time_utc": np.char.add(np.datetime_as_string(time, unit="s"), "Z"),
        "solar_day": solar_day_number(series["local_true_solar_time_hours"].values),
    }
    for name in (*FROM_ESTIMATE, *BY_TIME):
        columns[name] = series[name].values
    for place, word in enumerate(words):
        for name in BY_LOAD:
            columns[f"{word}_{name}"] = series[name].values[:, place]
    return pd.DataFrame(columns)


def column_notes(words: list[str], names: list[str]) -> list[ColumnNote]:
    """What each column of the table holds: column, unit, meaning."""
    notes: list[ColumnNote] = [
        {"column": "time_utc", "unit": "ISO 8601", "meaning": "start of the interval, UTC"},
        {
            "column": "solar_day",
            "unit": "1",
            "meaning": "solar day of the site at the middle of the interval, cut at local midnight, from 0",
        },
    ]
    for name in (*FROM_ESTIMATE, *BY_TIME):
        notes.append(column_note(name, name))
    for word, load in zip(words, names, strict=True):
        notes += [column_note(f"{word}_{name}", name, f"{load}: ") for name in BY_LOAD]
    return notes
