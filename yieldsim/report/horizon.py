"""The skyline of a place as a panorama, with the band that the Sun's disc sweeps in a year and what forms the skyline."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout import style
from yieldsim.report.layout.panel import Panel, laid_out_stretch
from yieldsim.report.layout.sheet import Drawn, Sheet, picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COMPASS = {0: "N", 45: "NE", 90: "E", 135: "SE", 180: "S", 225: "SW", 270: "W", 315: "NW", 360: "N"}
LEAST_ROOM_DEG = 0.3
MOST_SKY_DEG = 12.0
"""Sky shown above the skyline's highest point: more would flatten the relief."""
BAND = "#F6D58C"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Panorama:
    """A skyline and the band that the Sun's disc sweeps over it.

    horizon_azimuth_deg, horizon_elevation_deg, horizon_distance_km   (horizon,)
    azimuth_deg, sun_low_deg, sun_high_deg   (azimuth,) lower and upper edge of the disc over the span, NaN where it never passes
    summary   warnings, provenance and span
    """

    horizon_azimuth_deg: FloatArray
    horizon_elevation_deg: FloatArray
    horizon_distance_km: FloatArray
    azimuth_deg: FloatArray
    sun_low_deg: FloatArray
    sun_high_deg: FloatArray
    title: str
    note: str
    summary: Mapping[str, Any]


def skyline_png(seen: Panorama) -> bytes:
    """The panorama as a picture."""
    return picture(skyline_sheet(seen))


def skyline_sheet(seen: Panorama) -> Sheet:
    """What stands on the page."""
    return Sheet(
        kicker="Skyline",
        title=seen.title,
        lines=[seen.note],
        parts=[
            Drawn(
                Panel(partial(_draw, seen), style.FULL_WIDTH_IN, 4.3, sun_and_ground(seen)),
                caption=f"{sun_and_ground(seen)} {_stretch_words(seen)}",
            )
        ],
        summary=seen.summary,
        where="the table",
    )


def _draw(seen: Panorama, figure: Figure) -> None:
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3.0, 1.0])
    _draw_panorama(seen, upper)
    _draw_distance(seen, lower)
    # a title is there when it is laid out, of the same height
    upper.set_title("Elevation", weight="normal")
    times = style.number(laid_out_stretch(figure, upper), 2)
    upper.set_title(f"Elevation stretched {times} times against azimuth", weight="normal")


def _stretch_words(seen: Panorama) -> str:
    count, elevation = seen.horizon_azimuth_deg.size, seen.horizon_elevation_deg
    ends = f"Skyline from {elevation.min():.2f}° to {elevation.max():.2f}°".replace("-", "−")
    return f"{ends}, {count} azimuths, {style.number(360.0 / count)}° apart; distances are to the ground that forms the skyline."


def _draw_panorama(seen: Panorama, axes: Axes) -> None:
    azimuth, elevation = _closed(seen.horizon_azimuth_deg, seen.horizon_elevation_deg)
    at = seen.azimuth_deg
    low, high = seen.sun_low_deg, seen.sun_high_deg
    shown = elevation.max() + MOST_SKY_DEG
    top = float(np.nanmax(np.append(np.minimum(high, shown), elevation.max())))
    bottom = min(float(elevation.min()), 0.0)
    room = max(0.08 * (top - bottom), LEAST_ROOM_DEG)
    floor = bottom - room
    axes.fill_between(
        at, low, high, facecolor=BAND, edgecolor="none", step=None, label="swept by the Sun's disc"
    )
    axes.plot(at, high, color=style.SUN, linewidth=1.0)
    axes.plot(at, low, color=style.SUN, linewidth=1.0, linestyle=(0, (4, 2)))
    axes.fill_between(
        azimuth, floor, elevation, facecolor=style.GROUND, edgecolor="none", alpha=0.82, label="ground"
    )
    axes.plot(azimuth, elevation, color=style.INK, linewidth=0.9)
    axes.axhline(0.0, color=style.INK, linewidth=0.6, linestyle=(0, (1, 2)))
    _say_where_the_sun_is_higher(axes, at, low, top)
    axes.set_ylim(floor, top + room)
    axes.set_xlim(0.0, 360.0)
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}°".replace("-", "−"))
    axes.set_ylabel("Elevation")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.99), ncols=2, borderaxespad=0.2)


def _say_where_the_sun_is_higher(axes: Axes, at: FloatArray, low: FloatArray, top: float) -> None:
    """A word in each stretch of azimuths where the Sun passes above the frame only."""
    above = np.flatnonzero(np.diff((low > top).astype(np.int8), prepend=0, append=0))
    for first, after in zip(above[::2], above[1::2], strict=True):
        begin, end = float(at[first]), float(at[after - 1])
        if end - begin > 25.0:
            words = "▲ the Sun passes higher"
            axes.text(
                0.5 * (begin + end), top, words, ha="center", va="top", color=style.MUTED,
                fontsize=style.SMALL_PT,
            )  # fmt: skip


def sun_and_ground(seen: Panorama) -> str:
    """What the ground hides of the Sun's band above level, and what it leaves open below, in a sentence."""
    hidden, open_below = band_shares(seen)
    leaves = ""
    if np.isfinite(open_below) and open_below >= 0.01:
        leaves = f"leaves {style.percent(open_below)} of the band below 0° open"
    if not np.isfinite(hidden):
        return "The Sun's disc stays below 0° in this span." + (f" The ground {leaves}." if leaves else "")
    hides = "nothing" if hidden == 0.0 else style.percent(hidden)
    return f"The ground hides {hides} of the Sun's band above 0°" + (f" and {leaves}." if leaves else ".")


def band_shares(seen: Panorama) -> tuple[float, float]:
    """Shares of the band between the disc's extremes: of that above level what the ground hides, of that below level
    what it leaves open. NaN where there is no such part."""
    at = seen.azimuth_deg
    azimuth, elevation = _closed(seen.horizon_azimuth_deg, seen.horizon_elevation_deg)
    skyline = np.interp(at, azimuth, elevation)
    there = np.isfinite(seen.sun_low_deg)
    low, high, skyline = seen.sun_low_deg[there], seen.sun_high_deg[there], skyline[there]

    def between(bottom: FloatArray, top: FloatArray) -> float:
        return float(np.clip(top - bottom, 0.0, None).sum())

    above, below = between(np.maximum(low, 0.0), high), between(low, np.minimum(high, 0.0))
    hidden = between(np.maximum(low, 0.0), np.minimum(high, skyline))
    open_below = between(np.maximum(low, skyline), np.minimum(high, 0.0))
    return (hidden / above if above > 0.0 else np.nan), (open_below / below if below > 0.0 else np.nan)


def _draw_distance(seen: Panorama, axes: Axes) -> None:
    from matplotlib.ticker import NullFormatter

    azimuth, distance = _closed(seen.horizon_azimuth_deg, seen.horizon_distance_km)
    axes.plot(azimuth, distance, linestyle="none", marker=".", markersize=2.2, color=style.BLUE)
    axes.set_yscale("log")
    far = distance[distance > 0.0]
    if far.size:
        low, high = float(far.min()) / 1.5, 1.5 * float(far.max())
        axes.set_ylim(low, high)
        axes.set_yticks(*_round_numbers(low, high))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_ylabel("Distance (km)")
    axes.set_xticks(list(COMPASS))
    axes.set_xticklabels([f"{degrees}°\n{word}" for degrees, word in COMPASS.items()])
    axes.set_xlabel("Azimuth, clockwise from north", labelpad=1.0)
    axes.grid(axis="y", which="major")


def _round_numbers(low: float, high: float) -> tuple[list[float], list[str]]:
    """Powers of ten between two numbers, or also twice and five times those where there are few."""
    for digits in ((1,), (1, 2, 5)):
        found = [digit * 10.0**power for power in range(-6, 7) for digit in digits]
        inside = [value for value in found if low <= value <= high]
        if len(inside) >= 2:
            break
    return inside, [f"{value:g}" for value in inside]


def _closed(azimuth_deg: Any, values: Any) -> tuple[Any, Any]:
    """The circle closed at 360 deg, from 0 on."""
    order = np.argsort(azimuth_deg)
    return np.append(azimuth_deg[order], azimuth_deg[order][0] + 360.0), np.append(
        values[order], values[order][0]
    )
