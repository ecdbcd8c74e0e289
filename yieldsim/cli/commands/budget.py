"""`yieldsim budget`: an estimate against loads and a store."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from yieldsim.base.results.budget import BudgetResult
from yieldsim.cli.shared_options import (
    COLLECTOR,
    ESTIMATE,
    FOLDER,
    KERNEL,
    LOAD,
    SITE,
    UNCERTAIN,
    Command,
    few_workers_option,
    scheduler_option,
)
from yieldsim.cli.terminal.answer import show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.cli.terminal.wrapping import wrapped
from yieldsim.report.layout.number_format import plain


@click.command(cls=Command, short_help="Supply against loads and storage.")
@click.argument("estimate_path", metavar="ESTIMATE", type=ESTIMATE)
@click.option("-l", "--load", required=True, type=LOAD, help="Load file.")
@click.option("--units", type=int, help="Units, in the estimate's mix of mounts (default: the estimate's).")
@click.option("--reliability", type=float, help="Share to reach, in place of [sizing] in the load file.")
@click.option("--site", type=SITE, help="Site file of the estimate, for years and dust.")
@click.option("-c", "--collector", type=COLLECTOR, help="Collector file of the estimate.")
@click.option("--uncertain", type=UNCERTAIN, help="Uncertainty file: draws to run.")
@click.option(
    "--kernel",
    "kernels",
    multiple=True,
    type=KERNEL,
    help="Further kernel of the estimate, for the draws; repeatable.",
)
@few_workers_option
@scheduler_option
@click.option("--out", type=FOLDER, help="Folder for the results (default: beside it).")
@click.option("--json", "as_json", is_flag=True, help="Print budget.json to stdout instead of the table.")
@click.option("--no-report", is_flag=True, help="Write data only, no budget.pdf.")
def budget(
    estimate_path: Path, load: Path, out: Path | None, as_json: bool, no_report: bool, **asked: Any
) -> None:
    """What the light of ESTIMATE (an estimate.nc or its folder) carries: loads, store, sizes, confidence.

    With --site and --collector, the files the estimate was made from, the years of [life] and the choices
    about dust are answered too; with --uncertain, how sure it all is. Figures are estimates, no basis for
    life support without margins, independent checks and the approval of the responsible engineers.
    """
    from yieldsim.files.output.result_folder import refuse_file
    from yieldsim.runs.budget.output import budget_of, write_budget
    from yieldsim.runs.budget.run import budget as run

    folder = out or (estimate_path if estimate_path.is_dir() else estimate_path.parent)
    refuse_file(folder)
    with progress("Sampling") as advance:
        series = run(estimate_path, load, progress=advance, **asked)
    written = write_budget(series, folder, report=not no_report)
    show(budget_of(series), lines, as_json)
    if "budget.parquet" not in written:
        click.echo("note: no budget.parquet: pyarrow is not installed (the extra tables has it)", err=True)
    tell_written(written, folder)


# ---------------------------------------------------------------- the answer as text


COLUMNS, NOTE_INDENT = 80, 6
"""Of a terminal, and where notes begin that stand on lines of their own."""


def lines(summary: BudgetResult) -> list[str]:
    """The answer as plain text."""
    from yieldsim.report.layout.period_text import period_line

    units = summary["collector"]["unit_count"]
    text = [
        f"{summary['name']} at {summary['site']['name']}, {summary['site']['body']}: {units} unit{'s' * (units != 1)}",
        period_line(summary),
        "",
        "  load            kind     priority     asked   direct   stored unserved  served",
        "                                          kWh      kWh      kWh      kWh",
    ]
    for load in summary["loads"]:
        text.append(
            f"  {load['name'][:15]:<15} {load['kind']:<8} {load['priority']:<10} {load['asked_kwh']:7.2f} "
            f"{load['served_directly_kwh']:8.2f} {load['served_from_storage_kwh']:8.2f} {load['unserved_kwh']:8.2f} "
            f"{load['served_fraction']:7.2%}"
        )
    text += ["", *_verdict(summary), "", *_light_and_store(summary), *_sizes(summary)]
    text += ["", *_failures(summary)]
    if summary["life"]:
        text += ["", *_life(summary["life"])]
    if summary["dust"]:
        text += ["", *_dust(summary["dust"])]
    if summary["uncertainty"]:
        text += ["", *_sure(summary["uncertainty"])]
    return [*text, "", *(wrapped(f"  caution: {caution}", sys.stdout) for caution in summary["cautions"])]


def _line(label: str, value: str, note: str = "") -> str:
    """A figure and what is to be said of it, on lines of its own where one of 80 columns has no room."""
    line = f"  {label:<24} {value:<18} {note}".rstrip()
    if len(line) <= COLUMNS:
        return line
    said = textwrap.wrap(note, COLUMNS - NOTE_INDENT, break_on_hyphens=False)
    return "\n".join([f"  {label:<24} {value}", *(" " * NOTE_INDENT + words for words in said)])


def _kwh(value: float | None) -> str:
    return "none" if value is None else f"{plain(value)} kWh"


def _hours(value: float | None) -> str:
    return "none" if value is None else f"{plain(value)} h"


def _light_and_store(summary: BudgetResult) -> Iterator[str]:
    light, store = summary["light"], summary["storage"]
    cut = ">= " * bool(summary["longest_outage_at_least"])
    stored = f"{plain(light['charging_kwh'])} kWh stored, {plain(light['curtailed_kwh'])} kWh curtailed"
    yield _line("light delivered", _kwh(light["delivered_kwh"]), stored)
    yield _line("longest load outage", cut + _hours(summary["longest_outage_hours"]), _span(summary))
    if store:
        went = (
            f"lowest {plain(store['lowest_kwh'])} kWh, {store['full_cycles']:.1f} cycles, "
            f"{plain(store['lost_kwh'])} kWh lost standing"
        )
        yield _line(f"{store['kind']} store", f"{store['capacity_kwh']:g} kWh", went)


def _span(summary: BudgetResult) -> str:
    start = summary["longest_outage_start_utc"]
    if start is None:
        return f"none of {summary['outages_of']}"
    return f"of {summary['outages_of']}, {start[:16]} to {str(summary['longest_outage_end_utc'])[:16]}"


def _sizes(summary: BudgetResult) -> Iterator[str]:
    from yieldsim.report.budget.verdict_text import at_least

    target, best = summary["reliability"], summary["least_mass"]
    kept = "holds" if target["holds_as_given"] else "does not hold"
    words = f"{plain(target['target'], 6)} of {target['of']}"
    yield _line("as reliable as asked", words, f"{kept} as given, run over and over")
    storage, foresight = summary["smallest_storage_kwh"], summary["foresight_storage_kwh"]
    near = "" if foresight is None else f"; with foresight {plain(foresight)} kWh would do"
    yield _line(
        "smallest storage",
        "none" if storage is None else f"{at_least(storage):g} kWh",
        summary["why_no_storage"] or f"at these units, over whole solar days run over and over{near}",
    )
    units = summary["smallest_units"]
    fewest = "none" if units is None else str(units)
    yield _line("fewest units", fewest, summary["why_no_units"] or "with this store")
    if best:
        pair = f"{best['units']} units with {at_least(best['storage_kwh']):g} kWh"
        yield _line(
            "least mass", f"{plain(best['mass_kg'])} kg", f"{pair}, of {len(summary['trade_curve'])} tried"
        )
    if summary["autonomy_hours"] is not None:
        at_peak = (
            f"full store, no light, mean load; {_hours(summary['autonomy_at_peak_hours'])} at the highest"
        )
        yield _line("autonomy", _hours(summary["autonomy_hours"]), at_peak)


def _verdict(summary: BudgetResult) -> list[str]:
    from yieldsim.report.budget.verdict_text import verdict_rows

    word = "PASS" if summary["verdict"]["passes"] else "FAIL"
    text = [f"  {word}                              required      reached       margin"]
    for name, required, reached, margin, passes in verdict_rows(summary):
        text.append(f"  {passes:<5} {name:<28} {required:<13} {reached:<13} {margin}")
    return text


def _failures(summary: BudgetResult) -> list[str]:
    from yieldsim.report.budget.verdict_text import failure_rows, failures_sentence

    rows = failure_rows(summary)
    if not rows:
        return []
    text = ["  with one thing failed         served        longest outage    down"]
    text += [
        f"  {word:<5} {what:<23} {served:<13} {outage:<17} {down}"
        for what, served, outage, word, down in rows
    ]
    if summary["single_failures"]["expected_reached"] is not None:
        expected = failures_sentence(summary).split(". ")[-1]
        text += textwrap.wrap(expected, COLUMNS, initial_indent="  ", subsequent_indent="  ")
    return text


def _life(life: Mapping[str, Any]) -> list[str]:
    text = [
        "  year   delivered    dust    fibre     lens     store   served   outage",
        "               kWh    left     left     left       kWh   (ess.)        h",
    ]
    for row in life["table"]:
        text.append(
            f"  {row['year']:>4} {row['delivered_kwh']:11.2f} {row['dust_left']:7.2%} {row['fibre_left']:8.2%} "
            f"{row['lens_left']:8.2%} {row['storage_kwh']:9.2f} {row['served_fraction']:8.2%} "
            f"{row['longest_outage_hours']:8.1f}"
        )
    each = life["delivered_kwh_per_kg"]
    return [
        *text,
        _line("over the life", _kwh(life["delivered_kwh"]), f"{plain(each)} kWh per kg" if each else ""),
    ]


def _dust(dust: Mapping[str, Any]) -> Iterator[str]:
    visit, film, cycle = dust["visit"], dust["film"], dust["cycle"]
    best_day = f"gained by one at its best, {visit['best_utc'][:10]}"
    yield _line("cleaning visit", f"{plain(visit['gained_kwh'], 3)} kWh", best_day)
    if film:
        days, even = film["paid_back_after_days"], film["break_even_transmittance"]
        paid = "never in this run" if days is None else f"after {days:.0f} days"
        own = f"it has {film['film_transmittance']:g}; pays {paid}"
        yield _line("film breaks even", "none" if even is None else f"{even:.4f}", own)
    if cycle:
        from yieldsim.report.budget.lifetime import cycle_at_end

        best, now, end = cycle["best"], cycle["now"], cycle_at_end(cycle)
        yield _line(
            "shield cycle",
            f"{plain(best['cycle_hours'])} h" if best["runs"] else "never in this run",
            f"nets most: {plain(best['net_kwh'] - now['net_kwh'], sign='+')} kWh of light over {now['cycle_hours']:g} h, "
            f"at {dust['light_per_electric']:g} kWh of light per kWh electric"
            + (f"; the {end} tried" if end and best["runs"] else ""),
        )


OUTCOME_WORDS = {
    "delivered_kwh": "light delivered, kWh",
    "longest_gap_hours": "longest outage of light, h",
    "served_fraction": "served, essential*",
    "unserved_kwh": "unserved, essential*, kWh",
    "longest_outage_hours": "longest outage of loads, h",
}


def _sure(sure: Mapping[str, Any]) -> list[str]:
    text = [f"  {sure['draws']} draws, seed {sure['seed']}: reached or bettered in 50, 90, 99 of 100 cases"]
    for name, words in OUTCOME_WORDS.items():
        row = sure["outcomes"][name]
        text.append(
            f"    {words:<24} {plain(row['p50'], 5):>12} {plain(row['p90'], 5):>12} {plain(row['p99'], 5):>12}   "
            f"(error of P90 {row['p90_error']:.2g})"
        )
    text.append("    * essential loads, or all where none is")
    for name, ranking in sure["ranking"].items():
        if ranking is None:
            continue
        first = ", ".join(f"{row['what']} {row['total']:.0%}" for row in ranking["shares"][:4])
        text.append(f"    what moves {OUTCOME_WORDS[name].split(',')[0]}: {first}")
    return text
