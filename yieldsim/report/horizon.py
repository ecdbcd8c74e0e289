"""The skyline of a place as a panorama, with the band that the Sun's disc sweeps in a year and what forms the skyline."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout import style
from yieldsim.report.layout.sheet import Drawn, Sheet, picture
from yieldsim.report.layout.vector_figure import (
    RULE_PT,
    TICK_PT,
    Frame,
    VectorFigure,
    label_width,
    round_ticks,
)

COMPASS = {0: "N", 45: "NE", 90: "E", 135: "SE", 180: "S", 225: "SW", 270: "W", 315: "NW", 360: "N"}
LEAST_ROOM_DEG = 0.3
MOST_SKY_DEG = 12.0
"""Sky shown above the skyline's highest point: more would flatten the relief."""
BAND = "#F6D58C"
WIDTH_PT, HEIGHT_PT = 72.0 * style.FULL_WIDTH_IN, 309.6
UPPER_PT, LOWER_PT = (19.5, 204.0), (212.5, 274.0)
"""Top and bottom of the two frames."""
RIGHT_PT = 12.5
"""Room for half of the last number along."""
BAND_PAINT, GROUND_PAINT = f'fill="{BAND}"', f'fill="{style.GROUND}" fill-opacity="0.82"'
NAMES_PT = ((-198.0, "swept by the Sun's disc", BAND_PAINT), (-62.0, "ground", GROUND_PAINT))
"""What colours mean: where it stands from the right edge on."""
MOST_TICKS = 8


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
                drawn_skyline(seen),
                caption=f"{sun_and_ground(seen)} {_stretch_words(seen)}",
            )
        ],
        summary=seen.summary,
        where="the table",
    )


def drawn_skyline(seen: Panorama) -> VectorFigure:
    """Ground and Sun above, the distance of what forms the skyline below."""
    figure = VectorFigure(WIDTH_PT, HEIGHT_PT, sun_and_ground(seen))
    low, high = _shown_elevations(seen)
    elevations = round_ticks(low, high, MOST_TICKS)
    marks = [f"{value:g}°".replace("-", "−") for value in np.round(elevations, 9)]
    near, far = _shown_distances(seen)
    distances, numbers = _round_numbers(near, far)
    left = style.TEXT_PT + 4.0 * TICK_PT + label_width([*marks, *numbers])
    along = (left, WIDTH_PT - RIGHT_PT - left)
    upper = Frame(along[0], UPPER_PT[0], along[1], UPPER_PT[1] - UPPER_PT[0], (0.0, 360.0), (low, high))
    lower = Frame(along[0], LOWER_PT[0], along[1], LOWER_PT[1] - LOWER_PT[0], (0.0, 360.0), (near, far), True)
    _draw_panorama(seen, figure, upper)
    compass = np.array(list(COMPASS), float)
    figure.axes(upper, compass, elevations, marks, "Elevation")
    _draw_distance(seen, figure, lower, distances)
    figure.axes(lower, compass, np.array(distances), numbers, "Distance (km)")
    for at, (degrees, word) in zip(lower.x(compass).tolist(), COMPASS.items(), strict=True):
        figure.text(at, lower.bottom + 13.0, f"{degrees}°")
        figure.text(at, lower.bottom + 22.5, word)
    middle = lower.left + 0.5 * lower.width
    figure.text(middle, HEIGHT_PT - 2.5, "Azimuth, clockwise from north", style.TEXT_PT)
    return figure


def _stretch_words(seen: Panorama) -> str:
    count, elevation = seen.horizon_azimuth_deg.size, seen.horizon_elevation_deg
    ends = f"Skyline from {elevation.min():.2f}° to {elevation.max():.2f}°".replace("-", "−")
    return f"{ends}, {count} azimuths, {style.number(360.0 / count)}° apart; distances are to the ground that forms the skyline."


def _shown_elevations(seen: Panorama) -> tuple[float, float]:
    """Lower and upper edge of the frame: the ground and level, and the Sun where it is not far above."""
    elevation, high = seen.horizon_elevation_deg, seen.sun_high_deg
    top = float(np.nanmax(np.append(np.minimum(high, elevation.max() + MOST_SKY_DEG), elevation.max())))
    bottom = min(float(elevation.min()), 0.0)
    room = max(0.08 * (top - bottom), LEAST_ROOM_DEG)
    return bottom - room, top + room


def _draw_panorama(seen: Panorama, figure: VectorFigure, frame: Frame) -> None:
    azimuth, elevation = _closed(seen.horizon_azimuth_deg, seen.horizon_elevation_deg)
    at, low, high = seen.azimuth_deg, seen.sun_low_deg, seen.sun_high_deg
    floor = np.full(azimuth.size, frame.y_range[0])
    figure.fill(frame, at, low, high, BAND_PAINT)
    figure.fill(frame, azimuth, floor, elevation, GROUND_PAINT)
    figure.line(frame, at, high, style.SUN, 1.0)
    figure.line(frame, at, low, style.SUN, 1.0, 'stroke-dasharray="4 2"')
    figure.line(frame, azimuth, elevation, style.INK, 0.9, 'stroke-linejoin="round"')
    figure.line(frame, np.array([0.0, 360.0]), np.zeros(2), style.INK, RULE_PT, 'stroke-dasharray="0.6 1.2"')
    _say_where_the_sun_is_higher(figure, frame, at, low)
    for offset, words, paint in NAMES_PT:
        figure.parts.append(f'<rect x="{frame.right + offset:.2f}" y="8" width="16" height="5.6" {paint}/>')
        figure.text(frame.right + offset + 22.0, 13.6, words, anchor="start")
    low_deg, high_deg = frame.y_range
    times = style.number(frame.height / (high_deg - low_deg) / (frame.width / 360.0), 2)
    words = f"Elevation stretched {times} times against azimuth"
    figure.text(frame.left, 13.0, words, style.TEXT_PT, "start")


def _say_where_the_sun_is_higher(figure: VectorFigure, frame: Frame, at: FloatArray, low: FloatArray) -> None:
    """A word in each stretch of azimuths where the Sun passes above the frame only."""
    above = np.flatnonzero(np.diff((low > frame.y_range[1]).astype(np.int8), prepend=0, append=0))
    for first, after in zip(above[::2], above[1::2], strict=True):
        begin, end = float(at[first]), float(at[after - 1])
        if end - begin > 25.0:
            middle = float(frame.x(np.array(0.5 * (begin + end))))
            words = "▲ the Sun passes higher"
            figure.text(middle, frame.top + style.SMALL_PT, words, colour=style.MUTED)


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


def _shown_distances(seen: Panorama) -> tuple[float, float]:
    """Lower and upper edge of the frame of distances."""
    far = seen.horizon_distance_km[seen.horizon_distance_km > 0.0]
    return (float(far.min()) / 1.5, 1.5 * float(far.max())) if far.size else (0.1, 1.0)


def _draw_distance(seen: Panorama, figure: VectorFigure, frame: Frame, ticks: list[float]) -> None:
    azimuth, distance = _closed(seen.horizon_azimuth_deg, seen.horizon_distance_km)
    near, far = frame.y_range
    for up in frame.y(np.array(ticks)).tolist():
        figure.rule(frame.left, up, frame.width, 0.0, style.RULE)
    small = [digit * 10.0**power for power in range(-6, 7) for digit in range(1, 10)]
    for up in frame.y(np.array([value for value in small if near <= value <= far])).tolist():
        figure.rule(frame.left, up, -0.6 * TICK_PT, 0.0)
    known = distance > 0.0
    figure.dots(frame, azimuth[known], distance[known], style.BLUE, 2.1)


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
