"""The skyline of a place as a panorama, with the band that the Sun's disc sweeps in a year and what forms the skyline."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COMPASS = {0: "N", 45: "NE", 90: "E", 135: "SE", 180: "S", 225: "SW", 270: "W", 315: "NW", 360: "N"}
LEAST_ROOM_DEG = 0.3
NOTE_COLUMNS = 112


def skyline_png(ds: xr.Dataset, dpi: float = 160.0) -> bytes:
    """Panorama of a skyline.

    ds   horizon_azimuth_deg, horizon_elevation_deg, horizon_distance_km over `horizon`; sun_low_deg, sun_high_deg (lower and
         upper edge of the Sun's disc over the span, NaN where it never passes) over `azimuth_deg`; attributes title, note
    """
    with style.drawing(style.FULL_WIDTH_IN, 3.9, dpi) as figure:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3.0, 1.0])
        _draw_panorama(ds, upper)
        _draw_distance(ds, lower)
        figure.suptitle(ds.attrs["title"], x=0.01, ha="left", fontsize=style.TEXT_PT + 1.5, fontweight="bold")
        note = f"The ground covers {style.percent(_hidden_share(ds))} of the Sun's band. {ds.attrs['note']}"
        lower.annotate(
            "\n".join(textwrap.wrap(note, NOTE_COLUMNS)),
            (0.0, 0.0),
            xytext=(0.0, -40.0),
            xycoords="axes fraction",
            textcoords="offset points",
            fontsize=style.SMALL_PT,
            color=style.MUTED,
            va="top",
        )
        return style.png_bytes(figure)


def _draw_panorama(ds: xr.Dataset, axes: Axes) -> None:
    azimuth, elevation = _closed(ds["horizon_azimuth_deg"].values, ds["horizon_elevation_deg"].values)
    at = ds["azimuth_deg"].values
    low, high = ds["sun_low_deg"].values, ds["sun_high_deg"].values
    top = float(np.nanmax(np.append(np.minimum(high, elevation.max() + 12.0), elevation.max())))
    bottom = min(float(elevation.min()), 0.0)
    room = max(0.08 * (top - bottom), LEAST_ROOM_DEG)
    floor = bottom - room
    axes.fill_between(
        at, low, high, facecolor="#F6D58C", edgecolor="none", step=None, label="Sun's disc in the span"
    )
    axes.plot(at, high, color=style.SUN, linewidth=1.0)
    axes.plot(at, low, color=style.SUN, linewidth=1.0, linestyle=(0, (4, 2)))
    axes.fill_between(
        azimuth, floor, elevation, facecolor=style.GROUND, edgecolor="none", alpha=0.82, label="ground"
    )
    axes.plot(azimuth, elevation, color=style.INK, linewidth=0.9)
    axes.axhline(0.0, color=style.INK, linewidth=0.6, linestyle=(0, (1, 2)))
    axes.set_ylim(floor, top + room)
    axes.set_xlim(0.0, 360.0)
    axes.set_ylabel("elevation, deg")
    axes.set_title(f"Skyline {elevation.min():.2f} to {elevation.max():.2f} deg".replace("-", "−"))
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.99), ncols=2, borderaxespad=0.2)


def _hidden_share(ds: xr.Dataset) -> float:
    """Share of the band between the disc's extremes that lies behind the ground."""
    at = ds["azimuth_deg"].values
    azimuth, elevation = _closed(ds["horizon_azimuth_deg"].values, ds["horizon_elevation_deg"].values)
    skyline = np.interp(at, azimuth, elevation)
    low, high = ds["sun_low_deg"].values, ds["sun_high_deg"].values
    seen = np.isfinite(low)
    if not seen.any():
        return float("nan")
    width = (high - low)[seen]
    return float(np.clip(skyline[seen] - low[seen], 0.0, width).sum() / width.sum())


def _draw_distance(ds: xr.Dataset, axes: Axes) -> None:
    azimuth, distance = _closed(ds["horizon_azimuth_deg"].values, ds["horizon_distance_km"].values)
    axes.plot(azimuth, distance, linestyle="none", marker=".", markersize=2.2, color=style.BLUE)
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter(_plain_number)
    axes.set_ylabel("km to it")
    axes.set_xticks(list(COMPASS))
    axes.set_xticklabels([f"{degrees}\n{word}" for degrees, word in COMPASS.items()])
    axes.set_xlabel("azimuth, deg clockwise from north", labelpad=1.0)
    axes.grid(axis="y", which="major")


def _plain_number(value: float, _position: Any) -> str:
    return f"{value:g}"


def _closed(azimuth_deg: Any, values: Any) -> tuple[Any, Any]:
    """The circle closed at 360 deg, from 0 on."""
    order = np.argsort(azimuth_deg)
    return np.append(azimuth_deg[order], azimuth_deg[order][0] + 360.0), np.append(
        values[order], values[order][0]
    )
