"""The figure of a tuning: energy over the range, against the acceptance that it costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, pages
from yieldsim.report.layout.style import (
    BLUE,
    DELIVERED,
    FULL_WIDTH_IN,
    GREEN,
    HOLE,
    INK,
    MUTED,
    POWER_MAP,
    SMALL_PT,
    VERMILLION,
    number,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TuneFigure:
    """All that the figure shows.

    keys      the one or two varied values
    axes      even grid along each; energy and the rest (points,) or (first, second), NaN where it can't be
    built
    best      values and energy of the best design, `present` those of the file as it is
    per       what the energies are counted by: "a year" or "in so many days"
    summary   tune.json: warnings, provenance, span
    """

    title: str
    lines: Sequence[str]
    keys: Sequence[str]
    axes: Sequence[FloatArray]
    annual_kwh: FloatArray
    half_width_deg: FloatArray
    normal_acceptance: FloatArray
    tried: FloatArray
    best: Sequence[float]
    best_kwh: float
    present: Sequence[float] | None
    present_kwh: float | None
    per: str
    summary: Mapping[str, Any]


def tune_pages(shown: TuneFigure) -> Pages:
    """The page, as PDF and as PNG."""
    return pages(tune_sheet(shown))


def tune_sheet(shown: TuneFigure) -> Sheet:
    """What stands on it."""
    height_in = 5.4 if len(shown.axes) == 1 else 4.2
    alt = f"Energy over {' and '.join(shown.keys)}; best {number(shown.best_kwh)} kWh {shown.per}."
    return Sheet(
        kicker="Tuning a prescription",
        title=shown.title,
        lines=[*shown.lines, NOMINAL],
        parts=[Drawn(Panel(lambda figure: _compose(figure, shown), FULL_WIDTH_IN, height_in, alt))],
        summary=shown.summary,
        where="tune.json",
    )


def _compose(figure: Figure, shown: TuneFigure) -> None:
    if len(shown.axes) == 1:
        energy, optics = figure.subplots(2, 1, sharex=True, height_ratios=(1.5, 1.0))
        draw_energy(energy, shown)
        draw_trade(optics, shown)
    else:
        left, right = figure.subplots(1, 2)
        unit = f"kWh {shown.per} per unit"
        draw_map(figure, left, shown, shown.annual_kwh, "Energy at the site", unit)
        draw_map(figure, right, shown, shown.half_width_deg, "Acceptance half-angle (50 %)", "degrees")


def draw_energy(axes: Axes, shown: TuneFigure) -> None:
    """Energy against the one value."""
    axes.plot(
        shown.axes[0], shown.annual_kwh, color=DELIVERED, marker="o", markersize=3.5, label="even steps"
    )
    if len(shown.tried):
        axes.plot(
            shown.tried[:, 0], shown.tried[:, 1], linestyle="none", marker="+", color=MUTED, label="optimiser"
        )
    axes.plot(
        shown.best[0],
        shown.best_kwh,
        marker="D",
        color=VERMILLION,
        markersize=7.0,
        linestyle="none",
        label=f"best: {shown.best[0]:.4g}, {number(shown.best_kwh)} kWh",
    )
    if shown.present is not None and shown.present_kwh is not None:
        axes.plot(
            shown.present[0],
            shown.present_kwh,
            marker="s",
            markerfacecolor="white",
            color=GREEN,
            markersize=7.0,
            linestyle="none",
            label=f"as it is: {shown.present[0]:.4g}, {number(shown.present_kwh)} kWh",
        )
    top = float(np.nanmax([shown.best_kwh, np.nanmax(shown.annual_kwh)]))
    axes.set_ylim(0.0, 1.08 * top)
    axes.set_ylabel(f"Energy (kWh {shown.per} per unit)")
    axes.set_title("Energy at the site")
    axes.grid(axis="y")
    axes.legend(loc="lower center", ncols=2)


def draw_trade(axes: Axes, shown: TuneFigure) -> None:
    """What the energy comes from: how much straight on, and how wide."""
    axes.plot(shown.axes[0], 100.0 * shown.normal_acceptance, color=BLUE, marker="o", markersize=3.0)
    axes.set_ylim(0.0, 100.0)
    axes.set_ylabel("Acceptance straight on\n(%, solid)", color=BLUE)
    axes.set_xlabel(shown.keys[0])
    axes.set_title("The trade behind it: how much is accepted, and how far off the axis")
    twin = axes.twinx()
    twin.plot(
        shown.axes[0], shown.half_width_deg, color=VERMILLION, marker="^", markersize=3.5, dashes=(4, 2)
    )
    twin.set_ylim(0.0, 1.15 * float(np.nanmax(shown.half_width_deg)))
    twin.set_ylabel("Acceptance half-angle\nat 50 % (°, dashed)", color=VERMILLION)
    twin.spines["right"].set_visible(True)


def draw_map(figure: Any, axes: Axes, shown: TuneFigure, values: FloatArray, title: str, unit: str) -> None:
    """One quantity over two values."""
    first, second = shown.axes
    axes.set_facecolor(HOLE)
    mesh = axes.pcolormesh(first, second, np.ma.masked_invalid(values).T, cmap=POWER_MAP, shading="nearest")
    axes.set_title(title)
    bar = figure.colorbar(mesh, ax=axes, pad=0.02)
    bar.set_label(unit, fontsize=SMALL_PT)
    if np.isfinite(values).all() and np.ptp(values) > 0.0:
        lines = axes.contour(first, second, values.T, colors=[INK], linewidths=0.6, levels=6)
        # dark lines on the bright half of the map, bright ones on the dark half; their values stand on the scale, where
        # no other line crosses them
        half = 0.5 * float(values.min() + values.max())
        lines.set_edgecolor([INK if level > half else "white" for level in lines.levels])
        bar.add_lines(lines)
        bar.set_ticks([level for level in lines.levels if values.min() <= level <= values.max()])
    elif np.isnan(values).any():
        axes.text(
            0.5, 1.0, "white: cannot be built", transform=axes.transAxes, ha="center", va="bottom",
            fontsize=SMALL_PT, color=MUTED,
        )  # fmt: skip
        axes.set_title(title, pad=14.0)
    axes.plot(
        *shown.best,
        marker="D",
        color=VERMILLION,
        markeredgecolor="white",
        markersize=7.0,
        linestyle="none",
        label="best",
    )
    if shown.present is not None:
        axes.plot(
            *shown.present,
            marker="s",
            color="white",
            markeredgecolor="black",
            markersize=6.0,
            linestyle="none",
            label="as it is",
        )
    axes.set_xlabel(shown.keys[0])
    axes.set_ylabel(shown.keys[1])
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2)
