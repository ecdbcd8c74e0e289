"""What `rank` found, as a Dataset over sites and its JSON."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from yieldsim.base.constants import DAYS_PER_YEAR
from yieldsim.base.results.attached import result_of, row_of
from yieldsim.base.results.estimate import EstimateResult
from yieldsim.base.results.parts import OrientationResult, WholeGapResult
from yieldsim.base.results.rank import RankedSite, RankResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.base.variables import CONVENTIONS
from yieldsim.base.year.period import Period
from yieldsim.base.year.run_months import run_months
from yieldsim.files.output.provenance import package_version, provenance
from yieldsim.planning.site_ranking import RankGoal, kept_by_stage, ranked, units_for_power
from yieldsim.runs.estimate.summary import collector_words
from yieldsim.runs.rank.layout import Facing, layout_words

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.load_model import LoadPlan
    from yieldsim.base.model import Collector, Source
    from yieldsim.runs.setup.prepare import Prepared

YEARLY = {
    "annual_kwh": ("kWh", "energy delivered in a year by all units"),
    "worst_month_kwh": ("kWh", "energy of the worst month: of the calendar, or of 30 deg of solar longitude"),
    "longest_gap_hours": ("hour", "longest outage of light"),
    "longest_night_hours": ("hour", "longest time without any part of the Sun in sight from the site"),
    "hours_delivering_per_year": ("hour", "hours a year in which light is delivered"),
    "mean_power_w": ("W", "mean delivered power"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What sites are ranked by.

    mounts_given   of the collector's file
    """

    goal: RankGoal
    facing: Facing
    mounts_given: int
    continuous_power_w: float | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SiteRun:
    """One site's estimate, and what of its dust and facing was decided for it."""

    ready: Prepared
    estimate: xr.Dataset
    served: dict[str, Any] | None = None
    """What a load gets, where one was given."""
    load_warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SiteFound:
    """What is kept of a site once its run is done: no series.

    row         as the answer has it, but for the span where the answer counts years
    collector   as it stands there
    sources     what its run rests on
    """

    row: dict[str, Any]
    collector: Collector
    sources: tuple[Source, ...]
    period: Period
    interval_s: float


def ranked_sites(found: list[SiteFound], asked: Asked, tolerance: float, plan: LoadPlan | None) -> xr.Dataset:
    """Sites in order, with their ledgers."""
    import xarray as xr

    goal, facing, continuous_power_w = asked.goal, asked.facing, asked.continuous_power_w
    period = _common_period([one.period for one in found])
    rows = ranked([_a_year(one.row, period.years) for one in found], goal)
    collector = found[0].collector
    summary: RankResult = {
        "schema": "yieldsim rank 1",
        "goal": goal,
        "facing": facing,
        "layout": layout_words(collector, facing, goal),
        "load": None
        if plan is None
        else {"name": plan.name, "reliability": plan.reliability, "of": plan.reliability_of},
        "continuous_power_w": continuous_power_w,
        "collector": collector_words(collector),
        "start_utc": rows[0]["start_utc"],
        "end_utc": rows[0]["end_utc"],
        "period": period.words(),
        "sites": cast(list[RankedSite], rows),
        "warnings": list(
            dict.fromkeys(
                [
                    *merged_warnings([(row["site"]["name"], row["span_warnings"]) for row in rows]),
                    *_of_layout(asked),
                    *merged_warnings([(row["site"]["name"], row["warnings"]) for row in rows]),
                ]
            )
        ),
        "cautions": list(CAUTIONS),
        "provenance": provenance(
            [source for one in found for source in one.sources],
            {
                "goal": goal,
                "facing": facing,
                "continuous_power_w": continuous_power_w,
                "interval_minutes": found[0].interval_s / 60.0,
                "tolerance": tolerance,
            },
        ),
    }
    months = [entry["month"] for entry in rows[0]["monthly_kwh"]]
    labels = {
        "site": ([row["site"]["name"] for row in rows], "site, best first"),
        "stage": ([entry["stage"] for entry in rows[0]["ledger"]], "stage of the chain of losses"),
        "month": (months, "calendar month, UTC"),
    }
    ds = xr.Dataset(
        coords={
            name: (name, np.array(words, dtype=object), {"long_name": meaning})
            for name, (words, meaning) in labels.items()
        }
    )
    for name, (unit, words) in YEARLY.items():
        ds[name] = ("site", np.array([row[name] for row in rows]), {"units": unit, "long_name": words})
    for name in ("tilt_deg", "azimuth_deg", "roll_deg"):
        if all(row["facing"] is not None for row in rows):
            pose = {"units": "degree", "long_name": f"{name[:-4]} of the mount"}
            ds[name] = ("site", np.array([row["facing"][name] for row in rows]), pose)
    ledger = np.array([[entry["kwh"] for entry in row["ledger"]] for row in rows])
    ds["ledger_kwh"] = (
        ("site", "stage"),
        ledger,
        {"units": "kWh", "long_name": "energy left after each stage, over the span"},
    )
    monthly = np.array([[entry["kwh"] for entry in row["monthly_kwh"]] for row in rows])
    ds["month_kwh"] = (
        ("site", "month"),
        monthly,
        {"units": "kWh", "long_name": "energy delivered in a calendar month"},
    )
    ds.attrs = {
        "Conventions": CONVENTIONS,
        "title": f"{collector.name} at {len(rows)} sites",
        "source": f"yieldsim {package_version()}",
        "history": "yieldsim rank",
        "summary": json.dumps(summary, ensure_ascii=False),
    }
    return ds


def merged_warnings(by_site: list[tuple[str, list[str]]]) -> list[str]:
    """Each warning once, with the sites that it is about.

    >>> merged_warnings([("Rim", ["dim", "dark"]), ("Ridge", ["dim"]), ("Plain", ["dim"]), ("Crater", [])])
    ['3 of 4 sites (Rim, Ridge, Plain): dim', 'Rim: dark']
    """
    sites: dict[str, list[str]] = {}
    for name, lines in by_site:
        for line in lines:
            sites.setdefault(line, []).append(name)
    merged = []
    for line, names in sites.items():
        if len(names) == 1:
            who = names[0]
        elif len(names) == len(by_site):
            who = f"all {len(names)} sites"
        else:
            who = f"{len(names)} of {len(by_site)} sites ({', '.join(names)})"
        merged.append(f"{who}: {line}")
    return merged


def _common_period(periods: list[Period]) -> Period:
    """What annual figures are per: the body's year, or a calendar year where sites of several bodies are compared."""
    if len({period.year_days for period in periods}) == 1:
        return periods[0]
    return Period(year="calendar year", year_days=DAYS_PER_YEAR, days=periods[0].days)


def found_at(run: SiteRun, continuous_power_w: float | None) -> SiteFound:
    """What is kept of a site's run."""
    ready = run.ready
    return SiteFound(
        row=_row(run, continuous_power_w),
        collector=ready.setting.collector,
        sources=(*ready.inputs, *ready.kernels),
        period=ready.period,
        interval_s=ready.grid.interval_s,
    )


def _a_year(row: dict[str, Any], years: float) -> dict[str, Any]:
    """The row with figures of a year in the place of the span's."""
    counted = {name: row[name] / years for name in ("annual_kwh", "hours_delivering_per_year")}
    light = row["reasons"]["sunlight_kwh_m2_per_year"] / years
    return row | counted | {"reasons": row["reasons"] | {"sunlight_kwh_m2_per_year": light}}


def _row(run: SiteRun, continuous_power_w: float | None) -> dict[str, Any]:
    """One site: totals, and the reasons beside them; figures of a year are still those of the span."""
    summary = result_of(run.estimate, EstimateResult)
    collector, grid = run.ready.setting.collector, run.ready.grid
    area_m2 = collector.aperture_area_m2 * collector.unit_count
    mounts = collector.mounts
    units = stored_kwh = None
    if continuous_power_w is not None:
        stored_kwh = continuous_power_w * summary["longest_gap_whole_hours"] / 1000.0
        units = units_for_power(continuous_power_w, summary["mean_power_w"], collector.unit_count)
    series = run.estimate
    body = run.ready.setting.site.body.name
    months = run_months(body, grid.edge_utc, series["solar_longitude_deg"].values)
    month_kwh = months.sums(series["delivered_power_w"].values * (grid.interval_s / 3.6e6))
    worst = months.worst(month_kwh)
    up, nights = series["solar_elevation_deg"].values, summary["worst_nights"]["nights"]

    def mean(name: str) -> float:
        return float(series[name].mean(skipna=False))

    return {
        "site": summary["site"],
        "start_utc": summary["start_utc"],
        "end_utc": summary["end_utc"],
        **(run.served or {}),
        "mounts": [asdict(mount) for mount in mounts],
        "facing": None if len(mounts) > 1 else row_of(mounts[0], OrientationResult),
        "annual_kwh": summary["delivered_kwh"],
        "delivered_kwh": summary["delivered_kwh"],
        "worst_month": months.label[worst],
        "worst_month_kwh": float(month_kwh[worst]),
        "longest_gap_hours": summary["longest_gap_hours"],
        "longest_gap_start_utc": summary["longest_gap_start_utc"],
        **{key: summary[key] for key in WholeGapResult.__annotations__ if key in summary},  # type: ignore[literal-required]
        "longest_night_hours": max(
            (night.get("whole_hours", night["hours"]) for night in nights), default=0.0
        ),
        "worst_nights": summary["worst_nights"],
        "hours_delivering": summary["hours_delivering"],
        "hours_delivering_per_year": summary["hours_delivering"],
        "mean_power_w": summary["mean_power_w"],
        "units_for_power": units,
        "storage_for_longest_gap_kwh": stored_kwh,
        "capture_fraction": summary["capture_fraction"],
        "ledger": summary["ledger"],
        "kept_by_stage": kept_by_stage(summary["ledger"]),
        "reasons": {
            "mean_sun_distance_au": mean("sun_distance_au"),
            "highest_sun_deg": float(up.max()),
            "sun_up_fraction": mean("open_horizon_fraction"),
            "lit_fraction": mean("disc_visible_fraction"),
            "mean_clean_fraction": mean("clean_fraction"),
            "mean_optical_depth": mean("optical_depth") if "optical_depth" in series else None,
            "sunlight_kwh_m2_per_year": float(summary["ledger"][0]["kwh"]) / area_m2,
            "low_skyline_gain_fraction": _low_skyline_gain(run),
        },
        "monthly_kwh": summary["monthly_kwh"],
        "span_warnings": summary["span_warnings"],
        "warnings": [
            line
            for line in dict.fromkeys([*summary["warnings"], *run.load_warnings])
            if line not in summary["span_warnings"]
        ],
    }


def _of_layout(asked: Asked) -> list[str]:
    """What to tell where the collector's own mounts are set aside."""
    if asked.facing != "best" or asked.mounts_given < 2:
        return []
    return [
        f"the collector's {asked.mounts_given} mounts are set aside: all its units stand in one orientation, whose outages are longer "
        "than those of a layout around the sky"
    ]


def _low_skyline_gain(run: SiteRun) -> float | None:
    """What a skyline below the bare body's horizon adds to the sunlight over that horizon, as a share of it.

    The ledger's sunlight holds this light already. Rows are taken at their middles: what a row does not resolve is
    the same over both horizons and leaves their ratio. None where no Sun clears the bare horizon.
    """
    from yieldsim.ground.visible_disc import add_visibility

    setting, series = run.ready.setting, run.estimate
    mask, dip_deg = setting.mask, setting.dip_deg
    if mask is None or float(mask.elevation_deg.min()) >= -dip_deg:
        return 0.0
    sun = series[["solar_azimuth_deg", "solar_elevation_deg", "sun_angular_radius_deg"]]
    light = series["solar_irradiance_w_m2"].values
    own, bare = (
        float(light @ add_visibility(sun, skyline, dip_deg)["open_horizon_fraction"].values)
        for skyline in (mask, None)
    )
    return own / bare - 1.0 if bare > 0.0 else None
