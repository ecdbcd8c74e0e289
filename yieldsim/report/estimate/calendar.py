"""Delivered power through the days: long solar days in rows, short ones side by side, short runs as a line.

UTC hours mean nothing on most worlds: the hour is local true solar time, 12 as the Sun crosses the meridian.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout import style, time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FEWEST_DAYS = 4
"""Runs that touch fewer solar days are drawn as a line."""
LONG_DAY_CELLS = 240
SHORT_DAY_CELLS = 24
MOST_COLUMNS = 130
"""Of more days than this, several share a column: that also stills the beat between rows and solar hours."""
NIGHT = "#14161A"
LEAST_SHADE = 0.3
"""Where the map of magnitudes starts, of 0 to 1."""
MOST_LABELS = 26
AROUND_PT = 50.0
"""Height that legend, ticks and label take of a figure."""
MOST_STEPS = 1000
"""A line of more rows than this shows means over equal parts of the run."""


def is_line(ds: xr.Dataset) -> bool:
    """Whether the run is too short, or its rows too long, for a map."""
    solar = time_axis.solar_days_at_edges(ds)
    return bool(solar[-1] - solar[0] < FEWEST_DAYS - 1) or not time_axis.resolves_days(ds)


def draw_calendar(ds: xr.Dataset, figure: Figure) -> None:
    """Fill a figure with the view that suits the run."""
    axes = figure.add_subplot()
    if is_line(ds):
        _draw_line(ds, axes)
    elif time_axis.has_long_days(ds):
        _draw_long_days(ds, axes)
    else:
        _draw_short_days(ds, axes)


def _draw_line(ds: xr.Dataset, axes: Axes) -> None:
    hours, power = time_axis.edge_hours(ds), ds["delivered_power_w"].values
    if power.size > MOST_STEPS:
        edges = np.linspace(0.0, hours[-1], MOST_STEPS + 1)
        power, hours = time_axis.kwh_between(ds, power, edges) * 1000.0 / np.diff(edges), edges
    factor, unit = style.watts(float(power.max()))
    axes.stairs(power * factor, hours, fill=True, color=style.DELIVERED, linewidth=0.0)
    axes.set_ylabel(f"Delivered power ({unit})")
    axes.set_ylim(0.0, 1.05 * float(power.max()) * factor or 1.0)
    axes.grid(True, axis="y")
    shade_dark(ds, axes)
    ticks, labels = time_axis.date_ticks(ds, 9)
    axes.set_xticks(ticks, labels)
    axes.set_xlim(0.0, hours[-1])
    axes.set_xlabel("UTC date")
    if not power.any():
        axes.set_yticks([])
        axes.set_ylabel("")
        style.in_the_middle(axes, style.NO_LIGHT)
    from matplotlib.patches import Patch

    if (ds["disc_visible_fraction"].values <= 0.0).any():
        axes.legend(
            handles=[Patch(facecolor=style.SHADE, label="no sunlight at the site")],
            loc="lower right", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.2,
        )  # fmt: skip


def shade_dark(ds: xr.Dataset, axes: Axes) -> None:
    """A band behind the plot wherever no sunlight reaches the site."""
    for begin, end in zip(*time_axis.spells_without_h(ds, "disc_visible_fraction"), strict=True):
        axes.axvspan(begin, end, color=style.SHADE, linewidth=0.0, zorder=0)


def _draw_long_days(ds: xr.Dataset, axes: Axes) -> None:
    power, lit, starts = _by_solar_hour(ds, LONG_DAY_CELLS)
    days = len(power)
    _paint(axes, power, lit > 0.0, (0.0, 24.0, days + 0.5, 0.5))
    axes.set_xticks(range(0, 25, 3), ["midnight", "3", "6", "9", "noon", "15", "18", "21", "midnight"])
    axes.set_xlabel("Local true solar time (h)")
    singular = time_axis.solar_day_word(time_axis.body_of(ds))[0]
    room_pt = 72.0 * float(axes.figure.get_figheight()) - AROUND_PT  # type: ignore[union-attr]
    most = min(room_pt / (1.35 * style.SMALL_PT), MOST_LABELS)
    every = next((step for step in (1, 2, 3, 5, 10, 20, 50, 100) if days / step <= most), days)
    dates = time_axis.utc_at(ds, starts[:-1])
    years = {str(date.astype("datetime64[Y]")) for date in dates}
    label = [
        time_axis.day_month(date)
        + (f" {date.astype('datetime64[Y]')}" if len(years) > 1 and days > 30 else "")
        for date in dates
    ]
    axes.set_yticks(range(1, days + 1, every), label[::every])
    axes.set_ylabel(f"{singular.capitalize()}, by its first date")


def _draw_short_days(ds: xr.Dataset, axes: Axes) -> None:
    power, lit, starts = _by_solar_hour(ds, SHORT_DAY_CELLS)
    together = -(-len(power) // MOST_COLUMNS)
    if together > 1:
        power, lit = (_grouped(values, together) for values in (power, lit))
    hours = time_axis.edge_hours(ds)
    # an hour that is mostly night counts as night, unless something is delivered in it
    day = (lit >= 0.5) | (power > 0.0)
    _paint(axes, power.T[::-1], day.T[::-1], (0.0, float(starts[-1]), 0.0, 24.0))
    axes.set_yticks(range(0, 25, 3), ["midnight", "3", "6", "9", "noon", "15", "18", "21", "midnight"])
    axes.set_ylabel("Local true solar time (h)")
    ticks, labels = time_axis.date_ticks(ds, 13)
    axes.set_xticks(ticks, labels)
    axes.set_xlim(0.0, hours[-1])
    plural = time_axis.solar_day_word(time_axis.body_of(ds))[1]
    axes.set_xlabel(
        "UTC date" + (f"; each column is the mean of {together} {plural}" if together > 1 else "")
    )


def _by_solar_hour(ds: xr.Dataset, cells: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    power, starts = time_axis.mean_by_solar_hour(ds, ds["delivered_power_w"].values, cells)
    lit, _ = time_axis.mean_by_solar_hour(ds, ds["disc_visible_fraction"].values, cells)
    return power, lit, starts


def _grouped(values: FloatArray, together: int) -> FloatArray:
    """Means of rows taken `together` at a time, of their cells inside the run; the last may hold fewer."""
    known = np.isfinite(values)
    first = np.arange(0, len(values), together)
    count = np.add.reduceat(known.astype(float), first, axis=0)
    total = np.add.reduceat(np.where(known, values, 0.0), first, axis=0)
    mean: FloatArray = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0.0)
    return mean


def day_colours() -> Any:
    """The map of magnitudes without its darkest part, which is left to the night: in grey too, night is darker than the least
    power, and the strongest the lightest."""
    import matplotlib
    from matplotlib.colors import ListedColormap

    return ListedColormap(matplotlib.colormaps[style.POWER_MAP](np.linspace(LEAST_SHADE, 1.0, 256)))


def _paint(
    axes: Axes, power: FloatArray, lit: NDArray[np.bool_], extent: tuple[float, float, float, float]
) -> None:
    """Colour by power where there is sunlight; dark where there is none; cells outside the run stay white."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize, to_hex, to_rgba
    from matplotlib.patches import Patch

    peak = float(np.nanmax(power)) if np.isfinite(power).any() else 0.0
    factor, unit = style.watts(peak)
    scale = ScalarMappable(Normalize(0.0, peak * factor or 1.0), day_colours())
    colours = scale.to_rgba(np.nan_to_num(power) * factor)
    outside = ~np.isfinite(power)
    colours[~lit] = to_rgba(NIGHT)
    colours[outside] = to_rgba(style.HOLE)
    # repeated to a fine raster, for viewers smooth coarse ones
    tall, wide = max(1, 600 // colours.shape[0]), max(1, 1400 // colours.shape[1])
    cells = (255.0 * colours.clip(0.0, 1.0)).astype(np.uint8)
    axes.imshow(cells.repeat(tall, axis=0).repeat(wide, axis=1), extent=extent, aspect="auto")
    for spine in axes.spines.values():
        spine.set_visible(True)
    if peak > 0.0:
        bar = axes.figure.colorbar(scale, ax=axes, pad=0.015, aspect=32)
        bar.set_label(f"Delivered power ({unit})")
        bar.outline.set_linewidth(0.4)
    keys = [
        Patch(facecolor=NIGHT, label="no sunlight"),
        Patch(facecolor=to_hex(day_colours()(0.0)), label="sunlight, none delivered"),
    ]
    if outside.any():
        keys.append(
            Patch(facecolor=style.HOLE, edgecolor=style.MUTED, linewidth=0.5, label="outside the run")
        )
    axes.legend(
        handles=keys, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.2,
        columnspacing=1.0, handlelength=1.4,
    )  # fmt: skip
