"""What the drawings ask of an estimate's time axis: lengths of rows, solar days, sums by period.

A solar day runs from local true midnight to the next. It is counted from the series of local true solar time,
so it needs no knowledge of the body; day 0 holds the first row. Where the Sun turns back in the sky (Mercury
near perihelion) the count stands still until the Sun is past that point again.
"""

from __future__ import annotations

import json
import math

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from yieldsim.base.numerics.interpolation import edges_between
from yieldsim.base.numerics.vectors import FloatArray

Times = NDArray[np.datetime64]

LONG_DAY_HOURS = 100.0
"""Worlds with solar days longer than this are drawn as a calendar of solar days, others hour by day."""


def edge_times_utc(ds: xr.Dataset) -> Times:
    """Starts of all rows and the end of the last: (time + 1,) datetime64[ns]. Rows leave no holes."""
    bounds = ds["time_bnds"].values
    return np.append(bounds[:, 0], bounds[-1:, 1]).astype("datetime64[ns]")


def edge_hours(ds: xr.Dataset) -> FloatArray:
    """The same as hours since the start of the run."""
    edges = edge_times_utc(ds)
    return np.asarray((edges - edges[0]).astype(np.int64) / 3.6e12)


def row_hours(ds: xr.Dataset) -> FloatArray:
    """How long each row lasts: (time,)."""
    return np.diff(edge_hours(ds))


def kwh_between(ds: xr.Dataset, power_w: FloatArray, edges_h: FloatArray) -> FloatArray:
    """Energy of a mean-power series between given hours of the run; rows are split in proportion.

    power_w   (time,)
    edges_h   (n + 1,)  hours since the start, increasing; outside the run nothing is added
    returns   (n,)
    """
    own_edges = edge_hours(ds)
    gathered = np.concatenate([[0.0], np.cumsum(power_w * np.diff(own_edges))]) / 1000.0
    return np.diff(np.interp(edges_h, own_edges, gathered))


def spells_without_h(ds: xr.Dataset, name: str) -> tuple[FloatArray, FloatArray]:
    """Begins and ends, hours since the start, of the unbroken spells of rows in which a fraction is zero.

    A spell reaches into the rows beside it by the part of them that the fraction leaves. That is right for
    `delivering_fraction` where a row holds one change; spells within one row are not seen.
    """
    present = ds[name].values
    turns = np.flatnonzero(np.diff((present <= 0.0).astype(np.int8), prepend=0, append=0))
    edges, first, after = edge_hours(ds), turns[::2], turns[1::2]
    missing_h = (1.0 - present) * np.diff(edges)
    before = np.where(first > 0, missing_h[first - 1], 0.0)
    behind = np.where(after < present.size, missing_h[np.minimum(after, present.size - 1)], 0.0)
    return edges[first] - before, edges[after] + behind


def solar_days_at_edges(ds: xr.Dataset) -> FloatArray:
    """Solar days since the local midnight before the first row, at all edges: (time + 1,), never falling.

    The series holds solar time at the middle of each row; edges lie half-way, the outer two are continued. Rows
    longer than half a solar day do not tell which way the Sun went: the count then stands still.
    """
    clock = ds["local_true_solar_time_hours"].values
    if clock.size == 1:
        middle = np.array([clock[0] / 24.0])
        return np.repeat(middle, 2)
    return np.maximum.accumulate(edges_between(np.unwrap(clock, period=24.0) / 24.0))


def solar_day_hours(ds: xr.Dataset) -> float:
    """Mean length of the solar day over the run."""
    days = solar_days_at_edges(ds)
    turned = days[-1] - days[0]
    return float(edge_hours(ds)[-1] / turned) if turned > 0.0 else float("inf")


def has_long_days(ds: xr.Dataset) -> bool:
    """Whether the solar day is longer than LONG_DAY_HOURS."""
    return solar_day_hours(ds) > LONG_DAY_HOURS


def resolves_days(ds: xr.Dataset) -> bool:
    """Whether rows are short enough, a twelfth of the solar day at most, to show what happens within one."""
    return bool(row_hours(ds).max() <= solar_day_hours(ds) / 12.0 < math.inf)


def body_of(ds: xr.Dataset) -> str:
    """The body that the site stands on, by name."""
    return str(json.loads(ds.attrs["summary"])["site"]["body"])


def solar_day_word(body: str) -> tuple[str, str]:
    """What people call the solar day of a body: singular and plural."""
    return {"moon": ("lunar day", "lunar days"), "mars": ("sol", "sols"), "earth": ("day", "days")}.get(
        body.lower(), ("solar day", "solar days")
    )


def mean_by_solar_hour(
    ds: xr.Dataset, values: FloatArray, cells_per_day: int
) -> tuple[FloatArray, FloatArray]:
    """Means over equal parts of each solar day (days, cells_per_day), NaN outside the run; the days' starts.

    Energy is kept: a row that straddles two cells is split between them. The starts, (days + 1,), are hours
    since the start of the run; the first and the last may lie outside it and are then the run's own ends.
    """
    solar = solar_days_at_edges(ds)
    hours = edge_hours(ds)
    first, last = int(np.floor(solar[0])), max(int(np.ceil(solar[-1])), int(np.floor(solar[0])) + 1)
    cell_edges = np.linspace(first, last, (last - first) * cells_per_day + 1)
    at_h = np.interp(cell_edges, solar, hours)
    lasting = np.diff(at_h)
    summed = kwh_between(ds, values, at_h) * 1000.0
    mean = np.divide(summed, lasting, out=np.full(lasting.size, np.nan), where=lasting > 1e-6)
    return mean.reshape(last - first, cells_per_day), at_h[::cells_per_day]


def calendar_edges(ds: xr.Dataset, unit: str) -> tuple[Times, FloatArray]:
    """Calendar days ("D"), months ("M") or years ("Y"): names (n,), and edges (n + 1,) in hours of the run.

    The outer edges are the run's own start and end, so a first or last period may be cut short.
    """
    edges = edge_times_utc(ds)
    last = edges[-1] - np.timedelta64(1, "ns")
    names = np.arange(edges[0].astype(f"datetime64[{unit}]"), last.astype(f"datetime64[{unit}]") + 1)
    inner = names[1:].astype("datetime64[ns]")
    at_h = (inner - edges[0]).astype(np.int64) / 3.6e12
    return names, np.concatenate([[0.0], at_h, [edge_hours(ds)[-1]]])


def utc_at(ds: xr.Dataset, hours: FloatArray) -> Times:
    """UTC at hours since the start of the run."""
    since = np.round(hours * 3.6e12).astype("timedelta64[ns]")
    return np.asarray(edge_times_utc(ds)[0] + since)


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
SHORT_STEPS_H = (1, 2, 3, 6, 12, 24, 48, 120, 240)
LONG_STEPS_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120, 240)


def day_month(moment: np.datetime64) -> str:
    """A date as people say it, whatever the locale.

    >>> day_month(np.datetime64("2026-03-04T12:00"))
    '4 Mar'
    """
    year_month, day = moment.astype("datetime64[M]"), moment.astype("datetime64[D]")
    return (
        f"{(day - year_month.astype('datetime64[D]')).astype(int) + 1} {MONTHS[year_month.astype(int) % 12]}"
    )


def date_ticks(ds: xr.Dataset, most: int) -> tuple[FloatArray, list[str]]:
    """About `most` round UTC dates within the run: hours since its start, and labels."""
    edges = edge_times_utc(ds)
    start, span_h = edges[0], float(edge_hours(ds)[-1])
    step_h = next((step for step in SHORT_STEPS_H if span_h / step <= most), None)
    if step_h is not None:
        day0 = start.astype("datetime64[D]").astype("datetime64[ns]")
        moments = day0 + np.arange(0, int(span_h) + 49, step_h) * np.timedelta64(3_600_000_000_000, "ns")
    else:
        months = span_h / 730.5
        step = next((step for step in LONG_STEPS_MONTHS if months / step <= most), LONG_STEPS_MONTHS[-1])
        first = start.astype("datetime64[M]").astype(int) // step * step
        moments = (
            np.arange(first, first + int(months) + step + 2, step)
            .astype("datetime64[M]")
            .astype("datetime64[ns]")
        )
    moments = moments[(moments >= start) & (moments <= edges[-1])]
    labels: list[str] = []
    named: int | None = None
    for moment in moments:
        year, month = int(moment.astype("datetime64[Y]").astype(int)) + 1970, moment.astype("datetime64[M]")
        if step_h is None:
            label = str(year) if step >= 12 else MONTHS[month.astype(int) % 12]
        elif step_h >= 24:
            label = day_month(moment)
        else:
            hour = (moment - moment.astype("datetime64[D]")).astype("timedelta64[h]").astype(int)
            label = f"{hour:02d}:00" + (f"\n{day_month(moment)}" if hour == 0 or not labels else "")
        if (step_h is None and step < 12 and year != named) or (
            step_h is not None and step_h >= 24 and year != named
        ):
            label += f"\n{year}"
        named = year
        labels.append(label)
    return (moments - start).astype(np.int64) / 3.6e12, labels
