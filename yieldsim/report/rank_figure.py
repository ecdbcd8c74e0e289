"""Sites side by side: what each delivers, and what becomes of its light on the way."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW_IN = 0.34
SHORT_STAGES = {
    "eclipse": "eclipses",
    "terrain": "terrain",
    "atmosphere": "air",
    "projection": "facing\n(cosine)",
    "shield film": "shield\nfilm",
    "dust": "dust",
    "acceptance": "accept-\nance",
    "fibre packing": "fibre\npacking",
    "fibre coupling": "fibre\ncoupling",
    "fibre ends": "fibre\nends",
    "fibre attenuation": "fibre\nlength",
    "fibre darkening": "fibre\nageing",
}
MOST_DRAWN = 24
"""Sites drawn; the table holds all."""


def rank_png(summary: dict[str, Any]) -> bytes:
    """The figure as PNG, from rank.json."""
    with style.drawing(style.FULL_WIDTH_IN, _height_in(summary)) as figure:
        draw_rank(summary, figure)
        return style.png_bytes(figure)


def rank_pdf(summary: dict[str, Any]) -> bytes:
    """The same as PDF."""
    with style.drawing(style.FULL_WIDTH_IN, _height_in(summary)) as figure:
        draw_rank(summary, figure)
        return style.pdf_bytes(figure, f"{summary['collector']['name']} at {len(summary['sites'])} sites")


def _height_in(summary: dict[str, Any]) -> float:
    count = min(len(summary["sites"]), MOST_DRAWN)
    return 3.4 + 2.0 * ROW_IN * count


def draw_rank(summary: dict[str, Any], figure: Figure) -> None:
    """Fill a figure: bars of what is delivered above, shares kept by each stage below; sites in order, best
    on top."""
    rows = summary["sites"][:MOST_DRAWN]
    figure.suptitle(
        f"{summary['collector']['name']} at {len(summary['sites'])} sites, "
        + (
            "each at its own best facing"
            if summary["facing"] == "best"
            else "facing as in the collector file"
        )
        + f"\n{summary['start_utc'][:10]} to {summary['end_utc'][:10]}, in the order of: {GOAL_WORDS[summary['goal']]}",
        x=0.01,
        ha="left",
        fontsize=style.TEXT_PT + 2.0,
        weight="bold",
    )
    parts: Any = figure.subfigures(2, 1, height_ratios=[len(rows) + 2.4, len(rows) + 4.2])
    draw_totals(rows, summary, parts[0])
    draw_stages(rows, parts[1].add_subplot())


GOAL_WORDS = {
    "annual": "energy in a year",
    "worst-month": "energy in the poorest month",
    "shortest-gap": "longest gap, shortest first",
    "hours": "hours with light",
    "units": "units needed",
}


def draw_totals(rows: list[dict[str, Any]], summary: dict[str, Any], figure: Any) -> None:
    """A column of bars for each figure that sites are judged by; the deciding one in full colour."""
    columns: list[tuple[str, str, str, float]] = [
        ("annual", "annual_kwh", "kWh in a year", 1.0),
        ("worst-month", "worst_month_kwh", "kWh, poorest month", 1.0),
        ("shortest-gap", "longest_gap_hours", "longest gap, days", 1.0 / 24.0),
        ("hours", "hours_delivering_per_year", "hours lit a year", 1.0),
    ]
    if summary["continuous_power_w"] is not None:
        columns.append(("units", "units_for_power", f"units for {summary['continuous_power_w']:g} W", 1.0))
    frames = figure.subplots(1, len(columns), sharey=True)
    for axes, (goal, key, words, scale) in zip(frames, columns, strict=True):
        values = [np.nan if row[key] is None else scale * row[key] for row in rows]
        longest = np.nanmax([*values, 1e-12])
        decides = goal == summary["goal"]
        axes.barh(
            range(len(rows)),
            np.nan_to_num(values),
            0.66,
            color=style.DELIVERED if decides else style.LEFT,
            linewidth=0.0,
        )
        for place, value in enumerate(values):
            axes.text(
                1.42 * longest,
                place,
                str(int(value)) if goal == "units" and np.isfinite(value) else style.number(value),
                ha="right",
                va="center",
                fontsize=style.SMALL_PT,
                weight="bold" if decides else "normal",
            )
        axes.set_xlim(0.0, 1.44 * longest)
        axes.set_xticks([])
        axes.set_title(words, fontsize=style.SMALL_PT + 0.5, weight="bold" if decides else "normal")
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(axis="y", length=0)
    frames[0].set_yticks(range(len(rows)), [f"{row['rank']}  {_short(row['site']['name'])}" for row in rows])
    frames[0].set_ylim(len(rows) - 0.5, -0.5)


def draw_stages(rows: list[dict[str, Any]], axes: Axes) -> None:
    """What each stage keeps of the light that reaches it, in per cent: darker where more is lost. Stages that
    take nothing anywhere are left out."""
    stages = [
        entry["stage"]
        for place, entry in enumerate(rows[0]["kept_by_stage"])
        if any((row["kept_by_stage"][place]["kept_fraction"] or 0.0) < 0.99995 for row in rows)
    ]
    first = ["sunlight,\nMWh/m²\na year", *(SHORT_STAGES.get(stage, stage) for stage in stages)]
    for y, row in enumerate(rows):
        kept = {entry["stage"]: entry["kept_fraction"] for entry in row["kept_by_stage"]}
        axes.text(
            0.0,
            y,
            style.number(row["reasons"]["sunlight_kwh_m2_per_year"] / 1000.0),
            ha="center",
            va="center",
            fontsize=style.SMALL_PT,
        )
        for x, stage in enumerate(stages, start=1):
            share = kept[stage]
            depth = 0.0 if share is None else 1.0 - share
            axes.fill_between(
                [x - 0.48, x + 0.48], y - 0.46, y + 0.46, color=str(1.0 - 0.62 * depth), linewidth=0.0
            )
            axes.text(
                x, y, style.percent(share).replace(f"{style.NARROW_SPACE}%", ""), ha="center", va="center", fontsize=style.SMALL_PT,
                color="white" if depth > 0.75 else style.INK,
            )  # fmt: skip
    axes.set_xticks(range(len(first)), first, rotation=0, fontsize=style.SMALL_PT - 0.5)
    axes.xaxis.tick_top()
    axes.set_yticks(range(len(rows)), [_reasons(row) for row in rows], fontsize=style.SMALL_PT - 0.3)
    axes.set_xlim(-0.55, len(first) - 0.45)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_title("Why: kept of the light that reaches each stage, %", pad=6.0)


def _short(name: str) -> str:
    return name if len(name) <= 22 else name[:21] + "…"


def _reasons(row: dict[str, Any]) -> str:
    """The site's place in a few words, under its name."""
    site, facing = row["site"], row["facing"]
    pose = "" if facing is None else f"; tilt {facing['tilt_deg']:.0f}°, azimuth {facing['azimuth_deg']:.0f}°"
    latitude = f"{abs(site['latitude_deg']):.2f}° {'N' if site['latitude_deg'] >= 0.0 else 'S'}"
    return f"{_short(site['name'])}\n{site['body']} {latitude}{pose}"
