"""A habitat's budget in figures: who was served, how the store fared, where the light went, units against storage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.budget import BudgetResult
from yieldsim.report.layout import style, time_axis
from yieldsim.report.layout.measured_lines import shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Json = dict[str, Any]
MOST_COLUMNS = 122
"""Parts of the run that light is drawn for at most."""
STORE_HATCH = "...."
STORED = style.LEFT
CURTAILED_HATCH = "xxxx"


def loads_height_in(summary: BudgetResult) -> float:
    """Height that the bars of the loads want."""
    return 0.55 + 0.34 * len(summary["loads"])


def draw_loads(summary: BudgetResult, figure: Figure) -> None:
    """One bar a load: shares of what it asked that came straight from the light, from the store, or not at all."""
    axes = figure.add_subplot()
    loads = summary["loads"]
    place = np.arange(len(loads))
    asked = np.array([max(load["asked_kwh"], 1e-30) for load in loads])
    left = np.zeros(len(loads))
    parts: tuple[tuple[str, str, Json], ...] = (
        ("served_directly_kwh", "straight from the light", {"color": style.DELIVERED}),
        ("served_from_storage_kwh", "from the store",
         {"facecolor": STORED, "hatch": STORE_HATCH, "edgecolor": "white"}),
        ("unserved_kwh", "not served",
         {"facecolor": "white", "hatch": style.LOSS_HATCH, "edgecolor": style.LOSS_INK}),
    )  # fmt: skip
    for key, words, look in parts:
        share = 100.0 * np.array([load[key] for load in loads]) / asked  # type: ignore[literal-required]
        axes.barh(place, share, 0.62, left=left, label=words, linewidth=0.5, **look)
        left = left + share
    for row, load in enumerate(loads):
        if load["asked_kwh"] <= 0.0:
            axes.text(1.0, row, "asks for nothing in this span", va="center", **style.ASIDE)
            continue
        text = f"{style.percent(load['served_fraction'])} of {style.energy(load['asked_kwh'])}"
        axes.text(101.0, row, text, va="center", fontsize=style.SMALL_PT)
    axes.set_yticks(
        place, [f"{shortened(load['name'], 24)}\n{load['priority']} {load['kind']}" for load in loads]
    )
    axes.set_ylim(len(loads) - 0.5, -0.5)
    axes.set_xlim(0.0, 100.0)
    axes.set_xticks(range(0, 101, 25))
    axes.set_xlabel("Share of what is asked (%)")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.0)


def draw_store(series: xr.Dataset, summary: BudgetResult, figure: Figure) -> None:
    """Energy in the store over the run, with its capacity and reserve, and the outages of the counted loads."""
    axes = figure.add_subplot()
    edges = time_axis.edge_hours(series)
    stored = np.append(series["stored_energy_kwh"].attrs["at_start_kwh"], series["stored_energy_kwh"].values)
    capacity = series["storage_capacity_kwh"].values
    start = time_axis.edge_times_utc(series)[0]
    for number, outage in enumerate(summary["outages"]):
        first, last = (_hours_since(start, outage[key]) for key in ("start_utc", "end_utc"))
        axes.axvspan(first, last, facecolor="white", edgecolor=style.LOSS_INK, hatch=style.LOSS_HATCH, linewidth=0.0,
                     label=f"outage of {summary['outages_of']}" if number == 0 else None)  # fmt: skip
    axes.fill_between(edges, stored, color=STORED, linewidth=0.0, zorder=2)
    axes.plot(edges, stored, color=style.BLUE, linewidth=0.9, label="stored", zorder=3)
    axes.plot(edges[:-1], capacity, color=style.INK, linewidth=0.9, linestyle=(0, (5, 1.6)), label="capacity")
    assert summary["storage"] is not None
    reserve = summary["storage"]["reserve_fraction"]
    if 0.0 < reserve < 1.0:
        axes.plot(edges[:-1], reserve * capacity, color=style.MUTED, linewidth=0.9, linestyle=(0, (1.2, 1.2)),
                  label="reserve of essential loads")  # fmt: skip
    _time_axis(series, axes)
    axes.set_ylim(0.0, 1.05 * max(float(capacity.max()), float(stored.max())) or 1.0)
    axes.set_ylabel("Stored energy (kWh)")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, borderaxespad=0.0)


def draw_light(series: xr.Dataset, figure: Figure) -> None:
    """Where the delivered light went, as mean power over hours, days or weeks: used, charging, curtailed."""
    axes = figure.add_subplot()
    step_h, edges_h = _columns_h(float(time_axis.edge_hours(series)[-1]))
    columns = edges_h.size - 1
    names = ("used_light_power_w", "charging_light_power_w", "curtailed_light_power_w")
    mean_w = [_means(series, series[name].values, edges_h) for name in names]
    asked_w = _means(series, series["asked_power_w"].sum("load").values, edges_h)
    factor, unit = style.watts(float(max(np.sum(mean_w, axis=0).max(), asked_w.max())))
    looks: tuple[tuple[str, Json], ...] = (
        ("used straight away", {"color": style.DELIVERED}),
        ("charging the store", {"facecolor": STORED, "hatch": STORE_HATCH, "edgecolor": "white"}),
        ("curtailed", {"facecolor": "white", "hatch": CURTAILED_HATCH, "edgecolor": style.MUTED}),
    )
    below = np.zeros(columns)
    for values, (words, look) in zip(mean_w, looks, strict=True):
        axes.stairs((below + values) * factor, edges_h, baseline=below * factor, fill=True, label=words,
                    linewidth=0.3, **look)  # fmt: skip
        below = below + values
    axes.stairs(
        asked_w * factor, edges_h, baseline=None, color=style.INK, linewidth=0.9, label="useful power asked"
    )
    if not below.any():
        style.in_the_middle(axes, style.NO_LIGHT)
    _time_axis(series, axes)
    axes.set_ylim(0.0, 1.08 * float(max(below.max(), asked_w.max())) * factor or 1.0)
    axes.set_ylabel(f"Mean power by {_column_words(step_h)} ({unit})")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, borderaxespad=0.0)


STEPS_H = (1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 168.0, 672.0, 8766.0)
"""Columns of round lengths; from a day on whole weeks, for loads follow the days of the week."""


def _columns_h(end_h: float) -> tuple[float, FloatArray]:
    """Length and edges of the columns, hours since the start; the last ends with the run, from half as long to half as long again.

    >>> _columns_h(8760.0)[1][-3:], _columns_h(8856.0)[1][-2:]
    (array([8400., 8568., 8760.]), array([8736., 8856.]))
    """
    step_h = next((step for step in STEPS_H if end_h / step <= MOST_COLUMNS), STEPS_H[-1])
    whole = max(int(end_h / step_h + 0.5), 1)
    return step_h, np.append(step_h * np.arange(whole), end_h)


def _column_words(step_h: float) -> str:
    return {1.0: "hour", 24.0: "day", 168.0: "week", 672.0: "4 weeks", 8766.0: "year"}.get(
        step_h, f"{step_h:g} h"
    )


def draw_trade(summary: BudgetResult, figure: Figure) -> None:
    """Units against the smallest store that goes with them, and the mass of both where it is known."""
    curve = summary["trade_curve"]
    units = np.array([point["units"] for point in curve])
    storage = np.array([point["storage_kwh"] for point in curve])
    massed = all(point["mass_kg"] is not None for point in curve)
    left = figure.add_subplot(1, 2 if massed else 1, 1)
    left.plot(
        units, storage, color=style.BLUE, marker="o", markersize=3.5, label="meets the reliability asked"
    )
    given = summary["storage"]
    assert given is not None
    here = summary["collector"]["unit_count"]
    style.mark(left, here, given["capacity_kwh"], "X", style.LOSS_INK, 7, label="as given")
    left.set_xscale("log")
    left.set_ylim(0.0, 1.12 * max(storage.max(), given["capacity_kwh"]) or 1.0)
    left.set_ylabel("Smallest storage (kWh)")
    axes = [left]
    best = summary["least_mass"]
    if massed and best is not None:
        mass = np.array([point["mass_kg"] or 0.0 for point in curve])
        right = figure.add_subplot(1, 2, 2, sharex=left)
        right.plot(units, mass, color=style.BLUE, marker="o", markersize=3.5)
        style.mark(right, best["units"], best["mass_kg"] or 0.0, "*", style.GREEN, 11)
        label = "least mass of those tried"
        style.mark(left, best["units"], best["storage_kwh"], "*", style.GREEN, 11, label=label)
        right.set_ylim(0.0, 1.12 * float(mass.max()))
        right.set_ylabel("Mass of units and store (kg)")
        axes.append(right)
    for one in axes:
        one.grid(True, which="major")
        one.set_xlabel("Number of units")
        _plain_log(one, min(units.min(), here), max(units.max(), here))
    figure.legend(*left.get_legend_handles_labels(), loc="outside upper left", ncols=3)


def _plain_log(axes: Axes, low: float, high: float) -> None:
    """A logarithmic axis of units with a few round numbers."""
    from matplotlib.ticker import NullFormatter, NullLocator

    steps = [digit * 10.0**power for power in range(-1, 8) for digit in (1, 2, 5)]
    inside = [step for step in steps if 0.7 * low <= step <= 1.4 * high]
    while len(inside) > 6:
        inside = inside[::2]
    axes.set_xlim(0.85 * low, 1.18 * high)
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xticks(inside, [style.number(step, 1) for step in inside])


def _means(series: xr.Dataset, power_w: FloatArray, edges_h: FloatArray) -> FloatArray:
    """Mean power between given hours."""
    return np.asarray(1000.0 * time_axis.kwh_between(series, power_w, edges_h) / np.diff(edges_h))


def _hours_since(start: np.datetime64, utc: str) -> float:
    return float((np.datetime64(utc.rstrip("Z"), "ns") - start) / np.timedelta64(1, "ns")) / 3.6e12


def _time_axis(series: xr.Dataset, axes: Axes) -> None:
    """Dates along the run."""
    places, words = time_axis.date_ticks(series, 13)
    axes.set_xlim(0.0, float(time_axis.edge_hours(series)[-1]))
    axes.set_xticks(places, words)
    axes.grid(True, axis="y")
