"""What kind of input file a file is, by its content, and one line about what it holds."""

from __future__ import annotations

from collections.abc import Callable, Sized
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from yieldsim.base.errors import InputError, likely, refusal
from yieldsim.base.model import (
    Body,
    Collector,
    HorizonMask,
    PrescriptionAcceptance,
    RoundAcceptance,
    Site,
    TerrainHorizon,
)
from yieldsim.base.prescription_model import Prescription
from yieldsim.files.inputs.collector import collector_of
from yieldsim.files.inputs.design import design_words
from yieldsim.files.inputs.load import load_words
from yieldsim.files.inputs.load_schedule import LOAD_AMOUNTS, load_series
from yieldsim.files.inputs.site import body_of, site_of
from yieldsim.files.inputs.uncertainty import uncertain_words
from yieldsim.files.prescription.read import prescription_of
from yieldsim.files.tables.csv_table import MOST_COLUMNS
from yieldsim.files.tables.lookup_tables import (
    acceptance_cells,
    attenuation_table,
    grain_removal_table,
    ground_table,
    horizon_mask,
    optical_depth_table,
)
from yieldsim.files.text.decode import decode, read_bytes
from yieldsim.files.text.paths import shown
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.file_kinds import likeliest
from yieldsim.files.toml.parse import toml_table

KERNELS = (".bsp", ".bpc", ".tf")
TABLES = (".csv", ".txt")
MOST_PIXELS_CHECKED = 1 << 26
"""Terrain files of up to so many pixels are read whole when their site is checked, a few seconds' work."""


@dataclass(frozen=True, slots=True)
class Recognised:
    """What a good file holds, in words, and its warnings."""

    words: str
    warnings: tuple[str, ...]


def recognised(path: Path) -> Recognised:
    """Read a file as what it is. Raises InputError with all its problems, or when it is of no known kind."""
    if path.suffix.lower() in KERNELS:
        from yieldsim.files.ephemeris.kernel_selection import kernel_words

        return Recognised(kernel_words(path), ())
    reading = Reading(path)
    if path.suffix.lower() in TABLES:
        words = _table_words(reading, Reading(path).text("input"))
    else:
        kind = likeliest(_top_of(path))
        if kind is None:
            raise refusal(reading.where, found="is of no known kind", allowed=_checked())
        words = WORDS[kind](reading)
    reading.refuse()
    return Recognised(words, tuple(reading.warnings.lines))


def _top_of(path: Path) -> dict[str, Any]:
    """The keys of a TOML file. Whoever names a file that is not even called .toml is told which ones are looked into."""
    content, where = read_bytes(path), shown(path)
    try:
        return toml_table(decode(content, where), where)
    except InputError as error:
        if path.suffix.lower() == ".toml":
            raise
        told = [one if one.allowed else replace(one, allowed=_checked()) for one in error.problems]
        raise InputError(told) from None


def _checked() -> str:
    """The kinds of files that are looked into."""
    *kinds, last = WORDS
    tables, kernels = (f"{', '.join(ends[:-1])} or {ends[-1]}" for ends in (TABLES, KERNELS))
    return f"a {', '.join(kinds)} or {last} file in TOML, a table ({tables}) or a kernel ({kernels})"


def _site_words(reading: Reading) -> str:
    site: Site = site_of(reading)
    latitude = f"{abs(site.latitude_deg):g} {'S' if site.latitude_deg < 0 else 'N'}"
    parts = [
        f'site "{site.name}" on {_the(site.body)} at {latitude} {site.longitude_deg % 360.0:g} E',
        f"elevation {site.elevation_m:g} m, mast {site.mast_height_m:g} m",
    ]
    if isinstance(site.horizon, HorizonMask):
        low, high = site.horizon.elevation_deg.min(), site.horizon.elevation_deg.max()
        parts.append(f"horizon table of {_rows(site.horizon.azimuth_deg)}, {low:.2f} to {high:.2f} deg")
    elif isinstance(site.horizon, TerrainHorizon):
        count = len(site.horizon.terrain)
        parts.append(f"horizon from {count} terrain file{'s' * (count != 1)}")
        _check_terrain(reading, site.horizon, site.body)
    else:
        parts.append("flat horizon")
    if isinstance(site.optical_depth, float):
        parts.append(f"optical depth {site.optical_depth:g}")
    elif site.optical_depth is not None:
        parts.append(f"optical depth by {site.optical_depth.against}".replace("tdb_s", "time"))
    if site.dust:
        parts.append(f"dust {site.dust.loss_per_day:.3g} a day")
    if site.ground:
        own = site.ground.temperature
        kind = (
            "of regolith"
            if own is None
            else f"at {own:g} K"
            if isinstance(own, float)
            else "by hour of the day"
        )
        parts.append(f"ground {kind}")
    return ", ".join(parts)


def _check_terrain(reading: Reading, horizon: TerrainHorizon, body: Body) -> None:
    """Open the terrain files that a site names, and read those of a size that is soon read; record their problems."""
    from yieldsim.files.terrain.raster import open_raster
    from yieldsim.files.terrain.raster_metadata import has_terrain_extra
    from yieldsim.files.terrain.reading import read_whole

    if not has_terrain_extra():
        reading.warn("its terrain files are not looked into: the raster libraries are not installed")
        return
    for file in horizon.terrain:
        try:
            raster = open_raster(file, body)
            for line in raster.warnings:
                reading.warn(line)
            if raster.rows * raster.columns <= MOST_PIXELS_CHECKED:
                read_whole(raster)
        except InputError as error:
            reading.problems.extend(one for one in error.problems if one not in reading.problems)


def _collector_words(reading: Reading) -> str:
    collector: Collector = collector_of(reading)
    units = _counted(collector.unit_count, "unit")
    mounts = _counted(len(collector.mounts), "mount")
    parts = [f'collector "{collector.name}"', f"{units} of {collector.aperture_area_m2:g} m2 on {mounts}"]
    acceptance = collector.acceptance
    if isinstance(acceptance, PrescriptionAcceptance):
        parts.append(f"acceptance to be traced from {Path(acceptance.prescription).name}")
    elif isinstance(acceptance, RoundAcceptance):
        parts.append(f"acceptance to {acceptance.incidence_deg[-1]:g} deg for a {acceptance.source} source")
    else:
        shape = " x ".join(str(size) for size in acceptance.acceptance_fraction.shape)
        parts.append(f"acceptance on {shape} pairs of angles for a {acceptance.source} source")
    parts.append("dust shield" if collector.shield else "no dust shield")
    parts.append(f"{collector.fibre.length_m:g} m of fibre" if collector.fibre else "no fibre")
    if collector.radiation:
        parts.append(f"{collector.radiation.dose_gy_per_year:g} Gy a year")
    if collector.thermal:
        layers = _counted(collector.thermal.insulation.layer_count, "layer")
        parts.append(f"temperatures under insulation of {layers}")
    return ", ".join(parts)


def _body_words(reading: Reading) -> str:
    body: Body = body_of(reading)
    parts = [
        f'body "{body.name}"',
        f"ephemeris target {body.ephemeris_target}",
        f"radii {body.equatorial_radius_km:g} and {body.polar_radius_km:g} km",
    ]
    if body.occulters:
        parts.append(f"eclipsed by {' and '.join(occulter.name for occulter in body.occulters)}")
    parts.append("with an atmosphere" if body.atmosphere_scale_height_km else "no atmosphere")
    return ", ".join(parts)


def _prescription_words(reading: Reading) -> str:
    prescription: Prescription = prescription_of(reading)
    lens, funnel, fibre = prescription.lens, prescription.funnel, prescription.fibre
    parts = [f'prescription "{prescription.name}"', f"aperture {prescription.aperture_area_m2:.4g} m2"]
    if lens.material is not None:
        grooves = f" of {lens.groove_count} grooves" if lens.groove_count else ""
        parts.append(f"{lens.kind.replace('_', ' ')} lens{grooves} in {lens.material.name}")
    if funnel is not None:
        made = funnel.material.name if funnel.material is not None else "mirrors"
        parts.append(f"{funnel.shape.replace('_', ' ')} funnel of {made}")
    parts.append(f"fibre face {1000.0 * fibre.width_m:g} mm, aperture {fibre.numerical_aperture:g}")
    return ", ".join(parts)


def _table_words(reading: Reading, text: str) -> str:
    """A CSV table by its header, read by the reader with the likeliest columns."""
    header = next(
        (line for line in text.split("\n") if line.strip() and not line.lstrip().startswith("#")), ""
    )
    names = [cell.strip() for cell in header.split(",")]
    if len(names) > MOST_COLUMNS:
        found = f"heads {len(names)} columns"
        raise refusal(reading.where, found=found, allowed=f"up to {MOST_COLUMNS}")
    if "temperature_k" in names:
        ground = ground_table(reading)
        low, high = ground.temperature_k.min(), ground.temperature_k.max()
        return f"ground temperature table, {_rows(ground.temperature_k)}, {low:g} to {high:g} K"
    if "grain_diameter_um" in names:
        diameter_um, removal = grain_removal_table(reading)
        return f"grain removal table, {diameter_um[0]:g} to {diameter_um[-1]:g} um, {removal.min():g} to {removal.max():g}"
    if "acceptance_fraction" in names or likely("acceptance_fraction", names):
        cells = acceptance_cells(reading)
        size = " x ".join(str(len(angles)) for angles in cells.angles_deg)
        return f"acceptance table, {size} angles, highest {cells.acceptance_fraction.max():g}"
    if "attenuation_db_per_km" in names or likely("attenuation_db_per_km", names):
        attenuation = attenuation_table(reading)
        low, high = attenuation.wavelength_nm[[0, -1]]
        return f"attenuation table, {low:g} to {high:g} nm"
    if "optical_depth" in names or likely("optical_depth", names):
        depth = optical_depth_table(reading)
        low, high = depth.optical_depth.min(), depth.optical_depth.max()
        return f"optical depth table, {_rows(depth.x)}, {low:g} to {high:g}"
    if "elevation_deg" in names or likely("elevation_deg", names):
        mask = horizon_mask(reading)
        mean = np.mean(mask.elevation_deg)
        return f"horizon table, {_rows(mask.azimuth_deg)}, mean {mean:.2f} deg"
    if any(amount in names or likely(amount, names) for amount in LOAD_AMOUNTS):
        named = load_series(reading)
        by = {"utc": "time", "hour": "hour of the day"}[named.series.against]
        return f"load table, {named.column} by {by}, {_rows(named.series.x)}"
    columns = "elevation_deg, acceptance_fraction, optical_depth, attenuation_db_per_km, temperature_k, removal_fraction or power_w"
    raise refusal(reading.where, found="is a table of no known kind", allowed=f"one with a column {columns}")


def _the(body: Body) -> str:
    return f"the {body.name}" if body.name in ("Moon", "Earth") else body.name


def _counted(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


WORDS: dict[str, Callable[[Reading], str]] = {
    "site": _site_words,
    "collector": _collector_words,
    "body": _body_words,
    "prescription": _prescription_words,
    "load": load_words,
    "uncertainty": uncertain_words,
    "design": design_words,
}
"""What a TOML file of each kind holds, in words; the keys are those of `kinds.TOP_KEYS`."""


def _rows(column: Sized) -> str:
    return f"{len(column)} row{'s' * (len(column) != 1)}"
