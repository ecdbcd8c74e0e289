"""The figure of a tuning: energy over the range, against the acceptance that it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.vectors import FloatArray
from yieldsim.report.style import (
    BLUE,
    DELIVERED,
    FULL_WIDTH_IN,
    GREEN,
    HOLE,
    MUTED,
    POWER_MAP,
    SMALL_PT,
    VERMILLION,
    drawing,
    number,
    pdf_bytes,
    png_bytes,
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
    """

    title: str
    subtitle: str
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


def tune_pictures(shown: TuneFigure) -> tuple[bytes, bytes]:
    """The figure as PNG, and as PDF with vector graphics and embedded fonts."""
    with drawing(FULL_WIDTH_IN, _height(shown), dpi=160.0) as figure:
        _compose(figure, shown)
        return png_bytes(figure), pdf_bytes(figure, shown.title)


def _height(shown: TuneFigure) -> float:
    return 5.7 if len(shown.axes) == 1 else 4.4


def _compose(figure: Figure, shown: TuneFigure) -> None:
    bands: Any = figure.subfigures(2, 1, height_ratios=(0.66, _height(shown) - 0.66))
    bands[0].text(0.012, 0.92, shown.title, fontsize=12.0, fontweight="bold", va="top")
    bands[0].text(0.012, 0.48, shown.subtitle, fontsize=SMALL_PT, color=MUTED, va="top")
    if len(shown.axes) == 1:
        energy, optics = bands[1].subplots(2, 1, sharex=True, height_ratios=(1.5, 1.0))
        draw_energy(energy, shown)
        draw_trade(optics, shown)
    else:
        left, right = bands[1].subplots(1, 2)
        draw_map(bands[1], left, shown, shown.annual_kwh, "Energy a year", "kWh a unit and year")
        draw_map(bands[1], right, shown, shown.half_width_deg, "Half width of the acceptance", "degrees")


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
    axes.set_ylabel("kWh a unit and year")
    axes.set_title("Energy a year at the site, each design at its facing")
    axes.grid(axis="y")
    axes.legend(loc="lower center", ncols=2)


def draw_trade(axes: Axes, shown: TuneFigure) -> None:
    """What the energy comes from: how much straight on, and how wide."""
    axes.plot(shown.axes[0], shown.normal_acceptance, color=BLUE, marker="o", markersize=3.0)
    axes.set_ylim(0.0, 1.0)
    axes.set_ylabel("acceptance\nstraight on (o)", color=BLUE)
    axes.set_xlabel(shown.keys[0])
    axes.set_title("What it is made of")
    twin = axes.twinx()
    twin.plot(
        shown.axes[0], shown.half_width_deg, color=VERMILLION, marker="^", markersize=3.5, dashes=(4, 2)
    )
    twin.set_ylim(0.0, 1.15 * float(np.nanmax(shown.half_width_deg)))
    twin.set_ylabel("half width,\ndegrees (△)", color=VERMILLION)
    twin.spines["right"].set_visible(True)


def draw_map(figure: Any, axes: Axes, shown: TuneFigure, values: FloatArray, title: str, unit: str) -> None:
    """One quantity over two values."""
    first, second = shown.axes
    axes.set_facecolor(HOLE)
    mesh = axes.pcolormesh(first, second, np.ma.masked_invalid(values).T, cmap=POWER_MAP, shading="nearest")
    figure.colorbar(mesh, ax=axes, pad=0.02).set_label(unit, fontsize=SMALL_PT)
    if np.isfinite(values).all():
        lines = axes.contour(first, second, values.T, colors="white", linewidths=0.6, levels=6)
        axes.clabel(lines, fontsize=SMALL_PT - 1.0)
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
    axes.set_title(title)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2)
