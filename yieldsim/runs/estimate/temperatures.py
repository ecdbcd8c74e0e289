"""Temperatures of ground, cover, fibre, joint and funnel through a run, for a collector that states what they follow from."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.clock import iso
from yieldsim.base.constants import SECONDS_PER_DAY, SECONDS_PER_HOUR
from yieldsim.base.dataset import add
from yieldsim.base.errors import CannotCompute
from yieldsim.base.thermal_model import Thermal
from yieldsim.energy.fibre import fibre_attenuation_fraction, fibre_ends_fraction
from yieldsim.optics.accepted_spectrum import accepted_spectrum
from yieldsim.report.layout.number_format import plain
from yieldsim.runs.setup.prepare import ground_of

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.model import Collector
    from yieldsim.base.results.estimate import PartTemperature, ThermalResult
    from yieldsim.energy.integration import Setting
    from yieldsim.thermal.unit_temperatures import AbsorbedLight, UnitTemperatures

REFERENCE_K = (293.0, 100.0)
"""A warm fibre inside a cold cover: between these an effective emittance is told."""
HOTTEST_K = 5000.0
"""Of temperatures that are told."""
GEL = "gel"
"""Told beside the joint that it fills, at its temperature."""


def with_temperatures(ds: xr.Dataset, setting: Setting) -> tuple[xr.Dataset, ThermalResult | None]:
    """The run's series with temperatures, and what they come to; the series as they are where nothing asks for them."""
    collector, ground = setting.collector, ground_of(setting.site, setting.collector)
    thermal, fibre = collector.thermal, collector.fibre
    if ground is None or thermal is None or fibre is None:
        return ds, None
    from yieldsim.thermal.ground_temperature import ground_temperature_k
    from yieldsim.thermal.unit_temperatures import (
        PARTS,
        Surroundings,
        heat_w,
        unit_network,
        unit_temperatures,
    )

    row_s = float(ds.attrs["interval_s"])
    past = repeated_rows(ds.sizes["time"], row_s, setting.year_days, setting.site.body.mean_solar_day_hours)
    around = Surroundings(
        beam_w_m2=ds["beam_irradiance_w_m2"].values,
        sun_elevation_deg=ds["solar_elevation_deg"].values,
        ground_k=ground_temperature_k(
            ground,
            ds["local_true_solar_time_hours"].values,
            ds["solar_elevation_deg"].values,
            ds["beam_irradiance_w_m2"].values,
            row_s,
            setting.site.body.mean_solar_day_hours * SECONDS_PER_HOUR,
            past,
        ),
    )
    unit = unit_network(thermal, collector.aperture_area_m2, fibre.length_m)
    found: list[UnitTemperatures] = []
    for number, mount in enumerate(collector.mounts):
        light = absorbed_light(ds, collector, thermal, number)
        heat = heat_w(unit, thermal, ground, around, light, mount.tilt_deg)
        found.append(unit_temperatures(unit, heat, row_s, past))
    _refuse_heat(found)
    ds = add(ds, "ground_temperature_k", around.ground_k)
    for part in PARTS:
        series = np.stack([one.kelvin[part] for one in found], axis=1)
        ds = add(ds, f"{part}_temperature_k", series, ("time", "mount"))
    return ds, _told(ds, thermal, found)


def _refuse_heat(found: list[UnitTemperatures]) -> None:
    """Raise CannotCompute where a part gets hotter than any material or than can be told."""
    for one in found:
        for part, series in one.kelvin.items():
            most = float(np.max([series.max(), one.hot_case_k[part]]))
            if not most <= HOTTEST_K:
                raise CannotCompute(
                    f"the {part} comes to {plain(most, 3)} K: its insulation, mouth and conductances don't shed the heat that reaches "
                    "it; check [thermal] of the collector"
                )


def repeated_rows(rows: int, row_s: float, year_days: float, solar_day_hours: float) -> int:
    """Rows at the start of a run that stand for the time before: its first year, else its whole solar days, else all of it."""
    year = round(year_days * SECONDS_PER_DAY / row_s)
    if rows >= year:
        return year
    day = solar_day_hours * SECONDS_PER_HOUR / row_s
    return round(math.floor(rows / day + 1e-6) * day) or rows


def absorbed_light(ds: xr.Dataset, collector: Collector, thermal: Thermal, mount: int) -> AbsorbedLight:
    """Light that one unit of a mount turns to heat in each row."""
    from yieldsim.thermal.unit_temperatures import LOADED_M, AbsorbedLight

    fibre = collector.fibre
    assert fibre is not None
    film = collector.shield.film_transmittance if collector.shield else 1.0
    facing = np.maximum(np.cos(np.radians(ds["incidence_deg"].values[:, mount])), 0.0)
    clean = ds["clean_fraction"].values[:, mount]
    aperture_w = ds["beam_irradiance_w_m2"].values * collector.aperture_area_m2 * facing * film * clean
    each_w = ds["mount_delivered_power_w"].values[:, mount] / collector.mounts[mount].count
    # what stands at the fibre's face is what leaves its far end over all that the fibre leaves
    coloured = "mount_fibre_transmittance" in ds
    entering_w = each_w / (
        ds["mount_fibre_transmittance"].values[:, mount] if coloured else ds["fibre_transmittance"].values
    )
    inside = fibre.packing * fibre.coupling
    metre = replace(fibre, length_m=min(fibre.length_m, LOADED_M))
    kept = fibre_attenuation_fraction(metre, accepted_spectrum(collector.acceptance_table))
    return AbsorbedLight(
        funnel_w=thermal.funnel.absorbed_fraction * aperture_w,
        joint_w=thermal.joint.absorbed_fraction * (1.0 - inside) * entering_w,
        fibre_w=inside * math.sqrt(fibre_ends_fraction(fibre)) * (1.0 - kept) * entering_w,
    )


# ---------------------------------------------------------------- what it comes to


def _told(ds: xr.Dataset, thermal: Thermal, found: list[UnitTemperatures]) -> ThermalResult:
    from yieldsim.thermal.insulation import effective_emittance, radiative_emittance

    insulation, joint = thermal.insulation, thermal.joint
    around = (insulation, thermal.fibre.emittance)
    width_m = thermal.fibre.diameter_mm / 1000.0
    limits = {
        "cover": ("cover", insulation.cover_lowest_k, insulation.cover_highest_k),
        "fibre": ("fibre", thermal.fibre.lowest_k, thermal.fibre.highest_k),
        "joint": ("joint", joint.lowest_k, joint.highest_k),
        GEL: ("joint", joint.gel_lowest_k, joint.gel_highest_k),
        "funnel": ("funnel", thermal.funnel.lowest_k, thermal.funnel.highest_k),
    }
    if joint.gel_lowest_k is None and joint.gel_highest_k is None:
        del limits[GEL]
    ground = ds["ground_temperature_k"].values
    return {
        "radiative_emittance": radiative_emittance(*around, width_m),
        "effective_emittance": effective_emittance(*around, *REFERENCE_K, width_m),
        "effective_between_k": list(REFERENCE_K),
        "ground_coldest_k": float(ground.min()),
        "ground_hottest_k": float(ground.max()),
        "parts": [_part(ds, name, *row, found) for name, row in limits.items()],
    }


def _part(
    ds: xr.Dataset,
    name: str,
    of: str,
    lowest_k: float | None,
    highest_k: float | None,
    found: list[UnitTemperatures],
) -> PartTemperature:
    """One part's extremes over run and mounts, and whether it bears them."""
    series = ds[f"{of}_temperature_k"].values
    low_row, low_mount = np.unravel_index(int(series.argmin()), series.shape)
    high_row, high_mount = np.unravel_index(int(series.argmax()), series.shape)
    coldest, hottest = float(series.min()), float(series.max())
    below = np.zeros(series.shape, dtype=bool) if lowest_k is None else series < lowest_k
    above = np.zeros(series.shape, dtype=bool) if highest_k is None else series > highest_k
    row_hours = float(ds.attrs["interval_s"]) / SECONDS_PER_HOUR
    return {
        "part": name,
        "coldest_k": coldest,
        "coldest_utc": iso(ds["time"].values[low_row]),
        "coldest_mount": int(low_mount) + 1,
        "hottest_k": hottest,
        "hottest_utc": iso(ds["time"].values[high_row]),
        "hottest_mount": int(high_mount) + 1,
        "mean_k": float(series.mean()),
        "cold_case_k": min(one.cold_case_k[of] for one in found),
        "hot_case_k": max(one.hot_case_k[of] for one in found),
        "lowest_k": lowest_k,
        "highest_k": highest_k,
        "hours_too_cold": float(below.any(axis=1).sum()) * row_hours,
        "hours_too_hot": float(above.any(axis=1).sum()) * row_hours,
    }


def thermal_warnings(result: ThermalResult | None, setting: Setting, run_hours: float) -> list[str]:
    """Limits that are passed, a run too short to know its past, and what of air is left out."""
    if result is None:
        return []
    body, lines = setting.site.body, []
    if run_hours < body.mean_solar_day_hours:
        lines.append(
            f"the run is shorter than a solar day of {body.name} ({body.mean_solar_day_hours:.0f} h): its temperatures begin as if "
            "all the time before had been like it"
        )
    for part in result["parts"]:
        for word, end, limit_k, hours in (
            ("cold", "coldest", part["lowest_k"], part["hours_too_cold"]),
            ("hot", "hottest", part["highest_k"], part["hours_too_hot"]),
        ):
            if limit_k is None:
                continue
            kelvin, case_k = part[f"{end}_k"], part["hot_case_k"]  # type: ignore[literal-required]
            when = part[f"{end}_utc"][:16].replace("T", " ")  # type: ignore[literal-required]
            reaches = f"the {part['part']} gets too {word}: {kelvin:.0f} K on {when} UTC, limit {limit_k:g} K"
            if hours > 0.0:
                lines.append(f"{reaches}; past it for {hours:.0f} h of the run")
            elif word == "hot" and case_k > limit_k:
                lines.append(
                    f"the {part['part']} stays within its limit of {limit_k:g} K in this run ({kelvin:.0f} K), but its "
                    f"hot case, held for ever, comes to {case_k:.0f} K"
                )
    if body.atmosphere_scale_height_km is not None:
        lines.append(
            "temperatures leave out the heat that air carries away, and the gas between the layers of insulation"
        )
    return lines
