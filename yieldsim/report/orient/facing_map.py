"""The map of facings: energy by the direction faced, with the facings that have names, and their table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.orient import OrientResult
from yieldsim.report.estimate.acceptance import mount_letter
from yieldsim.report.estimate.sun_paths import COMPASS
from yieldsim.report.layout import style
from yieldsim.report.layout.number_format import decimals_for
from yieldsim.report.layout.period_text import per_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAP_IN = 3.1
ROW_IN = 0.2
"""Height of a line of the table of named facings."""
HEAD_ROWS = 1.8
FAIR_SHARE = 0.15
LEVELS = (0.25, 0.5, 0.75, 0.9, 0.98)
"""Contours, as shares of the best; on the scale of colours their labels stand clear of one another."""
SEAM_STEP_DEG = 15.0
SEAM_HALF_WIDTH_DEG = 10.0
SEAM_MARK_DEG = 14.0
"""Room that a mark wants from the ends of the azimuth axis."""
GOAL_WORDS = {
    "annual": "most energy",
    "worst-month": "most in the worst month",
    "shortest-gap": "shortest longest outage",
    "load": "most used by the load",
}
GOAL_MARKS = {"annual": "o", "worst-month": "s", "shortest-gap": "p", "load": "D"}
COMPARED_MARK = "h"
MOST_NAMED = 16
MARK_PT = 11.0
APART_PT = 13.0
"""Marks nearer than this hide one another: the later one moves aside."""
ASIDE_PT = tuple(
    (ring * APART_PT * np.sin(turn), ring * APART_PT * np.cos(turn))
    for ring in (1, 2, 3)
    for turn in np.radians(np.arange(45.0, 405.0, 45.0))
)
LOW_FACING_TILT_DEG = 60.0
"""Facings that look lower than this are drawn as a panorama, others as a dome seen from above."""


def table_in(summary: OrientResult) -> float:
    """Height of the table of named facings."""
    count = len(_named(summary))
    return ROW_IN * (min(count, MOST_NAMED) + (count > MOST_NAMED) + HEAD_ROWS)


def draw_map(ds: xr.Dataset, summary: OrientResult, figure: Any) -> None:
    """Energy by direction faced, with contours in shares of the best, and marks for facings with names."""
    best = float(ds["annual_kwh"].max())
    share = ds["annual_kwh"].values / best
    upper = figure.add_subplot()
    if looks_low(summary):
        bar = figure.colorbar(
            _panorama(ds, summary, share, upper), ax=upper, shrink=0.95, pad=0.09, aspect=24
        )
    else:
        drawn, rim = _dome(ds, summary, share, upper)
        inset = upper.inset_axes((1.6 * rim, -0.95 * rim, 0.1 * rim, 1.9 * rim), transform=upper.transData)
        bar = figure.colorbar(drawn, cax=inset)
    bar.set_label(f"Energy (kWh {per_of(summary)})")
    bar.outline.set_visible(False)
    _share_scale(bar, best)


def looks_low(summary: OrientResult) -> bool:
    """Whether the best facing looks low enough for a panorama."""
    return float(summary["best"][0]["tilt_deg"]) > LOW_FACING_TILT_DEG


def _share_scale(bar: Any, best_kwh: float) -> None:
    """The contours on the scale of colours, with their shares of the best at its left: labels on the map itself would be
    crossed by other lines where these lie close together."""
    for level in LEVELS:
        bar.ax.axhline(level * best_kwh, color=_contour_colour(level), linewidth=0.9)
    shares = bar.ax.secondary_yaxis("left")
    shares.set_yticks(
        [level * best_kwh for level in LEVELS],
        [f"{100.0 * level:.0f}{style.NARROW_SPACE}%" for level in LEVELS],
    )
    shares.tick_params(length=2.0)
    shares.spines["left"].set_visible(False)


def _panorama(ds: xr.Dataset, summary: OrientResult, share: FloatArray, axes: Axes) -> Any:
    """Azimuth across, elevation faced upwards, stretched to the facings that give light; it begins where least is."""
    azimuth, tilt = ds["azimuth"].values, ds["tilt"].values
    centre = seam_deg(azimuth, share, [row["azimuth_deg"] for row, _, _ in _named(summary)]) + 180.0
    order = np.argsort((azimuth - centre + 180.0) % 360.0, kind="stable")
    across = (azimuth[order] - centre + 180.0) % 360.0 - 180.0 + centre
    across, order = np.append(across, across[0] + 360.0), np.append(order, order[0])
    rows = _rows_worth_showing(summary, tilt, share)
    up = 90.0 - tilt[rows]
    values = ds["annual_kwh"].values[rows][:, order]
    drawn = _smooth_image(axes, across, up, values)
    _contours(axes, across, up, share[rows][:, order])
    axes.set_xlim(across[0], across[-1])
    axes.set_ylim(up[-1], up[0])
    spots = [
        ((row["azimuth_deg"] - centre + 180.0) % 360.0 - 180.0 + centre, 90.0 - row["tilt_deg"])
        for row, _, _ in _named(summary)
    ]
    _marks(axes, spots, summary, np.array([380.0 / 360.0, 200.0 / float(up[0] - up[-1])]))
    ticks = [t for t in range(-360, 1081, 45) if across[0] <= t <= across[-1]]
    axes.set_xticks(ticks, [f"{COMPASS[t % 360]}\n{t % 360}°" for t in ticks])
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}°".replace("-", "−"))
    axes.set_xlabel("Azimuth faced")
    axes.set_ylabel("Elevation faced (90° − tilt)")
    return drawn


def seam_deg(azimuth_deg: FloatArray, share: FloatArray, named_deg: list[float]) -> float:
    """Where the azimuth axis begins: away from all facings that have names, and there where least light is.

    share   (tilt, azimuth)
    """
    best_there = share.max(axis=0)
    rating = []
    for seam in np.arange(0.0, 360.0, SEAM_STEP_DEG):
        near = np.abs((azimuth_deg - seam + 180.0) % 360.0 - 180.0) <= SEAM_HALF_WIDTH_DEG
        apart = np.abs((np.array(named_deg) - seam + 180.0) % 360.0 - 180.0).min(initial=180.0)
        light = float(best_there[near].max()) if near.any() else 1.0
        rating.append((max(SEAM_MARK_DEG - float(apart), 0.0) / SEAM_MARK_DEG + light, seam))
    return float(min(rating)[1])


def _rows_worth_showing(summary: OrientResult, tilt_deg: FloatArray, share: FloatArray) -> slice:
    """The tilts that give a fair share of the best somewhere, and those of all facings that have names."""
    worth = tilt_deg[share.max(axis=1) > FAIR_SHARE].tolist()
    shown = [*worth, *(float(row["tilt_deg"]) for row, _, _ in _named(summary))]
    first, last = np.searchsorted(tilt_deg, (min(shown), max(shown)))
    return slice(max(int(first) - 2, 0), min(int(last) + 3, len(tilt_deg)))


def _smooth_image(axes: Axes, across: FloatArray, up: FloatArray, values: FloatArray) -> Any:
    """An even grid in colour, linear between its points: a mesh of triangles would show ribs where energy falls
    off within a few rows."""
    half_x, half_y = 0.5 * (across[1] - across[0]), 0.5 * abs(up[0] - up[1])
    extent = (across[0] - half_x, across[-1] + half_x, up[-1] - half_y, up[0] + half_y)
    return axes.imshow(
        values, extent=extent, aspect="auto", cmap=style.POWER_MAP, vmin=0.0, interpolation="bilinear"
    )


def _dome(ds: xr.Dataset, summary: OrientResult, share: FloatArray, axes: Axes) -> tuple[Any, float]:
    """Zenith in the middle, tilt outwards, north up, east to the right; the map and its rim in degrees."""
    azimuth, tilt = ds["azimuth"].values, ds["tilt"].values
    last = _rows_worth_showing(summary, tilt, share).stop
    closed = np.append(azimuth, azimuth[0] + 360.0)
    values = np.concatenate([ds["annual_kwh"].values, ds["annual_kwh"].values[:, :1]], axis=1)[:last]
    radius, angle = np.meshgrid(tilt[:last], np.radians(closed), indexing="ij")
    x, y = radius * np.sin(angle), radius * np.cos(angle)
    drawn = axes.pcolormesh(x, y, values, cmap=style.POWER_MAP, vmin=0.0, shading="gouraud", rasterized=True)
    _contours(axes, x, y, values / float(ds["annual_kwh"].max()))
    rim = float(tilt[last - 1])
    _rings(axes, rim, _poorest_turn(azimuth, share[:last]))
    for place, word in COMPASS.items():
        if place < 360:
            turn = np.radians(place)
            axes.text(1.08 * rim * np.sin(turn), 1.08 * rim * np.cos(turn), word, ha="center", va="center")
    turns = [(row["tilt_deg"], np.radians(row["azimuth_deg"])) for row, _, _ in _named(summary)]
    spots = [(far * np.sin(turn), far * np.cos(turn)) for far, turn in turns]
    axes.set_xlim(-1.16 * rim, 1.16 * rim)
    axes.set_ylim(-1.16 * rim, 1.16 * rim)
    _marks(axes, spots, summary, np.full(2, 210.0 / (2.32 * rim)))
    axes.set_aspect("equal")
    axes.set_axis_off()
    return drawn, rim


def _poorest_turn(azimuth_deg: FloatArray, share: FloatArray) -> float:
    """The direction, radians, with least energy among those half-way between the eight of the compass: it has
    room for labels."""
    between = np.arange(22.5, 360.0, 45.0)
    light = np.interp(between, azimuth_deg, share.sum(axis=0), period=360.0)
    return float(np.radians(between[int(light.argmin())]))


def _rings(axes: Axes, rim: float, turn: float) -> None:
    """Circles of equal tilt, with their angles in a direction that has room for them."""
    circle = np.linspace(0.0, 2.0 * np.pi, 181)
    for ring in [r for r in (15, 30, 45, 60, 75, 90, 120, 150) if r < rim]:
        axes.plot(ring * np.sin(circle), ring * np.cos(circle), color="white", linewidth=0.4, alpha=0.6)
        axes.text(
            ring * np.sin(turn), ring * np.cos(turn), f"{ring}°", color="white", ha="center", va="center",
            fontsize=style.SMALL_PT,
            bbox={"facecolor": style.DARK, "edgecolor": "none", "alpha": 0.5, "pad": 0.8},
        )  # fmt: skip


def _contour_colour(level: float) -> str:
    """Dark lines on the bright half of the map, bright ones on the dark half."""
    return style.INK if level > 0.6 else "white"


def _contours(axes: Axes, x: FloatArray, y: FloatArray, share: FloatArray) -> None:
    axes.contour(
        x, y, share, levels=LEVELS, colors=[_contour_colour(level) for level in LEVELS], linewidths=0.7
    )


# ---------------------------------------------------------------- facings with names


def _named(summary: OrientResult) -> list[tuple[Mapping[str, Any], str, str]]:
    """Facings with a mark and a letter: the best ones first, then those that are compared."""
    rows: list[tuple[Mapping[str, Any], str, str]] = [
        (row, GOAL_MARKS[row["goal"]], str(number)) for number, row in enumerate(summary["best"], start=1)
    ]
    return rows + [(row, COMPARED_MARK, mount_letter(place)) for place, row in enumerate(summary["compare"])]


def aside_pt(spots_pt: FloatArray) -> FloatArray:
    """How far each mark must move, points, so that none hides another: (n, 2); the first of several stays.

    >>> aside_pt(np.array([[0.0, 0.0], [50.0, 0.0]])).tolist()
    [[0.0, 0.0], [0.0, 0.0]]
    >>> float(np.hypot(*aside_pt(np.array([[0.0, 0.0], [1.0, 0.0]]))[1])) > 8.0
    True
    """
    placed: list[FloatArray] = []
    moved = np.zeros_like(spots_pt)
    for index, spot in enumerate(spots_pt):
        for step in ((0.0, 0.0), *ASIDE_PT):
            if all(np.hypot(*(spot + step - other)) >= 0.85 * APART_PT for other in placed):
                moved[index] = step
                break
        placed.append(spot + moved[index])
    return moved


def _marks(
    axes: Axes, spots: list[tuple[float, float]], summary: OrientResult, points_per_unit: FloatArray
) -> None:
    """All marks; those that would hide an earlier one stand aside, with a line to where they belong.

    points_per_unit   (2,) about how long a unit of each axis is on paper
    """
    moved = aside_pt(np.array(spots[:MOST_NAMED]) * points_per_unit)
    for (x, y), (_, mark, words), (right, up) in zip(spots, _named(summary), moved.tolist(), strict=False):
        _mark(axes, x, y, mark, words, (right, up))
    # those that the table has no room for
    for x, y in spots[MOST_NAMED:]:
        axes.plot(
            [x], [y], COMPARED_MARK, markersize=4.0, color=style.INK, markeredgecolor="white", clip_on=False
        )


def _mark(
    axes: Axes, x: float, y: float, mark: str, words: str, aside: tuple[float, float] = (0.0, 0.0)
) -> None:
    """A best facing in white, one that is compared in black, each with its number or letter."""
    from matplotlib.transforms import ScaledTranslation

    paper, ink = ("white", style.INK) if mark != COMPARED_MARK else (style.INK, "white")
    scale: Any = axes.get_figure(root=True).dpi_scale_trans  # type: ignore[union-attr]
    place = axes.transData + ScaledTranslation(aside[0] / 72.0, aside[1] / 72.0, scale)
    if aside != (0.0, 0.0):
        axes.annotate(
            "", (x, y), aside, textcoords="offset points", annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": style.INK, "linewidth": 0.8, "shrinkA": 0.0, "shrinkB": 0.0},
        )  # fmt: skip
    size = 0.82 * MARK_PT if mark == "D" else MARK_PT  # a diamond's corners reach further
    axes.plot(
        [x], [y], mark, markersize=size, markerfacecolor=paper, markeredgecolor=ink, markeredgewidth=0.9,
        clip_on=False, transform=place, zorder=5,
    )  # fmt: skip
    axes.text(
        x, y, words, ha="center", va="center", fontsize=style.SMALL_PT, weight="bold", color=ink,
        transform=place, zorder=6,
    )  # fmt: skip


def draw_names(summary: OrientResult, figure: Any) -> None:
    """A small table: each named facing, its energy, its poorest month and its longest gap."""
    axes = figure.add_subplot()
    axes.set_axis_off()
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    named = _named(summary)[:MOST_NAMED]
    places = (0.58, 0.71, 0.85, 1.0)
    heads = (
        "tilt, azimuth",
        f"kWh\n{per_of(summary)}",
        "kWh in the\nworst month",
        "longest outage",
    )
    more = len(_named(summary)) - len(named)
    step = 1.0 / (len(named) + (more > 0) + HEAD_ROWS)
    axes.text(
        0.045, 1.0 - (HEAD_ROWS - 0.2) * step, "numbers: best for; letters: compared", va="bottom",
        color=style.MUTED, fontsize=style.SMALL_PT,
    )  # fmt: skip
    for x, words in zip(places, heads, strict=True):
        axes.text(
            x, 1.0 - (HEAD_ROWS - 0.2) * step, words, ha="right", va="bottom", color=style.MUTED,
            fontsize=style.SMALL_PT,
        )  # fmt: skip
    decimals = {
        key: decimals_for(max(float(row[key]) for row, *_ in named))
        for key in ("annual_kwh", "worst_month_kwh")
    }
    for line, (row, mark, letter) in enumerate(named):
        y = 1.0 - (line + HEAD_ROWS + 0.4) * step
        _mark(axes, 0.015, y, mark, letter)
        name = GOAL_WORDS[row["goal"]] if "goal" in row else _compared(row)
        pose = f"{row['tilt_deg']:.1f}°, {row['azimuth_deg']:.1f}°"
        if abs(row["roll_deg"]) > 0.005:
            pose += f", roll {row['roll_deg']:.1f}°"
        cells = (
            pose,
            *(style.fixed(float(row[key]), places_after) for key, places_after in decimals.items()),
            style.duration(row["longest_gap_hours"], at_least=bool(row.get("longest_gap_at_least"))),
        )
        axes.text(0.045, y, name, va="center", fontsize=style.SMALL_PT)
        for x, words in zip(places, cells, strict=True):
            axes.text(x, y, words, ha="right", va="center", fontsize=style.SMALL_PT)
    if more > 0:
        y = 1.0 - (len(named) + HEAD_ROWS + 0.4) * step
        words = f"{more} more as small marks; facings.csv lists all"
        axes.text(0.045, y, words, va="center", fontsize=style.SMALL_PT, color=style.MUTED)


def _compared(row: Mapping[str, Any]) -> str:
    """What a facing that is compared is called; one asked for by its angles alone has them beside it."""
    label = str(row["label"])
    return label if any(letter.isalpha() for letter in label) else "orientation to compare"
