"""How cold and how hot a unit's parts get: bands through the run with their limits, and the table beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.results.estimate import EstimateResult, PartTemperature
from yieldsim.report.estimate.acceptance import mount_letter
from yieldsim.report.layout import style, time_axis
from yieldsim.report.layout.period_text import utc

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DRAWN = ("cover", "fibre", "joint", "funnel")
MOST_BINS = 500
"""Rows of longer runs are drawn as the span of equal parts."""
ROOM_K = 20.0


def height_in() -> float:
    """Of the figure: a frame for each part."""
    return 1.25 * len(DRAWN) + 0.4


def draw_temperatures(ds: xr.Dataset, summary: EstimateResult, figure: Figure) -> None:
    """A frame for each part: from the coldest to the hottest of its mounts; limits as lines; the ground behind the cover."""
    frames = np.atleast_1d(figure.subplots(len(DRAWN), 1, sharex=True))
    limits = {part["part"]: part for part in summary["thermal"]["parts"]}
    hours = time_axis.edge_hours(ds)
    for axes, name in zip(frames, DRAWN, strict=True):
        low, high, edges = _bands(ds[f"{name}_temperature_k"].values, hours)
        axes.stairs(high, edges, baseline=low, fill=True, color=style.BLUE, linewidth=0.0)
        # a band without width still leaves a line
        axes.stairs(0.5 * (low + high), edges, baseline=None, color=style.BLUE, linewidth=0.8)
        reach = [float(low.min()), float(high.max())]
        if name == "cover":
            ground_low, ground_high, _ = _bands(ds["ground_temperature_k"].values[:, None], hours)
            axes.stairs(
                0.5 * (ground_low + ground_high), edges, baseline=None, color=style.GROUND, linewidth=0.9,
                linestyle=(0, (4, 1.5)), label="ground",
            )  # fmt: skip
            reach.append(float(ground_low.min()))
        label = "limits" if axes is frames[0] else "_"
        reach += _limit_lines(axes, limits[name], style.VERMILLION, label, "solid")
        if name == "joint" and "gel" in limits:
            reach += _limit_lines(axes, limits["gel"], style.PURPLE, "limits of the gel", (0, (5, 1.6)))
        axes.set_ylim(max(0.0, min(reach) - ROOM_K), max(reach) + ROOM_K)
        axes.set_ylabel(f"{name.capitalize()} (K)")
        axes.grid(True, axis="y")
        if axes.get_legend_handles_labels()[1]:
            axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.1)
    figure.align_ylabels(list(frames))
    frames[-1].set_xlim(0.0, float(hours[-1]))
    frames[-1].set_xticks(*time_axis.date_ticks(ds, 13))


def _limit_lines(axes: Axes, part: PartTemperature, colour: str, label: str, dash: Any) -> list[float]:
    """A line at each limit; where they are."""
    found = [end for end in (part["lowest_k"], part["highest_k"]) if end is not None]
    for number, kelvin in enumerate(found):
        axes.axhline(kelvin, color=colour, linewidth=0.9, linestyle=dash, label="_" if number else label)
    return found


def _bands(series_k: np.ndarray, hours: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lowest and highest over mounts (rows, mounts) and over equal parts of a long run; the parts' edges, hours."""
    low, high = series_k.min(axis=1), series_k.max(axis=1)
    first = np.unique(np.linspace(0, len(low), min(len(low), MOST_BINS) + 1).astype(int))
    edges = hours[first]
    return np.minimum.reduceat(low, first[:-1]), np.maximum.reduceat(high, first[:-1]), edges


def temperature_rows(ds: xr.Dataset, summary: EstimateResult) -> list[list[str]]:
    """A row a part: coldest, when, hottest, when, limits, cases, verdict."""
    thermal = summary.get("thermal")
    if thermal is None:
        return []
    rows = []
    for part in thermal["parts"]:
        extremes = [
            (part["coldest_k"], part["coldest_utc"], part["coldest_mount"]),
            (part["hottest_k"], part["hottest_utc"], part["hottest_mount"]),
        ]
        cells = []
        for kelvin, moment, mount in extremes:
            letter = f", {mount_letter(mount - 1)}" if ds.sizes["mount"] > 1 else ""
            cells += [f"{kelvin:.0f}", utc(moment)[:10] + letter]
        limits = (part["lowest_k"], part["highest_k"])
        named = limits != (None, None)
        borne = " to ".join("–" if end is None else f"{end:g}" for end in limits) if named else "–"
        cases = f"{part['cold_case_k']:.0f} to {part['hot_case_k']:.0f}"
        passed = [
            f"too {word} for {style.duration(hours)}"
            for word, hours in (("cold", part["hours_too_cold"]), ("hot", part["hours_too_hot"]))
            if hours > 0.0
        ]
        verdict = "; ".join(passed) or ("within" if named else "–")
        rows.append([part["part"].capitalize(), *cells, borne, cases, verdict])
    return rows


def temperature_caption(summary: EstimateResult) -> str:
    """What the insulation comes to, the ground, and what the cases mean."""
    thermal = summary.get("thermal")
    if thermal is None:
        return ""
    inner, outer = thermal["effective_between_k"]
    return (
        f"Effective emittance of the insulation {style.number(thermal['effective_emittance'])} between {inner:g} and {outer:g} K, "
        f"{style.number(thermal['radiative_emittance'])} by its layers' radiation alone. Ground {thermal['ground_coldest_k']:.0f} to "
        f"{thermal['ground_hottest_k']:.0f} K. The cases are steady states under the least and the most of everything that reaches "
        "a part; a run with these inputs stays between them. The fibre is its first metre, which takes most of the light."
        " Blue spans the mounts, which letters name."
    )
