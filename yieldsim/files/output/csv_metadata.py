"""What the columns of an estimate's tables mean, and what the tables rest on, as CSV on the Web metadata.

A comment inside a table would stop simple readers. The W3C recommendation "Metadata Vocabulary for Tabular
Data" (2015, section 5.2) has tools look for csv-metadata.json in the folder of a table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from yieldsim.base.dataset import column_note
from yieldsim.base.variables import VOCABULARY

METADATA_NAME = "csv-metadata.json"

PERIODS = {
    "time_utc": ("", "start of the interval, UTC, ISO 8601"),
    "date_utc": ("", "day, UTC"),
    "month": ("", "calendar month, UTC"),
    "year": ("", "calendar year, UTC"),
    "solar_longitude_from_deg": ("degree", "solar longitude Ls at which the part of the year begins"),
    "solar_longitude_to_deg": ("degree", "and at which it ends"),
    "solar_day": (
        "1",
        "solar day of the site, cut at local true midnight, from 0; first and last are usually incomplete",
    ),
}
SUMS = {
    "hours": ("hour", "hours of the run in the period"),
    "delivered_kwh": ("kWh", "energy delivered at the fibre's far end, all units"),
    "sun_following_kwh": (
        "kWh",
        "what an ideal Sun-following aperture of the same area and losses would deliver",
    ),
    "beam_kwh_m2": ("kWh m-2", "direct light on a plane facing the Sun, after air, mask and eclipse"),
    "shield_kwh_electric": ("kWh", "electricity drawn by the dust shields, all units"),
    "hours_delivering": ("hour", "hours during which any light is delivered"),
    "hours_lit": ("hour", "hours of sunlight, each weighted by the visible share of the Sun's disc"),
}
DATATYPES = {
    "time_utc": "dateTime",
    "date_utc": "date",
    "month": "gYearMonth",
    "year": "gYear",
    "solar_day": "integer",
}


def csv_metadata(tables: Mapping[str, Iterable[str]], provenance: Mapping[str, Any]) -> dict[str, Any]:
    """Metadata of tables, each a file name and its columns.

    Raises KeyError for a column of no known meaning.
    """
    return {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "dc:provenance": dict(provenance),
        "tables": [
            {"url": name, "tableSchema": {"columns": [_column(column) for column in columns]}}
            for name, columns in tables.items()
        ],
    }


def column_notes(columns: Iterable[str]) -> list[dict[str, str]]:
    """Unit and meaning of each of a table's columns."""
    words = {name: _words(name) for name in columns}
    return [{"column": name, "unit": unit, "meaning": meaning} for name, (unit, meaning) in words.items()]


def _column(name: str) -> dict[str, str]:
    unit, meaning = _words(name)
    found = {"titles": name, "dc:description": meaning, "datatype": DATATYPES.get(name, "number")}
    return found | {"schema:unitText": unit} if unit else found


def _words(name: str) -> tuple[str, str]:
    """Unit and meaning of a column."""
    if name in PERIODS or name in SUMS:
        return {**PERIODS, **SUMS}[name]
    first, _, rest = name.partition("_")
    mount = first.removeprefix("mount")
    if mount.isdigit():
        word = f"mount_{rest}" if f"mount_{rest}" in VOCABULARY else rest
        note = column_note(name, word, f"mount {mount}: ")
    else:
        note = column_note(name, name, "smallest over the mounts: " if name == "incidence_deg" else "")
    return note["unit"], note["meaning"]
