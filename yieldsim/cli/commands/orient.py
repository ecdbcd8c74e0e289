"""`yieldsim orient`: which way to face, and how several units share the sky."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from yieldsim.base.results.orient import OrientResult
from yieldsim.cli.shared_options import (
    COLLECTOR,
    FOLDER,
    LOAD,
    SITE,
    Command,
    default_option,
    interval_option,
    kernel_option,
    span_options,
    tracker_options,
)
from yieldsim.cli.terminal.answer import figure, gap_hours, show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.cli.terminal.wrapping import wrapped


class FacingType(click.ParamType):  # type: ignore[type-arg, unused-ignore]
    """TILT,AZIMUTH or TILT,AZIMUTH,ROLL in degrees."""

    name = "TILT,AZIMUTH[,ROLL]"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Numbers from text."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) not in (2, 3):
            self.fail(f'"{value}" is not a facing; write degrees such as 88,180 or 88,180,45', param, ctx)
        return numbers


@click.command(cls=Command, short_help="Best orientation, flatness, several units, fixed against tracking.")
@click.argument("site", type=SITE)
@click.option("-c", "--collector", required=True, type=COLLECTOR, help="Collector file.")
@span_options
@default_option("--step-deg", 1.0, "Grid of the map of orientations.")
@default_option("--goal", "annual", "annual, worst-month, shortest-gap or load: what units are chosen for.")
@click.option("--units", type=int, help="Choose orientations for this many units.")
@click.option("-l", "--load", type=LOAD, help="Load file, for the energy put to use.")
@click.option(
    "--compare", multiple=True, type=FacingType(), help="Another orientation to compare, degrees; repeatable."
)
@click.option("--levelling-deg", type=float, default=0.0, help="The mast may lean by up to this any way.")
@click.option("--azimuth-error-deg", type=float, default=0.0, help="It may be turned by up to this.")
@click.option(
    "--reaimings",
    type=int,
    default=0,
    help="Turn mounts by hand up to so many times in the run, 12 at most: when, which way, what for.",
)
@tracker_options
@interval_option
@kernel_option
@click.option("--out", type=FOLDER, help="Folder for the results (default reports/<site file>-facing).")
@click.option("--json", "as_json", is_flag=True, help="Print orient.json to stdout instead of the table.")
@click.option("--no-figures", is_flag=True, help="Write data only, no PNG and PDF.")
def orient(
    site: Path, collector: Path, out: Path | None, as_json: bool, no_figures: bool, **asked: Any
) -> None:
    """Where COLLECTOR should face at SITE: a map of all orientations and the best one for each goal.

    Energies are those of all units of the collector file in one orientation. With --units, orientations for so
    many units are chosen together and written as a collector file for `yieldsim estimate`.
    """
    from yieldsim.runs.orient.output import write_orient
    from yieldsim.runs.orient.run import orient as run
    from yieldsim.runs.orient.run import summary_of

    with progress("Sampling the sky") as advance:
        ds = run(site, collector, progress=advance, **asked)
    folder = out or Path("reports") / f"{site.stem}-facing"
    written = write_orient(ds, folder, collector, figures=not no_figures)
    show(summary_of(ds), answer_lines, as_json)
    tell_written(written, folder)


def answer_lines(summary: OrientResult) -> list[str]:
    """The answer as plain text: the best facings, what errors cost, the chosen units, followers of the
    Sun."""
    from yieldsim.report.layout.period_text import per_of, per_unit, period_line

    collector, site, best = summary["collector"], summary["site"], summary["best"]
    units = collector["unit_count"]
    energy_words = f"kWh {per_of(summary)}"
    energy = f"kWh{per_unit(summary)}"
    lines = [
        f"{collector['name']} ({units} unit{'s' if units != 1 else ''}) at {site['name']}, {site['body']}",
        period_line(summary),
        f"energies are {energy_words}, of all units in one orientation",
        "",
        *facing_lines(summary),
    ]
    bound = best[0].get("annual_upper_bound_kwh")
    if bound is not None:
        lines.append(f"  no orientation can have more than {figure(bound, 0)} kWh {per_of(summary)}")
    lines += ["", *off_lines(best[0]["when_off"])]
    mast = summary["mast"]
    if mast is not None:
        lines += [
            f"  mast within {mast['levelling_deg']:g} deg of plumb and {mast['azimuth_error_deg']:g} deg of its azimuth: loss",
            f"    {mast['expected_loss_fraction']:.2%} on average, {mast['worst_loss_fraction']:.2%} at worst",
        ]
    if summary["units"] is not None:
        lines += ["", *unit_lines(summary["units"], energy)]
    return [
        *lines,
        "",
        *following_lines(summary["following"]),
        *hand_turn_lines(summary),
        *(wrapped(f"  caution: {c}", sys.stdout) for c in summary["cautions"]),
    ]


def facing_lines(summary: OrientResult) -> list[str]:
    """One line an orientation: the best ones, then those compared; within 80 columns."""
    from yieldsim.report.layout.number_format import aligned

    rows = [*summary["best"], *summary["compare"]]
    used = "used_kwh" in summary["best"][0]
    rolls = any(row["roll_deg"] for row in rows)
    heads = [("tilt", "deg", 7), ("azimuth", "deg", 9), ("energy", "kWh", 9), ("of best", "", 8)]
    heads += [("worst", "month, kWh", 12), ("longest", "outage, h", 11), ("light", "h", 6)]
    if rolls:
        heads.insert(2, ("roll", "deg", 7))
    columns = [
        [f"{row['tilt_deg']:.2f}" for row in rows],
        [f"{row['azimuth_deg']:.2f}" for row in rows],
        *([[f"{row['roll_deg']:.1f}" for row in rows]] if rolls else []),
        aligned([row["annual_kwh"] for row in rows]),
        ["-" if (share := row["share_of_best_fraction"]) is None else f"{share:.1%}" for row in rows],
        aligned([row["worst_month_kwh"] for row in rows]),
        [gap_hours(row) for row in rows],
        [f"{row['hours_delivering']:.0f}" for row in rows],
    ]
    if used:
        # the share of the best is the energy's, and least to the point beside what is used
        heads[3 + rolls], columns[3 + rolls] = ("used", "kWh", 8), aligned([row["used_kwh"] for row in rows])
    names = [str(row.get("goal") or row.get("label")).removesuffix(" of the file") for row in rows]
    wide = 78 - sum(width for *_, width in heads)
    lines = [
        "  " + f"{'best for, or compared':<{wide}}" + "".join(f"{head:>{width}}" for head, _, width in heads),
        "  " + " " * wide + "".join(f"{unit:>{width}}" for _, unit, width in heads),
    ]
    for place, name in enumerate(names):
        cells = zip(columns, heads, strict=True)
        lines.append(
            f"  {name:<{wide}.{wide}}" + "".join(f"{column[place]:>{width}}" for column, (*_, width) in cells)
        )
    return lines


def off_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """What an aperture off its best facing loses; for two-angle optics also one rolled about its normal."""
    rolled = "rolled_loss_fraction" in rows[0]
    head = (
        "  aperture off the best annual one by       mean loss   worst loss" + "   rolled by as much" * rolled
    )
    keys = ("mean_loss_fraction", "worst_loss_fraction", "rolled_loss_fraction")[: 2 + rolled]
    widths = (37, 12, 19)[: 2 + rolled]
    return [
        head,
        *(
            f"    {row['off_deg']:4.1f} deg "
            + "".join(f" {row[key]:{width}.2%}" for key, width in zip(keys, widths, strict=True))
            for row in rows
        ),
    ]


def unit_lines(units: Mapping[str, Any], energy: str) -> list[str]:
    """The chosen set and how it grew."""
    count = units["count"]
    lines = [f"  {count} unit{'s' * (count != 1)} for the goal {units['goal']}:"]
    lines += [
        f"    {m['count']:4d} at tilt {m['tilt_deg']:7.2f}, azimuth {m['azimuth_deg']:7.2f}"
        + (f", roll {m['roll_deg']:7.2f}" if m["roll_deg"] else "")
        for m in units["set"]
    ]
    word = "no set can be shorter than" if units["better"] == "smaller" else "no set can have more than"
    value_unit = (
        units["value_unit"].replace("kWh per year", energy).replace("kWh used per year", f"{energy} used")
    )
    lines += [
        f"  value {figure(units['value'], 0)} {value_unit}; {word} {figure(units['upper_bound'], 0)}",
        f"    (holds for {units['bound_holds_for']})",
    ]
    mass = units["curve"][0]["mass_kg"] is not None
    lines.append(f"    units {'kWh':>10}  worst month  longest outage" + (f" {'kWh/kg':>13}" if mass else ""))
    for row in units["curve"]:
        line = f"    {row['units']:5d} {figure(row['annual_kwh'], 10)} {figure(row['worst_month_kwh'], 8)} kWh {gap_hours(row, 13)} h"
        lines.append(line + (f" {figure(row['annual_kwh_per_kg'], 13)}" if mass else ""))
    return lines


def following_lines(following: Mapping[str, Any]) -> list[str]:
    """One unit, fixed or tracking the Sun."""
    lines = [
        f"  {'':<37}{'longest':>14}{'fixed units for the same':>27}",
        f"  {'one unit':<29}{'kWh':>11}{'outage':>11}{'energy':>15}{'outage':>11}",
        f"    {'fixed at its best':<28} {figure(following['fixed_annual_kwh_per_unit'], 9)} {gap_hours(following, 10, 'fixed_')} h",
    ]
    for row in following["followers"]:
        energy, gap = row["fixed_units_for_same_energy"], row["fixed_units_for_same_gap"]
        lines.append(
            f"    {row['axes']:<28} {figure(row['annual_kwh_per_unit'], 9)} {gap_hours(row, 10)} h"
            f"{'-' if energy is None else f'{energy:.2f}':>14} {'none found' if gap is None else gap:>10}"
        )
    return lines


def hand_turn_lines(summary: OrientResult) -> list[str]:
    """What turns by hand bring, and when and which way the most of them are."""
    rows = summary["reaimings"]
    if not rows:
        return []
    lines = ["", "  turned by hand, one unit         kWh   over fixed   of two axes"]
    for row in rows:
        name = f"{row['turns']} time{'s' * (row['turns'] != 1)}" if row["turns"] else "never"
        lines.append(
            f"    {name:<23} {figure(row['annual_kwh_per_unit'], 9)} {row['over_fixed_fraction']:12.1%} "
            f"{row['of_following_fraction']:13.1%}"
        )
    lines.append(f"    {rows[-1]['turns']} times:")
    for stretch in rows[-1]["stretches"]:
        lines.append(
            f"      from {stretch['start_utc'][:16]} tilt {stretch['tilt_deg']:6.2f}, azimuth {stretch['azimuth_deg']:6.2f} deg"
        )
    return lines
