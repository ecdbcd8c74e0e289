"""The words and tables of the estimate report: all on the pages that is not a figure, as plain strings."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import xarray as xr

from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.estimate import EstimateResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.report.estimate.acceptance import cuts, half_width_deg, mount_letter
from yieldsim.report.estimate.assumptions_text import TERRAIN, assumption_rows, grounds, limit_rows
from yieldsim.report.estimate.gap_text import eclipse_rows, eclipse_sentence, gap_rows, longest_in_all
from yieldsim.report.estimate.ledger import acts, steps, why_nothing
from yieldsim.report.estimate.periods import yearly
from yieldsim.report.estimate.summary_schema import estimate_summary
from yieldsim.report.estimate.sun_paths import has_low_sun, sky_key, sun_paths
from yieldsim.report.estimate.temperatures import temperature_caption, temperature_rows
from yieldsim.report.estimate.tracking_text import follower_sentence, follower_table
from yieldsim.report.estimate.wear_text import wear_rows
from yieldsim.report.layout import style, time_axis
from yieldsim.report.layout.imprint import NOMINAL, imprint
from yieldsim.report.layout.number_format import decimals_for
from yieldsim.report.layout.period_text import period_line, period_of, utc
from yieldsim.report.layout.typst_pages import printable
from yieldsim.report.layout.warning_text import letters_notice, warning_line
from yieldsim.report.worst_nights import night_text

MANY_YEARS = 1.5
"""Runs longer than this get a table of years."""
GOES_ON = "†"
"""Beside a gap of which only the part within the year is counted; the template says so."""

METHOD = (
    "Only direct sunlight counts: a fixed concentrator cannot use light that air or dust has scattered.",
    "The Sun's place comes from the ephemeris named below and the body's own rotation, seen from the "
    "site; elevation is measured from the plane normal to the reference ellipsoid.",
    "The Sun is a disc with limb darkening that grows and shrinks with distance. What counts is the "
    "share of its light that clears the horizon across the disc's width and any body passing in front.",
    "The horizon is linear between the rows of its table and closes at 360 degrees.",
    "Acceptance is the share of the light crossing the aperture that enters the fibre's cone; the "
    "cosine of the incidence angle is a stage of its own.",
    "The aperture is clean at the start of the run.",
    "Following the Sun means an ideal aperture of the same area and losses that always faces the Sun, "
    "its acceptance that of the optics on the normal. The etendue bound: no fixed optics "
    "between this aperture and this fibre, however perfect, can deliver more after the same film, dust "
    "and fibre losses.",
    "Electricity for dust shields is counted apart and never subtracted from the light.",
    "A row's time is its start, UTC; powers are means over the row, angles hold at its middle. An outage "
    "of light is a spell without any delivered light.",
)


def page_data(ds: xr.Dataset) -> dict[str, Any]:
    """All strings of the report, for the templates."""
    summary = estimate_summary(ds)
    site, collector = summary["site"], summary["collector"]
    eclipses = summary.get("eclipses") or []
    data: dict[str, Any] = {
        "title": printable(site["name"], 120, 25),
        "short_title": printable(site["name"], 48),
        "glance_title": printable(site["name"], 60, 25),
        "place": place(site),
        "collector": collector_line(collector),
        "span": span(summary),
        "version": printable(str(summary["provenance"]["version"]), 40),
        "headline": headline(summary),
        "tiles": tiles(summary, time_axis.row_hours(ds)),
        "cautions": [printable(line) for line in summary["cautions"] or CAUTIONS],
        "sky_caption": sky_caption(ds),
        "sky_key": sky_key(),
        "mounts": mount_rows(ds, summary),
        "nothing": why_nothing(summary["ledger"]),
        "no_loss": no_loss(summary),
        "shield": shield(summary),
        "followers": follower_table(summary),
        "follower_sentence": follower_sentence(summary),
        "temperatures": temperature_rows(ds, summary),
        "temperature_caption": temperature_caption(summary),
        "years": year_rows(ds, summary),
        "gaps": gap_rows(ds, summary["gaps"]),
        **night_text(summary.get("worst_nights")),
        "eclipses": eclipse_rows(eclipses),
        "eclipse_sentence": eclipse_sentence(eclipses) if eclipses else "",
        "facts": [*fact_rows(ds, summary), *wear_rows(summary)],
        "method": list(METHOD),
        "assumptions": assumption_rows(summary),
        "limits": limit_rows(summary),
        "grounds": grounds(summary),
        "terrain": TERRAIN,
        "nominal": f"{NOMINAL} Requirements and their margins: yieldsim budget.",
        "sources": source_rows(summary["provenance"]),
        "options": option_rows(summary["provenance"]["options"]),
    }
    boxes = letters_notice([data, summary["warnings"]], "summary.json")
    warnings = [*map(warning_line, summary["warnings"]), *([boxes] if boxes else [])]
    return data | {"warnings": warnings, "imprint": imprint({**summary, "warnings": warnings})}


# ---------------------------------------------------------------- first page


def degrees(value: float, digits: int = 4) -> str:
    """An angle without idle zeros.

    >>> degrees(-1.50), degrees(222.69)
    ('−1.5°', '222.69°')
    """
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return ("0" if text in ("-0", "") else text.replace("-", "−")) + "°"


def place(site: Mapping[str, Any]) -> str:
    """Body, latitude, longitude, heights."""
    latitude, longitude = site["latitude_deg"], site["longitude_deg"] % 360.0
    side = "north" if latitude >= 0.0 else "south"
    body = str(site["body"])
    return printable(
        f"{body[:1].upper()}{body[1:]}, {degrees(abs(latitude))} {side}, {degrees(longitude)} east; "
        f"elevation {style.quantity(site['elevation_m'], 'm', 4)}, "
        f"aperture {style.quantity(site['mast_height_m'], 'm')} above the ground"
    )


def collector_line(collector: Mapping[str, Any]) -> str:
    """Name, units, area, mass."""
    units, area = int(collector["unit_count"]), collector["aperture_area_m2"]
    mass = collector["mass_kg"]
    words = f"{units} {'unit' if units == 1 else 'units'} of {style.quantity(area, 'm²')}"
    if units > 1:
        words += f", {style.quantity(units * area, 'm²')} in all"
    if mass is not None:
        words += f"; {style.quantity(float(mass), 'kg')}" + (" each" if units > 1 else "")
    return f"{printable(str(collector['name']), 120)}: {words}"


def span(summary: Mapping[str, Any]) -> str:
    """From when to when."""
    how = period_line(summary).partition(": ")[2]
    return f"{utc(summary['start_utc'])} to {utc(summary['end_utc'])} UTC, {days_of(summary)}: {how}"


def days_of(summary: Mapping[str, Any]) -> str:
    """The length of the run: hours below a day, no decimals where it is whole days."""
    days = summary["days"]
    if days < 0.999:
        return style.duration(24.0 * days)
    whole = abs(days - round(days)) < 1e-3
    return style.quantity(days, "day" if days == 1.0 else "days", len(str(round(days))) if whole else 4)


def headline(summary: EstimateResult) -> dict[str, str]:
    """The answer: a number, and one sentence."""
    kwh, days = summary["delivered_kwh"], summary["days"]
    sunlight = summary["ledger"][0]["kwh"]
    period = period_of(summary)
    years = days / period.year_days
    if kwh <= 0.0:
        sentence = f"No light is delivered in this run. {why_nothing(summary['ledger'])}"
    else:
        mean = f"{style.quantity(summary['mean_power_w'], 'W')} on average"
        rate = f"{style.energy(kwh / days)} a day, " if days > 1.0 else ""
        if years > MANY_YEARS:
            rate = f"{style.energy(kwh / years)} {period.per}, "
        sentence = f"of light delivered at the far end of the fibre in {days_of(summary)}: {rate}{mean}."
        if sunlight > 0.0:
            share = style.percent(kwh / sunlight)
            sentence += f" That is {share} of the sunlight on Sun-facing apertures of this area."
    return {"value": style.energy(kwh), "sentence": sentence}


def tiles(summary: EstimateResult, row_hours: FloatArray) -> list[dict[str, str]]:
    """Eight figures with a label and a note each."""
    hours = summary["hours_delivering"]
    all_hours = 24.0 * summary["days"]
    gap = summary["longest_gap_hours"]
    per_kg = summary["delivered_kwh_per_kg"]
    etendue = summary["etendue"]
    first, last = summary["longest_gap_start_utc"], summary["longest_gap_end_utc"]
    return [
        _tile("Per area", style.energy(summary["delivered_kwh_per_m2"], "/m²"), "of aperture"),
        _tile(
            "Per mass", style.energy(per_kg, "/kg"),
            "mass not given" if per_kg is None else "of collector",
        ),
        _tile("Mean power", style.quantity(summary["mean_power_w"], "W"), "over the whole run"),
        _tile(
            "Peak power",
            style.quantity(float(summary.get("instantaneous_peak_power_w", summary["peak_power_w"])), "W"),
            f"{style.quantity(summary['peak_power_w'], 'W')} {_strongest(row_hours)}",
        ),
        _tile("Time with light", style.quantity(hours, "h", 4), f"{style.percent(hours / all_hours)} of the time"),
        _tile(
            "Longest outage", style.duration(gap, at_least=bool(summary.get("longest_gap_at_least"))),
            longest_in_all(summary) or f"{utc(str(first))} to {utc(str(last))}" if gap else "",
        ),
        _tile("Capture fraction", style.percent(summary["capture_fraction"]), "of what following the Sun would give"),
        _tile(
            "Etendue used", style.percent(etendue["used_fraction"]) if etendue else "–",
            "of what this fibre can accept" if etendue else "fibre aperture not given",
        ),
    ]  # fmt: skip


def _strongest(row_hours: FloatArray) -> str:
    """What the peak power is a mean over."""
    hours = float(row_hours.max())
    return "highest hourly mean" if abs(hours - 1.0) < 1e-6 else f"highest mean over {style.duration(hours)}"


def _tile(label: str, value: str, note: str) -> dict[str, str]:
    return {"label": label, "value": value, "note": note}


# ---------------------------------------------------------------- the other pages


def sky_caption(ds: xr.Dataset) -> str:
    """What the lines and fills mean, and where the Sun stands highest."""
    elevation = ds["solar_elevation_deg"].values
    top = int(elevation.argmax())
    marks = "heavy contours mark half of their peak acceptance"
    if ds.sizes["mount"] <= len(style.LINES):
        marks += ", fine dotted ones a tenth"
    when = str(ds["time"].values[top].astype("datetime64[D]"))
    highest = degrees(float(elevation[top]), 2)
    singular, plural = time_axis.solar_day_word(time_axis.body_of(ds))
    count = len(sun_paths(ds))
    days = (
        f" on {count} {singular if count == 1 else plural} of the run" if time_axis.resolves_days(ds) else ""
    )
    rings = "" if has_low_sun(ds) else " Rings: elevation 0°, 30° and 60°."
    return (
        f"Orange: the Sun{days}; it stands highest at {highest}, on {when}. Grey: ground. Letters stand where the mounts "
        f"point; {marks}.{rings}"
    )


def mount_rows(ds: xr.Dataset, summary: EstimateResult) -> list[list[str]]:
    """A row a mount: letter, units, tilt, azimuth, roll, acceptance half-angle, kWh, share, kWh per unit."""
    hours = time_axis.row_hours(ds)
    energy = (ds["mount_delivered_power_w"].values * hours[:, None]).sum(axis=0) / 1000.0
    total = summary["delivered_kwh"]
    half = " × ".join(degrees(angle, 1) for angle in half_width_deg(ds))
    counts = ds["mount_count"].values
    decimals = decimals_for(float(energy.max()))
    finer = decimals_for(float((energy / counts).max()))
    return [
        [
            mount_letter(mount),
            str(int(counts[mount])),
            *(degrees(float(ds[f"mount_{word}_deg"][mount]), 2) for word in ("tilt", "azimuth", "roll")),
            half,
            style.fixed(float(energy[mount]), decimals),
            style.percent_in_column(float(energy[mount]) / total) if total > 0.0 else "–",
            style.fixed(float(energy[mount]) / int(counts[mount]), finer),
        ]
        for mount in range(ds.sizes["mount"])
    ]


def no_loss(summary: EstimateResult) -> str:
    """The stages that took nothing in this run."""
    idle = [step.words.lower() for step in steps(summary["ledger"]) if step.kwh > 0.0 and not acts(step)]
    return f"No loss in this run: {', '.join(idle)}." if idle else ""


def shield(summary: EstimateResult) -> str:
    """Electricity that the shields draw."""
    kwh = summary["shield_kwh_electric"]
    if kwh <= 0.0:
        return ""
    return f"Dust shields draw {style.energy(kwh)} of electricity, not subtracted here."


def year_rows(ds: xr.Dataset, summary: EstimateResult) -> list[list[str]]:
    """A row a calendar year for long runs: year, days, kWh, mean W, hours delivering, longest gap."""
    if summary["days"] < MANY_YEARS * 365.25:
        return []
    rows = yearly(ds)
    decimals = {key: decimals_for(max(row[key] for row in rows)) for key in ("kwh", "mean_w")}
    return [
        [
            str(row["year"]),
            style.number(row["days"]),
            *(style.fixed(row[key], decimals[key]) for key in ("kwh", "mean_w")),
            style.fixed(row["hours"], 0),
            style.duration(row["longest_gap_h"]) + (f" {GOES_ON}" if row["goes_on"] else ""),
        ]
        for row in rows
    ]


def fact_rows(ds: xr.Dataset, summary: EstimateResult) -> Iterator[list[str]]:
    """What this run took as given, and how well it converged: rows of two cells."""
    yield ["Irradiance at 1 au", style.quantity(SOLAR_IRRADIANCE_1AU_W_M2, "W/m²", 4)]
    yield ["Distance to the Sun", _range(ds["sun_distance_au"].values, "au", 4)]
    yield ["Irradiance at the site's distance", _range(ds["solar_irradiance_w_m2"].values, "W/m²", 4)]
    count = ds.sizes["horizon"]
    skyline = _from_to_degrees(ds["horizon_elevation_deg"].values)
    yield ["Horizon", ("flat, " if count == 1 else f"{count} rows, ") + skyline]
    found = cuts(ds)
    yield ["Peak acceptance", style.percent(max(float(curve.max()) for *_, curve in found))]
    widths = zip(half_width_deg(ds), found, strict=True)
    half = " and ".join(f"{degrees(angle, 1)} {word}" for angle, (word, *_) in widths)
    yield ["Half-width at half-maximum", half]
    if "optical_depth" in ds:
        yield ["Optical depth", _range(ds["optical_depth"].values, "", 2)]
    yield ["Clean fraction of the aperture", _from_to(ds["clean_fraction"].values.mean(axis=1))]
    yield ["Transmittance of the fibre", _from_to(ds["fibre_transmittance"].values)]
    if etendue := summary["etendue"]:
        used, limit = (style.number(etendue[key]) for key in ("used_m2_sr", "limit_m2_sr"))
        share = style.percent(etendue["used_fraction"])
        yield ["Etendue", f"{used} of {limit} m² sr that the fibre accepts ({share})"]
    halving = summary["convergence"]
    moved, allowed = style.percent(abs(halving["relative_change"])), style.percent(halving["tolerance"])
    step = style.duration(halving["step_s"] / 3600.0)
    yield ["Time step", f"{step}; halving it moves the total by {moved}, allowed {allowed}"]


def _range(values: Any, unit: str, digits: int) -> str:
    low, high = float(np.min(values)), float(np.max(values))
    gap = "" if unit == "°" else style.NARROW_SPACE
    if style.number(low, digits) == style.number(high, digits):
        return f"{style.number(low, digits)}{gap}{unit}".rstrip()
    return f"{style.number(low, digits)} to {style.number(high, digits)}{gap}{unit}".rstrip()


def _from_to_degrees(values: Any) -> str:
    """Lowest and highest of some angles, both to the hundredth."""
    low, high = (f"{float(end(values)):.2f}".replace("-", "−") for end in (np.min, np.max))
    return f"{low}°" if low == high else f"{low}° to {high}°"


def _from_to(fraction: Any) -> str:
    first, last = style.percent(float(fraction[0])), style.percent(float(fraction[-1]))
    lowest = style.percent(float(np.min(fraction)))
    if first == last == lowest:
        return f"{first} throughout"
    return f"{first} at the start, {last} at the end" + (
        "" if lowest in (first, last) else f", lowest {lowest}"
    )


def source_rows(provenance: Mapping[str, Any]) -> list[list[str]]:
    """A row a file: role, name, SHA-256, note."""
    return [
        [
            printable(str(source["role"])),
            printable(str(source["name"]), 200),
            printable(str(source["sha256"]), 64, 65),
            printable(str(source.get("note", "")), 200),
        ]
        for source in [*provenance["inputs"], *provenance["kernels"]]
    ]


def option_rows(options: Mapping[str, Any]) -> list[list[str]]:
    """A row an option: name, value."""
    return [
        [printable(str(key), 80), printable(value if isinstance(value, str) else json.dumps(value), 200)]
        for key, value in options.items()
    ]
