"""A collector as files: TOML and the tables it names, such that reading them gives the same collector again."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import fields
from typing import Any

import numpy as np

from yieldsim.base.model import Acceptance, AttenuationTable, Collector, Fibre, RoundAcceptance, Shield
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.radiation_model import Radiation
from yieldsim.base.ranges import range_of
from yieldsim.base.thermal_model import Thermal
from yieldsim.files.tables.band_columns import band_heading


def collector_files(collector: Collector, stem: str, comment: str = "") -> dict[str, str]:
    """File names and texts: `stem`.toml first, then stem.acceptance.csv, stem.grains.csv and stem.fibre.csv where there are
    such tables.

    Numbers are written with all their digits. The acceptance must be a table (TypeError for a prescription not yet traced).
    """
    files: dict[str, str] = {}
    lines = [f"# {line}" for line in comment.splitlines()]
    lines += [
        f"name = {_text(collector.name)}",
        f"aperture_area_m2 = {collector.aperture_area_m2!r}",
        *_given("mass_kg", collector.mass_kg),
    ]
    for mount in collector.mounts:
        lines += ["", "[[mounts]]", *_all_given(mount)]
    table = collector.acceptance_table
    files[f"{stem}.acceptance.csv"] = acceptance_csv(collector)
    lines += ["", "[acceptance]", f"table = {_text(f'{stem}.acceptance.csv')}", f'source = "{table.source}"']
    if collector.shield is not None:
        lines += ["", "[shield]", *_shield(collector.shield)]
        if (grains := collector.shield.grains) is not None:
            lines += ["", "[shield.grains]", f"table = {_text(f'{stem}.grains.csv')}"]
            lines += [
                f"median_um = {_number(grains.median_um)}",
                f"geometric_sd = {_number(grains.geometric_sd)}",
            ]
            files[f"{stem}.grains.csv"] = _csv(
                "grain_diameter_um,removal_fraction",
                zip(grains.diameter_um, grains.removal_fraction, strict=True),
            )
    if collector.fibre is not None:
        lines += ["", "[fibre]", *_fibre(collector.fibre, stem)]
        if isinstance(loss := collector.fibre.attenuation, AttenuationTable):
            rows = zip(loss.wavelength_nm, loss.attenuation_db_per_km, strict=True)
            files[f"{stem}.fibre.csv"] = _csv("wavelength_nm,attenuation_db_per_km", rows)
    if collector.thermal is not None:
        lines += _thermal(collector.thermal)
    if collector.radiation is not None:
        lines += ["", "[radiation]", *_radiation(collector.radiation)]
    return {f"{stem}.toml": "\n".join(lines) + "\n", **files}


def acceptance_csv(collector: Collector) -> str:
    """The acceptance table as the text of a CSV file."""
    columns = acceptance_columns(collector.acceptance_table)
    return _csv(",".join(columns), zip(*columns.values(), strict=True))


def acceptance_columns(table: Acceptance) -> dict[str, FloatArray]:
    """The columns of an acceptance table's file, in order: angles, acceptance, acceptance by band."""
    if isinstance(table, RoundAcceptance):
        columns = {"incidence_deg": table.incidence_deg}
    else:
        transverse, longitudinal = np.meshgrid(table.transverse_deg, table.longitudinal_deg, indexing="ij")
        columns = {"transverse_deg": transverse.ravel(), "longitudinal_deg": longitudinal.ravel()}
    columns["acceptance_fraction"] = table.acceptance_fraction.ravel()
    if table.bands is not None:
        for ends, share in zip(table.bands.wavelength_nm, table.bands.acceptance_fraction, strict=True):
            columns[band_heading(*ends.tolist())] = share.ravel()
    return columns


def _shield(shield: Shield) -> list[str]:
    if shield.grains is None:
        return _all_given(shield, grains=None)
    return _all_given(shield, grains=None, removal=None)


def _fibre(fibre: Fibre, stem: str) -> list[str]:
    if isinstance(fibre.attenuation, AttenuationTable):
        return _all_given(fibre, attenuation=f"table = {_text(f'{stem}.fibre.csv')}")
    return _all_given(fibre, attenuation=f"attenuation_db_per_km = {_number(fibre.attenuation)}")


def _thermal(thermal: Thermal) -> list[str]:
    lines = ["", "[thermal]", *_given("sunlit_fraction", thermal.sunlit_fraction)]
    lines += _given("ground_view", thermal.ground_view)
    for name in ("insulation", "fibre", "funnel", "joint"):
        lines += ["", f"[thermal.{name}]", *_all_given(getattr(thermal, name))]
    return lines


def _radiation(radiation: Radiation) -> list[str]:
    """What differs from its default, as a file that states nothing else of a loss must leave out what shapes it."""
    changed = {field.name for field in fields(radiation) if getattr(radiation, field.name) != field.default}
    return [line for line in _all_given(radiation) if line.partition(" ")[0] in changed]


def _all_given(noun: Any, **own: str | None) -> list[str]:
    """A line for each number of a noun whose keys are called as in the file; `own`: other lines of fields, None for none."""
    lines = []
    for key, value in ((field.name, getattr(noun, field.name)) for field in fields(noun)):
        line = own.get(key)
        if key not in own and value is not None:
            line = f"{key} = {value if range_of(type(noun), key).whole else _number(value)}"
        if line is not None:
            lines.append(line)
    return lines


def _given(key: str, value: float | None) -> list[str]:
    return [] if value is None else [f"{key} = {_number(value)}"]


def _number(value: object) -> str:
    """Shortest digits that give the same number again."""
    return repr(float(value))  # type: ignore[arg-type]


def _text(value: str) -> str:
    """A TOML basic string; JSON's escapes are among TOML's."""
    return json.dumps(value, ensure_ascii=False)


def _csv(header: str, rows: Iterable[Iterable[float]]) -> str:
    return "\n".join([header, *(",".join(_number(value) for value in row) for row in rows)]) + "\n"
