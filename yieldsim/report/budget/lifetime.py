"""Years of service and what to do about dust, in figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.report.layout import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NEAR_END = 1.05
"""A cycle within this factor of the shortest one tried is at that end."""
SHARES = (
    ("dust_left", "dust on the aperture"),
    ("fibre_left", "fibre"),
    ("lens_left", "lens"),
    ("storage_left", "capacity of the store"),
)


def draw_years(life: Mapping[str, Any], figure: Figure) -> None:
    """Energy of each year, and what is left of the light and of the store."""
    table = life["table"]
    year = np.array([row["year"] for row in table])
    left, right = figure.subplots(1, 2)
    kwh = np.array([row["delivered_kwh"] for row in table])
    left.bar(year, kwh, 0.78, color=style.DELIVERED)
    left.set_ylabel("Delivered (kWh per year)")
    left.set_ylim(0.0, 1.12 * float(kwh.max()) or 1.0)
    for number, (key, words) in enumerate(SHARES):
        share = _shares(table, key)
        if share is None:
            continue
        look = style.line(number)
        right.plot(year, 100.0 * share, color=look.colour, linestyle=look.dash, marker=look.marker, markersize=3.0,
                   label=words)  # fmt: skip
    right.set_ylabel("Left of what was new (%)")
    low = min(100.0 * float(found.min()) for key, _ in SHARES if (found := _shares(table, key)) is not None)
    right.set_ylim(max(min(low - 3.0, 95.0), 0.0), 100.8)
    right.legend(loc="lower left")
    for axes in (left, right):
        axes.set_xlabel("Year of service")
        axes.set_xticks(year[:: -(-len(year) // 12)])
        axes.grid(True, axis="y")


def _shares(table: Sequence[Mapping[str, Any]], key: str) -> Any:
    """Shares by year; those of the store over its largest; None without a store."""
    if key != "storage_left":
        return np.array([row[key] for row in table])
    capacity = np.array([row["storage_kwh"] for row in table])
    return capacity / capacity.max() if capacity.max() > 0.0 else None


def draw_service(life: Mapping[str, Any], figure: Figure) -> None:
    """Served share and longest outage by year."""
    table = life["table"]
    year = np.array([row["year"] for row in table])
    left, right = figure.subplots(1, 2)
    served = 100.0 * np.array([row["served_fraction"] for row in table])
    left.plot(year, served, color=style.BLUE, marker="o", markersize=3.5)
    left.set_ylim(max(0.0, float(served.min()) - 8.0), min(101.0, float(served.max()) + 8.0))
    left.set_ylabel("Served (%)")
    right.bar(year, [row["longest_outage_hours"] / 24.0 for row in table], 0.78, facecolor="white",
              edgecolor=style.LOSS_INK, hatch=style.LOSS_HATCH)  # fmt: skip
    right.set_ylabel("Longest outage (days)")
    for axes in (left, right):
        axes.set_xlabel("Year of service")
        axes.set_xticks(year[:: -(-len(year) // 12)])
        axes.grid(True, axis="y")


def cycle_at_end(cycle: Mapping[str, Any]) -> str:
    """Which end of the cycles tried the best one lies at: "shortest", "longest" or neither.

    Longest from half the run on: the shield then runs once at most, and how rarely it should the run cannot tell.
    """
    best, tried = cycle["best"]["cycle_hours"], [row["cycle_hours"] for row in cycle["tried"]]
    if best > 0.5 * max(tried):
        return "longest"
    return "shortest" if best <= NEAR_END * min(tried) else ""


def draw_cycle(dust: Mapping[str, Any], figure: Figure) -> None:
    """What is netted by how often the shield runs: light less the electricity's worth, over the run."""
    axes = figure.add_subplot()
    cycle = dust["cycle"]
    hours = np.array([row["cycle_hours"] for row in cycle["tried"]])
    for key, words, number in (("delivered_kwh", "light delivered", 0), ("net_kwh", "net of electricity", 1)):
        look = style.line(number)
        values = np.array([row[key] for row in cycle["tried"]])
        axes.plot(hours, values, color=look.colour, linestyle=look.dash, label=words)
    top = max(row["delivered_kwh"] for row in cycle["tried"])
    nets = [row["net_kwh"] for row in cycle["tried"]]
    end = cycle_at_end(cycle)
    for key, words, marker, colour in (
        ("now", "baseline", "X", style.LOSS_INK),
        ("best", f"nets most ({end} tried)" if end else "nets most", "*", style.GREEN),
    ):
        one, size = cycle[key], 7 if marker == "X" else 11
        style.mark(axes, one["cycle_hours"], one["net_kwh"], marker, colour, size, label=words)
    floor = max(min(nets), cycle["best"]["net_kwh"] - 1.2 * abs(cycle["best"]["net_kwh"] - cycle["now"]["net_kwh"])
                - 0.05 * top)  # fmt: skip
    axes.set_ylim(floor - 0.02 * abs(top), top * 1.03 or 1.0)
    axes.set_xscale("log")
    _hours_log(axes, float(hours[0]), float(hours[-1]))
    axes.set_ylabel("Light over the run (kWh)")
    axes.grid(True)
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, borderaxespad=0.0)


def draw_visits(dust: Mapping[str, Any], figure: Figure) -> None:
    """Light gained by one cleaning visit against the day it comes."""
    axes = figure.add_subplot()
    tried = dust["visit"]["tried"]
    days = [row["after_days"] for row in tried]
    gained = [row["gained_kwh"] for row in tried]
    axes.plot(days, gained, color=style.BLUE, marker="o", markersize=3.0)
    axes.set_xlabel("Visit (days after the start)")
    axes.set_ylabel("Gained until the end (kWh)")
    axes.set_ylim(0.0, 1.15 * max(gained) or 1.0)
    if max(gained) < 1e-3:
        axes.yaxis.set_major_formatter(lambda value, _place: style.number(value, 2))
    axes.grid(True)


ROUND_HOURS = (0.25, 1.0, 6.0, 48.0, 240.0, 1200.0, 4800.0, 24_000.0, 96_000.0)


def _hours_log(axes: Axes, low: float, high: float) -> None:
    """A logarithmic axis of hours with round lengths of time."""
    from matplotlib.ticker import NullFormatter, NullLocator

    names = [(hours, style.duration(hours)) for hours in ROUND_HOURS]
    apart = 0.17 * np.log(high / low)
    inside: list[tuple[float, str]] = []
    for hours, name in names:
        if low <= hours <= high and (not inside or np.log(hours / inside[-1][0]) >= apart):
            inside.append((hours, name))
    axes.set_xlim(low, high)
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xticks([hours for hours, _ in inside], [name for _, name in inside])
    axes.set_xlabel("Time between shield runs")
