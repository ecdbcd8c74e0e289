"""What the page computes with: a saved estimate as words (JSON) and arrays."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.errors import Problem, refusal, refuse
from yieldsim.base.model import Acceptance, BiaxialAcceptance, RoundAcceptance
from yieldsim.energy.row_interpolation import light_shares, steps_a_row, turning_of
from yieldsim.report.layout.period_text import period_line
from yieldsim.report.layout.time_axis import solar_day_word
from yieldsim.report.page.packed_arrays import shares_16, turns_16
from yieldsim.runs.page.optics import optics_tables

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.runs.budget.inputs import BudgetCase

Words = dict[str, Any]
Arrays = dict[str, NDArray[Any]]
TURNS = ("light_order", "light_turn", "store_order", "store_turn")
BEST = ("goal", "words", "tilt_deg", "azimuth_deg", "roll_deg", "annual_kwh", "longest_gap_hours")
"""What of the best orientations the page tells."""
ANGLE_STEPS_PER_DEG = 1e5
"""Angles of the Sun travel as whole numbers of these."""


def light_payload(ds: xr.Dataset, summary: Mapping[str, Any]) -> tuple[Words, Arrays]:
    """Everything but budget and facings. Raises InputError for an estimate of an earlier version, which lacks its chain."""
    chain = summary.get("chain")
    if chain is None:
        hint = "made by an earlier version; run the estimate again"
        raise refusal("estimate", "summary chain", "is missing", hint=hint)
    row_hours = float(ds.attrs["interval_s"]) / 3600.0
    rows = ds.sizes["time"]
    azimuth, elevation = ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values
    turning = turning_of(
        azimuth, elevation, row_hours, chain["latitude_planetographic_deg"], chain["mean_solar_day_hours"]
    )
    steps = steps_a_row(row_hours, chain["mean_solar_day_hours"], rows)
    radius = ds["sun_angular_radius_deg"].values
    fibre, visible = ds["fibre_transmittance"].values, ds["disc_visible_fraction"].values
    lens = ds["lens_transmittance"].values if "lens_transmittance" in ds.variables else None
    if lens is not None:
        fibre = fibre * lens
    optics, tables = optics_tables(acceptance_of(ds, chain), radius)
    own_words: Words = {}
    if "acceptance_energy_fraction" in ds.variables:
        # the ledger tells what the optics accept apart from what the fibre leaves of those colours
        alone = ds.drop_vars("acceptance_energy_fraction")
        own_words["own_optics"], own = optics_tables(acceptance_of(alone, chain), radius)
        tables["own_acceptance"] = own["acceptance"]
    arrays: Arrays = {
        "sun_azimuth": _whole(azimuth),
        "sun_elevation": _whole(elevation),
        "solar_time": turns_16(ds["local_true_solar_time_hours"].values, 24.0),
        "solar_longitude": turns_16(ds["solar_longitude_deg"].values, 360.0),
        "visible": shares_16(visible, 1.0),
        "beam": ds["beam_irradiance_w_m2"].values.astype(np.float32),
        "delivered": ds["delivered_power_w"].values.astype(np.float32),
        "share": shares_16(light_shares(ds, chain, turning, steps), 1.0),
        "fibre": shares_16(fibre, float(fibre.max())),
        "skyline_azimuth": _whole(ds["horizon_azimuth_deg"].values),
        "skyline_elevation": _whole(ds["horizon_elevation_deg"].values),
        **tables,
    }
    if lens is not None:
        arrays["lens"] = shares_16(lens, 1.0)
    if optics["radii_deg"][1:]:
        spread = (radius - radius.min()) / max(float(np.ptp(radius)), 1e-12)
        arrays["radius"] = shares_16(spread, 1.0)
    words: Words = {
        "title": ds.attrs.get("title", ""),
        "rows": rows,
        "row_hours": row_hours,
        "steps": steps,
        "start_ms": int(ds["time"].values[0].astype("datetime64[ms]").astype(np.int64)),
        "latitude_deg": turning.latitude_deg,
        "rate_deg_per_hour": turning.rate_deg_per_hour,
        "angle_steps_per_deg": ANGLE_STEPS_PER_DEG,
        "fibre_top": float(fibre.max()),
        "chain": chain,
        "optics": optics,
        **own_words,
        "mounts": mounts_of(ds),
        "clean": chain["dust"] is None,
        "period": period_line(summary),
        "solar_day": list(solar_day_word(summary["site"]["body"])),
        "months": summary.get("period", {}).get("year") == "year",
        "summary": _told(summary),
    }
    if chain["dust"] is not None:
        load = ds["dust_load_days"].values
        words["dust_top_days"] = float(load.max())
        arrays["dust"] = shares_16(load, float(load.max()))
    return words, arrays


def mounts_of(ds: xr.Dataset) -> list[Words]:
    """Mounts in the order of the collector file."""
    names = ("tilt_deg", "azimuth_deg", "roll_deg", "count")
    columns = [ds[f"mount_{name}"].values.tolist() for name in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def acceptance_of(ds: xr.Dataset, chain: Words) -> Acceptance:
    """The acceptance table that the estimate's energies were computed with."""
    energy = ds["acceptance_energy_fraction"].values if "acceptance_energy_fraction" in ds.variables else None
    source = chain["acceptance_source"]
    if "acceptance_grid_fraction" in ds.variables:
        return BiaxialAcceptance(
            transverse_deg=ds["acceptance_transverse_deg"].values,
            longitudinal_deg=ds["acceptance_longitudinal_deg"].values,
            acceptance_fraction=ds["acceptance_grid_fraction"].values if energy is None else energy,
            source=source,
        )
    return RoundAcceptance(
        incidence_deg=ds["acceptance_incidence_deg"].values,
        acceptance_fraction=ds["acceptance_curve_fraction"].values if energy is None else energy,
        source=source,
    )


def budget_payload(case: BudgetCase) -> tuple[Words, Arrays]:
    """Loads and store of a budget, as `planning.habitat.dispatch` takes them."""
    plan, needs, store = case.plan, case.needs, case.store
    storage = plan.storage
    words: Words = {
        "name": plan.name,
        "reliability": plan.reliability,
        "reliability_of": plan.reliability_of,
        "units": case.units,
        "loads": [
            {
                "name": load.name,
                "kind": load.kind,
                "priority": load.priority,
                "rank": int(needs.rank[j]),
                "direct_efficiency": float(needs.direct_efficiency[j]),
                "store_efficiency": float(needs.store_efficiency[j]),
                "window_rows": int(needs.window_rows[j]),
                "most_kwh": _limit(float(needs.most_kwh[j])),
                "is_shield": bool(load.is_shield),
            }
            for j, load in enumerate(plan.loads)
        ],
        **{name: getattr(needs.turns, name).tolist() for name in TURNS},
        "store": {
            "there": storage is not None,
            "kind": "battery" if storage is None else storage.kind,
            "capacity_kwh": store.capacity_kwh,
            "initial_fraction": 1.0 if storage is None else storage.initial_fraction,
            **{name: getattr(store, name) for name in ("keep", "fill", "take_in", "enter", "hand_out")},
            "enter_kwh": _limit(store.enter_kwh),
            "leave_kwh": _limit(store.leave_kwh),
            **{name: getattr(store, name) for name in ("least", "reserve", "fade_per_row")},
            "fade_per_cycle": 0.0 if storage is None else storage.fade_per_cycle,
        },
        "warnings": list(case.notes.lines),
        "sources": [{"role": one.role, "name": one.name, "sha256": one.sha256} for one in case.sources],
    }
    return words, {"asked": np.ascontiguousarray(needs.asked_kwh.T)}


def facing_payload(facing: xr.Dataset, summary: Mapping[str, Any]) -> tuple[Words, Arrays]:
    """The map of orientations and its best. Raises InputError where it is another site's or another collector's."""
    found = json.loads(facing.attrs["summary"])
    problems = []
    for what, keys in (
        ("site", ("name", "body", "latitude_deg", "longitude_deg", "mast_height_m")),
        ("collector", ("name", "aperture_area_m2", "unit_count")),
    ):
        for key in keys:
            told, own = found[what].get(key), summary[what][key]
            if told != own:
                hint = "run yieldsim orient with the estimate's own files"
                problems.append(Problem("orient", f"{what} {key}", f"is {told!r}", f"{own!r}", hint))
    refuse(problems)
    kwh = facing["annual_kwh"].values
    bound = next((row.get("annual_upper_bound_kwh") for row in found["best"]), None)
    words: Words = {
        "tilt_deg": facing["tilt"].values.tolist(),
        "azimuth_deg": facing["azimuth"].values.tolist(),
        "top_kwh": float(kwh.max()),
        "bound_kwh": bound,
        "best": [{key: row.get(key) for key in BEST} for row in found["best"]],
        "span": [found.get("start_utc"), found.get("end_utc")],
        "warnings": [str(line) for line in found.get("warnings", [])],
    }
    return words, {"facing": shares_16(kwh, float(kwh.max()))}


def _told(summary: Mapping[str, Any]) -> Words:
    """What of the summary the page tells."""
    keys = (
        *("site", "collector", "start_utc", "end_utc", "days", "delivered_kwh", "mean_power_w", "ledger"),
        *("hours_delivering", "longest_gap_hours", "longest_gap_start_utc", "longest_gap_at_least"),
        *("capture_fraction", "assumptions", "warnings", "cautions", "command"),
    )
    kept = {key: summary[key] for key in keys if summary.get(key) is not None}
    record = summary["provenance"]
    sources = [
        {key: row.get(key, "") for key in ("role", "name", "sha256")}
        for row in (*record["inputs"], *record["kernels"])
    ]
    return kept | {
        "version": record["version"],
        "digest": record.get("digest", ""),
        "sources": sources,
        "step_s": summary["convergence"]["step_s"],
    }


def _whole(degrees: NDArray[Any]) -> NDArray[np.int32]:
    return np.asarray(np.rint(np.asarray(degrees) * ANGLE_STEPS_PER_DEG), dtype=np.int32)


def _limit(kwh: float) -> float | None:
    return None if math.isinf(kwh) else kwh
