"""Whether a Dataset is the whole result of an estimate: every variable there, of its shape and type, finite, in step.

A saved file is held to its declared size before anything of it is read, and its series to the totals beside them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.dataset import spoilt
from yieldsim.base.errors import Problem, refusal, refuse

if TYPE_CHECKING:
    import xarray as xr

ESTIMATE_SCHEMA = "yieldsim estimate 1"
AGAIN = "altered or damaged since; run the estimate again"

TIME, MOUNT = ("time",), ("mount",)
SHAPES: dict[str, tuple[str, ...]] = {
    "time": TIME,
    "time_bnds": ("time", "bnds"),
    **dict.fromkeys(("mount_tilt_deg", "mount_azimuth_deg", "mount_roll_deg", "mount_count"), MOUNT),
    **dict.fromkeys(("horizon_azimuth_deg", "horizon_elevation_deg"), ("horizon",)),
    "stage": ("stage",),
    "stage_power_w": ("time", "stage"),
    **dict.fromkeys(("incidence_deg", "clean_fraction", "mount_delivered_power_w"), ("time", "mount")),
    **dict.fromkeys(
        (
            *("solar_azimuth_deg", "solar_elevation_deg", "sun_distance_au", "sun_angular_radius_deg"),
            *("solar_longitude_deg", "local_true_solar_time_hours", "open_horizon_fraction"),
            *(
                "uneclipsed_fraction",
                "disc_visible_fraction",
                "solar_irradiance_w_m2",
                "beam_irradiance_w_m2",
            ),
            *("fibre_transmittance", "delivered_power_w", "sun_following_power_w", "delivering_fraction"),
            "shield_power_w",
        ),
        TIME,
    ),
}
"""Dimensions of what every estimate holds; budgets and reports read them."""
OPTIONAL = {
    "mount_light_left_fraction": MOUNT,
    **dict.fromkeys(
        (
            "optical_depth",
            "beam_transmittance",
            "dust_load_days",
            "lens_transmittance",
            "ground_temperature_k",
        ),
        TIME,
    ),
    **dict.fromkeys(
        (
            "mount_fibre_transmittance",
            "cover_temperature_k",
            "fibre_temperature_k",
            "joint_temperature_k",
            "funnel_temperature_k",
        ),
        ("time", "mount"),
    ),
}
ROUND_CURVE = dict.fromkeys(("acceptance_incidence_deg", "acceptance_curve_fraction"), ("incidence",))
GRID_CURVE = {
    "acceptance_transverse_deg": ("transverse",),
    "acceptance_longitudinal_deg": ("longitudinal",),
    "acceptance_grid_fraction": ("transverse", "longitudinal"),
}
ROUND_ENERGY = {"acceptance_energy_fraction": ("incidence",)}
GRID_ENERGY = {"acceptance_energy_fraction": ("transverse", "longitudinal")}
"""Of optics with colour: the acceptance that energies are computed with."""
TEXTS, MOMENTS = ("stage",), ("time", "time_bnds")
RANGES = {
    **dict.fromkeys(("mount_tilt_deg", "mount_azimuth_deg", "mount_roll_deg"), (-720.0, 720.0)),
    "mount_count": (1.0, 1e7),
    "horizon_azimuth_deg": (0.0, 360.0),
    "horizon_elevation_deg": (-90.0, 90.0),
    "acceptance_incidence_deg": (0.0, 180.0),
    "acceptance_transverse_deg": (-90.0, 90.0),
    "acceptance_longitudinal_deg": (-90.0, 90.0),
    "acceptance_curve_fraction": (0.0, 1.0),
    "acceptance_grid_fraction": (0.0, 1.0),
    "acceptance_energy_fraction": (0.0, 1.0),
}
"""Of variables outside the vocabulary."""
RISING = (
    *("horizon_azimuth_deg", "acceptance_incidence_deg", "acceptance_transverse_deg"),
    "acceptance_longitudinal_deg",
)
LARGEST_VALUE = 1e15
"""No angle, share or power of a collector comes near this, and sums of it stay finite."""
MOST_BYTES = 1 << 30
"""Values of a whole run: some sixty years of hours with nine mounts are a quarter of a gigabyte."""
MOST_CHUNK_BYTES = 1 << 28
MOST_VARIABLES = 1000
FIRST_YEAR, LAST_YEAR = 1700, 2300
SAME_TOTAL = 1e-6
"""Rounding between a total and the sum of its series."""


def declared_problems(path: Path, where: str) -> list[Problem]:
    """What forbids to load a NetCDF file: more values than any estimate has, or pieces too large to unpack.

    Raises whatever the library raises on a damaged file.
    """
    import netCDF4

    with netCDF4.Dataset(path) as file:
        if len(file.variables) > MOST_VARIABLES:
            found = f"declares {len(file.variables)} variables"
            return [Problem(where, found=found, allowed=f"up to {MOST_VARIABLES}", hint=AGAIN)]
        total, problems = 0, []
        for name, variable in file.variables.items():
            width = 64 if variable.dtype is str else np.dtype(variable.dtype).itemsize
            total += math.prod(variable.shape) * width
            chunk = variable.chunking() if variable.ndim else "contiguous"
            pieces = math.prod(chunk) * width if isinstance(chunk, list) else 0
            if pieces > MOST_CHUNK_BYTES:
                found = f"is stored in pieces of {pieces / 1e9:.3g} GB"
                allowed = f"up to {MOST_CHUNK_BYTES / 1e9:.3g} GB"
                problems.append(Problem(where, name, found, allowed, AGAIN))
        if total > MOST_BYTES:
            sizes = ", ".join(f"{name} {len(size)}" for name, size in file.dimensions.items())
            found = f"declares {total / 1e9:.3g} GB of values ({sizes})"
            allowed = f"up to {MOST_BYTES / 1e9:.3g} GB"
            problems.insert(0, Problem(where, found=found, allowed=allowed, hint=AGAIN))
    return problems


def refuse_other(ds: xr.Dataset, where: str) -> None:
    """Raise InputError for a Dataset that is not the result of an estimate, or no longer."""
    try:
        schema = json.loads(ds.attrs["summary"])["schema"]
    except (KeyError, TypeError, ValueError, RecursionError):
        schema = ""
    if schema != ESTIMATE_SCHEMA:
        hint = f'it is one of "{schema}"' if isinstance(schema, str) and schema else ""
        raise refusal(where, found="is not a result of yieldsim estimate", hint=hint)
    problems = list(_structure(ds, where)) or [*_values(ds, where), *_steps(ds, where)]
    refuse(problems)


def total_problems(ds: xr.Dataset, summary: Mapping[str, Any], where: str) -> list[Problem]:
    """Where the series of an estimate no longer add up to the totals of its summary."""
    hours = float(ds.attrs["interval_s"]) / 3600.0
    problems: list[Problem] = []
    rows, whole = ds.sizes["time"], round(float(summary["days"]) * 24.0 / hours)
    if rows != whole:
        hint = "for a part of a run give estimate its start and end"
        return [Problem(where, "time", f"has {rows} of the {whole} rows of the run", hint=hint)]
    for key, name in (("delivered_kwh", "delivered_power_w"), ("sun_following_kwh", "sun_following_power_w")):
        said, summed = summary[key], float(ds[name].values.sum()) * hours / 1000.0
        if abs(summed - said) > SAME_TOTAL * max(abs(summed), abs(said)):
            found = f"adds up to {summed:.7g} kWh, and summary {key} says {said:.7g}"
            problems.append(Problem(where, name, found, hint=AGAIN))
    first, units = (
        str(ds["time"].values[0].astype("datetime64[s]")) + "Z",
        int(ds["mount_count"].values.sum()),
    )
    for key, said, own in (
        ("start_utc", summary["start_utc"], first),
        ("collector unit_count", summary["collector"]["unit_count"], units),
    ):
        if said != own:
            problems.append(
                Problem(where, f"summary {key}", f"is {said}, and the series say {own}", hint=AGAIN)
            )
    return problems


def _structure(ds: xr.Dataset, where: str) -> Iterator[Problem]:
    """Variables and attributes that are missing, of another shape or type."""
    grid = "acceptance_grid_fraction" in ds.variables
    wanted = SHAPES | (GRID_CURVE if grid else ROUND_CURVE)
    optional = OPTIONAL | (GRID_ENERGY if grid else ROUND_ENERGY)
    for name in (*wanted, *(name for name in optional if name in ds.variables)):
        if name not in ds.variables:
            yield Problem(where, name, "is missing", hint=AGAIN)
            continue
        variable, dims = ds[name], (wanted | optional)[name]
        if variable.dims != dims:
            found = f"has the dimensions ({', '.join(map(str, variable.dims))})"
            yield Problem(where, name, found, f"({', '.join(dims)})", AGAIN)
        elif not variable.size:
            yield Problem(where, name, "is empty", hint=AGAIN)
        elif not _of_its_type(name, variable.values):
            kind = "text" if name in TEXTS else "moments" if name in MOMENTS else "numbers"
            yield Problem(where, name, f"holds values of the type {variable.dtype}", kind, AGAIN)
    for name in ("source", "history"):
        if not isinstance(ds.attrs.get(name), str):
            yield Problem(where, name, "is missing" if name not in ds.attrs else "is no text", hint=AGAIN)
    interval_s = ds.attrs.get("interval_s")
    if interval_s is None:
        yield Problem(where, "interval_s", "is missing", hint=AGAIN)
    elif not _is_interval(interval_s):
        allowed = "whole minutes, 60 to 86400 s"
        yield Problem(where, "interval_s", f"is {str(interval_s)[:40]!r}", allowed, AGAIN)


def _of_its_type(name: str, values: Any) -> bool:
    kind = values.dtype.kind
    if name in TEXTS:
        return kind == "U" or (kind == "O" and all(isinstance(value, str) for value in values.ravel()))
    if name in MOMENTS:
        return bool(kind == "M")
    return bool(kind in "fiu")


def _is_interval(value: Any) -> bool:
    try:
        seconds = float(value)
    except (TypeError, ValueError):
        return False
    return 60.0 <= seconds <= 86_400.0 and seconds % 60.0 == 0.0


def _values(ds: xr.Dataset, where: str) -> Iterator[Problem]:
    """Numbers that are none, out of their range, or that don't rise where they must."""
    bad = set(spoilt(ds))
    for name in ds.variables:
        values = ds[name].values
        if values.dtype.kind not in "fiu" or not values.size:
            continue
        low, high = RANGES.get(str(name), (-LARGEST_VALUE, LARGEST_VALUE))
        if name in bad or not (values.min() >= low and values.max() <= high):
            yield Problem(where, str(name), "holds what is no number or out of its range", hint=AGAIN)
        elif name in RISING and (np.diff(values) <= 0.0).any():
            yield Problem(where, str(name), "does not increase", hint=AGAIN)


def _steps(ds: xr.Dataset, where: str) -> Iterator[Problem]:
    """Moments that don't follow each other by the interval, or lie in no year that a run may have."""
    time, bounds = ds["time"].values.astype("datetime64[ns]"), ds["time_bnds"].values.astype("datetime64[ns]")
    interval = np.timedelta64(int(float(ds.attrs["interval_s"])), "s")
    if np.isnat(time).any() or np.isnat(bounds).any():
        yield Problem(where, "time", "holds what is no moment", hint=AGAIN)
        return
    years = time[[0, -1]].astype("datetime64[Y]").astype(int) + 1970
    if not FIRST_YEAR <= years.min() <= years.max() <= LAST_YEAR:
        found = f"runs from the year {years[0]} to {years[1]}"
        yield Problem(where, "time", found, f"years {FIRST_YEAR} to {LAST_YEAR}", AGAIN)
    elif (np.diff(time) != interval).any():
        row = int(np.flatnonzero(np.diff(time) != interval)[0])
        found = f"goes from {str(time[row])[:19]} to {str(time[row + 1])[:19]}"
        yield Problem(where, "time", found, f"steps of interval_s, {interval.astype(int)} s", AGAIN)
    elif bounds.shape[1] != 2 or (bounds[:, 0] != time).any() or (bounds[:, 1] != time + interval).any():
        yield Problem(where, "time_bnds", "are not the ends of the intervals of time", hint=AGAIN)
