"""A survey as a map: the goal's light in colour over the relief, the best places marked and listed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.report.layout import style
from yieldsim.report.layout.period_text import period_line, period_of, rate_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

GOAL_VARIABLES = {
    "delivered": "delivered_kwh",
    "sun-following": "sun_following_kwh_m2",
    "lit": "lit_fraction",
    "dark": "longest_dark_hours",
}
MAP_WORDS = {
    "delivered_kwh": "Delivered energy (kWh {per})",
    "sun_following_kwh_m2": "Energy on an aperture that follows the Sun (kWh/m² {per})",
    "lit_fraction": "Visible share of the Sun's disc, mean over time (%)",
    "longest_dark_hours": "Longest dark (days)",
}
SHORT_WORDS = {
    "sun_following_kwh_m2": "Following the Sun (kWh/m² {per})",
    "lit_fraction": "Visible disc, mean over time (%)",
}
"""For the small maps."""
SCALES = {"lit_fraction": 100.0, "longest_dark_hours": 1.0 / 24.0}
SIDE_MAPS = ("lit_fraction", "longest_dark_hours", "sun_following_kwh_m2")
LISTED = 10
WIDTH_IN = style.FULL_WIDTH_IN + 0.6
MAPS_IN, ROW_IN, HEAD_ROWS = 4.9, 0.165, 2.9
TITLE_PT = style.TEXT_PT + 1.0
MOST_PIXELS = 1600
"""Longest side of a drawn map: larger ones are thinned."""


def survey_png(ds: xr.Dataset, dpi: float = 170.0) -> bytes:
    """The map of the survey's goal with its places, two smaller maps beside it, and the list of places below."""
    summary: dict[str, Any] = json.loads(ds.attrs["summary"])
    places = summary["places"][:LISTED]
    table_in = ROW_IN * (len(places) + HEAD_ROWS)
    with style.drawing(WIDTH_IN, MAPS_IN + 0.2 + table_in, dpi) as figure:
        halves: Any = figure.subfigures(2, 1, height_ratios=[MAPS_IN + 0.2, table_in])
        upper, lower = halves
        axes = upper.subplot_mosaic([["goal", "first"], ["goal", "second"]], width_ratios=[2.15, 1.0])
        name = GOAL_VARIABLES[summary["goal"]]
        _draw_map(ds, axes["goal"], upper, name, summary, large=True)
        others = [other for other in SIDE_MAPS if other != name]
        for key, other in zip(("first", "second"), others, strict=False):
            _draw_map(ds, axes[key], upper, other, summary, large=False)
        _list_places(lower, summary, places)
        upper.suptitle(
            style.folded(_title(ds, summary), WIDTH_IN, TITLE_PT),
            x=0.01,
            ha="left",
            fontsize=TITLE_PT,
            fontweight="bold",
        )
        return style.png_bytes(figure)


def _title(ds: xr.Dataset, summary: dict[str, Any]) -> str:
    period = period_of(summary)
    rates = f" (energies at the rate of a {period.year})" if period.is_part else ""
    return (
        f"{ds.attrs['title']}: {summary['mast_height_m']:g} m above the ground, {period_line(summary)}{rates}"
    )


def _draw_map(
    ds: xr.Dataset, axes: Axes, figure: Any, name: str, summary: dict[str, Any], *, large: bool
) -> None:
    step = max(1, -(-max(ds.sizes["x"], ds.sizes["y"]) // MOST_PIXELS))
    thin = ds.isel(x=slice(None, None, step), y=slice(None, None, step))
    values = thin[name].values * SCALES.get(name, 1.0)
    scale, unit = _axis_scale(ds)
    x, y = thin["x"].values * scale, thin["y"].values * scale
    half_x = 0.5 * abs(x[1] - x[0]) if x.size > 1 else 0.5 * scale
    half_y = 0.5 * abs(y[1] - y[0]) if y.size > 1 else 0.5 * scale
    extent = (x.min() - half_x, x.max() + half_x, y.min() - half_y, y.max() + half_y)
    if y.size > 1 and y[0] < y[-1]:
        values = values[::-1]
    axes.set_facecolor(style.HOLE)
    # the longest dark is better where it is short: the map's light end always means better
    colours = f"{style.POWER_MAP}_r" if name == "longest_dark_hours" else style.POWER_MAP
    low, high = _colour_range(values, name)
    words = MAP_WORDS[name] if large else SHORT_WORDS.get(name, MAP_WORDS[name])
    words = words.format(per=rate_words(summary))
    image = axes.imshow(
        values, extent=extent, cmap=colours, vmin=low, vmax=high, aspect="equal", interpolation="nearest"
    )
    _contours(thin, axes, x, y, large)
    if high > 0.0:
        bar = figure.colorbar(
            image,
            ax=axes,
            location="bottom",
            fraction=0.05,
            pad=0.02,
            extend="max" if name == "longest_dark_hours" else "neither",
        )
        bar.set_label(words, fontsize=style.SMALL_PT)
        bar.ax.tick_params(labelsize=style.SMALL_PT - 0.5)
        bar.outline.set_visible(False)
    else:
        axes.set_facecolor(style.DARK)
        axes.set_title(f"{words.split(' (')[0]}: none", fontsize=style.SMALL_PT, weight="normal")
    axes.tick_params(labelsize=style.SMALL_PT - 0.5)
    if large:
        axes.set_xlabel(f"Map x ({unit})", fontsize=style.SMALL_PT)
        axes.set_ylabel(f"Map y ({unit})", fontsize=style.SMALL_PT)
    else:
        axes.set_xticks([])
        axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)
    _mark_places(axes, summary["places"][:LISTED], scale, large)


def _axis_scale(ds: xr.Dataset) -> tuple[float, str]:
    """Factor and unit for the axes: kilometres for maps in metres."""
    if ds["x"].attrs["units"] == "m":
        return 1e-3, "km"
    return 1.0, "°"


def _colour_range(values: Any, name: str) -> tuple[float, float]:
    """Ends of the colours; both 0 where there is no light to show."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return 0.0, 0.0
    low, high = float(known.min()), float(known.max())
    if name == "longest_dark_hours":
        most = float(np.percentile(known, 75.0))
        # where all cells are alike their colour tells how dark they are
        return (low, most) if most > low + 1.0 / 24.0 else (0.0, high)
    # from zero where that leaves the map its contrast
    return (low if low > 0.5 * high else min(0.0, low)), high


def _contours(thin: xr.Dataset, axes: Axes, x: Any, y: Any, large: bool) -> None:
    """Relief as contour lines: thin dark ones that stay readable over any colour."""
    ground = thin["elevation_m"].values
    known = ground[np.isfinite(ground)]
    if min(ground.shape) < 3 or known.size == 0 or np.ptp(known) <= 0.0:
        return
    step = 10.0 ** np.floor(np.log10(max(np.ptp(known) / 8.0, 1e-3)))
    step *= next(factor for factor in (1.0, 2.0, 5.0, 10.0) if np.ptp(known) / (factor * step) <= 12.0)
    levels = np.arange(np.floor(known.min() / step), np.ceil(known.max() / step) + 1.0) * step
    lines = axes.contour(
        x, y, ground, levels=levels, colors="white", linewidths=0.45 if large else 0.25, alpha=0.75
    )
    if large:
        axes.clabel(
            lines, fontsize=style.SMALL_PT - 1.5, fmt=lambda level: f"{level:.0f} m", inline_spacing=2
        )


def _mark_places(axes: Axes, places: list[dict[str, Any]], scale: float, large: bool) -> None:
    import matplotlib.patheffects as effects

    halo = [effects.withStroke(linewidth=2.0, foreground="white")]
    for place in places:
        at = (place["x"] * scale, place["y"] * scale)
        axes.plot(
            *at,
            marker="o",
            markersize=6.0 if large else 3.0,
            markerfacecolor="none",
            markeredgecolor=style.VERMILLION,
            markeredgewidth=1.4 if large else 0.9,
            path_effects=halo,
        )
        if large:
            # inwards from the marks near the right and upper edges
            right, up = (
                -1.0 if value > low + 0.93 * (high - low) else 1.0
                for value, (low, high) in zip(at, (axes.get_xlim(), axes.get_ylim()), strict=True)
            )
            axes.annotate(
                str(place["rank"]),
                at,
                xytext=(5.0 * right, 4.0 * up),
                textcoords="offset points",
                ha="left" if right > 0.0 else "right",
                va="bottom" if up > 0.0 else "top",
                fontsize=style.SMALL_PT + 0.5,
                fontweight="bold",
                color=style.INK,
                path_effects=halo,
            )


COLUMNS: tuple[tuple[str, str, str, float], ...] = (
    ("rank", "", "{:.0f}", 0.35),
    ("latitude_deg", "latitude\n(°)", "{:.5f}", 1.25),
    ("longitude_deg", "longitude\n(°)", "{:.5f}", 1.25),
    ("elevation_m", "ground\n(m)", "{:.0f}", 0.85),
    ("lit_fraction", "visible\ndisc", "{:.1%}", 0.9),
    ("any_light_fraction", "any part\nof it", "{:.1%}", 0.9),
    ("sun_following_kwh_m2", "following the Sun\n(kWh/m² {per})", "{:.0f}", 1.6),
    ("delivered_kwh", "delivered\n(kWh {per})", "{:.1f}", 1.2),
    ("best_azimuth_deg", "best azimuth\n(°)", "{:.0f}", 1.2),
    ("longest_dark_hours", "longest dark\n(h)", "{:.0f}", 1.2),
)
"""Key, head, format and relative width of the columns of places."""


def _list_places(figure: Any, summary: dict[str, Any], places: list[dict[str, Any]]) -> None:
    """The places as a table of text, figures aligned right."""
    axes = figure.subplots()
    axes.axis("off")
    if not places:
        axes.text(0.0, 1.0, "No cell gets any light in this span: no place to list.", va="top")
        return
    columns = [column for column in COLUMNS if column[0] in places[0]]
    widths = np.array([width for *_, width in columns])
    right = np.cumsum(widths) / widths.sum()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(len(places) + HEAD_ROWS, 0.0)
    for place_x, (_, words, _, _) in zip(right, columns, strict=True):
        head = words.format(per=rate_words(summary))
        axes.text(
            place_x,
            1.9,
            head,
            ha="right",
            va="bottom",
            fontsize=style.SMALL_PT,
            color=style.MUTED,
        )
    axes.axhline(2.1, color=style.RULE, linewidth=0.6)
    for row, place in enumerate(places):
        for place_x, (key, _, pattern, _) in zip(right, columns, strict=True):
            least = "≥ " * (key == "longest_dark_hours" and bool(place.get("longest_dark_cut_fraction")))
            text = least + pattern.format(place[key]).replace("-", "−").replace("%", f"{style.NARROW_SPACE}%")
            weight = "bold" if key == "rank" else "normal"
            axes.text(
                place_x, row + 2.6, text, ha="right", va="center", fontsize=style.SMALL_PT, fontweight=weight
            )
