"""A survey as a map: the goal's light in colour over the relief, the best places marked and listed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

GOAL_MAPS = {
    "delivered": ("delivered_kwh", "delivered, kWh a year"),
    "sun-following": ("sun_following_kwh_m2", "on a Sun-following aperture, kWh/m² a year"),
    "lit": ("lit_fraction", "lit, share of the time"),
    "dark": ("longest_dark_hours", "longest dark, hours"),
}
LISTED = 10
SIDE_MAPS = (("lit_fraction", "lit, share of the time"), ("longest_dark_hours", "longest dark, hours"))
MOST_PIXELS = 1600
"""Longest side of a drawn map: larger ones are thinned."""


def survey_png(ds: xr.Dataset, dpi: float = 170.0) -> bytes:
    """The map of the survey's goal with its places, two smaller maps beside it, and the list of places below."""
    summary: dict[str, Any] = json.loads(ds.attrs["summary"])
    places = summary["places"][:LISTED]
    height = 5.1 + 0.165 * (len(places) + 2)
    with style.drawing(style.FULL_WIDTH_IN + 0.6, height, dpi) as figure:
        halves: Any = figure.subfigures(2, 1, height_ratios=[4.9, height - 4.9])
        upper, lower = halves
        axes = upper.subplot_mosaic([["goal", "first"], ["goal", "second"]], width_ratios=[2.15, 1.0])
        name, words = GOAL_MAPS[summary["goal"]]
        _draw_map(ds, axes["goal"], upper, name, words, summary, large=True)
        others = [
            row
            for row in (*SIDE_MAPS, ("sun_following_kwh_m2", "Sun-following, kWh/m² a year"))
            if row[0] != name
        ]
        for key, (other, label) in zip(("first", "second"), others, strict=False):
            _draw_map(ds, axes[key], upper, other, label, summary, large=False)
        _list_places(lower, summary, places)
        mast = f"{summary['mast_height_m']:g} m above the ground"
        upper.suptitle(
            f"{ds.attrs['title']}: {mast}, {summary['start_utc'][:10]} to {summary['end_utc'][:10]}",
            x=0.01,
            ha="left",
            fontsize=style.TEXT_PT + 1.0,
            fontweight="bold",
        )
        return style.png_bytes(figure)


def _draw_map(
    ds: xr.Dataset, axes: Axes, figure: Any, name: str, words: str, summary: dict[str, Any], *, large: bool
) -> None:
    step = max(1, -(-max(ds.sizes["x"], ds.sizes["y"]) // MOST_PIXELS))
    thin = ds.isel(x=slice(None, None, step), y=slice(None, None, step))
    values = thin[name].values
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
    image = axes.imshow(
        values, extent=extent, cmap=colours, vmin=low, vmax=high, aspect="equal", interpolation="nearest"
    )
    _contours(thin, axes, x, y, large)
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
    axes.tick_params(labelsize=style.SMALL_PT - 0.5)
    if large:
        axes.set_xlabel(f"x, {unit}", fontsize=style.SMALL_PT)
        axes.set_ylabel(f"y, {unit}", fontsize=style.SMALL_PT)
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
    return 1.0, "deg"


def _colour_range(values: Any, name: str) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    if known.size == 0:
        return 0.0, 1.0
    if name == "longest_dark_hours":
        return float(known.min()), max(float(np.percentile(known, 75.0)), float(known.min()) + 1.0)
    # from zero where that leaves the map its contrast
    low, high = float(known.min()), max(float(known.max()), 1e-9)
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
            path_effects=halo if large else None,
        )
        if large:
            axes.annotate(
                str(place["rank"]),
                at,
                xytext=(5.0, 4.0),
                textcoords="offset points",
                fontsize=style.SMALL_PT + 0.5,
                fontweight="bold",
                color=style.INK,
                path_effects=halo,
            )


COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("rank", "", "{:.0f}"),
    ("latitude_deg", "latitude", "{:.5f}"),
    ("longitude_deg", "longitude", "{:.5f}"),
    ("elevation_m", "ground, m", "{:.0f}"),
    ("lit_fraction", "lit", "{:.1%}"),
    ("any_light_fraction", "any light", "{:.1%}"),
    ("sun_following_kwh_m2", "following, kWh/m²", "{:.0f}"),
    ("delivered_kwh", "delivered, kWh", "{:.1f}"),
    ("best_azimuth_deg", "facing, deg", "{:.0f}"),
    ("longest_dark_hours", "longest dark, h", "{:.0f}"),
)


def _list_places(figure: Any, summary: dict[str, Any], places: list[dict[str, Any]]) -> None:
    """The places as a table of text, figures aligned right."""
    axes = figure.subplots()
    axes.axis("off")
    if not places:
        axes.text(0.0, 1.0, "No place to list.", va="top")
        return
    columns = [column for column in COLUMNS if column[0] in places[0]]
    widths = np.array([0.5 if key == "rank" else 0.9 + 0.075 * len(head) for key, head, _ in columns])
    right = np.cumsum(widths) / widths.sum()
    rows = len(places) + 1
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(rows, 0.0)
    for place_x, (_, head, _) in zip(right, columns, strict=True):
        axes.text(place_x, 0.5, head, ha="right", va="center", fontsize=style.SMALL_PT, color=style.MUTED)
    axes.axhline(1.0, color=style.RULE, linewidth=0.6)
    for row, place in enumerate(places):
        for place_x, (key, _, pattern) in zip(right, columns, strict=True):
            text = pattern.format(place[key]).replace("-", "−").replace("%", f"{style.NARROW_SPACE}%")
            weight = "bold" if key == "rank" else "normal"
            axes.text(
                place_x, row + 1.5, text, ha="right", va="center", fontsize=style.SMALL_PT, fontweight=weight
            )
