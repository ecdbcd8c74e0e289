"""Energy by period: calendar months, solar days or seasons, the mean solar day, and the duration curve."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.estimate.acceptance import mount_letter
from yieldsim.report.layout import style, time_axis
from yieldsim.report.layout.number_format import decimals_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HATCHES = ("", "////", "xxxx", "\\\\\\\\", "----", "++++")
"""One per mount in stacked bars; more mounts than this are drawn as one."""
MOST_DAYS = 45
"""Runs up to this many Earth days are drawn by day instead of by month."""
MOST_LABELLED = 14
"""Bars that still have room for their numbers."""
SEASONS = 12
"""Parts of a year by solar longitude, 30 deg each."""


# ---------------------------------------------------------------- numbers


def bar_unit(ds: xr.Dataset) -> Literal["D", "M"]:
    """Calendar days for short runs, months for the others."""
    return "D" if time_axis.edge_hours(ds)[-1] <= 24.0 * MOST_DAYS else "M"


def calendar_kwh(ds: xr.Dataset) -> tuple[time_axis.Times, FloatArray, NDArray[np.bool_]]:
    """Months or days of the run (n,), energy by period and mount (n, mount), which periods are whole (n,)."""
    names, edges_h = time_axis.calendar_edges(ds, bar_unit(ds))
    by_mount = np.stack(
        [time_axis.kwh_between(ds, power, edges_h) for power in ds["mount_delivered_power_w"].values.T],
        axis=1,
    )
    lasting_h = (names + 1).astype("datetime64[h]") - names.astype("datetime64[h]")
    return names, by_mount, np.diff(edges_h) > lasting_h.astype(float) - 0.01


def yearly(ds: xr.Dataset) -> list[dict[str, Any]]:
    """One row a calendar year: days covered, energy, mean power, hours delivering, longest gap.

    Of a gap that reaches over an edge between years each year counts its own part, and `goes_on` is 1 where that
    part is its longest.
    """
    years, edges_h = time_axis.calendar_edges(ds, "Y")
    kwh = time_axis.kwh_between(ds, ds["delivered_power_w"].values, edges_h)
    hours = time_axis.kwh_between(ds, ds["delivering_fraction"].values * 1000.0, edges_h)
    lasting_h = np.diff(edges_h)
    begins_h, ends_h = time_axis.spells_without_h(ds, "delivering_fraction")
    within_h = np.minimum(ends_h, edges_h[1:, None]) - np.maximum(begins_h, edges_h[:-1, None])
    longest_h = within_h.max(axis=1, initial=0.0)
    goes_on = (begins_h < edges_h[:-1, None]) | (ends_h > edges_h[1:, None])
    goes_on &= (within_h > 0.0) & (within_h == longest_h[:, None])
    return [
        {
            "year": str(year),
            "days": float(lasting_h[index] / 24.0),
            "kwh": float(kwh[index]),
            "mean_w": float(1000.0 * kwh[index] / lasting_h[index]),
            "hours": float(hours[index]),
            "longest_gap_h": float(longest_h[index]),
            "goes_on": float(goes_on[index].any()),
        }
        for index, year in enumerate(years)
    ]


def seasonal_kwh_per_solar_day(ds: xr.Dataset) -> FloatArray:
    """Mean energy per solar day in each 30 deg of solar longitude: (SEASONS,), NaN where the run never is."""
    season = np.minimum((ds["solar_longitude_deg"].values // (360.0 / SEASONS)).astype(int), SEASONS - 1)
    hours = time_axis.row_hours(ds)
    energy = np.bincount(season, ds["delivered_power_w"].values * hours / 1000.0, SEASONS)
    days = np.bincount(season, hours, SEASONS) / time_axis.solar_day_hours(ds)
    mean: FloatArray = np.divide(energy, days, out=np.full(SEASONS, np.nan), where=days > 0.0)
    return mean


# ---------------------------------------------------------------- figures


def draw_bars(ds: xr.Dataset, figure: Figure, *, small: bool = False) -> None:
    """Bars of kWh by month or day, stacked by mount; periods that the run covers in part are pale."""
    from matplotlib.patches import Patch

    axes = figure.add_subplot()
    names, by_mount, whole = calendar_kwh(ds)
    mounts = by_mount.shape[1]
    if not 1 < mounts <= len(HATCHES):
        by_mount, mounts = by_mount.sum(axis=1, keepdims=True), 1
    place, below = np.arange(names.size), np.zeros(names.size)
    for mount in range(mounts):
        bars = axes.bar(
            place, by_mount[:, mount], 0.8, below, color=style.line(mount).colour, hatch=HATCHES[mount],
            edgecolor="white", linewidth=0.4,
        )  # fmt: skip
        for bar, full in zip(bars, whole, strict=True):
            bar.set_alpha(1.0 if full else 0.45)
        below = below + by_mount[:, mount]
    axes.set_xticks(*_names(names, 6 if small else MOST_LABELLED))
    _finish(axes, below, "month" if bar_unit(ds) == "M" else "day", numbers=not small)
    if mounts > 1 and below.any():
        # patches of their own: those of the bars would be pale where the first period is cut
        looks = [
            Patch(facecolor=style.line(mount).colour, hatch=HATCHES[mount], edgecolor="white", linewidth=0.4,
                  label=f"mount {mount_letter(mount)}")
            for mount in range(mounts)
        ]  # fmt: skip
        axes.legend(
            handles=looks,
            loc="lower right",
            bbox_to_anchor=(1.0, 1.02),
            borderaxespad=0.0,
            columnspacing=1.2,
            ncols=-(-mounts // 2) if small and mounts > 3 else mounts,
        )


def _names(periods: time_axis.Times, most: int) -> tuple[list[int], list[str]]:
    """Places and labels of at most about `most` months or days; a year is named where it begins."""
    if np.datetime_data(periods.dtype)[0] == "D":
        shown = list(range(0, periods.size, -(-periods.size // most)))
        return shown, [time_axis.day_month(periods[index]) for index in shown]
    month = [int(period.astype(int)) % 12 for period in periods]
    year = [str(period.astype("datetime64[Y]")) for period in periods]
    step = next((step for step in (1, 2, 3, 6) if periods.size / step <= most), None)
    if step is None:
        january = [index for index in range(periods.size) if month[index] == 0]
        shown = january[:: -(-len(january) // most)]
        return shown, [year[index] for index in shown]
    shown = [index for index in range(periods.size) if month[index] % step == 0]
    named = {next(i for i in shown if year[i] == name) for name in {year[i] for i in shown}}
    return shown, [time_axis.MONTHS[month[i]] + (f"\n{year[i]}" if i in named else "") for i in shown]


def draw_solar_days(ds: xr.Dataset, figure: Figure) -> None:
    """Bars of kWh by solar day, for worlds with long ones."""
    axes = figure.add_subplot()
    solar = time_axis.solar_days_at_edges(ds)
    days = np.arange(np.floor(solar[0]), np.ceil(solar[-1]) + 1.0)
    at_h = np.interp(days, solar, time_axis.edge_hours(ds))
    kwh = time_axis.kwh_between(ds, ds["delivered_power_w"].values, at_h)
    place = np.arange(kwh.size)
    bars = axes.bar(place, kwh, 0.8, color=style.DELIVERED)
    for index, bar in enumerate(bars):
        cut = days[index] < solar[0] - 0.01 or days[index + 1] > solar[-1] + 0.01
        bar.set_alpha(0.45 if cut else 1.0)
    dates = time_axis.utc_at(ds, at_h[:-1])
    step = -(-kwh.size // MOST_LABELLED)
    long = kwh.size > 30
    axes.set_xticks(
        place[::step],
        [
            time_axis.day_month(date) + (f"\n{date.astype('datetime64[Y]')}" if long else "")
            for date in dates[::step]
        ],
    )
    day = time_axis.solar_day_word(time_axis.body_of(ds))[0]
    _finish(axes, kwh, day)
    axes.set_xlabel(f"UTC date at which the {day} begins at the site (local midnight)")


def has_own_year(ds: xr.Dataset) -> bool:
    """Whether months of the Earth's calendar mean nothing for the seasons of the body."""
    return time_axis.body_of(ds).lower() not in ("moon", "earth")


def draw_short_solar_days(ds: xr.Dataset, figure: Figure) -> None:
    """kWh by solar day as a stepped line against their number, for worlds whose days are many; solar longitude above."""
    axes = figure.add_subplot()
    solar = time_axis.solar_days_at_edges(ds)
    days = np.arange(np.ceil(solar[0] - 0.01), np.floor(solar[-1] + 0.01) + 1.0)
    kwh = time_axis.kwh_between(
        ds, ds["delivered_power_w"].values, np.interp(days, solar, time_axis.edge_hours(ds))
    )
    peak = float(kwh.max(initial=0.0))
    if peak <= 0.0:
        style.say(axes)
        return
    factor, unit = style.kilowatt_hours(peak)
    axes.stairs(kwh * factor, days, color=style.DELIVERED, fill=True)
    axes.set_xlim(days[0], days[-1])
    axes.set_ylim(0.0, 1.08 * peak * factor)
    day, plural = time_axis.solar_day_word(time_axis.body_of(ds))
    axes.set_ylabel(f"{unit} per {day}")
    axes.set_xlabel(f"Whole {plural} of the run, from local midnight")
    axes.grid(True, axis="y")
    middle = 0.5 * (solar[1:] + solar[:-1])
    turned = np.unwrap(ds["solar_longitude_deg"].values, period=360.0)
    marks = np.arange(np.ceil(turned[0] / 30.0), np.floor(turned[-1] / 30.0) + 1.0) * 30.0
    top = axes.secondary_xaxis("top")
    top.set_xticks(np.interp(marks, turned, middle), [f"{mark % 360.0:.0f}°" for mark in marks])
    top.set_xlabel("Solar longitude Ls")


def draw_seasons(ds: xr.Dataset, figure: Figure) -> None:
    """Bars of mean kWh per solar day by solar longitude, for worlds with short days and seasons."""
    axes = figure.add_subplot()
    kwh = seasonal_kwh_per_solar_day(ds)
    if not np.nan_to_num(kwh).any():
        style.say(axes)
        return
    place = np.arange(SEASONS)
    axes.bar(place, np.nan_to_num(kwh), 0.8, color=style.DELIVERED)
    for season in place[~np.isfinite(kwh)]:
        axes.text(season, 0.0, "not in\nthe run", ha="center", va="bottom", **style.ASIDE)
    axes.set_xticks(place, [f"{30 * season}–{30 * season + 30}°" for season in place])
    _finish(axes, kwh, time_axis.solar_day_word(time_axis.body_of(ds))[0])
    axes.set_xlabel("Solar longitude Ls (0° northern spring, 90° northern summer)")


def draw_mean_day(ds: xr.Dataset, figure: Figure) -> None:
    """Mean power through the solar day, over the whole run."""
    axes = figure.add_subplot()
    cells = 48 if time_axis.has_long_days(ds) else 24
    mean, _ = time_axis.mean_by_solar_hour(ds, ds["delivered_power_w"].values, cells)
    known = np.isfinite(mean)
    count = known.sum(axis=0)
    through = np.divide(np.where(known, mean, 0.0).sum(axis=0), count, out=np.zeros(cells), where=count > 0)
    if not through.any():
        style.say(axes)
        return
    factor, unit = style.watts(float(through.max()))
    axes.stairs(
        through * factor, np.linspace(0.0, 24.0, cells + 1), fill=True, color=style.DELIVERED, linewidth=0.0
    )
    axes.set_xlim(0.0, 24.0)
    axes.set_xticks(range(0, 25, 6), ["midnight", "6", "noon", "18", "midnight"])
    axes.set_xlabel("Local true solar time (h)")
    axes.set_ylabel(f"Mean power ({unit})")
    axes.set_ylim(0.0, 1.08 * float(through.max()) * factor)
    axes.grid(True, axis="y")


def draw_duration(ds: xr.Dataset, figure: Figure) -> None:
    """How much of the time a power is reached or passed: all rows sorted from the strongest."""
    axes = figure.add_subplot()
    power = ds["delivered_power_w"].values
    if not power.any():
        style.say(axes)
        return
    order = np.argsort(power)[::-1]
    hours = time_axis.row_hours(ds)[order]
    share = np.concatenate([[0.0], 100.0 * np.cumsum(hours) / hours.sum()])
    factor, unit = style.watts(float(power.max()))
    at = np.linspace(0.0, 100.0, 201)
    reached = np.interp(at, 0.5 * (share[1:] + share[:-1]), power[order]) * factor
    axes.fill_between(at, reached, color=style.DELIVERED, alpha=0.25, linewidth=0.0)
    axes.plot(at, reached, color=style.DELIVERED)
    axes.set_xlim(0.0, 100.0)
    axes.set_ylim(0.0, 1.05 * float(power.max()) * factor)
    axes.set_xlabel("Time exceeded (%)")
    axes.set_ylabel(f"Delivered power ({unit})")
    axes.grid(True)


def _finish(axes: Axes, kwh: FloatArray, period: str, *, numbers: bool = True) -> None:
    """Axis, unit and, where there is room, the value over each bar with the decimals that the highest needs.

    kwh   (n,) NaN where there is no bar
    """
    peak = float(np.nanmax(kwh))
    if peak <= 0.0:
        style.say(axes)
        return
    factor, unit = style.kilowatt_hours(peak)
    if numbers and kwh.size <= MOST_LABELLED:
        decimals = decimals_for(peak * factor)
        for place in np.flatnonzero(np.isfinite(kwh)).tolist():
            height = kwh[place]
            axes.annotate(
                style.fixed(float(height) * factor, decimals), (place, height), (0, 1.5), ha="center", va="bottom",
                textcoords="offset points", fontsize=style.SMALL_PT,
            )  # fmt: skip
    axes.set_xlim(-0.6, max(kwh.size, 3) - 0.4)
    axes.set_ylim(0.0, 1.15 * peak)
    axes.yaxis.set_major_formatter(lambda value, _position: f"{value * factor:g}")
    axes.set_ylabel(f"{unit} per {period}")
    axes.grid(True, axis="y")
    axes.tick_params(axis="x", length=0)
