"""When nothing arrives: the run as a strip of light and dark, why each gap came, how often long ones come."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout import style, time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STRIP_COLUMNS = 365
"""Parts of the run that the strip shows at most."""
WHOLLY_IN_SIGHT = 0.999
CAUSES = ("Sun below the horizon", "eclipse", "terrain", "Sun outside the acceptance")


def state_hours(ds: xr.Dataset) -> FloatArray:
    """Hours of each row (time, 3): delivering; sunlight at the site but nothing delivered; no sunlight.

    A row in which the Sun rises or sets outright counts by its part. One in which it is only partly in sight counts whole:
    how long a disc that stays partly hidden shows at all, rows don't tell.
    """
    hours = time_axis.row_hours(ds)
    delivering = hours * ds["delivering_fraction"].values
    visible = ds["disc_visible_fraction"].values
    before, after = np.append(visible[:1], visible[:-1]), np.append(visible[1:], visible[-1:])
    rises_or_sets = np.minimum(before, after) <= 0.0
    rises_or_sets &= np.maximum(before, after) >= WHOLLY_IN_SIGHT
    share = np.where(rises_or_sets, visible, (visible > 0.0).astype(float))
    lit = np.maximum(hours * share, delivering)
    return np.stack([delivering, lit - delivering, hours - lit], axis=1)


def gap_lengths_h(ds: xr.Dataset) -> FloatArray:
    """Lengths of the spells without delivery that hold a whole row at least, in the order they come."""
    begins_h, ends_h = time_axis.spells_without_h(ds, "delivering_fraction")
    return ends_h - begins_h


def gap_cause(ds: xr.Dataset, start_utc: str, end_utc: str) -> str:
    """What kept the light away between two moments, by the hours each cause was the first to do so."""
    edges = time_axis.edge_times_utc(ds)
    begin, end = (np.datetime64(moment.rstrip("Z"), "ns") for moment in (start_utc, end_utc))
    rows = (edges[1:] > begin) & (edges[:-1] < end)
    fractions = [ds[name].values[rows] for name in ("open_horizon_fraction", "uneclipsed_fraction",
                                                    "disc_visible_fraction")]  # fmt: skip
    first = np.select([fraction <= 0.0 for fraction in fractions], [0, 1, 2], 3)
    shares = np.bincount(first, minlength=len(CAUSES)) / max(first.size, 1)
    named = [index for index in np.argsort(-shares, kind="stable") if shares[index] >= 0.1]
    if len(named) == 1:
        return _capital(CAUSES[named[0]])
    return _capital(
        ", ".join(f"{CAUSES[index]} {100.0 * shares[index]:.0f}{style.NARROW_SPACE}%" for index in named)
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# ---------------------------------------------------------------- figures


def draw_strip(
    ds: xr.Dataset, gaps: Sequence[Mapping[str, Any]], figure: Figure, *, numbered: bool = True
) -> None:
    """The run from left to right: in each column the shares of delivering, idle in sunlight and dark."""
    from matplotlib.patches import StepPatch

    axes = figure.add_subplot()
    edges = _strip_edges_h(ds)
    hours = time_axis.row_hours(ds)
    shares = np.stack(
        [
            time_axis.kwh_between(ds, 1000.0 * state / hours, edges) / np.diff(edges)
            for state in state_hours(ds).T
        ]
    )
    levels = np.cumsum(shares, axis=0)
    looks = (
        (style.ARRIVING, "delivering"),
        (style.IDLE, "sunlight, nothing delivered"),
        (style.DARK, "no sunlight at the site"),
    )
    floor = np.zeros(edges.size - 1)
    for level, (colour, label) in zip(levels, looks, strict=True):
        # not by stairs, which looks through all columns for limits that are set below
        step = StepPatch(level, edges, baseline=floor, facecolor=colour, linewidth=0.0, label=label)  # type: ignore[arg-type]
        axes.add_artist(step)
        floor = level
    end = float(edges[-1])
    axes.set_xlim(0.0, end)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([0.0, 0.5, 1.0], ["0", "50", "100"])
    axes.set_ylabel("Time (%)")
    axes.set_xticks(*time_axis.date_ticks(ds, 13))
    if numbered:
        start = time_axis.edge_times_utc(ds)[0]
        _number_gaps(axes, gaps, start, end)
    axes.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.22 if numbered else 1.0), ncols=3, borderaxespad=0.0
    )


def _strip_edges_h(ds: xr.Dataset) -> FloatArray:
    """Column edges, hours since the start: whole solar days if many, lest nights beat with columns."""
    end = float(time_axis.edge_hours(ds)[-1])
    solar = time_axis.solar_days_at_edges(ds)
    if solar[-1] - solar[0] > STRIP_COLUMNS / 8:
        together = -(-int(solar[-1] - solar[0]) // STRIP_COLUMNS)
        inner = np.arange(np.ceil(solar[0]), solar[-1], together)
        at_h = np.interp(inner, solar, time_axis.edge_hours(ds))
        return np.unique(np.concatenate([[0.0], at_h, [end]]))
    return np.linspace(0.0, end, min(STRIP_COLUMNS, ds.sizes["time"]) + 1)


def _number_gaps(axes: Axes, gaps: Sequence[Mapping[str, Any]], start: np.datetime64, end_h: float) -> None:
    """The longest gaps as numbered brackets above the strip, left out where a longer one already stands."""
    taken: list[float] = []
    for rank, gap in enumerate(gaps, start=1):
        at = [
            float((np.datetime64(gap[key].rstrip("Z"), "ns") - start) / np.timedelta64(1, "h"))
            for key in ("start_utc", "end_utc")
        ]
        middle = 0.5 * sum(at)
        if any(abs(middle - other) < 0.02 * end_h for other in taken):
            continue
        taken.append(middle)
        axes.plot(at, [1.06, 1.06], color=style.INK, linewidth=1.4, clip_on=False, solid_capstyle="butt")
        axes.text(middle, 1.1, str(rank), ha="center", va="bottom", fontsize=style.SMALL_PT)


def draw_gap_counts(ds: xr.Dataset, figure: Figure) -> None:
    """How many gaps last at least so long, both axes logarithmic."""
    axes = figure.add_subplot()
    lengths = np.sort(gap_lengths_h(ds))[::-1]
    number = np.arange(1, lengths.size + 1)
    if lengths.size == 0:
        return
    axes.step(np.append(lengths[0], lengths), np.append(0.0, number), where="pre", color=style.DELIVERED)
    axes.set_xscale("log")
    axes.set_yscale("log")
    low, high = 0.8 * lengths[-1], 1.3 * lengths[0]
    ticks = _thinned([hours for hours in LENGTHS if low <= hours <= high])
    axes.set_xticks(ticks, [_length(hours) for hours in ticks])
    axes.minorticks_off()
    counts = _thinned([count for count in COUNTS if count <= 1.3 * lengths.size])
    axes.set_yticks(counts, [style.number(float(count), 1) for count in counts])
    axes.set_xlim(low, high)
    axes.set_ylim(0.9, 1.3 * max(lengths.size, 3))
    axes.set_xlabel("Length of the outage, at least")
    axes.set_ylabel("Outages at least so long")
    axes.grid(True)


LENGTHS = (
    1, 2, 3, 6, 12, *(24 * days for days in (1, 2, 3, 5, 7, 10, 14, 20, 30, 45, 60, 90, 120, 180)), 8766, 17_532, 43_830,
)  # fmt: skip
"""Round lengths of gaps, hours."""
COUNTS = tuple(digit * 10**power for power in range(5) for digit in (1, 2, 5))
MOST_TICKS = 7


def _thinned(ticks: list[int]) -> list[int]:
    """Every other tick, or fewer, until there is room for their labels."""
    while len(ticks) > MOST_TICKS:
        ticks = ticks[::2]
    return ticks


def _length(hours: int) -> str:
    """A round length in its own unit.

    >>> _length(12), _length(48), _length(8766)
    ('12 h', '2 d', '1 y')
    """
    if hours < 24:
        return f"{hours} h"
    return f"{hours // 24} d" if hours < 8766 else f"{hours // 8766} y"
