"""`yieldsim trace`: the acceptance of a lens prescription, with every loss named."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from yieldsim.base.results.optics import TraceResult
from yieldsim.cli.shared_options import OPTICS, TABLE, Command, default_option
from yieldsim.cli.terminal.answer import show, tell_written
from yieldsim.cli.terminal.progress import progress
from yieldsim.cli.terminal.wrapping import wrapped
from yieldsim.report.layout.number_format import plain


@click.command(cls=Command, short_help="Acceptance table of a lens prescription, with every loss.")
@click.argument("optics", type=OPTICS)
@click.option(
    "-o",
    "--out",
    type=TABLE,
    help="Acceptance table to write (.csv), trace.json and the figures beside it: a folder for each trace. Without it, only "
    "the answer.",
)
@default_option(
    "--tolerance", 0.005, "Standard error asked for, as a part of the acceptance at normal incidence."
)
@default_option(
    "--source",
    "point",
    "Parallel light, which estimates smear with the day's disc, or the Sun's disc at 1 au.",
    type=click.Choice(["point", "disc"]),
)
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), help="Another set of random shifts.")
@click.option("--json", "as_json", is_flag=True, help="Print trace.json to stdout instead of the answer.")
@click.option("--no-figures", is_flag=True, help="Write the table and trace.json only.")
def trace(
    optics: Path,
    out: Path | None,
    tolerance: float,
    source: Any,
    seed: int | None,
    as_json: bool,
    no_figures: bool,
) -> None:
    """Trace rays through OPTICS: how much of the light on the aperture enters the fibre, by direction.

    The table is what a collector file takes: [acceptance] table = "acceptance.csv", source = "point".
    """
    from yieldsim.runs.trace.output import refuse_place, write_trace
    from yieldsim.runs.trace.run import trace as run

    if out is not None:
        refuse_place(out)
    with progress("Tracing") as advance:
        traced = run(optics, tolerance=tolerance, source=source, seed=seed, progress=advance)
    written: list[str] = []
    if out is not None:
        written = write_trace(traced, out, figures=not no_figures)
    show(traced.summary, answer_lines, as_json)
    if written and out is not None:
        tell_written(written, out.parent)


def answer_lines(summary: TraceResult) -> list[str]:
    """The answer as plain text."""
    from yieldsim.report.trace.page import LIGHT_WORDS, film_words

    acceptance, error = summary["acceptance"], summary["statistical_error"]
    lines = [
        f"{summary['name']}: aperture {summary['aperture_area_m2']:.4g} m2, concentration "
        f"{plain(summary['concentration']['geometric'])}",
        "",
        f"  acceptance at normal incidence           {acceptance['normal']:.4f}   +- {error['normal']:.4f} standard error",
        f"    {LIGHT_WORDS[acceptance['source']]}{film_words(summary)}; {error['rays']:,} rays",
    ]
    lines += [
        f"    for the Sun's disc at {row['sun_distance_au']:g} au".ljust(43)
        + f"{row['acceptance_fraction']:.4f}"
        for row in acceptance["normal_sun_disc"]
    ]
    for name, words in _WIDTHS.items():
        if name in acceptance:
            value = acceptance[name]  # type: ignore[literal-required]
            lines.append(f"  {words:<40} {'never' if value is None else f'{value:.3f} deg'}")
    lines.append(
        f"  etendue used                             {summary['etendue_used']:.1%} of "
        f"{summary['etendue']['limit_m2_sr']:.3g} m2 sr"
    )
    lines += ["", "  where the light goes at normal incidence"]
    for row in sorted(summary["losses"], key=lambda row: -row["normal"]):
        if row["normal"] >= 5e-5:
            lines.append(f"    {row['cause']:<34} {row['normal']:8.2%} +- {row['normal_error']:.2%}")
    lines.append("")
    for flux in summary["flux"]:
        lines += [
            f"  fibre's face at {flux['sun_distance_au']:g} au: {plain(flux['face_w'])} W at all angles, mean "
            f"{plain(flux['face_mean_w_cm2'], 3)} W/cm2, {flux['face_mean_suns']:.0f} suns",
            f"    peak {plain(flux['face_peak_w_cm2'], 3)} W/cm2, {flux['face_peak_suns']:.0f} suns; at the mouth "
            f"{plain(flux['mouth_peak_w_cm2'], 3)} W/cm2",
        ]
        film = "" if flux["film_transmittance"] == 1.0 else f" x {flux['film_transmittance']:.4g} film"
        lines += [
            f"    in the fibre's cone {plain(flux['delivered_w'])} W, mean {plain(flux['cone_mean_w_cm2'], 3)} W/cm2:",
            f"      {plain(flux['aperture_power_w'])} W x {flux['disc_acceptance']:.4f} for the Sun's disc{film}",
        ]
    beside = summary["beside_mouth"]
    if beside is not None:
        lines += [
            f"  beside the mouth, Sun {beside['sun_angle_deg']:.3g} deg off axis: up to {plain(beside['peak_w_cm2'], 3)} W/cm2, "
            f"{plain(beside['power_w'], 3)} W",
            f"    an insulated surface there reaches {beside['temperature_bound_k']:.0f} K at most",
        ]
    for part in summary["heat"]:
        limit = "" if part["limit_k"] is None else f", limit {part['limit_k']:.0f} K"
        lines.append(
            f"  {part['part']}: absorbs {plain(part['absorbed_w'], 3)} W, {part['temperature_k']:.0f} K{limit}"
        )
    return lines + [wrapped(f"  caution: {caution}", sys.stdout) for caution in summary["cautions"]]


_WIDTHS = {
    "half_width_50_deg": "half-width at half-maximum",
    "half_width_90_deg": "half-width at 90 % of the maximum",
    "transverse_half_width_50_deg": "transverse half-width at half-maximum",
    "transverse_half_width_90_deg": "transverse half-width at 90 %",
    "longitudinal_half_width_50_deg": "longitudinal half-width at half-maximum",
    "longitudinal_half_width_90_deg": "longitudinal half-width at 90 %",
}
