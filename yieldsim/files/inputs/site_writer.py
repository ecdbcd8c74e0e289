"""Sites and skylines as the text of the files that sites are read from."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from yieldsim.base.model import Dust, OpticalDepthTable, Site
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.thermal_model import Ground, GroundTable
from yieldsim.files.output.provenance import package_version
from yieldsim.files.text.bundled import body_names
from yieldsim.files.text.decode import decode, read_bytes
from yieldsim.files.text.paths import named_path, shown
from yieldsim.files.toml.parse import toml_table

OPTICAL_DEPTH_FILE, GROUND_FILE = "optical-depth.csv", "ground-temperature.csv"
J2000_UTC = np.datetime64("2000-01-01T11:58:55.816", "ns")
"""TDB second 0 on the clock of UTC, as of then; the five leap seconds since are neglected."""


def body_of_its_own(site_file: Path, site: Site) -> tuple[str, str | None]:
    """How a site file beside names the body: a built-in one (None), or the name and text of the body file that `site_file` names."""
    name = site.body.name.lower()
    if name in body_names():
        return name, None
    where = shown(site_file)
    named = str(toml_table(decode(read_bytes(site_file), where), where)["body"])
    path = named_path(named, site_file)
    return path.name, decode(read_bytes(path), shown(path))


def horizon_text(azimuth_deg: FloatArray, elevation_deg: FloatArray, provenance: Sequence[str]) -> str:
    """A skyline as the table that a site file names: provenance after #, then azimuth_deg,elevation_deg."""
    lines = [f"# {line}" for line in provenance]
    lines.append("azimuth_deg,elevation_deg")
    lines += [f"{a:.10g},{e:.4f}" for a, e in zip(azimuth_deg, elevation_deg, strict=True)]
    return "\n".join(lines).replace(",-0.0000", ",0.0000") + "\n"


def horizon_provenance(
    place: str,
    mast_height_m: float,
    terrain: Sequence[tuple[str, str]],
    reach_km: float | None,
    warnings: Sequence[str],
) -> list[str]:
    """Header lines of a computed skyline.

    terrain   (file name, SHA-256), finest first
    """
    lines = [
        f"Skyline computed by yieldsim {package_version()} from terrain: {place}",
        f"eye {mast_height_m:g} m above the ground; straight lines of sight over the curved body, no refraction",
    ]
    lines += [f"terrain: {name} sha256 {digest}" for name, digest in terrain]
    lines.append("reach: the edge of the files" if reach_km is None else f"reach: {reach_km:g} km")
    return lines + [f"note: {line}" for line in warnings]


def site_text(site: Site, body_file: str, horizon_table: str | None, comment: str) -> str:
    """A site file: place, mast, the horizon's table beside it (None: a flat one), air and dust."""
    lines = [
        f"# {comment}",
        f'name = "{site.name}"',
        f'body = "{body_file}"',
        f"latitude_deg = {site.latitude_deg:.8f}",
        f"longitude_deg = {site.longitude_deg:.8f}",
        f"elevation_m = {site.elevation_m:.2f}",
        f"mast_height_m = {site.mast_height_m:g}",
        "",
        "[horizon]",
        "flat = true" if horizon_table is None else f'table = "{horizon_table}"',
    ]
    if isinstance(site.optical_depth, OpticalDepthTable):
        lines += ["", "[atmosphere]", f'table = "{OPTICAL_DEPTH_FILE}"']
    elif site.optical_depth is not None:
        lines += ["", "[atmosphere]", f"optical_depth = {site.optical_depth!r}"]
    if site.dust is not None:
        lines += _dust_lines(site.dust)
    if site.ground is not None:
        lines += _ground_lines(site.ground)
    return "\n".join(lines) + "\n"


def _dust_lines(dust: Dust) -> list[str]:
    lines = [
        "",
        "[dust]",
        f"loss_per_day = {dust.loss_per_day!r}",
        f'model = "{dust.model}"',
        f"tilt_exponent = {dust.tilt_exponent!r}",
        f"floor = {dust.floor!r}",
    ]
    if dust.events:
        events = ", ".join(
            f"{{ time = {event.time_utc}, removes = {event.removes!r} }}" for event in dust.events
        )
        lines.append(f"events = [{events}]")
    return lines


def _ground_lines(ground: Ground) -> list[str]:
    if ground.temperature is None:
        own = ['model = "regolith"', f"scale_depth_m = {ground.scale_depth_m!r}"]
    elif isinstance(ground.temperature, GroundTable):
        own = [f'table = "{GROUND_FILE}"']
    else:
        own = [f"temperature_k = {ground.temperature!r}"]
    keys = ("reflectance", "emittance", "sky_temperature_k")
    return ["", "[ground]", *own, *(f"{key} = {getattr(ground, key)!r}" for key in keys)]


def tables_beside(site: Site) -> dict[str, str]:
    """Names and texts of the tables, but the skyline, that the text of a site names."""
    found: dict[str, str] = {}
    if isinstance(site.optical_depth, OpticalDepthTable):
        found[OPTICAL_DEPTH_FILE] = optical_depth_text(site.optical_depth)
    if site.ground is not None and isinstance(site.ground.temperature, GroundTable):
        table = site.ground.temperature
        rows = zip(table.local_true_solar_time_hours.tolist(), table.temperature_k.tolist(), strict=True)
        lines = [
            "local_true_solar_time_hours,temperature_k",
            *(f"{hour!r},{kelvin!r}" for hour, kelvin in rows),
        ]
        found[GROUND_FILE] = "\n".join(lines) + "\n"
    return found


def optical_depth_text(table: OpticalDepthTable) -> str:
    """A table of optical depth, by solar longitude or by date, as it is read."""
    if table.against == "solar_longitude_deg":
        first = [f"{x:.10g}" for x in table.x]
    else:
        stamps = J2000_UTC + np.rint(np.asarray(table.x) * 1e9).astype("timedelta64[ns]")
        first = [f"{stamp}Z" for stamp in np.datetime_as_string(stamps, unit="s")]
    head = "solar_longitude_deg" if table.against == "solar_longitude_deg" else "time_utc"
    rows = [f"{x},{depth:.10g}" for x, depth in zip(first, table.optical_depth, strict=True)]
    return "\n".join([f"{head},optical_depth", *rows]) + "\n"
