"""Where to face, on one page: the sky of facings, the best for each goal, errors of pointing, followers of
the Sun."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.vectors import FloatArray
from yieldsim.report import style
from yieldsim.report.sky_figure import COMPASS
from yieldsim.report.time_axis import MONTHS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN = style.FULL_WIDTH_IN
MAP_IN, MIDDLE_IN, BOTTOM_IN = 3.3, 2.5, 1.5
ROW_IN = 0.19
"""Height of a line of the table of named facings."""
LEVELS = (0.25, 0.5, 0.75, 0.9, 0.95, 0.99)
GOAL_WORDS = {
    "annual": "most energy in a year",
    "worst-month": "most in the poorest month",
    "shortest-gap": "shortest longest gap",
    "load": "most used by the load",
}
GOAL_MARKS = {"annual": "o", "worst-month": "s", "shortest-gap": "p", "load": "D"}
COMPARED_MARK = "h"
MOST_NAMED = 16
LOW_FACING_TILT_DEG = 60.0
"""Facings that look lower than this are drawn as a panorama, others as a dome seen from above."""


def facing_png(ds: xr.Dataset) -> bytes:
    """The page as PNG."""
    with style.drawing(WIDTH_IN, _height_in(ds)) as figure:
        draw_facing(ds, figure)
        return style.png_bytes(figure)


def facing_pdf(ds: xr.Dataset) -> bytes:
    """The page as PDF."""
    with style.drawing(WIDTH_IN, _height_in(ds)) as figure:
        draw_facing(ds, figure)
        return style.pdf_bytes(figure, str(ds.attrs["title"]))


def _table_in(summary: dict[str, Any]) -> float:
    return ROW_IN * (min(len(_named(summary)), MOST_NAMED) + 1.2)


def _height_in(ds: xr.Dataset) -> float:
    """As high as the table of named facings needs."""
    return MAP_IN + _table_in(json.loads(ds.attrs["summary"])) + MIDDLE_IN + BOTTOM_IN + 0.4


def draw_facing(ds: xr.Dataset, figure: Figure) -> None:
    """Fill a figure from the Dataset of `orient`."""
    summary: dict[str, Any] = json.loads(ds.attrs["summary"])
    figure.suptitle(_title(summary), x=0.01, ha="left", fontsize=style.TEXT_PT + 2.0, weight="bold")
    parts: Any = figure.subfigures(3, 1, height_ratios=[MAP_IN + _table_in(summary), MIDDLE_IN, BOTTOM_IN])
    top, middle, bottom = parts
    if float(ds["annual_kwh"].max()) > 0.0:
        draw_map(ds, summary, top)
    else:
        top.text(
            0.5,
            0.5,
            "No facing gets any light during this span.",
            ha="center",
            va="center",
            color=style.MUTED,
        )
    left, right = middle.subplots(1, 2, width_ratios=[1.0, 1.35])
    draw_errors(summary, left)
    draw_months(summary, right)
    draw_followers(summary, bottom.add_subplot())


def _title(summary: dict[str, Any]) -> str:
    site, collector = summary["site"], summary["collector"]
    units = collector["unit_count"]
    return (
        f"Where to face: {collector['name']}, {units} unit{'s' if units != 1 else ''}, at {site['name']}, {site['body']}\n"
        f"{summary['start_utc'][:10]} to {summary['end_utc'][:10]}"
    )


# ---------------------------------------------------------------- the map


def draw_map(ds: xr.Dataset, summary: dict[str, Any], figure: Any) -> None:
    """Energy by direction faced, with contours in shares of the best and the facings that have names."""
    low = float(summary["best"][0]["tilt_deg"]) > LOW_FACING_TILT_DEG
    share = ds["annual_kwh"].values / float(ds["annual_kwh"].max())
    upper, lower = figure.subplots(2, 1, height_ratios=[MAP_IN, _table_in(summary)])
    drawn = _panorama(ds, summary, share, upper) if low else _dome(ds, summary, share, upper)
    _names(summary, lower)
    bar = figure.colorbar(drawn, ax=upper, shrink=0.85, pad=0.02, aspect=28)
    bar.set_label("kWh in a year")
    bar.outline.set_visible(False)


def _panorama(ds: xr.Dataset, summary: dict[str, Any], share: FloatArray, axes: Axes) -> Any:
    """Azimuth across, elevation faced upwards, stretched to the facings that give light; the best azimuth in
    the middle."""
    best = summary["best"][0]
    azimuth, tilt = ds["azimuth"].values, ds["tilt"].values
    centre = round(float(best["azimuth_deg"]) / 45.0) * 45.0
    if float(share.max(axis=0).min()) < 0.02:
        order = np.argsort((azimuth - centre + 180.0) % 360.0, kind="stable")
    else:
        order, centre = np.arange(len(azimuth)), 180.0
    across = (azimuth[order] - centre + 180.0) % 360.0 - 180.0 + centre
    lit = np.flatnonzero(share.max(axis=1) > 0.02)
    rows = slice(max(int(lit[0]) - 2, 0), min(int(lit[-1]) + 3, len(tilt)))
    up = 90.0 - tilt[rows]
    values = ds["annual_kwh"].values[rows][:, order]
    drawn = axes.pcolormesh(across, up, values, cmap=style.POWER_MAP, shading="gouraud", rasterized=True)
    _contours(axes, across, up, share[rows][:, order])
    for row, mark, words in _named(summary):
        x = (row["azimuth_deg"] - centre + 180.0) % 360.0 - 180.0 + centre
        _mark(axes, x, 90.0 - row["tilt_deg"], mark, words)
    axes.set_xlim(across[0], across[-1])
    axes.set_ylim(up[-1], up[0])
    ticks = [t for t in range(-360, 721, 45) if across[0] <= t <= across[-1]]
    axes.set_xticks(ticks, [f"{COMPASS[t % 360]}\n{t % 360}°" for t in ticks])
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}°")
    axes.set_ylabel("elevation faced (90° − tilt)")
    axes.set_title("Energy in a year by direction faced (contours: per cent of the best)")
    return drawn


def _dome(ds: xr.Dataset, summary: dict[str, Any], share: FloatArray, axes: Axes) -> Any:
    """Zenith in the middle, tilt outwards, north up, east to the left as in the sky seen from below...
    turned: east right."""
    azimuth, tilt = ds["azimuth"].values, ds["tilt"].values
    lit = np.flatnonzero(share.max(axis=1) > 0.02)
    last = min(int(lit[-1]) + 2, len(tilt))
    closed = np.append(azimuth, azimuth[0] + 360.0)
    values = np.concatenate([ds["annual_kwh"].values, ds["annual_kwh"].values[:, :1]], axis=1)[:last]
    radius, angle = np.meshgrid(tilt[:last], np.radians(closed), indexing="ij")
    x, y = radius * np.sin(angle), radius * np.cos(angle)
    drawn = axes.pcolormesh(x, y, values, cmap=style.POWER_MAP, shading="gouraud", rasterized=True)
    _contours(axes, x, y, values / float(ds["annual_kwh"].max()))
    rim = float(tilt[last - 1])
    for ring in [r for r in (15, 30, 45, 60, 75, 90, 120, 150) if r < rim]:
        circle = np.linspace(0.0, 2.0 * np.pi, 181)
        axes.plot(ring * np.sin(circle), ring * np.cos(circle), color="white", linewidth=0.4, alpha=0.6)
        axes.text(
            0.0, -ring, f"{ring}°", color="white", ha="center", va="center", fontsize=style.SMALL_PT - 1.0
        )
    for place, word in COMPASS.items():
        if place < 360:
            turn = np.radians(place)
            axes.text(1.08 * rim * np.sin(turn), 1.08 * rim * np.cos(turn), word, ha="center", va="center")
    for row, mark, words in _named(summary):
        turn = np.radians(row["azimuth_deg"])
        _mark(axes, row["tilt_deg"] * np.sin(turn), row["tilt_deg"] * np.cos(turn), mark, words)
    axes.set_ylim(-1.16 * rim, 1.16 * rim)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_axis_off()
    axes.set_title("Energy in a year by direction faced (rings: tilt; contours: per cent of the best)")
    return drawn


def _contours(axes: Axes, x: FloatArray, y: FloatArray, share: FloatArray) -> None:
    """Dark lines on the bright half of the map, bright ones on the dark half."""
    for levels, colour in ((LEVELS[:2], "white"), (LEVELS[2:], style.INK)):
        lines = axes.contour(x, y, share, levels=levels, colors=colour, linewidths=0.7)
        axes.clabel(lines, fmt=lambda level: f"{100.0 * level:.0f}", fontsize=style.SMALL_PT - 1.0)


def _named(summary: dict[str, Any]) -> list[tuple[dict[str, Any], str, str]]:
    """Facings with a mark and a letter: the best ones first, then those that are compared."""
    rows = [
        (row, GOAL_MARKS[row["goal"]], str(number)) for number, row in enumerate(summary["best"], start=1)
    ]
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return rows + [(row, COMPARED_MARK, letters[place % 26]) for place, row in enumerate(summary["compare"])]


def _mark(axes: Axes, x: float, y: float, mark: str, words: str) -> None:
    """A best facing in white, one that is compared in black, each with its number or letter."""
    paper, ink = ("white", style.INK) if mark != COMPARED_MARK else (style.INK, "white")
    axes.plot(
        [x],
        [y],
        mark,
        markersize=9.5,
        markerfacecolor=paper,
        markeredgecolor=ink,
        markeredgewidth=0.9,
        clip_on=False,
    )
    axes.annotate(
        words,
        (x, y),
        ha="center",
        va="center",
        fontsize=style.SMALL_PT - 1.0,
        weight="bold",
        color=ink,
        annotation_clip=False,
    )


def _names(summary: dict[str, Any], axes: Axes) -> None:
    """A small table: each named facing, its energy, its poorest month and its longest gap."""
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    named = _named(summary)[:MOST_NAMED]
    places = (0.52, 0.67, 0.82, 1.0)
    step = 1.0 / (len(named) + 1.2)
    for x, words in zip(places, ("tilt, azimuth", "kWh a year", "poorest month", "longest gap"), strict=True):
        axes.text(x, 1.0, words, ha="right", va="top", color=style.MUTED, fontsize=style.SMALL_PT)
    for line, (row, mark, letter) in enumerate(named):
        y = 1.0 - (line + 1.5) * step
        _mark(axes, 0.015, y, mark, letter)
        name = GOAL_WORDS[row["goal"]] if "goal" in row else row["label"]
        pose = f"{row['tilt_deg']:.1f}°, {row['azimuth_deg']:.1f}°"
        if abs(row["roll_deg"]) > 0.005:
            pose += f", roll {row['roll_deg']:.1f}°"
        cells = (
            pose,
            style.number(row["annual_kwh"]),
            style.number(row["worst_month_kwh"]),
            style.duration(row["longest_gap_hours"]),
        )
        axes.text(0.045, y, name, va="center", fontsize=style.SMALL_PT)
        for x, words in zip(places, cells, strict=True):
            axes.text(x, y, words, ha="right", va="center", fontsize=style.SMALL_PT)


# ---------------------------------------------------------------- errors, months, followers


def draw_errors(summary: dict[str, Any], axes: Axes) -> None:
    """Loss of annual energy against how far off the best facing an aperture is."""
    rows = summary["best"][0]["when_off"]
    off = [0.0, *(row["off_deg"] for row in rows)]
    for index, (key, words) in enumerate(
        (("worst_loss_fraction", "worst direction"), ("mean_loss_fraction", "mean of all"))
    ):
        look = style.line(1 - index)
        loss = [0.0, *(100.0 * row[key] for row in rows)]
        axes.plot(
            off, loss, color=look.colour, linestyle=look.dash, marker=look.marker, markersize=3.5, label=words
        )
    axes.set_xlabel("aperture off the best facing, degrees")
    axes.set_ylabel("energy lost, %")
    axes.set_title("What an error of pointing costs")
    axes.set_xlim(0.0, off[-1])
    axes.set_ylim(bottom=0.0)
    axes.grid(visible=True)
    axes.legend(loc="upper left")
    mast = summary["mast"]
    if mast is not None:
        axes.text(
            0.04,
            0.70,
            f"mast within {mast['levelling_deg']:g}° of plumb, {mast['azimuth_error_deg']:g}° of azimuth:\n"
            f"{style.percent(mast['expected_loss_fraction'])} expected, {style.percent(mast['worst_loss_fraction'])} at worst",
            transform=axes.transAxes,
            va="top",
            fontsize=style.SMALL_PT,
        )


def draw_months(summary: dict[str, Any], axes: Axes) -> None:
    """Energy by calendar month of the best facing for each goal; longer runs by year and month."""
    months = [row["month"] for row in summary["best"][0]["monthly_kwh"]]
    place = np.arange(len(months))
    drawn: list[tuple[float, ...]] = []
    for index, row in enumerate(summary["best"]):
        look = style.line(index)
        kwh = tuple(entry["kwh"] for entry in row["monthly_kwh"])
        same = next((k for k, other in enumerate(drawn) if np.allclose(other, kwh, rtol=0.01)), None)
        drawn.append(kwh)
        words = f"{index + 1} {GOAL_WORDS[row['goal']]}" + ("" if same is None else f" (as {same + 1})")
        axes.plot(
            place,
            kwh,
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markersize=3.5 if len(months) < 40 else 0.0,
            label=words,
        )
    step = max(1, -(-len(months) // 12))
    axes.set_xticks(place[::step], _month_labels(months)[::step])
    axes.set_ylabel("kWh in the month")
    axes.set_title("Month by month")
    axes.set_ylim(0.0, (1.1 + 0.14 * len(drawn)) * max(max(map(max, drawn)), 1e-12))
    axes.grid(visible=True, axis="y")
    axes.legend(loc="upper left", fontsize=style.SMALL_PT - 0.5)


def _month_labels(months: list[str]) -> list[str]:
    """Jan, Feb, ..., with the year under the first month shown of each; years alone for long runs."""
    if len(months) > 36:
        return [month[:4] for month in months]
    labels, named = [], ""
    for month in months:
        year, number = month.split("-")
        labels.append(MONTHS[int(number) - 1] + (f"\n{year}" if year != named else ""))
        named = year
    return labels


def draw_followers(summary: dict[str, Any], axes: Axes) -> None:
    """One unit, fixed or following the Sun: energy a year, gap, and how many fixed units come to the same."""
    found = summary["following"]
    rows: list[tuple[str, float, float, str, str]] = [
        ("fixed, best facing", found["fixed_annual_kwh_per_unit"], found["fixed_longest_gap_hours"], "1", "")
    ]
    for follower in (found["followers"][1], found["followers"][0]):
        energy, gap = follower["fixed_units_for_same_energy"], follower["fixed_units_for_same_gap"]
        most = found["fixed_gaps_by_units"][-1]["units"]
        rows.append(
            (
                f"follows: {follower['axes']}",
                follower["annual_kwh_per_unit"],
                follower["longest_gap_hours"],
                "–" if energy is None else f"{energy:.3g}",
                f"more than {most}" if gap is None else str(gap),
            )
        )
    rows[0] = (*rows[0][:4], "1")
    longest = max(row[1] for row in rows) or 1.0
    for y, (_, kwh, gap_hours, energy_units, gap_units) in enumerate(rows):
        fixed = y == 0
        axes.barh(
            y,
            kwh,
            0.62,
            color=style.DELIVERED if fixed else "white",
            edgecolor=style.DELIVERED,
            hatch="" if fixed else "....",
        )
        cells = (style.number(kwh), style.duration(gap_hours), energy_units, gap_units)
        for x, cell in zip((1.17, 1.42, 1.76, 2.08), cells, strict=True):
            axes.text(x * longest, y, cell, ha="right", va="center", fontsize=style.SMALL_PT)
    heads = (
        "kWh a year\nper unit",
        "longest\ngap",
        "fixed units for\nthe same energy",
        "fixed units for\nthe same gap",
    )
    for x, cell in zip((1.17, 1.42, 1.76, 2.08), heads, strict=True):
        axes.text(
            x * longest,
            -0.62,
            cell,
            ha="right",
            va="bottom",
            color=style.MUTED,
            fontsize=style.SMALL_PT - 0.5,
        )
    axes.set_yticks(range(len(rows)), [row[0] for row in rows])
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(0.0, 2.09 * longest)
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    down = found["tracker_downtime_fraction"]
    axes.set_title(
        "Fixed, or following the Sun"
        + (f" ({style.percent(down)} of the light lost to standstill)" if down else ""),
        pad=26.0,
    )
