"""`yieldsim estimate` and `yieldsim report`: run, write, print the answer."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from yieldsim.base.results.estimate import EstimateResult, ThermalResult
from yieldsim.cli.shared_options import (
    COLLECTOR,
    ESTIMATE,
    FOLDER,
    SITE,
    Command,
    default_option,
    interval_option,
    kernel_option,
    span_options,
    tracker_options,
    unknown_ground_option,
)
from yieldsim.cli.terminal.answer import figure, gap_hours, show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.cli.terminal.wrapping import wrapped
from yieldsim.report.layout.number_format import plain

if TYPE_CHECKING:
    pass


@click.command(cls=Command, short_help="Hourly and annual energy of a collector at a site.")
@click.argument("site", type=SITE)
@click.option("-c", "--collector", required=True, type=COLLECTOR, help="Collector file.")
@span_options
@click.option("--out", type=FOLDER, help="Folder for the results (default reports/<site file>).")
@interval_option
@default_option("--tolerance", 1e-3, "Relative change of the total at which halving stops.")
@tracker_options
@kernel_option
@unknown_ground_option
@click.option("--json", "as_json", is_flag=True, help="Print summary.json to stdout instead of the table.")
@click.option("--no-report", is_flag=True, help="Write data only, no report.pdf and report.png.")
@click.option("--page", is_flag=True, help="Write page.html too: turn the mounts by hand, in a browser.")
def estimate(
    site: Path, collector: Path, out: Path | None, as_json: bool, no_report: bool, page: bool, **asked: Any
) -> None:
    """Light that COLLECTOR delivers at SITE, hour by hour: NetCDF, CSV, JSON and a report.

    Direct sunlight only: a fixed concentrator makes no use of diffuse light.
    """
    from yieldsim.files.output.result_folder import refuse_file
    from yieldsim.runs.estimate.output import summary_of, write_estimate
    from yieldsim.runs.estimate.run import estimate as run

    folder = out or Path("reports") / site.stem
    refuse_file(folder)
    with progress("Integrating") as advance:
        ds = run(site, collector, progress=advance, **asked)
    written = write_estimate(ds, folder, report=not no_report, page=page)
    show(summary_of(ds), answer_lines, as_json)
    tell_written(written, folder)


@click.command(cls=Command, short_help="(Re)write the report of an estimate.")
@click.argument("estimate_path", metavar="ESTIMATE", type=ESTIMATE)
@click.option("--out", type=FOLDER, help="Folder for the report (default: beside the estimate).")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON instead of the table.")
def report(estimate_path: Path, out: Path | None, as_json: bool) -> None:
    """Write report.pdf and report.png of ESTIMATE: an estimate.nc or the folder that holds one."""
    from yieldsim.runs.estimate.output import summary_of, write_report
    from yieldsim.runs.open_estimate import open_estimate

    ds = open_estimate(estimate_path)
    folder = out or (estimate_path if estimate_path.is_dir() else estimate_path.parent)
    written = write_report(ds, folder)
    show(summary_of(ds), answer_lines, as_json)
    tell_written(written, folder)


def _night_lines(nights: Mapping[str, Any] | None) -> list[str]:
    """The longest time without the Sun, and how often such ones come where the run is long enough to say."""
    if not nights or not nights["nights"]:
        return []
    worst = nights["nights"][0]
    hours = worst.get("whole_hours", worst["hours"])
    dates = " to ".join(worst.get(f"whole_{end}_utc", worst[f"{end}_utc"])[:16] for end in ("start", "end"))
    at_least = "" if worst.get("whole_known", True) else "   at least"
    lines = [f"  longest night        {hours:12.1f} h     {dates}{at_least}"]
    lines += [
        f"    once in {row['return_period_years']:g} years{'':{9 - len(format(row['return_period_years'], 'g'))}}"
        f"{row['hours']:12.1f} h     or longer"
        for row in nights.get("levels", ())
    ]
    return lines


def answer_lines(summary: EstimateResult) -> list[str]:
    """The answer as plain text: what arrives, when it does not, where the light went."""
    from yieldsim.report.layout.period_text import period_line

    collector, site = summary["collector"], summary["site"]
    units = collector["unit_count"]
    per_m2 = f"{plain(summary['delivered_kwh_per_m2'])} kWh per m2 of aperture"
    moment_w = summary.get("instantaneous_peak_power_w", summary["peak_power_w"])
    lit_share = summary["hours_delivering"] / summary["days"] / 24.0
    lines = [
        f"{collector['name']} ({units} unit{'s' if units != 1 else ''}) at {site['name']}, {site['body']}",
        period_line(summary),
        "",
        f"  delivered            {figure(summary['delivered_kwh'])} kWh   {per_m2}",
        f"  mean, peak power     {figure(summary['mean_power_w'])} W     peak {plain(moment_w)} W, "
        f"as a row's mean {plain(summary['peak_power_w'])} W",
        f"  hours with light     {summary['hours_delivering']:12.1f} h     {lit_share:.1%} of the time",
    ]
    if summary["longest_gap_start_utc"]:
        lines.append(
            f"  longest outage       {summary['longest_gap_hours']:12.1f} h     {str(summary['longest_gap_start_utc'])[:16]} to "
            f"{str(summary['longest_gap_end_utc'])[:16]}"
        )
        if summary.get("longest_gap_at_least"):
            lines.append("    of light                            at least: cut by an end of the run")
    if summary.get("longest_gap_whole_hours", 0.0) > summary["longest_gap_hours"]:
        known = "" if summary["longest_gap_whole_known"] else "   at least"
        dates = " to ".join(str(summary.get(f"longest_gap_whole_{end}_utc"))[:16] for end in ("start", "end"))
        lines.append(
            f"    beyond the run     {summary['longest_gap_whole_hours']:12.1f} h     {dates}{known}"
        )
    lines += _night_lines(summary.get("worst_nights"))
    if summary["capture_fraction"] is not None:
        lines.append(
            f"  capture fraction     {summary['capture_fraction']:12.1%}       of {plain(summary['sun_following_kwh'])} kWh, "
            "tracking the Sun"
        )
    if summary["etendue_limited_kwh"] is not None:
        lines.append(
            f"  etendue limit        {figure(summary['etendue_limited_kwh'])} kWh   at most, fixed, on this fibre"
        )
    if summary["shield_kwh_electric"]:
        lines.append(
            f"  shield draws         {figure(summary['shield_kwh_electric'])} kWh   electric, not netted"
        )
    if ends := summary.get("removal_range"):
        lines.append(
            f"  removal {ends['lowest_removal']:g} to {ends['highest_removal']:g}".ljust(22)
            + f" {figure(ends['delivered_kwh_at_lowest'])} to {figure(ends['delivered_kwh_at_highest']).lstrip()} kWh delivered"
        )
    if grains := summary.get("grains"):
        lines.append(
            f"  shield removes       {grains['fresh_removal']:12.1%}       of fresh dust a cycle, "
            f"{grains['settled_removal']:.1%} once fine grains gather"
        )
    lines += ["", "  ledger of losses                         kWh    of before"]
    before = None
    for row in summary["ledger"]:
        share = f"{row['kwh'] / before:10.2%}" if before else " " * 10
        lines.append(f"    {row['stage']:<24} {figure(row['kwh'], 16)} {share}")
        before = row["kwh"]
    if summary.get("seasonal_kwh"):
        lines += ["", *season_lines(summary)]
    if doses := summary.get("radiation"):
        lines += ["", f"  {'left by radiation':<20}{'fibre':>10}{'lens':>10}{'both':>10}{'added dB/km':>13}"]
        lines += [
            f"    after {row['years']:>2g} years    {row['fibre_left']:10.2%}{row['lens_left']:10.2%}{row['left']:10.2%}"
            f"{row['fibre_added_db_per_km']:13.4g}"
            for row in doses
        ]
    if thermal := summary.get("thermal"):
        lines += ["", *thermal_lines(thermal)]
    following = summary.get("following")
    if following:
        lines += ["", *follower_lines(following, units)]
    convergence = summary["convergence"]
    lines += [
        "",
        f"  steps of {convergence['step_s']:g} s; halving moved the total by {convergence['relative_change']:.2g}",
    ]
    return lines + [wrapped(f"  caution: {caution}", sys.stdout) for caution in summary["cautions"]]


def thermal_lines(thermal: ThermalResult) -> list[str]:
    """Coldest and hottest of each part, its limits, and the cases that bound them."""
    inner, outer = thermal["effective_between_k"]
    lines = [
        f"  {'temperatures, K':<22}{'coldest':>9}{'hottest':>9}{'limits':>14}{'cold, hot case':>17}",
        f"    {'ground':<20}{thermal['ground_coldest_k']:9.1f}{thermal['ground_hottest_k']:9.1f}",
    ]
    for part in thermal["parts"]:
        ends = ["-" if end is None else f"{end:g}" for end in (part["lowest_k"], part["highest_k"])]
        limits = "-" if ends == ["-", "-"] else " to ".join(ends)
        cases = f"{part['cold_case_k']:.0f}, {part['hot_case_k']:.0f}"
        passed = " too hot" * (part["hours_too_hot"] > 0.0) + " too cold" * (part["hours_too_cold"] > 0.0)
        lines.append(
            f"    {part['part']:<20}{part['coldest_k']:9.1f}{part['hottest_k']:9.1f}{limits:>14}{cases:>17}{passed}"
        )
    emittance = f"{thermal['effective_emittance']:.3g} between {inner:g} and {outer:g} K"
    return [
        *lines,
        f"    insulation: effective emittance {emittance}, {thermal['radiative_emittance']:.2g} by layers alone",
    ]


def season_lines(summary: EstimateResult) -> list[str]:
    """Energy by solar longitude, for a world without months."""
    from yieldsim.report.layout.time_axis import solar_day_word

    day, days = solar_day_word(summary["site"]["body"])
    lines = [
        f"  {'by solar longitude Ls':<24} {days:>8} {'kWh':>10} {f'kWh per {day}':>16} {'hours with light':>16}"
    ]
    for row in summary["seasonal_kwh"]:
        ends = f"{row['solar_longitude_from_deg']:.0f} to {row['solar_longitude_to_deg']:.0f} deg"
        lines.append(
            f"    {ends:<22} {row['solar_days']:8.1f} {plain(row['kwh']):>10} {plain(row['kwh_per_solar_day']):>16} "
            f"{row['hours_delivering']:16.1f}"
        )
    return lines


def follower_lines(following: Mapping[str, Any], units: int) -> list[str]:
    """One unit, fixed as it is mounted or tracking the Sun on two axes and on the best single one."""
    fixed = "fixed" if units == 1 else "fixed, mean of those mounted"
    lines = [
        f"  {'':<37}{'longest':>14}{'fixed units for the same':>27}",
        f"  {'one unit':<29}{'kWh':>11}{'outage':>11}{'energy':>15}{'outage':>11}",
        f"    {fixed:<29} {figure(following['fixed_kwh_per_unit'], 9)} {gap_hours(following, 10, 'fixed_')} h",
    ]
    for row in following["followers"][:2]:
        energy, gap = row["fixed_units_for_same_energy"], row["fixed_units_for_same_gap"]
        lines.append(
            f"    {row['axes']:<29} {figure(row['kwh_per_unit'], 9)} {gap_hours(row, 10)} h"
            f"{'-' if energy is None else f'{energy:.2f}':>13} {'none found' if gap is None else gap:>10}"
        )
    return lines
