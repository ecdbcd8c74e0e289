"""How many units: what each further one brings, for energy, the longest gap and, where masses are given, by
the kilogram."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN = style.FULL_WIDTH_IN


def units_png(summary: dict[str, Any]) -> bytes:
    """The figure as PNG, from orient.json."""
    with style.drawing(WIDTH_IN, _height_in(summary)) as figure:
        draw_units(summary, figure)
        return style.png_bytes(figure)


def units_pdf(summary: dict[str, Any]) -> bytes:
    """The same as PDF."""
    with style.drawing(WIDTH_IN, _height_in(summary)) as figure:
        draw_units(summary, figure)
        return style.pdf_bytes(figure, f"Units for {summary['site']['name']}")


def _height_in(summary: dict[str, Any]) -> float:
    return 4.9


def draw_units(summary: dict[str, Any], figure: Figure) -> None:
    """Fill a figure: energy, longest gap, the goal against its bound, and where the chosen units face."""
    units, collector = summary["units"], summary["collector"]
    figure.suptitle(
        f"How many units: {collector['name']} at {summary['site']['name']}, chosen for {units['words']}",
        x=0.01,
        ha="left",
        fontsize=style.TEXT_PT + 2.0,
        weight="bold",
    )
    frames = figure.subplots(2, 2)
    draw_energy(units, frames[0, 0])
    draw_gap(units, summary["following"], frames[0, 1])
    draw_each(units, frames[1, 0])
    draw_directions(units, frames[1, 1])


def _counts(axes: Axes, curve: list[dict[str, Any]]) -> np.ndarray:
    counts = np.array([row["units"] for row in curve])
    axes.set_xlim(0.0, counts[-1] + 0.6)
    axes.set_ylim(bottom=0.0, top=1.05 * axes.dataLim.y1)
    axes.grid(visible=True, axis="y")
    axes.set_xlabel("units")
    step = max(1, -(-int(counts[-1]) // 12))
    axes.set_xticks(np.arange(0, int(counts[-1]) + 1, step))
    return counts


def draw_energy(units: dict[str, Any], axes: Axes) -> None:
    """Energy a year by number of units, and the bound where energy is the goal."""
    curve = units["curve"]
    counts = np.array([row["units"] for row in curve])
    look = style.line(0)
    axes.plot(
        counts,
        [row["annual_kwh"] for row in curve],
        color=look.colour,
        marker=look.marker,
        markersize=3.5,
        label="chosen sets",
    )
    _bound(axes, units, ("annual",))
    axes.set_ylabel("kWh in a year")
    axes.set_title("Energy in a year")
    _counts(axes, curve)


def draw_gap(units: dict[str, Any], following: dict[str, Any], axes: Axes) -> None:
    """Longest gap by number of units, and the darkness of the site under it."""
    curve = units["curve"]
    counts = np.array([row["units"] for row in curve])
    look = style.line(1)
    axes.plot(
        counts,
        [row["longest_gap_hours"] / 24.0 for row in curve],
        color=look.colour,
        linestyle=look.dash,
        marker=look.marker,
        markersize=3.5,
    )
    dark = following["dark_gap_hours"] / 24.0
    axes.axhspan(0.0, dark, color=style.SHADE, linewidth=0.0)
    axes.text(
        0.1, 0.5 * dark, "the site itself is dark", va="center", color=style.MUTED, fontsize=style.SMALL_PT
    )
    _bound(axes, units, ("shortest-gap",), 1.0 / 24.0)
    axes.set_ylabel("days")
    axes.set_title("Longest gap without light")
    _counts(axes, curve)


def _bound(axes: Axes, units: dict[str, Any], goals: tuple[str, ...], scale: float = 1.0) -> None:
    """What no set can better, where this goal is drawn."""
    if units["goal"] not in goals:
        return
    counts = [row["units"] for row in units["curve"]]
    axes.plot(
        counts,
        [scale * row["upper_bound"] for row in units["curve"]],
        color=style.MUTED,
        linestyle=(0, (1.2, 1.2)),
        linewidth=1.0,
        label="no set is better",
    )
    axes.legend(loc="best")


def draw_each(units: dict[str, Any], axes: Axes) -> None:
    """What one more unit brings: energy per kilogram where masses are given, else per unit; and the poorest
    month."""
    curve = units["curve"]
    counts = np.array([row["units"] for row in curve])
    by_mass = curve[0]["mass_kg"] is not None
    divisor = np.array([row["mass_kg"] if by_mass else row["units"] for row in curve], dtype=float)
    for index, (key, words) in enumerate(
        (("annual_kwh", "year"), ("worst_month_kwh", "poorest month, times 12"))
    ):
        look = style.line(index * 2)
        values = np.array([row[key] for row in curve]) * (12.0 if index else 1.0) / divisor
        axes.plot(
            counts,
            values,
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markersize=3.5,
            label=words,
        )
    axes.set_ylabel("kWh a year per kg" if by_mass else "kWh a year per unit")
    axes.set_title("Energy for what is brought" if by_mass else "Energy per unit")
    axes.legend(loc="best")
    _counts(axes, curve)


def draw_directions(units: dict[str, Any], axes: Axes) -> None:
    """Where the chosen units face: azimuth across, elevation faced upwards, the count in each mark."""
    chosen = units["set"]
    low = [90.0 - mount["tilt_deg"] for mount in chosen]
    for mount in chosen:
        x, y = mount["azimuth_deg"], 90.0 - mount["tilt_deg"]
        axes.plot(
            [x], [y], "o", markersize=10.0, color=style.DELIVERED, markeredgecolor="white", clip_on=False
        )
        axes.text(
            x,
            y,
            str(mount["count"]),
            color="white",
            ha="center",
            va="center",
            fontsize=style.SMALL_PT - 0.5,
            weight="bold",
        )
    span = max(max(low) - min(low), 10.0)
    axes.set_ylim(min(low) - 0.25 * span, max(low) + 0.25 * span)
    axes.set_xlim(0.0, 360.0)
    axes.set_xticks(range(0, 361, 90), ["N", "E", "S", "W", "N"])
    axes.set_ylabel("elevation faced, degrees")
    axes.set_title(f"Where the {units['count']} units face")
    axes.grid(visible=True)
