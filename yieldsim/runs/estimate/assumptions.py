"""What an estimate takes as given, said row by row with what was left at its default; limits and how near they are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.constants import FACE_FLUX_LIMIT_W_CM2, SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.model import (
    AttenuationTable,
    BiaxialAcceptance,
    Collector,
    HorizonMask,
    OpticalDepthTable,
    Shield,
    Site,
    TerrainHorizon,
)
from yieldsim.base.results.estimate import LimitResult
from yieldsim.base.results.parts import AssumptionResult
from yieldsim.energy.grain_removal import fresh_removal, settled_removal
from yieldsim.optics.etendue import fibre_etendue_m2_sr, projected_acceptance_sr
from yieldsim.runs.estimate.caveats import fibre_face_w_cm2
from yieldsim.runs.setup.prepare import ground_of

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.energy.integration import Setting
    from yieldsim.runs.setup.prepare import Prepared

Row = AssumptionResult
Words = tuple[tuple[str, str, str], ...]

SITE: Words = (
    ("elevation_m", "ground above the ellipsoid", "m"),
    ("mast_height_m", "aperture above the ground", "m"),
)
DUST: Words = (
    ("loss_per_day", "light lost to settling dust", "a day"),
    ("model", "how dust settles", ""),
    ("tilt_exponent", "exponent of cos(tilt) in settling", ""),
    ("floor", "least clean fraction", ""),
)
SHIELD: Words = (
    ("film_transmittance", "transmittance of the film", ""),
    ("removal", "dust removed a cycle", ""),
    ("cycle_hours", "time between cycles", "h"),
    ("duty_minutes", "length of a cycle", "min"),
    ("power_w", "power drawn in a cycle, each unit", "W"),
)
FIBRE: Words = (
    ("length_m", "length", "m"),
    ("packing", "share of the face that is core", ""),
    ("coupling", "coupling", ""),
    ("end_reflection", "reflection at each end", ""),
    ("numerical_aperture", "numerical aperture", ""),
    ("face_diameter_mm", "face diameter", "mm"),
    ("darkening_db_per_km_per_year", "darkening", "dB/km a year"),
)
RADIATION: Words = (
    ("dose_gy_per_year", "dose of the fibre", "Gy a year"),
    ("start_dose_gy", "dose before the run", "Gy"),
    ("fibre_db_per_km", "attenuation added by the first gray", "dB/km"),
    ("fibre_exponent", "power of the dose", ""),
    ("fibre_saturation_db_per_km", "saturation", "dB/km"),
    ("fibre_recovered_fraction", "share that heals", ""),
    ("lens_dose_gy_per_year", "dose of the lens", "Gy a year"),
    ("lens_loss_per_kgy", "lens's transmittance lost", "per kGy"),
)
COLLECTOR: Words = (("aperture_area_m2", "aperture of a unit", "m2"), ("mass_kg", "mass of a unit", "kg"))


LIMITS: Words = (("lowest_k", "lowest it bears", "K"), ("highest_k", "highest it bears", "K"))

GROUND: Words = (
    ("reflectance", "reflectance, Sun overhead", ""),
    ("emittance", "emittance", ""),
    ("sky_temperature_k", "temperature of the sky", "K"),
)
AROUND: Words = (
    ("sunlit_fraction", "share of a cover that the Sun sees", ""),
    ("ground_view", "share of its view that is ground", ""),
)
PARTS: dict[str, Words] = {
    "insulation": (
        ("layer_count", "radiation shields", ""),
        ("inner_emittance", "emittance of their inner faces", ""),
        ("outer_emittance", "emittance of their outer faces", ""),
        ("cover_inner_emittance", "emittance of the cover's inner face", ""),
        ("conductance_w_m2_k", "conductance from layer to layer", "W/(m2 K)"),
        ("layer_spacing_mm", "distance from layer to layer", "mm"),
        ("seams_emittance", "effective emittance of seams", ""),
        ("cover_absorptance", "cover's absorptance of sunlight", ""),
        ("cover_emittance", "cover's emittance", ""),
    ),
    "fibre": (
        ("diameter_mm", "width of the cable", "mm"),
        ("emittance", "emittance of the jacket", ""),
        ("heat_capacity_j_m_k", "heat capacity", "J/(m K)"),
        *LIMITS,
    ),
    "funnel": (
        ("area_m2", "insulated area", "m2"),
        ("emittance", "emittance of the back", ""),
        ("mouth_area_m2", "area of the mouth, else the aperture's", "m2"),
        ("mouth_emittance", "effective emittance of the mouth", ""),
        ("absorbed_fraction", "light of the aperture that it absorbs", ""),
        ("heat_capacity_j_k", "heat capacity", "J/K"),
        *LIMITS,
    ),
    "joint": (
        ("area_m2", "insulated area", "m2"),
        ("emittance", "emittance", ""),
        ("absorbed_fraction", "lost light that it absorbs", ""),
        ("to_funnel_w_k", "conductance to the funnel", "W/K"),
        ("to_fibre_w_k", "conductance to the fibre", "W/K"),
        ("heat_capacity_j_k", "heat capacity", "J/K"),
        *LIMITS,
    ),
}

DE421_WORDS = "under 1 km for Earth, Moon and Mars, below 1e-6 deg at 1 au"
"""W. M. Folkner, J. G. Williams, D. H. Boggs, The Planetary and Lunar Ephemeris DE 421, IPN Progress Report 42-178, 2009 (from
memory: inner planets to under a kilometre, the Moon to under a metre; Mercury worse)."""


def assumptions(ready: Prepared) -> list[Row]:
    """Rows of {of, what, value, default}: value in words with its unit; default: as it is when the file says nothing."""
    return list(_rows(ready))


def _rows(ready: Prepared) -> Iterator[Row]:
    setting = ready.setting
    site, collector = setting.site, setting.collector
    yield from _stated("site", site, SITE)
    yield _horizon(setting)
    if site.body.atmosphere_scale_height_km is not None:
        yield _air(site.optical_depth)
    if site.dust is None:
        yield _row("dust", "settling", "none", default=True)
    else:
        yield from _stated("dust", site.dust, DUST)
        yield _row("dust", "cleaning visits", str(len(site.dust.events)), default=not site.dust.events)
    yield from _stated("collector", collector, COLLECTOR)
    yield _acceptance(setting)
    if collector.shield is None:
        yield _row("shield", "fitted", "none", default=True)
    else:
        yield from _shield(collector.shield)
    if collector.fibre is None:
        yield _row("fibre", "fitted", "none: light counts where it leaves the funnel", default=True)
    else:
        yield from _stated("fibre", collector.fibre, FIBRE)
        yield _attenuation(collector.fibre.attenuation)
    if collector.radiation is not None:
        yield from _stated("radiation", collector.radiation, RADIATION)
    yield from _heat(site, collector)
    yield _row("sunlight", "irradiance at 1 au", f"{SOLAR_IRRADIANCE_1AU_W_M2:g} W/m2, the same all years")
    within = f"within {setting.track.error_bound_deg:.1g} deg"
    yield _row("errors", "Sun's direction, fitted track against ephemeris", within)
    if any(kernel.name.lower().startswith("de421") for kernel in ready.kernels):
        yield _row("errors", "places in JPL DE421 (Folkner et al. 2009)", DE421_WORDS)


def _air(depth: float | OpticalDepthTable | None) -> Row:
    if depth is None:
        return _row("air", "optical depth", "none: air taken as clear", default=True)
    if isinstance(depth, float):
        return _row("air", "optical depth", f"{depth:g} throughout")
    low, high = float(depth.optical_depth.min()), float(depth.optical_depth.max())
    against = "solar longitude" if depth.against == "solar_longitude_deg" else "time"
    words = f"table of {len(depth.x)} rows by {against}, {low:g} to {high:g}"
    return _row("air", "optical depth", words)


def _row(of: str, what: str, value: str, *, default: bool = False) -> Row:
    return {"of": of, "what": what, "value": value, "default": default}


def _heat(site: Site, collector: Collector) -> list[Row]:
    """The ground and what temperatures follow from; nothing where the collector states none."""
    ground, thermal = ground_of(site, collector), collector.thermal
    if ground is None or thermal is None:
        return []
    own = ground.temperature
    kind = (
        f"regolith under the site's Sun, scale depth {ground.scale_depth_m:g} m"
        if own is None
        else f"{own:g} K throughout"
        if isinstance(own, float)
        else f"table of {len(own.temperature_k)} hours, {own.temperature_k.min():g} to {own.temperature_k.max():g} K"
    )
    rows = [_row("ground", "temperature", kind, default=site.ground is None)]
    rows += [*_stated("ground", ground, GROUND), *_stated("heat", thermal, AROUND)]
    for name, words in PARTS.items():
        rows += _stated(f"heat: {name}", getattr(thermal, name), words)
    return rows


def _shield(shield: Shield) -> list[Row]:
    rows = _stated("shield", shield, SHIELD)
    if shield.lowest_removal is not None and shield.highest_removal is not None:
        stated = f"{shield.lowest_removal:g} to {shield.highest_removal:g}"
        rows.insert(2, _row("shield", "range that it may be in", stated))
    if shield.grains is not None:
        grains = shield.grains
        sizes = f"{grains.median_um:g} um by count, geometric sd {grains.geometric_sd:g}"
        rows[1:2] = [
            _row("shield", "grains that settle, median", sizes),
            _row("shield", "dust removed from a fresh deposit", f"{fresh_removal(grains):.3g}"),
            _row("shield", "the same once settled, fine grains gathered", f"{settled_removal(grains):.3g}"),
        ]
    return rows


def _stated(of: str, noun: Any, words: Words) -> list[Row]:
    defaults = {field.name: field.default for field in fields(noun) if field.default is not MISSING}
    rows = []
    for name, what, unit in words:
        value = getattr(noun, name)
        said = "not given" if value is None else value
        if value is not None and not isinstance(value, str):
            said = f"{value:.6g} {unit}".rstrip()
        rows.append(_row(of, what, said, default=name in defaults and defaults[name] == value))
    return rows


def _horizon(setting: Setting) -> Row:
    horizon, dip = setting.site.horizon, f"the bare body's lies at {-setting.dip_deg:.3g} deg"
    if horizon is None or setting.mask is None:
        return _row("horizon", "skyline", f"none: {dip}", default=True)
    low, high = float(setting.mask.elevation_deg.min()), float(setting.mask.elevation_deg.max())
    span = f"{len(setting.mask.azimuth_deg)} azimuths, {low:.2f} to {high:.2f} deg; {dip}"
    if isinstance(horizon, TerrainHorizon):
        reach = "to the files' edge" if horizon.reach_km is None else f"{horizon.reach_km:g} km"
        return _row("horizon", f"skyline from {len(horizon.terrain)} terrain files, reach {reach}", span)
    assert isinstance(horizon, HorizonMask)
    return _row("horizon", "skyline from a table; its reach is in the table's head", span)


def _acceptance(setting: Setting) -> Row:
    table = setting.collector.acceptance_table
    if isinstance(table, BiaxialAcceptance):
        size = f"{len(table.transverse_deg)} x {len(table.longitudinal_deg)} angles"
    else:
        size = f"{len(table.incidence_deg)} angles to {table.incidence_deg[-1]:g} deg, none accepted beyond"
    return _row("collector", f"acceptance for a {table.source} source", size)


def _attenuation(loss: float | AttenuationTable) -> Row:
    if not isinstance(loss, AttenuationTable):
        return _row("fibre", "attenuation", f"{loss:g} dB/km at all wavelengths", default=loss == 0.0)
    low, high = loss.wavelength_nm[[0, -1]]
    least, most = loss.attenuation_db_per_km.min(), loss.attenuation_db_per_km.max()
    span = f"{least:g} to {most:g} dB/km over {low:g} to {high:g} nm, nothing passes outside"
    return _row("fibre", "attenuation", span)


def limits(
    setting: Setting, series: xr.Dataset, step_s: float, change: float, tolerance: float
) -> list[LimitResult]:
    """Rows of {what, limit, reached, unit, holds}: what must not be passed, and how near this run comes."""
    collector = setting.collector
    rows: list[LimitResult] = []
    etendue = fibre_etendue_m2_sr(collector.fibre) if collector.fibre else None
    if etendue is not None:
        used = collector.aperture_area_m2 * projected_acceptance_sr(collector.acceptance_table)
        rows.append(_limit("Etendue of the acceptance, at most the fibre's", etendue, used, "m2 sr", 1.001))
    flux = fibre_face_w_cm2(series, collector)
    if flux is not None:
        what = "Flux on a fibre's face, mean over face and row; default limit"
        rows.append(_limit(what, FACE_FLUX_LIMIT_W_CM2, flux, "W/cm2"))
    drawn, delivered = (
        float(np.sum(series[name].values)) for name in ("shield_power_w", "delivered_power_w")
    )
    if drawn > 0.0:
        hours = float(series.attrs["interval_s"]) / 3.6e6
        what = "Electricity of the shields, at most the light delivered"
        rows.append(_limit(what, hours * delivered, hours * drawn, "kWh"))
    what = f"Change of the total when the step, {step_s:g} s, is halved"
    rows.append(_limit(what, tolerance, abs(change), "of it"))
    return rows


def _limit(what: str, limit: float, reached: float, unit: str, slack: float = 1.0) -> LimitResult:
    return {"what": what, "limit": limit, "reached": reached, "unit": unit, "holds": reached <= limit * slack}


def command_line(ready: Prepared, span_utc: tuple[str, str], tolerance: float) -> str | None:
    """The command that gives this result again, by file names; None where site or collector came from a program."""
    names = {source.role: source.name for source in ready.inputs}
    if not {"site", "collector"} <= names.keys():
        return None
    start, end = span_utc
    return (
        f"yieldsim estimate {names['site']} --collector {names['collector']} --start {start} --end {end} "
        f"--interval-minutes {ready.grid.interval_s / 60.0:g} --tolerance {tolerance:g}"
    )
