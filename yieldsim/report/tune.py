"""The figure of a tuning: energy over the range, against the acceptance that it costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.number_format import plain
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, pages

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS_ABREAST = 3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TuneFigure:
    """All that the figure shows.

    keys      the varied values
    axes      even grid along each of one or two; energy and the rest (points,) or (first, second), NaN where it can't be
    built; empty for more values
    tried     (designs, keys + 1) values and energy of all that was tried but the grid
    best      values and energy of the best design, `present` those of the file, the baseline
    within    of each value: between which energy stays within 1 % of the best
    per       what the energies are counted by: "a year", "a Martian year" or "in so many days"
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
    within: Sequence[tuple[float, float]]
    per: str
    summary: Mapping[str, Any]


def tune_pages(shown: TuneFigure) -> Pages:
    """The page, as PDF and as PNG."""
    return pages(tune_sheet(shown))


def tune_sheet(shown: TuneFigure) -> Sheet:
    """What stands on it."""
    rows = -(-len(shown.keys) // PANELS_ABREAST)
    height_in = {1: 5.4, 2: 4.2}.get(len(shown.keys), 0.5 + 2.6 * rows)
    alt = f"Energy over {' and '.join(shown.keys)}; best {style.number(shown.best_kwh)} kWh {shown.per}."
    return Sheet(
        kicker="Tuning a prescription",
        title=shown.title,
        lines=[*shown.lines, NOMINAL],
        parts=[Drawn(Panel(lambda figure: _compose(figure, shown), style.FULL_WIDTH_IN, height_in, alt))],
        summary=shown.summary,
        where="tune.json",
    )


def _compose(figure: Figure, shown: TuneFigure) -> None:
    if len(shown.keys) > 2:
        draw_designs(figure, shown)
    elif len(shown.keys) == 1:
        energy, optics = figure.subplots(2, 1, sharex=True, height_ratios=(1.5, 1.0))
        draw_energy(energy, shown)
        draw_trade(optics, shown)
    else:
        left, right = figure.subplots(1, 2)
        unit = f"kWh {shown.per} per unit"
        draw_map(figure, left, shown, shown.annual_kwh, "Energy at the site", unit)
        draw_map(figure, right, shown, shown.half_width_deg, "Half-width at half-maximum", "degrees")


def draw_energy(axes: Axes, shown: TuneFigure) -> None:
    """Energy against the one value."""
    axes.plot(
        shown.axes[0], shown.annual_kwh, color=style.DELIVERED, marker="o", markersize=3.5, label="even steps"
    )
    if len(shown.tried):
        axes.plot(
            shown.tried[:, 0],
            shown.tried[:, -1],
            linestyle="none",
            marker="+",
            color=style.MUTED,
            label="optimiser",
        )
    words = f"{plain(shown.best[0])}, {style.number(shown.best_kwh)} kWh"
    style.mark(axes, shown.best[0], shown.best_kwh, "D", style.VERMILLION, 7.0, label=f"best: {words}")
    if shown.present is not None and shown.present_kwh is not None:
        words = f"{plain(shown.present[0])}, {style.number(shown.present_kwh)} kWh"
        label = f"baseline: {words}"
        style.mark(
            axes,
            shown.present[0],
            shown.present_kwh,
            "s",
            style.GREEN,
            7.0,
            markerfacecolor="white",
            label=label,
        )
    axes.axvspan(
        *shown.within[0], color=style.GREEN, alpha=0.15, linewidth=0.0, label="within 1 % of the best"
    )
    top = float(np.nanmax([shown.best_kwh, np.nanmax(shown.annual_kwh)]))
    axes.set_ylim(0.0, 1.08 * top)
    axes.set_ylabel(f"Energy (kWh {shown.per} per unit)")
    axes.set_title("Energy at the site")
    axes.grid(axis="y")
    axes.legend(loc="lower center", ncols=2)


def draw_designs(figure: Any, shown: TuneFigure) -> None:
    """Energy of every design against each of its values, where there are more than two."""
    count = len(shown.keys)
    rows = -(-count // PANELS_ABREAST)
    panels = figure.subplots(rows, min(count, PANELS_ABREAST), sharey=True, squeeze=False)
    top = 1.08 * float(np.nanmax([shown.best_kwh, *shown.tried[:, -1]]))
    for place, axes in enumerate(panels.ravel()):
        if place >= count:
            axes.set_visible(False)
            continue
        axes.axvspan(
            *shown.within[place], color=style.GREEN, alpha=0.15, linewidth=0.0, label="within 1 % of the best"
        )
        axes.plot(
            shown.tried[:, place], shown.tried[:, -1], linestyle="none", marker="o", markersize=3.0,
            color=style.DELIVERED, alpha=0.55, label="designs tried",
        )  # fmt: skip
        if shown.present is not None and shown.present_kwh is not None:
            baseline = shown.present[place], shown.present_kwh
            style.mark(axes, *baseline, "s", style.GREEN, 6.0, markerfacecolor="white", label="baseline")
        style.mark(axes, shown.best[place], shown.best_kwh, "D", style.VERMILLION, 6.0, label="best")
        axes.set_ylim(0.0, top)
        axes.set_xlabel(shown.keys[place].replace(" and ", "\nand ").replace(" (x", "\n(x"))
        axes.grid(axis="y")
        if place % PANELS_ABREAST == 0:
            axes.set_ylabel(f"kWh {shown.per} per unit")
    handles, labels = panels[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=4, fontsize=style.SMALL_PT)


def draw_trade(axes: Axes, shown: TuneFigure) -> None:
    """What the energy comes from: how much at normal incidence, and how wide."""
    axes.plot(shown.axes[0], 100.0 * shown.normal_acceptance, color=style.BLUE, marker="o", markersize=3.0)
    axes.set_ylim(0.0, 100.0)
    axes.set_ylabel("Acceptance at normal\nincidence (%, solid)", color=style.BLUE)
    axes.set_xlabel(shown.keys[0])
    axes.set_title("The trade behind it: how much is accepted, and how far off the axis")
    twin = axes.twinx()
    twin.plot(
        shown.axes[0], shown.half_width_deg, color=style.VERMILLION, marker="^", markersize=3.5, dashes=(4, 2)
    )
    twin.set_ylim(0.0, 1.15 * float(np.nanmax(shown.half_width_deg)))
    twin.set_ylabel("Half-width at half-\nmaximum (°, dashed)", color=style.VERMILLION)
    twin.spines["right"].set_visible(True)


def draw_map(figure: Any, axes: Axes, shown: TuneFigure, values: FloatArray, title: str, unit: str) -> None:
    """One quantity over two values."""
    first, second = shown.axes
    axes.set_facecolor(style.HOLE)
    mesh = axes.pcolormesh(
        first, second, np.ma.masked_invalid(values).T, cmap=style.POWER_MAP, shading="nearest"
    )
    axes.set_title(title)
    bar = figure.colorbar(mesh, ax=axes, pad=0.02)
    bar.set_label(unit, fontsize=style.SMALL_PT)
    if np.isfinite(values).all() and np.ptp(values) > 0.0:
        lines = axes.contour(first, second, values.T, colors=[style.INK], linewidths=0.6, levels=6)
        # dark lines on the bright half of the map, bright ones on the dark half; their values stand on the scale, where
        # no other line crosses them
        half = 0.5 * float(values.min() + values.max())
        lines.set_edgecolor([style.INK if level > half else "white" for level in lines.levels])
        bar.add_lines(lines)
        bar.set_ticks([level for level in lines.levels if values.min() <= level <= values.max()])
    elif np.isnan(values).any():
        words, above = "white: cannot be built", axes.transAxes
        axes.text(0.5, 1.0, words, transform=above, ha="center", va="bottom", **style.ASIDE)
        axes.set_title(title, pad=14.0)
    style.mark(
        axes, shown.best[0], shown.best[1], "D", style.VERMILLION, 7.0, markeredgecolor="white", label="best"
    )
    if shown.present is not None:
        style.mark(
            axes,
            shown.present[0],
            shown.present[1],
            "s",
            "white",
            6.0,
            markeredgecolor="black",
            label="baseline",
        )
    axes.set_xlabel(shown.keys[0])
    axes.set_ylabel(shown.keys[1])
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2)
