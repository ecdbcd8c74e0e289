"""A survey as a map: the goal's light in colour over the relief, the best places marked and listed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.attached import result_of
from yieldsim.base.results.ground import SurveyResult
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.period_text import period_line, period_of, rate_words
from yieldsim.report.layout.sheet import Drawn, Pages, Sheet, Tabled, pages

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
MAP_IN, SIDE_IN = 6.0, 3.5
MOST_PIXELS = 1000
"""Longest side of a drawn map: larger ones are thinned."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Relief:
    """Heights of the terrain under the map: (y, x) at map coordinates."""

    x: FloatArray
    y: FloatArray
    value_m: FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Graticule:
    """Lines of latitude and longitude in map coordinates.

    lines      label, x, y
    pole       x, y and its name, where the map holds one
    north_xy   direction of north at the map's middle; None beside a pole
    """

    lines: tuple[tuple[str, FloatArray, FloatArray], ...]
    pole: tuple[float, float, str] | None
    north_xy: tuple[float, float] | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MapOverlay:
    """What the map shows beside the survey's own cells; None: as fine as the cells, or degrees on the axes already."""

    relief: Relief | None = None
    graticule: Graticule | None = None


def survey_pages(ds: xr.Dataset, overlay: MapOverlay | None = None) -> Pages:
    """The map of the survey's goal with its places, two smaller maps below it, and the list of places: PDF and PNG."""
    return pages(survey_sheet(ds, overlay or MapOverlay()))


def _map_words(name: str, summary: SurveyResult, *, short: bool = False) -> str:
    """What a map shows, energies with what they are per."""
    words = SHORT_WORDS.get(name, MAP_WORDS[name]) if short else MAP_WORDS[name]
    return words.format(per=rate_words(summary))


def survey_sheet(ds: xr.Dataset, overlay: MapOverlay) -> Sheet:
    """What stands on the page."""
    summary = result_of(ds, SurveyResult)
    places = summary["places"][:LISTED]
    name = GOAL_VARIABLES[summary["goal"]]
    others = [other for other in SIDE_MAPS if other != name][:2]
    best = (
        f" Best place: {places[0]['latitude_deg']:.4f}°, {places[0]['longitude_deg']:.4f}°." if places else ""
    )
    return Sheet(
        kicker="Survey of a map",
        title=str(ds.attrs["title"]),
        lines=_lines(summary),
        parts=[
            Drawn(
                Panel(
                    lambda figure: _draw_map(ds, figure.add_subplot(), figure, name, summary, overlay, large=True),
                    style.FULL_WIDTH_IN, MAP_IN, f"Map: {_map_words(name, summary)}.{best}",
                ),
                heading=_map_words(name, summary),
                caption=_map_caption(ds, overlay),
            ),
            Drawn(
                Panel(
                    lambda figure: _draw_others(ds, figure, others, summary, overlay),
                    style.FULL_WIDTH_IN, SIDE_IN, f"Maps: {', '.join(_map_words(other, summary) for other in others)}.",
                )
            ),
            _place_table(places, rate_words(summary)),
        ],
        summary=summary,
        where="survey.nc",
    )  # fmt: skip


def _lines(summary: SurveyResult) -> list[str]:
    period = period_of(summary)
    rates = f" (energies at the rate of a {period.year})" if period.is_part else ""
    collector = summary.get("collector")
    return [
        f"Collector: {collector}" if collector else "No collector: sunlight alone",
        f"{summary['mast_height_m']:g} m above the ground; {period_line(summary)}{rates}. {NOMINAL}",
    ]


def _map_caption(ds: xr.Dataset, overlay: MapOverlay) -> str:
    ground = _thinned(ds)["elevation_m"].values if overlay.relief is None else overlay.relief.value_m
    step = contour_step_m(ground)
    parts = []
    if step is not None:
        of = "the survey's cells" if overlay.relief is None else "the terrain file"
        parts.append(f"White lines: height of {of}, every {style.number(step)} m.")
    if overlay.graticule is not None:
        parts.append("Dotted: latitude and longitude.")
    if not np.isfinite(_thinned(ds)["lit_fraction"].values).all():
        parts.append("White cells: no terrain.")
    return " ".join([*parts, "Circles: the best places."])


def _draw_others(
    ds: xr.Dataset, figure: Any, names: list[str], summary: SurveyResult, overlay: MapOverlay
) -> None:
    for axes, name in zip(figure.subplots(1, 2), names, strict=True):
        _draw_map(ds, axes, figure, name, summary, overlay, large=False)


def _draw_map(
    ds: xr.Dataset, axes: Axes, figure: Any, name: str, summary: SurveyResult,
    overlay: MapOverlay, *, large: bool,
) -> None:  # fmt: skip
    thin = _thinned(ds)
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
    words = _map_words(name, summary, short=not large)
    image = axes.imshow(
        values, extent=extent, cmap=colours, vmin=low, vmax=high, aspect="equal", interpolation="nearest"
    )
    _contours(thin, overlay.relief, axes, scale, large)
    if high > 0.0:
        bar = figure.colorbar(
            image,
            ax=axes,
            location="bottom",
            fraction=0.04,
            pad=0.02,
            extend="max" if name == "longest_dark_hours" else "neither",
        )
        bar.set_label(words, fontsize=style.SMALL_PT)
        bar.ax.tick_params(labelsize=style.SMALL_PT)
        bar.outline.set_visible(False)
    else:
        axes.set_facecolor(style.DARK)
        axes.set_title(f"{words.split(' (')[0]}: none", fontsize=style.SMALL_PT, weight="normal")
    axes.tick_params(labelsize=style.SMALL_PT)
    if large:
        axes.set_xlabel(f"Map x ({unit})", fontsize=style.SMALL_PT)
        axes.set_ylabel(f"Map y ({unit})", fontsize=style.SMALL_PT)
    else:
        axes.set_xticks([])
        axes.set_yticks([])
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    for spine in axes.spines.values():
        spine.set_visible(True)
    _mark_places(axes, summary["places"][:LISTED], scale, large)
    if large and overlay.graticule is not None:
        _draw_graticule(overlay.graticule, axes, scale, summary["places"][:LISTED])


def _thinned(ds: xr.Dataset) -> xr.Dataset:
    """Every n-th cell: no more than MOST_PIXELS a side."""
    step = max(1, -(-max(ds.sizes["x"], ds.sizes["y"]) // MOST_PIXELS))
    return ds.isel(x=slice(None, None, step), y=slice(None, None, step))


def _axis_scale(ds: xr.Dataset) -> tuple[float, str]:
    """Factor and unit for the axes: kilometres, but for maps in degrees."""
    number, _, name = ds["x"].attrs["units"].rpartition(" ")
    if name.startswith("degrees"):
        return 1.0, "°"
    return float(number or 1.0) * {"m": 1e-3, "km": 1.0}[name], "km"


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


def contour_step_m(ground_m: FloatArray) -> float | None:
    """Round step between contours that gives at most twelve; None where there is no relief to draw.

    >>> contour_step_m(np.array([[0.0, 50.0], [100.0, 30.0], [1.0, 2.0]])), contour_step_m(np.ones((3, 3)))
    (10.0, None)
    """
    known = ground_m[np.isfinite(ground_m)]
    if min(ground_m.shape) < 2 or known.size == 0 or np.ptp(known) <= 0.0:
        return None
    step = 10.0 ** np.floor(np.log10(max(np.ptp(known) / 8.0, 1e-3)))
    return float(step * next(f for f in (1.0, 2.0, 5.0, 10.0) if np.ptp(known) / (f * step) <= 12.0))


def _contours(thin: xr.Dataset, relief: Relief | None, axes: Axes, scale: float, large: bool) -> None:
    """Relief as contour lines, thin and white so that they stay readable over any colour, without labels: their step is
    said below the map."""
    if relief is None:
        x, y, ground = thin["x"].values, thin["y"].values, thin["elevation_m"].values
    else:
        x, y, ground = relief.x, relief.y, relief.value_m
    step = contour_step_m(ground)
    if step is None:
        return
    known = ground[np.isfinite(ground)]
    levels = np.arange(np.floor(known.min() / step), np.ceil(known.max() / step) + 1.0) * step
    axes.contour(
        x * scale,
        y * scale,
        ground,
        levels=levels,
        colors="white",
        linewidths=0.45 if large else 0.25,
        alpha=0.75,
    )


LABEL_BOX: dict[str, Any] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8}


def _draw_graticule(found: Graticule, axes: Axes, scale: float, places: Sequence[Mapping[str, Any]]) -> None:
    """Dotted lines of latitude and longitude, each with its label where that meets no other; the pole; north."""
    import matplotlib.patheffects as effects

    halo = [effects.withStroke(linewidth=2.2, foreground="white")]
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    wide, high = right - left, top - bottom
    taken = [(place["x"] * scale, place["y"] * scale) for place in places]
    if found.pole is not None:
        x, y, name = found.pole[0] * scale, found.pole[1] * scale, found.pole[2]
        axes.plot([x], [y], "+", color=style.INK, markersize=9.0, markeredgewidth=1.4, path_effects=halo)
        axes.annotate(name, (x, y), (6.0, -9.0), textcoords="offset points", path_effects=halo)
        taken.append((x, y))
    if found.north_xy is not None:
        middle = np.array([left + 0.07 * wide, bottom + 0.07 * high])
        reach = 0.035 * min(wide, high) * np.array(found.north_xy)
        tail, head = (middle - reach).tolist(), (middle + reach).tolist()
        axes.annotate(
            "", (head[0], head[1]), (tail[0], tail[1]), arrowprops={"arrowstyle": "-|>", "color": style.INK, "path_effects": halo},
        )  # fmt: skip
        letter_x, letter_y = (middle + 1.7 * reach).tolist()
        axes.text(letter_x, letter_y, "N", ha="center", va="center", weight="bold", path_effects=halo)
        taken.append((float(middle[0]), float(middle[1])))
    for label, line_x, line_y in found.lines:
        xs, ys = line_x * scale, line_y * scale
        axes.plot(xs, ys, color=style.INK, linewidth=0.6, linestyle=(0, (1, 2.5)), alpha=0.8)
        # labels stand well inside the frame and away from all marks and earlier labels
        inside = (np.abs(xs - left - 0.5 * wide) < 0.44 * wide) & (
            np.abs(ys - bottom - 0.5 * high) < 0.46 * high
        )
        for index in np.flatnonzero(inside).tolist():
            at = (float(xs[index]), float(ys[index]))
            if all(abs(at[0] - a) > 0.14 * wide or abs(at[1] - b) > 0.05 * high for a, b in taken):
                axes.text(*at, label, ha="center", va="center", fontsize=style.SMALL_PT, bbox=LABEL_BOX)
                taken.append(at)
                break


def _mark_places(axes: Axes, places: Sequence[Mapping[str, Any]], scale: float, large: bool) -> None:
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
                fontsize=style.SMALL_PT,
                fontweight="bold",
                color=style.INK,
                path_effects=halo,
            )


COLUMNS: tuple[tuple[str, str, str, float], ...] = (
    ("rank", "", "{:.0f}", 0.35),
    ("latitude_deg", "latitude (°)", "{:.4f}", 1.25),
    ("longitude_deg", "longitude (°)", "{:.4f}", 1.25),
    ("elevation_m", "ground (m)", "{:.0f}", 0.85),
    ("lit_fraction", "visible disc", "{:.1%}", 0.9),
    ("any_light_fraction", "any part of it", "{:.1%}", 0.9),
    ("sun_following_kwh_m2", "following the Sun (MWh/m² {per})", "{:.2f}", 1.6),
    ("delivered_kwh", "delivered (kWh {per})", "{:.0f}", 1.2),
    ("best_azimuth_deg", "best azimuth (°)", "{:.1f}", 1.2),
    ("longest_dark_hours", "longest dark", "{:.0f}", 1.2),
)
"""Key, head, format and relative width of the columns of places."""


def _place_table(places: Sequence[Mapping[str, Any]], per: str) -> Tabled:
    """The places, best first."""
    if not places:
        return Tabled(
            head=["Places"], rows=[["No cell gets any light in this span: no place to list."]], wide=[1.0]
        )
    columns = [column for column in COLUMNS if column[0] in places[0]]
    rows = [[_cell(key, pattern, place) for key, _, pattern, _ in columns] for place in places]
    return Tabled(
        head=[head.format(per=per) for _, head, _, _ in columns],
        rows=rows,
        wide=[width for *_, width in columns],
        left=(),
        heading="The best places",
    )


def _cell(key: str, pattern: str, place: Mapping[str, Any]) -> str:
    value = float(place[key])
    if key == "longest_dark_hours":
        return "≥ " * bool(place.get("longest_dark_cut_fraction")) + style.duration(value)
    if key == "best_azimuth_deg" and not place["delivered_kwh"]:
        return "–"
    return (
        pattern.format(1e-3 * value if key == "sun_following_kwh_m2" else value)
        .replace("-", "−")
        .replace("%", f"{style.NARROW_SPACE}%")
    )
