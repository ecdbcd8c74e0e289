"""A finished run: totals, gaps, references, warnings and provenance, as JSON on the Dataset and as written files."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.clock import iso, utc_from_tdb
from yieldsim.base.model import Collector, RoundAcceptance, Site
from yieldsim.base.results.attached import row_of, rows_of
from yieldsim.base.results.estimate import (
    EstimateResult,
    EtendueResult,
    FollowingResult,
    SeasonResult,
    ThermalResult,
)
from yieldsim.base.results.parts import CollectorResult, SiteResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.base.variables import CONVENTIONS
from yieldsim.energy import ledger
from yieldsim.energy.delivered_light import delivered_light, light_basis, light_words, spectrum_of_run
from yieldsim.energy.fibre import spectrum_outside_fraction
from yieldsim.energy.gaps import gaps, is_cut
from yieldsim.files.output.provenance import package_version, provenance
from yieldsim.optics.acceptance import half_width_deg
from yieldsim.optics.accepted_spectrum import accepted_spectrum
from yieldsim.optics.etendue import fibre_etendue_m2_sr, largest_concentration, projected_acceptance_sr
from yieldsim.runs.estimate.assumptions import assumptions, command_line, limits
from yieldsim.runs.estimate.caveats import caveats
from yieldsim.runs.estimate.chain_record import add_chain_series, chain_words
from yieldsim.runs.estimate.cut_gaps import cut_gap_note, gap_rows, longest_whole
from yieldsim.runs.estimate.temperatures import thermal_warnings, with_temperatures
from yieldsim.runs.estimate.wear import dose_years, grains_result, removal_range
from yieldsim.runs.estimate.worst_nights import worst_nights
from yieldsim.sky.atmosphere import optical_depth_warning
from yieldsim.sky.eclipse import eclipses

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.model import Notes
    from yieldsim.energy.integration import Integrated, Setting, TimeGrid
    from yieldsim.runs.setup.prepare import Prepared

WHERE_AND_WHEN = (
    *("sun_distance", "sun_angular", "solar_azimuth", "solar_elevation", "solar_longitude", "local_true"),
    *("mount_tilt", "mount_azimuth", "mount_roll", "mount_count", "horizon_", "acceptance_"),
)
"""How the names of coordinates begin: what a series is read against, no result of the run."""
RESULT_FIRST = ("delivered_power_w", "mount_delivered_power_w", "sun_following_power_w", "stage_power_w")
GAPS_LISTED = 10


def finished(
    ready: Prepared,
    result: Integrated,
    change: float,
    tolerance: float,
    following: FollowingResult | None = None,
) -> xr.Dataset:
    """The run's Dataset with bounds, mounts, curves for drawing, attributes and the summary.

    following   what mounts that follow the Sun would deliver, where that was asked
    """
    setting, grid = ready.setting, ready.grid
    ds = _with_context(result.series, setting, grid)
    ds.attrs.update(
        Conventions=CONVENTIONS,
        title=f"Light delivered by {setting.collector.name} at {setting.site.name}",
        source=f"yieldsim {package_version()}",
        history=f"yieldsim estimate, {iso(grid.edge_utc[0])} to {iso(grid.edge_utc[-1])}",
        references="IAU WGCCRE report for 2015 (Archinal et al. 2018); JPL ephemerides and NAIF kernels as listed in summary",
        celestial_body=setting.site.body.name,
        interval_s=grid.interval_s,
    )
    ds, thermal = with_temperatures(ds, setting)
    add_warnings(ready.notes, setting, ds)
    ready.notes.add(*thermal_warnings(thermal, setting, grid.count * grid.interval_s / 3600.0))
    summary = _summary(ready, result, ds, change, tolerance, following, thermal)
    ds.attrs["summary"] = json.dumps(summary, ensure_ascii=False)
    return ds


def add_warnings(notes: Notes, setting: Setting, series: xr.Dataset) -> None:
    """What is right but may mislead about this site and collector."""
    collector, site = setting.collector, setting.site
    table, fibre = collector.acceptance_table, collector.fibre
    if fibre is not None:
        outside = spectrum_outside_fraction(fibre, accepted_spectrum(table))
        if outside > 0.005:
            notes.add(
                f"the fibre's attenuation table leaves out {outside:.1%} of the accepted light by wavelength; it is counted as lost"
            )
        limit = fibre_etendue_m2_sr(fibre)
        if limit is not None:
            used = collector.aperture_area_m2 * projected_acceptance_sr(table)
            if used > limit * 1.001:
                notes.add(
                    f"the acceptance table beats etendue: it needs {used:.3g} m2 sr and the fibre takes at most {limit:.3g} m2 sr "
                    f"({used / limit:.2f} times); no optics can do that: check table, aperture, face diameter, numerical aperture"
                )
        if fibre.numerical_aperture is not None:
            angle = half_width_deg(table)
            concentration = largest_concentration(angle, fibre.numerical_aperture)
            if concentration < 1.0:
                notes.add(
                    f"an acceptance of +-{angle:.3g} deg into a fibre of numerical aperture {fibre.numerical_aperture:g} "
                    f"allows a concentration of {concentration:.3g} at most: such a collector dilutes light"
                )
    notes.add(*caveats(series, collector))
    held = optical_depth_warning(site.optical_depth, setting.start_tdb_s, setting.track.end_tdb_s)
    if held:
        notes.add(held)


def _with_context(series: xr.Dataset, setting: Setting, grid: TimeGrid) -> xr.Dataset:
    """Add bounds, mounts, skyline and acceptance curve, so that a saved file can be drawn again."""
    collector = setting.collector
    mounts = collector.mounts
    ds = series.assign(
        time_bnds=(("time", "bnds"), np.stack([grid.edge_utc[:-1], grid.edge_utc[1:]], axis=1))
    )
    for name in ("time", "time_bnds"):
        ds[name].encoding.update(
            units="seconds since 2000-01-01T00:00:00", calendar="proleptic_gregorian", dtype="int64"
        )
    ds["time"].attrs.update(
        standard_name="time", long_name="start of the interval, UTC", bounds="time_bnds", axis="T"
    )
    ds["mount"].attrs["long_name"] = "mount, in the order of the collector file"
    ds["stage"].attrs["long_name"] = "stage of the chain of losses"
    for angle in ("tilt", "azimuth", "roll"):
        degrees = np.array([getattr(mount, f"{angle}_deg") for mount in mounts], dtype=np.float64)
        ds[f"mount_{angle}_deg"] = ("mount", degrees, {"units": "degree", "long_name": f"mount {angle}"})
    counts = np.array([mount.count for mount in mounts])
    ds["mount_count"] = ("mount", counts, {"units": "1", "long_name": "units on the mount"})
    mask = setting.mask
    azimuth = np.zeros(1) if mask is None else mask.azimuth_deg
    elevation = np.full(1, -setting.dip_deg) if mask is None else mask.elevation_deg
    table = collector.acceptance_table
    curves: dict[str, tuple[Any, Any, str]] = {
        "horizon_azimuth_deg": ("horizon", azimuth, "degree"),
        "horizon_elevation_deg": ("horizon", elevation, "degree"),
    }
    if isinstance(table, RoundAcceptance):
        curves["acceptance_incidence_deg"] = ("incidence", table.incidence_deg, "degree")
        curves["acceptance_curve_fraction"] = ("incidence", table.acceptance_fraction, "1")
    else:
        curves["acceptance_transverse_deg"] = ("transverse", table.transverse_deg, "degree")
        curves["acceptance_longitudinal_deg"] = ("longitudinal", table.longitudinal_deg, "degree")
        curves["acceptance_grid_fraction"] = (("transverse", "longitudinal"), table.acceptance_fraction, "1")
    for name, (dims, values, unit) in curves.items():
        meaning = name.rsplit("_", 1)[0].replace("_", " ")
        ds[name] = (dims, np.array(values), {"units": unit, "long_name": meaning})
    ds = add_chain_series(ds, setting, grid)
    ds = ds.set_coords([name for name in ds.data_vars if str(name).startswith(WHERE_AND_WHEN)])
    import xarray as xr

    first = [name for name in RESULT_FIRST if name in ds]
    rest = [name for name in ds.data_vars if name not in first]
    return xr.Dataset({name: ds[name] for name in (*first, *rest)}, ds.coords, ds.attrs)


def _summary(
    ready: Prepared,
    result: Integrated,
    ds: xr.Dataset,
    change: float,
    tolerance: float,
    following: FollowingResult | None,
    thermal: ThermalResult | None,
) -> EstimateResult:
    setting, grid = ready.setting, ready.grid
    site, collector = setting.site, setting.collector
    delivered = ledger.total_kwh(ds, "delivered_power_w")
    followed = ledger.total_kwh(ds, "sun_following_power_w")
    found = gaps(result.delivering, grid.edge_utc[0], result.step_s)
    longest = found[0] if found else None
    # a short one that an end cuts may be the longest in all
    cut = [gap for gap in found[GAPS_LISTED:] if is_cut(gap, grid.edge_utc)]
    listed = gap_rows(ready, [*found[:GAPS_LISTED], *cut], result.step_s)
    in_all = longest_whole(listed)
    told = cut_gap_note({"longest_gap_hours": longest.hours if longest else 0.0, **in_all})
    span_warnings = list(ready.span_notes)
    if told and result.delivering.any():
        ready.notes.lines.insert(len(span_warnings), told)
        span_warnings.append(told)
    area_m2 = collector.aperture_area_m2 * collector.unit_count
    mass_kg = (collector.mass_kg or 0.0) * collector.unit_count
    months = ledger.by_calendar(ds, "M")
    seen = eclipses(setting.track)
    return {
        "schema": "yieldsim estimate 1",
        "site": site_words(site),
        "collector": collector_words(collector),
        "start_utc": iso(grid.edge_utc[0]),
        "end_utc": iso(grid.edge_utc[-1]),
        "days": float((grid.edge_utc[-1] - grid.edge_utc[0]) / np.timedelta64(1, "s")) / 86400.0,
        "period": {**ready.period.words(), "annual_figures_per": None},
        "delivered_kwh": delivered,
        "delivered_kwh_per_m2": delivered / area_m2,
        "delivered_kwh_per_kg": delivered / mass_kg if mass_kg else None,
        "mean_power_w": float(ds["delivered_power_w"].mean(skipna=False)),
        "peak_power_w": float(ds["delivered_power_w"].max(skipna=False)),
        "instantaneous_peak_power_w": result.peak_w,
        "instantaneous_peak_utc": iso(result.peak_utc),
        "ledger": ledger.ledger_kwh(ds),
        "hours_delivering": float(result.delivering.mean() * grid.count * grid.interval_s / 3600.0),
        "longest_gap_hours": longest.hours if longest else 0.0,
        "longest_gap_start_utc": iso(longest.start_utc) if longest else None,
        "longest_gap_end_utc": iso(longest.end_utc) if longest else None,
        **in_all,
        "eclipses": [
            {
                "occulter": e.occulter,
                "kind": e.kind,
                "start_utc": iso(utc_from_tdb(np.array([e.start_tdb_s]))[0]),
                "end_utc": iso(utc_from_tdb(np.array([e.end_tdb_s]))[0]),
                "covered_fraction": e.covered_fraction,
            }
            for e in seen
        ],
        "gaps": listed[:GAPS_LISTED],
        "gaps_cut_by_ends": [row for row in listed if row["at_least"]],
        "worst_nights": worst_nights(ready, result, seen),
        "capture_fraction": delivered / followed if followed > 0.0 else None,
        "sun_following_kwh": followed,
        "following": following,
        "etendue_limited_kwh": _etendue_limited_kwh(result, collector),
        "shield_kwh_electric": ledger.total_kwh(ds, "shield_power_w"),
        "delivered_light": light_words(delivered_light(collector, spectrum_of_run(ds, collector))),
        "delivered_light_basis": light_basis(collector),
        "monthly_kwh": [
            {"month": str(month), "kwh": float(kwh)}
            for month, kwh in zip(months["month"], months["delivered_kwh"], strict=True)
        ],
        "seasonal_kwh": _seasonal(ready, ds),
        "convergence": {"step_s": result.step_s, "relative_change": change, "tolerance": tolerance},
        "track_error_bound_deg": float(setting.track.error_bound_deg),
        "etendue": _etendue(collector),
        "chain": chain_words(setting),
        **_stated(  # type: ignore[typeddict-item]
            grains=grains_result(collector.shield),
            removal_range=removal_range(ds, setting, grid),
            radiation=dose_years(collector),
            thermal=thermal,
        ),
        "span_warnings": span_warnings,
        "assumptions": assumptions(ready),
        "limits": limits(setting, ds, result.step_s, change, tolerance),
        "command": command_line(ready, (iso(grid.edge_utc[0]), iso(grid.edge_utc[-1])), tolerance),
        "warnings": list(ready.notes.lines),
        "cautions": list(CAUTIONS),
        "provenance": provenance(
            (*ready.inputs, *ready.kernels),
            {"interval_minutes": grid.interval_s / 60.0, "tolerance": tolerance}
            | {key: value for key, value in (following or {}).items() if key.startswith("tracker_")},
        ),
    }


def _stated(**answers: Any) -> Any:
    """Answers that only some collectors ask for, without those that are None."""
    return {key: value for key, value in answers.items() if value is not None}


def _seasonal(ready: Prepared, ds: xr.Dataset) -> list[SeasonResult]:
    """Energy by 30 deg of solar longitude, in all and per solar day, where the body has no months; empty where it has."""
    if ready.period.year == "year":
        return []
    sums = ledger.by_season(ds)
    days, kwh = sums["hours"] / ready.setting.site.body.mean_solar_day_hours, sums["delivered_kwh"]
    return rows_of(
        SeasonResult,
        solar_longitude_from_deg=sums["solar_longitude_from_deg"],
        solar_longitude_to_deg=sums["solar_longitude_to_deg"],
        solar_days=days,
        kwh=kwh,
        kwh_per_solar_day=kwh / days,
        hours_delivering=sums["hours_delivering"],
    )


def site_words(site: Site) -> SiteResult:
    """The site as results name it."""
    return {**row_of(site, SiteResult), "body": site.body.name}


def collector_words(collector: Collector) -> CollectorResult:
    """The collector as results name it."""
    return row_of(collector, CollectorResult)


def _etendue(collector: Collector) -> EtendueResult | None:
    limit = fibre_etendue_m2_sr(collector.fibre) if collector.fibre else None
    if limit is None:
        return None
    used = collector.aperture_area_m2 * projected_acceptance_sr(collector.acceptance_table)
    return {"limit_m2_sr": limit, "used_m2_sr": used, "used_fraction": used / limit}


def _etendue_limited_kwh(result: Integrated, collector: Collector) -> float | None:
    limit = fibre_etendue_m2_sr(collector.fibre) if collector.fibre else None
    if limit is None:
        return None
    return result.sky.bound_kwh(collector.aperture_area_m2, limit) * collector.unit_count
