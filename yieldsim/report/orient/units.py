"""How many units: what each further one brings, for energy, the longest gap and, where masses are given, by
the kilogram."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.results.orient import OrientResult
from yieldsim.report.layout import style
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.period_text import per_of
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, pages
from yieldsim.report.orient.facing_map import GOAL_WORDS
from yieldsim.report.orient.page import head_lines, nothing_panel

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HEIGHT_IN = 5.4
MOST_MARKED = 16
"""Curves of more numbers of units than this are drawn without marks."""
LEAST_SPAN_DEG = 20.0
"""The frame of directions never spans less elevation than this."""


def units_pages(summary: OrientResult) -> Pages:
    """The page from orient.json, as PDF and as PNG."""
    return pages(units_sheet(summary))


def units_sheet(summary: OrientResult) -> Sheet:
    """What stands on it."""
    units = summary["units"]
    assert units is not None
    curve, goal = units["curve"], units["goal"]
    lit = any(row["annual_kwh"] > 0.0 for row in curve)
    alt = f"{curve[-1]['units']} units deliver {style.quantity(curve[-1]['annual_kwh'], 'kWh')}."
    panel = (
        Panel(partial(draw_units, summary), style.FULL_WIDTH_IN, HEIGHT_IN, alt) if lit else nothing_panel()
    )
    return Sheet(
        kicker="How many units",
        title=str(summary["site"]["name"]),
        lines=[*head_lines(summary), f"Chosen for: {GOAL_WORDS[goal]}"],
        parts=[Drawn(panel)],
        summary=summary,
        where="orient.json",
    )


def draw_units(summary: OrientResult, figure: Figure) -> None:
    """Fill a figure: energy, longest gap, the goal against its bound, and where the chosen units face."""
    units = summary["units"]
    assert units is not None
    frames = figure.subplots(2, 2)
    per = per_of(summary)
    draw_energy(units, per, frames[0, 0])
    draw_gap(units, summary["following"], frames[0, 1])
    draw_each(units, per, frames[1, 0])
    draw_directions(units, frames[1, 1])


def _line(axes: Axes, counts: np.ndarray, values: Any, index: int, words: str | None = None) -> None:
    """A curve over numbers of units; single points have marks, long curves have none."""
    look = style.line(index)
    axes.plot(
        counts,
        values,
        color=look.colour,
        linestyle=look.dash,
        marker=look.marker if len(counts) <= MOST_MARKED else "",
        markersize=3.5,
        label=words,
    )


def _finish(axes: Axes, curve: Sequence[Mapping[str, Any]], room: float = 1.05) -> None:
    """From zero upwards, whole numbers of units below."""
    last = int(curve[-1]["units"])
    axes.set_xlim(0.0, last + 0.6)
    axes.set_ylim(bottom=0.0, top=room * axes.dataLim.y1)
    axes.grid(visible=True, axis="y")
    axes.set_xlabel("Number of units")
    axes.set_xticks(np.arange(0, last + 1, max(1, -(-last // 12))))


def _counts(units: Mapping[str, Any]) -> np.ndarray:
    return np.array([row["units"] for row in units["curve"]])


def draw_energy(units: Mapping[str, Any], per: str, axes: Axes) -> None:
    """Energy by number of units, and the bound where energy is the goal."""
    _line(axes, _counts(units), [row["annual_kwh"] for row in units["curve"]], 0, "chosen units")
    _bound(axes, units, ("annual",), "upper bound")
    axes.set_ylabel(f"Energy (kWh {per})")
    axes.set_title(f"Energy {per}")
    _finish(axes, units["curve"])


def draw_gap(units: Mapping[str, Any], following: Mapping[str, Any], axes: Axes) -> None:
    """Longest gap by number of units, and the darkness of the site under it."""
    _line(
        axes, _counts(units), [row["longest_gap_hours"] / 24.0 for row in units["curve"]], 1, "chosen units"
    )
    dark = following["dark_gap_hours"] / 24.0
    axes.axhspan(
        0.0,
        dark,
        facecolor=style.SHADE,
        edgecolor=style.MUTED,
        linewidth=0.4,
        label="no sunlight at the site",
    )
    _bound(axes, units, ("shortest-gap",), "lower bound", 1.0 / 24.0)
    axes.set_ylabel("Longest outage (days)")
    axes.set_title("Longest outage of light")
    _finish(axes, units["curve"], 1.35)
    axes.legend(loc="upper left", ncols=2, fontsize=style.SMALL_PT)


def _bound(
    axes: Axes, units: Mapping[str, Any], goals: tuple[str, ...], words: str, scale: float = 1.0
) -> None:
    """What no set can better, where this goal is drawn."""
    if units["goal"] not in goals:
        return
    axes.plot(
        _counts(units),
        [scale * row["upper_bound"] for row in units["curve"]],
        color=style.MUTED,
        linestyle=(0, (1.2, 1.2)),
        linewidth=1.2,
        marker="_" if len(units["curve"]) == 1 else "",
        markersize=9.0,
        label=words,
    )
    axes.legend(loc="best")


def draw_each(units: Mapping[str, Any], per: str, axes: Axes) -> None:
    """What one more unit brings: energy per kilogram where masses are given, else per unit; and the poorest
    month."""
    curve = units["curve"]
    by_mass = curve[0]["mass_kg"] is not None
    divisor = np.array([row["mass_kg"] if by_mass else row["units"] for row in curve], dtype=float)
    whole = np.array([row["annual_kwh"] for row in curve]) / divisor
    _line(axes, _counts(units), whole, 0, per)
    if per in ("a year", "a Martian year"):  # of twelve months
        poorest = 12.0 * np.array([row["worst_month_kwh"] for row in curve]) / divisor
        _line(axes, _counts(units), poorest, 2, "worst month, times 12")
    each = "kg" if by_mass else "unit"
    axes.set_ylabel(f"Energy (kWh {per} per {each})")
    axes.set_title(f"Energy per {'kilogram' if by_mass else 'unit'}")
    _finish(axes, curve, 1.3)
    axes.legend(loc="upper left", ncols=2)


def draw_directions(units: Mapping[str, Any], axes: Axes) -> None:
    """Where the chosen units face: azimuth across, elevation faced upwards, the count in each mark."""
    from matplotlib.ticker import MaxNLocator

    chosen = units["set"]
    up = [90.0 - mount["tilt_deg"] for mount in chosen]
    for mount in chosen:
        axes.text(
            mount["azimuth_deg"],
            90.0 - mount["tilt_deg"],
            str(mount["count"]),
            color="white",
            ha="center",
            va="center",
            fontsize=style.SMALL_PT,
            weight="bold",
            bbox={"boxstyle": "circle,pad=0.3", "facecolor": style.DELIVERED, "edgecolor": "white"},
        )
    middle, half = 0.5 * (max(up) + min(up)), 0.75 * max(max(up) - min(up), LEAST_SPAN_DEG / 1.5)
    axes.set_ylim(middle - half, middle + half)
    axes.set_xlim(0.0, 360.0)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10]))
    axes.set_xticks(range(0, 361, 90), ["N\n0°", "E\n90°", "S\n180°", "W\n270°", "N\n0°"])
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}°".replace("-", "−"))
    axes.set_xlabel("Azimuth faced")
    axes.set_ylabel("Elevation faced (90° − tilt)")
    count = units["count"]
    axes.set_title(f"Where the {count} units face; numbers: units" if count > 1 else "Where the unit faces")
    axes.grid(visible=True)
