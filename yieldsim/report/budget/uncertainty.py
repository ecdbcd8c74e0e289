"""How sure a budget is, in figures: what is reached how often, which input matters, whether enough was drawn."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.report.layout import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CURVES = (
    ("delivered_kwh", "Light delivered (kWh)", True),
    ("served_fraction", "Served share (%)", True),
    ("longest_gap_hours", "Longest outage of light (days)", False),
    ("longest_outage_hours", "Longest outage (days)", False),
)
SCALES = {"served_fraction": 100.0, "longest_gap_hours": 1.0 / 24.0, "longest_outage_hours": 1.0 / 24.0}
INPUT_WORDS = {
    "irradiance": "irradiance",
    "optical_depth": "optical depth",
    "optical_depth_year": "measured year of optical depth",
    "horizon_height_deg": "height of the horizon",
    "mount_tilt_deg": "tilt of the mounts",
    "mount_azimuth_deg": "azimuth of the mounts",
    "acceptance_scale": "acceptance, scale",
    "acceptance_width": "acceptance, width",
    "film_transmittance": "film of the shield",
    "dust_rate": "rate of dust",
    "shield_removal": "removal by the shield",
    "grain_median": "size of the dust's grains",
    "fibre_coupling": "fibre coupling",
    "fibre_attenuation": "fibre attenuation",
    "fibre_darkening": "fibre darkening",
    "radiation_dose": "dose of radiation",
    "load": "what loads ask",
    "storage_capacity": "capacity of the store",
}
MOST_INPUTS = 10


def draw_curves(series: xr.Dataset, sure: Mapping[str, Any], figure: Figure) -> None:
    """For each outcome, the share of draws in which a value is reached or bettered."""
    grid = figure.subplots(2, 2).ravel()
    for axes, (name, words, more_is_better) in zip(grid, CURVES, strict=True):
        scale = SCALES.get(name, 1.0)
        values = np.sort(series[f"drawn_{name}"].values) * scale
        share = 100.0 * (np.arange(values.size) + 0.5) / values.size
        axes.plot(values, 100.0 - share if more_is_better else share, color=style.BLUE, zorder=2)
        found = sure["outcomes"][name]
        for level, marker in ((50, "o"), (90, "s"), (99, "D")):
            at = found[f"p{level}"] * scale
            style.mark(axes, at, level, marker, style.INK, 4, zorder=3, label=f"P{level}: {style.number(at)}")
        given = sure["nominal"][name] * scale
        axes.axvline(given, color=style.VERMILLION, linestyle=(0, (5, 1.6)), linewidth=0.9, zorder=1,
                     label=f"inputs as given: {style.number(given)}")  # fmt: skip
        axes.legend(
            loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, columnspacing=1.2, handlelength=1.6
        )
        axes.set_xlabel(words)
        axes.set_ylim(0.0, 103.0)
        axes.set_yticks((0, 50, 90, 99), ("0", "50", "90", "99"))
        axes.grid(True)
        axes.margins(x=0.08)
    for axes in grid[::2]:
        axes.set_ylabel("Reached or bettered (%)")


def ranking_height_in(sure: Mapping[str, Any]) -> float:
    """Height that the bars of the inputs want."""
    return 0.75 + 0.21 * min(len(sure["inputs"]), MOST_INPUTS)


def draw_ranking(sure: Mapping[str, Any], figure: Figure) -> None:
    """Shares of the variance by input: alone in solid, with all it acts together with as an open bar."""
    names = [name for name in ("delivered_kwh", "served_fraction") if sure["ranking"].get(name)]
    words = {"delivered_kwh": "Light delivered", "served_fraction": "Served share"}
    for number, name in enumerate(names):
        axes = figure.add_subplot(1, len(names), number + 1)
        shares = sure["ranking"][name]["shares"][:MOST_INPUTS]
        place = np.arange(len(shares))
        total, first = ([100.0 * row[key] for row in shares] for key in ("total", "first"))
        axes.barh(place, total, 0.66, facecolor="white", edgecolor=style.BLUE, linewidth=0.8,
                  label="with its interactions (total index)")  # fmt: skip
        axes.barh(place, first, 0.66, color=style.BLUE, label="alone (first-order index)")
        for row, value in enumerate(total):
            axes.text(value + 1.5, row, style.percent(value / 100.0), va="center", fontsize=style.SMALL_PT)
        axes.set_yticks(place, [INPUT_WORDS.get(row["what"], row["what"]) for row in shares])
        axes.set_ylim(len(shares) - 0.5, -0.5)
        axes.set_xlim(0.0, max(1.22 * max(total), 10.0))
        axes.set_title(words[name])
        axes.set_xlabel("Share of the variance (%)")
        axes.tick_params(axis="y", length=0)
        if number == 0:
            figure.legend(*axes.get_legend_handles_labels(), loc="outside upper left", ncols=2)


def draw_convergence(sure: Mapping[str, Any], figure: Figure) -> None:
    """P50, P90 and P99 of the light from the first 1, 2, 4 and 8 scrambles, against the last, with standard errors."""
    axes: Axes = figure.add_subplot()
    rows = sure["convergence"]["delivered_kwh"]
    found = sure["outcomes"]["delivered_kwh"]
    draws = np.array([row["draws"] for row in rows])
    for number, level in enumerate((50, 90, 99)):
        last = found[f"p{level}"] or 1.0
        look = style.line(number)
        off = [100.0 * (row[f"p{level}"] / last - 1.0) for row in rows]
        error = 100.0 * found[f"p{level}_error"] / abs(last) * np.sqrt(draws[-1] / draws)
        axes.errorbar(draws * (1.0 + 0.04 * (number - 1)), off, yerr=error, color=look.colour, linestyle=look.dash,
                      marker=look.marker, markersize=3.5, capsize=2.0, label=f"P{level}")  # fmt: skip
    axes.axhline(0.0, color=style.MUTED, linewidth=0.6)
    axes.set_xscale("log")
    axes.set_xticks(draws, [f"{int(count)}" for count in draws])
    axes.minorticks_off()
    axes.set_xlabel("Number of draws")
    axes.set_ylabel("Departure from all draws (%)")
    axes.grid(True, axis="y")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.0)
