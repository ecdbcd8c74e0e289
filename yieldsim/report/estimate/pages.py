"""The estimate report: `report.pdf`, several pages, the answer first, and `report.png`, one page at a glance.

Both are made from the estimate's Dataset and nothing else, and are the same bytes for the same Dataset.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from yieldsim.report.estimate.acceptance import draw_acceptance, draw_incidence, half_width_deg
from yieldsim.report.estimate.calendar import draw_calendar, is_line
from yieldsim.report.estimate.gaps import draw_gap_counts, draw_strip, gap_lengths_h
from yieldsim.report.estimate.ledger import draw_ledger, height_in
from yieldsim.report.estimate.periods import (
    bar_unit,
    calendar_kwh,
    draw_bars,
    draw_duration,
    draw_mean_day,
    draw_seasons,
    draw_short_solar_days,
    draw_solar_days,
    has_own_year,
)
from yieldsim.report.estimate.references import ages, draw_ageing, draw_references
from yieldsim.report.estimate.summary_schema import estimate_summary
from yieldsim.report.estimate.sun_paths import draw_sky
from yieldsim.report.estimate.temperatures import draw_temperatures
from yieldsim.report.estimate.temperatures import height_in as heat_in
from yieldsim.report.estimate.text import page_data
from yieldsim.report.layout import style, time_axis
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.typst_pages import set_pdf, set_png
from yieldsim.report.worst_nights import draw_worst_nights, has_return_periods

if TYPE_CHECKING:
    from matplotlib.figure import Figure

GLANCE_PPI = 150.0
GLANCE_LEFT_IN = 5.27
GLANCE_RIGHT_IN = 5.39
"""Widths of the two columns of the one-page view."""
LEAST_DAY = 0.9
"""Part of a solar day that a run must cover before a mean one is drawn. Rows of about a solar day never get there."""
SAME_WORDS = {"strip-small": "strip", "small-bars": "bars"}
"""Figures that are said in the words of another."""
FEWEST_GAPS = 4
"""Gaps needed before their lengths are worth a curve."""


def report_pdf(ds: xr.Dataset) -> bytes:
    """The report as PDF/UA-1 (tagged, fonts embedded), with summary.json attached.

    ds   an estimate: hourly series, mounts, acceptance, horizon, and the summary in its attributes
    """
    panels = _pdf_panels(ds)
    data = _data(ds, panels) | {"summary": ds.attrs["summary"]}
    return set_pdf("estimate.typ", data, {name: panel.svg() for name, panel in panels.items()})


def report_png(ds: xr.Dataset) -> bytes:
    """The one-page view as PNG, A4 across at GLANCE_PPI."""
    return set_png(*_glance(ds))


def report_pages(ds: xr.Dataset) -> tuple[bytes, bytes]:
    """The PDF and the PNG, which is set, without holding Python's lock, while the figures of the other are drawn."""
    with ThreadPoolExecutor(1) as beside:
        picture = beside.submit(set_png, *_glance(ds))
        return report_pdf(ds), picture.result()


def _glance(ds: xr.Dataset) -> tuple[str, dict[str, Any], dict[str, bytes], float]:
    panels = _glance_panels(ds)
    figures = {name: panel.svg() for name, panel in panels.items()}
    return "glance.typ", _data(ds, panels), figures, GLANCE_PPI


# ---------------------------------------------------------------- which figures


def _pdf_panels(ds: xr.Dataset) -> dict[str, Panel]:
    summary, words = estimate_summary(ds), _alternatives(ds)
    full, half = style.FULL_WIDTH_IN, style.HALF_WIDTH_IN
    panels: dict[str, Panel] = {}

    def add(name: str, draw: Callable[[Figure], Any], width_in: float, height_in: float) -> None:
        panels[name] = Panel(draw, width_in, height_in, words[SAME_WORDS.get(name, name)])

    add("strip-small", partial(draw_strip, ds, summary["gaps"], numbered=False), full, 1.15)
    add("sky", partial(draw_sky, ds), full, 5.2)
    add("acceptance", partial(draw_acceptance, ds), half, 1.9)
    add("incidence", partial(draw_incidence, ds), half, 1.9)
    # a line needs less height than a map
    add("calendar", partial(draw_calendar, ds), full, 3.0 if is_line(ds) else 5.2)
    add("strip", partial(draw_strip, ds, summary["gaps"]), full, 1.5)
    if summary["ledger"][0]["kwh"] > 0.0:
        add("ledger", partial(draw_ledger, summary["ledger"]), full, height_in(summary["ledger"]))
    if ages(ds):
        add("ageing", partial(draw_ageing, ds), full, 2.0)
    if "thermal" in summary:
        add("temperatures", partial(draw_temperatures, ds, summary), full, heat_in())
    if has_return_periods(summary.get("worst_nights")):
        nights = [(str(summary["site"]["name"]), summary["worst_nights"])]
        add("worst-nights", partial(draw_worst_nights, nights), full, 2.3)
    if gap_lengths_h(ds).size >= FEWEST_GAPS:
        add("gap-counts", partial(draw_gap_counts, ds), 0.6 * full, 2.3)
    if summary["sun_following_kwh"] > 0.0:
        add("references", partial(draw_references, summary), half, 1.5)
    if summary["delivered_kwh"] <= 0.0:
        # the other figures have nothing to show
        return panels
    add("small-bars", partial(draw_bars, ds, small=True), half, 1.6)
    add("duration", partial(draw_duration, ds), half, 2.4)
    solar = time_axis.solar_days_at_edges(ds)
    if solar[-1] - solar[0] > LEAST_DAY:
        add("mean-day", partial(draw_mean_day, ds), half, 2.4)
    if len(calendar_kwh(ds)[0]) > 1:
        add("bars", partial(draw_bars, ds), full, 2.6)
        if time_axis.has_long_days(ds):
            if not is_line(ds):
                add("solar-days", partial(draw_solar_days, ds), full, 2.6)
        elif np.ptp(ds["solar_longitude_deg"].values) > 60.0 and has_own_year(ds):
            add("solar-days", partial(draw_short_solar_days, ds), full, 2.2)
            add("seasons", partial(draw_seasons, ds), full, 2.6)
    return panels


def _glance_panels(ds: xr.Dataset) -> dict[str, Panel]:
    summary, words = estimate_summary(ds), _alternatives(ds)
    left, right = GLANCE_LEFT_IN, GLANCE_RIGHT_IN
    return {
        "sky": Panel(partial(draw_sky, ds, context=False), left, 2.02, words["sky"]),
        "calendar": Panel(partial(draw_calendar, ds), right, 2.02, words["calendar"]),
        "ledger": Panel(partial(draw_ledger, summary["ledger"]), left, 2.65, words["ledger"]),
        "bars": Panel(partial(draw_bars, ds), right, 1.35, words["bars"]),
        "strip": Panel(partial(draw_strip, ds, summary["gaps"], numbered=False), right, 0.95, words["strip"]),
    }


# ---------------------------------------------------------------- words that depend on the figures


def _data(ds: xr.Dataset, panels: dict[str, Panel]) -> dict[str, Any]:
    summary = estimate_summary(ds)
    body = str(summary["site"]["body"])
    data = page_data(ds)
    by = "month" if bar_unit(ds) == "M" else "day"
    if by == "month" and has_own_year(ds):
        by = "calendar month of UTC"
    return data | {
        "figures": {name: {"alt": panel.alt} for name, panel in panels.items()},
        "bars_title": f"Energy by {by}",
        "partial": not bool(calendar_kwh(ds)[2].all()),
        "partial_solar": _cuts_solar_days(ds),
        "solar_day": time_axis.solar_day_word(body)[0],
        "calendar_caption": _calendar_caption(ds, body),
        "description": f"Estimate of delivered light. {data['place']}. {data['collector']}. {data['span']}.",
        "keywords": ["solar concentrator", "energy yield", body],
    }


def _cuts_solar_days(ds: xr.Dataset) -> bool:
    """Whether the run covers only part of its first or its last solar day."""
    ends = time_axis.solar_days_at_edges(ds)[[0, -1]]
    return bool((np.abs(ends - np.round(ends)) > 0.01).any())


def _calendar_caption(ds: xr.Dataset, body: str) -> str:
    if is_line(ds):
        return "Mean power against time. Shaded: no sunlight at the site."
    singular, _ = time_axis.solar_day_word(body)
    hours = time_axis.solar_day_hours(ds)
    length = style.duration(hours) if hours >= 48.0 else f"{hours:.2f}{style.NARROW_SPACE}h"
    rows = f" Each row is one {singular}." if time_axis.has_long_days(ds) else ""
    return f"A {singular} lasts {length}; noon is when the Sun crosses the meridian.{rows}"


def _alternatives(ds: xr.Dataset) -> dict[str, str]:
    """What each figure says, in words."""
    summary = estimate_summary(ds)
    names, by_mount, _ = calendar_kwh(ds)
    kwh = by_mount.sum(axis=1)
    best, worst = int(kwh.argmax()), int(kwh.argmin())
    gap = style.duration(summary["longest_gap_hours"])
    delivered = style.quantity(summary["delivered_kwh"], "kWh")
    mounts = ds.sizes["mount"]
    return {
        "references": f"Bars: {delivered} delivered, against "
        f"{style.quantity(summary['sun_following_kwh'], 'kWh')} for an aperture that follows the Sun.",
        "bars": "Bars of energy by period: most in "
        f"{names[best]} with {style.quantity(float(kwh[best]), 'kWh')}, least in "
        f"{names[worst]} with {style.quantity(float(kwh[worst]), 'kWh')}.",
        "strip": f"Strip of the run from start to end: delivering, sunlight without delivery, no sunlight. "
        f"The longest outage lasts {gap}.",
        "sky": f"The Sun's paths over the sky with the horizon and the acceptance zones of {mounts} "
        f"{'mount' if mounts == 1 else 'mounts'}. "
        f"The Sun reaches {float(ds['solar_elevation_deg'].max()):.2f} degrees.",
        "calendar": "Delivered power by local solar time and solar day; the peak is "
        f"{style.quantity(summary['peak_power_w'], 'W')}.",
        "acceptance": "Acceptance against angle; it falls to half of its peak at "
        + " and ".join(f"{angle:.1f} degrees" for angle in half_width_deg(ds))
        + ".",
        "incidence": "Hours of sunlight by the Sun's angle to each mount.",
        "mean-day": "Mean delivered power by local solar time.",
        "duration": "Delivered power against the share of time in which it is exceeded; light is delivered in "
        f"{style.quantity(summary['hours_delivering'], 'hours', 4)}.",
        "ledger": "Bars from sunlight to delivered light: "
        + "; ".join(f"{row['stage']} {style.quantity(row['kwh'], 'kWh')}" for row in summary["ledger"])
        + ".",
        "solar-days": "Bars of energy by solar day.",
        "seasons": "Bars of mean energy per solar day by solar longitude.",
        "temperatures": "Temperatures of cover, fibre, joint and funnel over the run, with their limits.",
        "ageing": "Light that passes dust and fibre over the run, in per cent.",
        "worst-nights": "The longest night of each year in order, and by return period.",
        "gap-counts": "Number of outages against their least length, logarithmic.",
    }
