"""Made-up estimates with the whole schema: a crude Sun and chain. No number here is physics."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import xarray as xr

from yieldsim.base import dataset as base_dataset
from yieldsim.base.numerics import vectors
from yieldsim.report.estimate import pages
from yieldsim.report.layout.panel import Panel

STAGES = (
    "sunlight",
    "eclipse",
    "terrain",
    "atmosphere",
    "projection",
    "shield film",
    "dust",
    "acceptance",
    "fibre packing",
    "fibre coupling",
    "fibre ends",
    "fibre attenuation",
    "fibre darkening",
)
WORLDS = {
    # solar day in hours, year in days, tilt of the axis, distance, its swing
    "moon": (708.73, 346.62, 1.54, 1.0, 0.017),
    "mars": (24.6597, 686.98, 25.19, 1.524, 0.093),
    "mercury": (4222.6, 87.97, 0.03, 0.387, 0.206),
    "earth": (24.0, 365.25, 23.44, 1.0, 0.017),
}
POLAR_MASK = (
    np.arange(0.0, 360.0, 5.0),
    1.6 * np.exp(-(((np.arange(0.0, 360.0, 5.0) - 75.0) / 22.0) ** 2))
    + 2.4 * np.exp(-(((np.arange(0.0, 360.0, 5.0) - 305.0) / 14.0) ** 2))
    + 0.3 * np.sin(np.radians(7.0 * np.arange(0.0, 360.0, 5.0)))
    - 0.7,
)
FLAT_MASK = (np.array([0.0, 90.0, 180.0, 270.0]), np.full(4, -0.2))
HILLY_MASK = (
    np.arange(0.0, 360.0, 2.0),
    4.0 + 4.0 * np.sin(np.radians(2.0 * np.arange(0.0, 360.0, 2.0))) ** 3,
)


def estimate(
    *,
    body: str = "moon",
    latitude_deg: float = -89.45,
    mounts: tuple[tuple[float, float, float, int], ...] = ((88.0, 180.0, 0.0, 1),),
    biaxial: bool = False,
    half_width_deg: float = 12.0,
    start: str = "2026-01-01",
    hours: int = 8760,
    mask: tuple[np.ndarray, np.ndarray] = POLAR_MASK,
    name: str = "Lantern Ridge",
    collector: str = "Half-metre lens with funnel",
    all_dark: bool = False,
    mass_kg: float | None = 14.0,
    with_etendue: bool = True,
    warnings: tuple[str, ...] = (),
    dusty: bool = True,
) -> xr.Dataset:
    """An estimate Dataset of a world that behaves roughly like `body`."""
    solar_day, year_days, obliquity, distance, swing = WORLDS[body]
    time = np.datetime64(start, "ns") + np.arange(hours) * np.timedelta64(3_600_000_000_000, "ns")
    middle_h = np.arange(hours) + 0.5

    def sun(at_h: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        season = (2.0 * np.pi * at_h / 24.0 / year_days) % (2.0 * np.pi)
        lat, dec = np.radians(latitude_deg), np.radians(obliquity * np.sin(season))
        hour_angle = 2.0 * np.pi * (at_h / solar_day - 0.375)
        east = -np.cos(dec) * np.sin(hour_angle)
        north = np.cos(lat) * np.sin(dec) - np.sin(lat) * np.cos(dec) * np.cos(hour_angle)
        up = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour_angle)
        return season, (at_h / solar_day * 24.0 + 3.0) % 24.0, np.stack([east, north, up], axis=-1)

    season, solar_time, enu = sun(middle_h)
    azimuth, elevation = vectors.azimuth_elevation_deg(enu)
    sun_au = distance * (1.0 - swing * np.cos(season - 4.3))
    radius = 0.2666 / sun_au
    irradiance = 1361.0 / sun_au**2
    eclipsed = (np.arange(hours) % 4300 > 4295) & (body == "moon")
    over, clear = [], []
    for part in (-0.375, -0.125, 0.125, 0.375):
        way, height = vectors.azimuth_elevation_deg(sun(middle_h + part)[2])
        skyline = np.interp(way, np.append(mask[0], 360.0), np.append(mask[1], mask[1][0]))
        over.append(np.clip((height + 0.2 + radius) / (2.0 * radius), 0.0, 1.0))
        clear.append(np.clip((height - skyline + radius) / (2.0 * radius), 0.0, 1.0))
    opened = np.mean(over, axis=0)
    uneclipsed = opened * np.where(eclipsed, 0.2, 1.0)
    visible = np.minimum(np.mean(clear, axis=0), uneclipsed)
    if all_dark:
        visible = np.zeros(hours)
    air = body in ("mars", "earth")
    transmittance = np.where(
        elevation > 0, np.exp(-0.5 / np.maximum(np.sin(np.radians(elevation)), 0.02)), 0.0
    )
    beam = irradiance * visible * (transmittance if air else 1.0)

    area, loss_per_hour = 0.196, (6e-6 if dusty else 0.0)
    across = np.arange(0.0, 3.0 * half_width_deg + 0.1, 0.5)
    round_curve = 0.86 / (1.0 + (across / half_width_deg) ** 8)
    transverse, longitudinal = np.arange(0.0, 60.1, 1.0), np.arange(0.0, 80.1, 2.0)
    grid = 0.8 * np.outer(
        1.0 / (1.0 + (transverse / half_width_deg) ** 8), 1.0 / (1.0 + (longitudinal / 45.0) ** 6)
    )
    stages = {stage: np.zeros(hours) for stage in STAGES}
    incidence = np.zeros((hours, len(mounts)))
    by_mount = np.zeros((hours, len(mounts)))
    clean = np.exp(-loss_per_hour * middle_h)
    fibre = np.full(hours, 10 ** (-8.0 * 0.03 / 10.0)) * np.exp(-1e-7 * middle_h)
    follower = np.zeros(hours)
    for index, (tilt, facing, roll, count) in enumerate(mounts):
        axes = vectors.mount_axes_enu_xyz(tilt, facing, roll)
        along = enu @ axes.T
        incidence[:, index] = vectors.angle_between_deg(enu, axes[2][None, :])
        cosine = np.maximum(along[:, 2], 0.0)
        if biaxial:
            t = np.degrees(np.arctan2(np.abs(along[:, 0]), along[:, 2]))
            el = np.degrees(np.arctan2(np.abs(along[:, 1]), along[:, 2]))
            accepted = np.interp(t, transverse, grid[:, 0], right=0.0) / 0.8
            accepted = accepted * np.interp(el, longitudinal, grid[0], right=0.0)
        else:
            accepted = np.interp(incidence[:, index], across, round_curve, right=0.0)
        factors = {
            "sunlight": irradiance * opened * area * count,
            "eclipse": np.divide(uneclipsed, opened, out=np.ones(hours), where=opened > 0),
            "terrain": np.divide(visible, uneclipsed, out=np.zeros(hours), where=uneclipsed > 0),
            "atmosphere": transmittance if air else np.ones(hours),
            "projection": cosine,
            "shield film": np.full(hours, 0.93),
            "dust": clean,
            "acceptance": accepted,
            "fibre packing": np.full(hours, 0.85),
            "fibre coupling": np.ones(hours),
            "fibre ends": np.full(hours, 0.931),
            "fibre attenuation": np.full(hours, 10 ** (-8.0 * 0.03 / 10.0)),
            "fibre darkening": np.exp(-1e-7 * middle_h),
        }
        power = np.ones(hours)
        for stage in STAGES:
            power = power * factors[stage]
            stages[stage] += power
        by_mount[:, index] = power
        follower += beam * area * count * 0.93 * clean * 0.86 * 0.85 * 0.931 * fibre
    delivered = by_mount.sum(axis=1)
    delivering = (delivered > 1e-6).astype(float)

    ds = xr.Dataset(
        coords={
            "time": ("time", time, {"bounds": "time_bnds", "standard_name": "time"}),
            "mount": np.arange(len(mounts)),
            "stage": list(STAGES),
        }
    )
    ds["time_bnds"] = (("time", "bnds"), np.stack([time, time + np.timedelta64(1, "h")], axis=1))
    hourly = {
        "solar_azimuth_deg": azimuth,
        "solar_elevation_deg": elevation,
        "sun_distance_au": sun_au,
        "sun_angular_radius_deg": radius,
        "solar_longitude_deg": np.degrees(season),
        "local_true_solar_time_hours": solar_time,
        "solar_irradiance_w_m2": irradiance,
        "open_horizon_fraction": opened,
        "uneclipsed_fraction": uneclipsed,
        "disc_visible_fraction": visible,
        "beam_irradiance_w_m2": beam,
        "fibre_transmittance": fibre,
        "delivered_power_w": delivered,
        "sun_following_power_w": follower,
        "shield_power_w": np.full(hours, 0.03),
        "delivering_fraction": delivering,
    }
    if air:
        hourly |= {"optical_depth": np.full(hours, 0.5), "beam_transmittance": transmittance}
    for key, values in hourly.items():
        ds = base_dataset.add(ds, key, values)
    ds = base_dataset.add(ds, "incidence_deg", incidence, ("time", "mount"))
    ds = base_dataset.add(ds, "clean_fraction", np.repeat(clean[:, None], len(mounts), 1), ("time", "mount"))
    ds = base_dataset.add(ds, "mount_delivered_power_w", by_mount, ("time", "mount"))
    ds = base_dataset.add(ds, "stage_power_w", np.stack(list(stages.values()), axis=1), ("time", "stage"))
    for column, key in enumerate(("mount_tilt_deg", "mount_azimuth_deg", "mount_roll_deg", "mount_count")):
        ds[key] = ("mount", np.array([mount[column] for mount in mounts]))
    ds["horizon_azimuth_deg"], ds["horizon_elevation_deg"] = ("horizon", mask[0]), ("horizon", mask[1])
    if biaxial:
        ds["acceptance_transverse_deg"] = ("transverse", transverse)
        ds["acceptance_longitudinal_deg"] = ("longitudinal", longitudinal)
        ds["acceptance_grid_fraction"] = (("transverse", "longitudinal"), grid)
    else:
        ds["acceptance_incidence_deg"] = ("incidence", across)
        ds["acceptance_curve_fraction"] = ("incidence", round_curve)
    ds.attrs["summary"] = json.dumps(
        summary_of(
            ds,
            site={"name": name, "body": body, "latitude_deg": latitude_deg, "longitude_deg": 222.69,
                  "elevation_m": 1950.0, "mast_height_m": 10.0},
            collector={"name": collector, "aperture_area_m2": area, "unit_count": sum(m[3] for m in mounts),
                       "mass_kg": mass_kg},
            with_etendue=with_etendue,
            warnings=warnings,
        )
    )  # fmt: skip
    return ds


def summary_of(
    ds: xr.Dataset,
    *,
    site: dict[str, Any],
    collector: dict[str, Any],
    with_etendue: bool,
    warnings: tuple[str, ...],
) -> dict[str, Any]:
    """The summary that belongs to the series."""
    delivered = ds["delivered_power_w"].values
    hours = delivered.size
    kwh = float(delivered.sum() / 1000.0)
    follower = float(ds["sun_following_power_w"].sum() / 1000.0)
    area = collector["aperture_area_m2"] * collector["unit_count"]
    time = ds["time"].values
    stop = time[-1] + np.timedelta64(1, "h")
    iso = lambda moment: f"{np.datetime_as_string(moment, unit='s')}Z"  # noqa: E731
    edges = np.flatnonzero(np.diff(np.concatenate([[1], (delivered > 1e-6).astype(int), [1]])))
    runs = sorted(zip(edges[::2], edges[1::2], strict=True), key=lambda run: run[0] - run[1])[:10]
    gaps = [
        {
            "start_utc": iso(time[a]),
            "end_utc": iso(time[b - 1] + np.timedelta64(1, "h")),
            "hours": float(b - a),
        }
        for a, b in runs
    ]
    months = time.astype("datetime64[M]")
    return {
        "schema": "yieldsim estimate 1",
        "site": site,
        "collector": collector,
        "start_utc": iso(time[0]),
        "end_utc": iso(stop),
        "days": hours / 24.0,
        "delivered_kwh": kwh,
        "delivered_kwh_per_m2": kwh / area,
        "delivered_kwh_per_kg": kwh / collector["mass_kg"] if collector["mass_kg"] else None,
        "mean_power_w": float(delivered.mean()),
        "peak_power_w": float(delivered.max()),
        "ledger": [
            {"stage": stage, "kwh": float(ds["stage_power_w"].sel(stage=stage).sum() / 1000.0)}
            for stage in STAGES
        ],
        "hours_delivering": float((delivered > 1e-6).sum()),
        "longest_gap_hours": gaps[0]["hours"] if gaps else 0.0,
        "longest_gap_start_utc": gaps[0]["start_utc"] if gaps else None,
        "longest_gap_end_utc": gaps[0]["end_utc"] if gaps else None,
        "gaps": gaps,
        "capture_fraction": kwh / follower if follower else 0.0,
        "sun_following_kwh": follower,
        "etendue_limited_kwh": 1.4 * kwh if with_etendue else None,
        "shield_kwh_electric": float(ds["shield_power_w"].sum() / 1000.0),
        "monthly_kwh": [
            {"month": str(month), "kwh": float(delivered[months == month].sum() / 1000.0)}
            for month in np.unique(months)
        ],
        "convergence": {"step_s": 600.0, "relative_change": 2.3e-5, "tolerance": 1e-3},
        "etendue": {"limit_m2_sr": 3.27e-4, "used_m2_sr": 2.1e-4, "used_fraction": 0.642}
        if with_etendue
        else None,
        "warnings": list(warnings),
        "cautions": [],
        "provenance": {
            "version": "0.1.0",
            "inputs": [
                {"role": "site", "name": "lantern-ridge.toml", "sha256": "3f2a" * 16, "note": ""},
                {"role": "collector", "name": "half-metre.toml", "sha256": "91bc" * 16, "note": ""},
                {"role": "horizon", "name": "lantern-ridge.horizon.csv", "sha256": "07de" * 16, "note": ""},
            ],
            "kernels": [
                {
                    "role": "ephemeris",
                    "name": "de421.bsp",
                    "sha256": "a1b2" * 16,
                    "note": "1899-07-29 to 2053-10-09",
                },
                {
                    "role": "orientation",
                    "name": "moon_pa_de421_1900-2050.bpc",
                    "sha256": "c3d4" * 16,
                    "note": "",
                },
            ],
            "options": {"step_s": 600.0, "tolerance": 0.001, "report": True},
        },
    }


CASES: dict[str, dict[str, Any]] = {
    "lunar polar year": {},
    "lunar polar year, three mounts": {
        "mounts": ((88.0, 90.0, 0.0, 4), (90.0, 210.0, 0.0, 2), (86.0, 330.0, 0.0, 1)),
        "half_width_deg": 30.0,
        "warnings": (
            "acceptance table: reaches 1.3 times what etendue allows; check its normalisation",
        ),
    },
    "lunar equatorial year": {
        "latitude_deg": 1.2, "mounts": ((0.0, 0.0, 0.0, 12),), "biaxial": True, "mask": FLAT_MASK,
        "name": "Quiet Mare", "with_etendue": False,
    },
    "martian year": {
        "body": "mars", "latitude_deg": 18.4, "mounts": ((20.0, 180.0, 0.0, 6), (35.0, 120.0, 0.0, 3)),
        "biaxial": True, "mask": HILLY_MASK, "hours": 16488, "name": "Red Plain", "half_width_deg": 20.0,
    },
    "lunar polar decade": {"hours": 87660, "half_width_deg": 25.0},
    "martian decade": {
        "body": "mars", "latitude_deg": -40.0, "mounts": ((40.0, 0.0, 0.0, 1),), "half_width_deg": 30.0,
        "mask": FLAT_MASK, "hours": 87660, "mass_kg": None, "with_etendue": False,
    },
    "three martian days": {
        "body": "mars", "latitude_deg": 18.4, "mounts": ((15.0, 180.0, 0.0, 1),), "mask": FLAT_MASK,
        "hours": 72,
    },
    "three lunar days of Earth": {"hours": 72, "start": "2026-03-04"},
    "one day": {"body": "mars", "hours": 24, "latitude_deg": 5.0, "mounts": ((0.0, 0.0, 0.0, 1),),
                 "mask": FLAT_MASK, "half_width_deg": 40.0},
    "all dark": {"all_dark": True},
    "mercury year": {"body": "mercury", "latitude_deg": 85.0, "mounts": ((85.0, 180.0, 0.0, 1),),
                     "half_width_deg": 35.0},
    "earth year": {"body": "earth", "latitude_deg": 37.0, "mounts": ((37.0, 180.0, 0.0, 1),),
                   "half_width_deg": 30.0, "mask": HILLY_MASK},
}  # fmt: skip


@pytest.fixture(scope="session")
def make_estimate() -> Callable[..., xr.Dataset]:
    """The factory: by the name of a case, made once and copied, or by its own arguments."""
    made: dict[str, xr.Dataset] = {}

    def make(case: str | None = None, **changes: Any) -> xr.Dataset:
        if case is None or changes:
            return estimate(**{**(CASES[case] if case else {}), **changes})
        if case not in made:
            made[case] = estimate(**CASES[case])
        return made[case].copy(deep=True)

    return make


@pytest.fixture(scope="session")
def report(make_estimate: Callable[..., xr.Dataset]) -> Callable[[str], Any]:
    """The opened PDF of a case, made once."""
    pymupdf = pytest.importorskip("pymupdf")
    made: dict[str, Any] = {}

    def opened(case: str) -> Any:
        if case not in made:
            made[case] = pymupdf.open(stream=pages.report_pdf(make_estimate(case)))
        return made[case]

    return opened


@pytest.fixture
def blank_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures of their size with nothing drawn: for the words around them."""

    def blank(panel: Panel) -> bytes:
        size = f'width="{panel.width_in}in" height="{panel.height_in}in"'
        return f'<svg xmlns="http://www.w3.org/2000/svg" {size}/>'.encode()

    monkeypatch.setattr(Panel, "svg", blank)
