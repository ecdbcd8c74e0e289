"""The Sun's paths over the site's sky, with the horizon and the mounts' acceptance zones on the same sky.

Two ways to flatten the sky, chosen by how high the Sun climbs: a dome seen from above (zenith in the middle,
angle from it as the radius), or, where the Sun stays low, a panorama with elevation stretched, and below it
the same panorama in true proportion.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.numerics.interpolation import linear
from yieldsim.base.numerics.vectors import (
    FloatArray,
    angle_between_deg,
    azimuth_elevation_deg,
    direction_enu_xyz,
)
from yieldsim.report.estimate.acceptance import LEVELS, mount_letter, relative_acceptance
from yieldsim.report.layout import style, time_axis
from yieldsim.report.layout.panel import laid_out_stretch

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LOW_SUN_DEG = 15.0
"""Where the Sun never climbs above this, the sky is drawn as a panorama."""
COMPASS = {0: "N", 45: "NE", 90: "E", 135: "SE", 180: "S", 225: "SW", 270: "W", 315: "NW", 360: "N"}
PATHS = 13
"""Solar days drawn at most."""


def sky_key() -> str:
    """What the lines and fills of the view are, in the room beside a heading."""
    return "Orange: Sun. Grey: ground. Lines: half of the peak."


def has_low_sun(ds: xr.Dataset) -> bool:
    """Whether the panorama suits the site."""
    return float(ds["solar_elevation_deg"].max()) < LOW_SUN_DEG


# ---------------------------------------------------------------- Sun paths


def sun_paths(ds: xr.Dataset) -> list[FloatArray]:
    """The Sun's way over up to PATHS solar days spread over the run, as directions (n, 3).

    Among them are the days on which the Sun climbs highest and least. Days with few rows are drawn smooth, by
    a spline through the directions. Rows too long to show a day come back all together, for dots.
    """
    sun = direction_enu_xyz(ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values)
    if not time_axis.resolves_days(ds):
        return [sun]
    solar = time_axis.solar_days_at_edges(ds)
    day = np.floor(0.5 * (solar[1:] + solar[:-1])).astype(int)
    days, starts = np.unique(day, return_index=True)
    ends = np.append(starts[1:], day.size)
    chosen = np.unique(np.linspace(0, days.size - 1, min(PATHS, days.size)).round().astype(int))
    if days.size > PATHS:
        whole = slice(1, -1)  # the run may cut the first and the last day short
        tops = np.maximum.reduceat(ds["solar_elevation_deg"].values, starts)
        chosen = np.unique(np.append(chosen[whole], [1 + tops[whole].argmax(), 1 + tops[whole].argmin()]))
    return [
        _smooth(sun[max(starts[index] - 1, 0) : min(ends[index] + 1, day.size)]) for index in chosen.tolist()
    ]


def _smooth(directions_enu_xyz: FloatArray) -> FloatArray:
    if not 3 <= len(directions_enu_xyz) <= 100:
        return directions_enu_xyz
    from scipy.interpolate import CubicSpline

    rows = np.arange(len(directions_enu_xyz))
    fine = np.linspace(0.0, rows[-1], 6 * rows[-1] + 1)
    return np.asarray(CubicSpline(rows, directions_enu_xyz)(fine))


def _path_look(ds: xr.Dataset) -> dict[str, Any]:
    """A line where rows follow the Sun, dots where they only sample it."""
    if time_axis.resolves_days(ds):
        return {"linewidth": 0.9, "solid_capstyle": "round"}
    return {"linestyle": "none", "marker": ".", "markersize": 2.0}


# ---------------------------------------------------------------- figures


def draw_sky(ds: xr.Dataset, figure: Figure, *, context: bool = True) -> None:
    """Fill a figure with the view that suits the site; `context` adds the panorama in true proportion."""
    if not has_low_sun(ds):
        _draw_dome(ds, figure.add_subplot())
    elif context:
        centre = _panorama_centre_deg(ds)
        top = float(np.clip(110.0 - ds["mount_tilt_deg"].values.min(), 50.0, 90.0).round(-1))
        upper, lower = figure.subplots(2, 1, height_ratios=[1.6, (top + 20.0) / 80.0])
        low, high = _stretched_range_deg(ds)
        _draw_panorama(ds, upper, centre, low, high)
        _draw_panorama(ds, lower, centre, -20.0, top)
        lower.set_title("Azimuth and elevation at one scale")
        lower.set_aspect("equal")
        lower.set_yticks(np.arange(-20.0, top + 1.0, 20.0))
        lower.axhspan(
            low, high, facecolor="none", edgecolor=style.MUTED, linewidth=0.6, linestyle=(0, (2, 2))
        )
        _say_scale(ds, figure, upper, low)
    else:
        axes, (low, high) = figure.add_subplot(), _stretched_range_deg(ds)
        _draw_panorama(ds, axes, _panorama_centre_deg(ds), low, high)
        _say_scale(ds, figure, axes, low)


def _say_scale(ds: xr.Dataset, figure: Figure, axes: Axes, low_deg: float) -> None:
    """Above a panorama: how many times finer its elevation is drawn than its azimuth."""
    below = "; the Sun stays below" if ds["solar_elevation_deg"].max() < low_deg else ""
    axes.set_title(f"Elevation stretched{below}", weight="normal")
    times = style.number(laid_out_stretch(figure, axes), 2)
    axes.set_title(f"Elevation stretched {times} times against azimuth{below}", weight="normal")


def _stretched_range_deg(ds: xr.Dataset) -> tuple[float, float]:
    """Elevations worth showing: the Sun's above the horizon, and the horizon's as far as they concern it.

    Where the Sun stays below all that, the whole horizon.
    """
    mask = ds["horizon_elevation_deg"].values
    highest = float(ds["solar_elevation_deg"].max())
    low = min(float(mask.min()), 0.0) - 0.5
    concerning = max(highest + 0.4, min(float(mask.max()) + 0.2, highest + 3.0))
    high = concerning if highest >= low else max(float(mask.max()), 0.0) + 0.5
    return float(np.floor(2.0 * low) / 2.0), float(np.ceil(2.0 * high) / 2.0)


SEAM_CLEAR_DEG = 12.0
"""Room that a mount's letter wants from the panorama's ends."""


def _panorama_centre_deg(ds: xr.Dataset) -> float:
    """Azimuth of the mount that delivers most, to the nearest 45 deg: it belongs in the middle. Moved by up to 45 deg where
    the ends would cut through another mount."""
    azimuth = ds["mount_azimuth_deg"].values
    best = int(ds["mount_delivered_power_w"].values.sum(axis=0).argmax())
    middle = round(float(azimuth[best]) / 45.0) * 45.0
    centres = middle + np.array([0.0, 22.5, -22.5, 45.0, -45.0])
    clear = np.abs((azimuth[None, :] - centres[:, None]) % 360.0 - 180.0).min(axis=1)
    fit = np.flatnonzero(clear >= SEAM_CLEAR_DEG)
    chosen = int(fit[0]) if fit.size else int(clear.argmax())
    return float(centres[chosen] % 360.0)


def _draw_panorama(ds: xr.Dataset, axes: Axes, centre_deg: float, low_deg: float, high_deg: float) -> None:
    left, right = centre_deg - 180.0, centre_deg + 180.0
    look = _path_look(ds)
    for path in sun_paths(ds):
        azimuth, elevation = azimuth_elevation_deg(path)
        x = (azimuth - left) % 360.0 + left
        x = np.where(np.abs(np.diff(x, prepend=x[0])) > 180.0, np.nan, x)
        axes.plot(x, elevation, color=style.SUN, **look)
        _sun_of_a_short_run(axes, path, x, elevation)
    x = np.arange(left, right + 0.25, 0.5)
    skyline = linear(
        x, ds["horizon_azimuth_deg"].values, ds["horizon_elevation_deg"].values, outside="periodic"
    )
    axes.fill_between(x, low_deg, np.maximum(skyline, low_deg), color=style.GROUND, alpha=0.8, linewidth=0.0)
    axes.plot(x, skyline, color=style.INK, linewidth=0.7)

    tall = high_deg - low_deg
    grid_azimuth = np.arange(left, right + 0.5, 1.0)
    grid_elevation = np.linspace(low_deg, high_deg, 161 if tall > 40.0 else 81)
    towards = direction_enu_xyz(grid_azimuth[None, :], grid_elevation[:, None])
    few = ds.sizes["mount"] <= len(style.LINES)
    for mount in range(ds.sizes["mount"]):
        _contours(axes, grid_azimuth, grid_elevation, relative_acceptance(ds, mount, towards), mount, few)
        facing = (float(ds["mount_azimuth_deg"][mount]) - left) % 360.0 + left
        raised = 90.0 - float(ds["mount_tilt_deg"][mount])
        beyond = "▲" if raised > high_deg else "▼" if raised < low_deg else ""
        shown = float(np.clip(raised, low_deg + 0.1 * tall, high_deg - 0.1 * tall))
        _letter(axes, facing, shown, mount, beyond, _letter_pt(ds))
    ticks = np.arange(np.ceil(left / 45.0) * 45.0, right + 1.0, 45.0)
    names = [f"{int(tick % 360)}°\n{COMPASS[int(tick % 360)]}" for tick in ticks]
    axes.set_xticks(ticks, names)
    axes.set_xlim(left, right)
    axes.set_ylim(low_deg, high_deg)
    axes.yaxis.set_major_formatter(_degrees)
    axes.set_ylabel("Elevation")
    axes.grid(True, linewidth=0.4)


SHORT_PATH_DEG = 5.0


def _sun_of_a_short_run(axes: Axes, path: FloatArray, x: FloatArray, y: FloatArray) -> None:
    """A dot where the Sun stands in the middle of a path too short to be seen."""
    if float(angle_between_deg(path[:1], path).max()) < SHORT_PATH_DEG:
        middle = len(path) // 2
        axes.plot(x[middle], y[middle], "o", color=style.SUN, markersize=5.0, zorder=3)


def _degrees(value: float, _position: object = None) -> str:
    return f"{value:g}°".replace("-", "−")


def _draw_dome(ds: xr.Dataset, axes: Axes) -> None:
    lowest = min(float(ds["horizon_elevation_deg"].min()), 0.0)
    outer = 90.0 - lowest
    axes.set_aspect("equal")
    axes.set_axis_off()
    around = np.radians(np.arange(0.0, 361.0, 1.0))
    poleward = 22.5 if _noon_is_south(ds) else 157.5
    for elevation in (0.0, 30.0, 60.0):
        ring = 90.0 - elevation
        axes.plot(ring * np.sin(around), ring * np.cos(around), color=style.RULE, linewidth=0.6, zorder=1)
        if elevation:
            axes.text(
                *_on_dome(np.array(poleward), np.array(elevation)),
                _degrees(elevation),
                fontsize=style.SMALL_PT,
                color=style.MUTED,
                ha="center",
                va="center",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
                zorder=2,
            )
    for bearing in range(0, 360, 45):
        x, y = np.sin(np.radians(bearing)), np.cos(np.radians(bearing))
        axes.plot([0.0, outer * x], [0.0, outer * y], color=style.RULE, linewidth=0.5, zorder=1)
        main = bearing % 90 == 0
        axes.annotate(
            COMPASS[bearing],
            (outer * x, outer * y),
            (10.0 * x, 10.0 * y),
            textcoords="offset points",
            ha="center",
            va="center",
            weight="bold" if main else "normal",
            color=style.INK if main else style.MUTED,
        )
    look = _path_look(ds)
    for path in sun_paths(ds):
        azimuth, elevation_deg = azimuth_elevation_deg(path)
        elevation_deg = np.where(elevation_deg < lowest, np.nan, elevation_deg)
        axes.plot(*_on_dome(azimuth, elevation_deg), color=style.SUN, zorder=3, **look)
        _sun_of_a_short_run(axes, path, *_on_dome(azimuth, elevation_deg))
    circle_deg = np.arange(0.0, 361.0, 1.0)
    skyline = linear(
        circle_deg, ds["horizon_azimuth_deg"].values, ds["horizon_elevation_deg"].values, outside="periodic"
    )
    inner_x, inner_y = _on_dome(circle_deg, skyline)
    outer_x, outer_y = outer * np.sin(around), outer * np.cos(around)
    axes.fill(
        np.append(inner_x, outer_x[::-1]),
        np.append(inner_y, outer_y[::-1]),
        color=style.GROUND,
        alpha=0.8,
        linewidth=0.0,
        zorder=4,
    )
    axes.plot(inner_x, inner_y, color=style.INK, linewidth=0.8, zorder=4)

    side = np.linspace(-outer, outer, 241)
    x, y = np.meshgrid(side, side)
    zenith_angle = np.hypot(x, y)
    towards = direction_enu_xyz(np.degrees(np.arctan2(x, y)), 90.0 - zenith_angle)
    few = ds.sizes["mount"] <= len(style.LINES)
    for mount in range(ds.sizes["mount"]):
        accepted = np.where(zenith_angle > outer, np.nan, relative_acceptance(ds, mount, towards))
        _contours(axes, side, side, np.ma.masked_invalid(accepted), mount, few)
        raised = 90.0 - float(ds["mount_tilt_deg"][mount])
        facing = float(ds["mount_azimuth_deg"][mount])
        spot = _on_dome(np.array(facing), np.array(max(raised, lowest + 5.0)))
        _letter(axes, float(spot[0]), float(spot[1]), mount, "▼" if raised < lowest else "", _letter_pt(ds))
    axes.set_xlim(-outer, outer)
    axes.set_ylim(-outer, outer)


def _letter_pt(ds: xr.Dataset) -> float:
    """Size of the letters: many of them share the sky."""
    return style.TEXT_PT if ds.sizes["mount"] <= 12 else style.SMALL_PT


def _noon_is_south(ds: xr.Dataset) -> bool:
    """Whether the Sun is highest in the south; the other half of the dome has room for numbers."""
    azimuth = float(ds["solar_azimuth_deg"][int(ds["solar_elevation_deg"].values.argmax())])
    return 90.0 < azimuth < 270.0


def _on_dome(azimuth_deg: FloatArray, elevation_deg: FloatArray) -> tuple[Any, Any]:
    """Map place: east to the right, north up, radius the angle from the zenith."""
    radius = 90.0 - elevation_deg
    return radius * np.sin(np.radians(azimuth_deg)), radius * np.cos(np.radians(azimuth_deg))


def _contours(axes: Axes, x: FloatArray, y: FloatArray, share: Any, mount: int, few: bool) -> None:
    """Half and a tenth of the peak; where many mounts crowd the sky, half alone."""
    look = style.line(mount)
    widths = (0.8, 1.8) if few else (0.0, 1.1)
    for level, width in zip(LEVELS, widths, strict=True):
        if width and share.min() < level < share.max():
            axes.contour(
                x, y, share, levels=[level], colors=[look.colour], linewidths=[width],
                linestyles=[look.dash if level == LEVELS[1] else (0, (1.0, 1.5))], zorder=5,
            )  # fmt: skip


def _letter(axes: Axes, x: float, y: float, mount: int, beyond: str, size_pt: float) -> None:
    """The mount's letter where it points, with an arrowhead where that lies beyond the edge."""
    axes.text(
        x, y, mount_letter(mount) + beyond, ha="center", va="center", weight="bold",
        color="white", fontsize=size_pt, zorder=6,
        bbox={"boxstyle": "circle,pad=0.25", "facecolor": style.line(mount).colour, "edgecolor": "white"},
    )  # fmt: skip
