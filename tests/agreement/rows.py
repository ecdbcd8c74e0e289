"""All rows at once: computed where that is asked for and possible, else as they were kept in `reports/agreement.json`."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

from agreement.compare import WAYS, as_json, comparison, computed
from agreement.published import all_published

KEPT = Path(__file__).resolve().parents[2] / "reports" / "agreement.json"
CHAPTERS = (
    "sky",
    "bodies",
    "polar_light",
    "polar_places",
    "polar_coarse",
    "towers",
    "mars",
    "phoenix",
    "rovers",
    "optics",
    "funnels",
    "limits",
    "habitat",
    "heat",
)
"""Modules that hold our ways to the rows."""


def load_ways() -> None:
    """Fill WAYS."""
    for chapter in CHAPTERS:
        import_module(f"agreement.{chapter}")


def kept() -> dict[str, dict[str, Any]]:
    """Rows of the committed copy by key; none where there is no copy."""
    if not KEPT.is_file():
        return {}
    return {row["key"]: row for row in json.loads(KEPT.read_text(encoding="utf-8"))["rows"]}


def all_rows(slow: bool, told: Callable[[str], None] = lambda key: None) -> list[dict[str, Any]]:
    """Every published row beside ours.

    slow   compute the slow rows too; else, and where their terrain is absent, our kept value is compared again
    told   called with the key of each row that is computed
    """
    load_ways()
    before, found = kept(), []
    for key, row in all_published().items():
        way = WAYS.get(key)
        if way is not None and way.possible and (slow or not way.slow):
            told(key)
            found.append(computed(key))
        else:
            old = before.get(key, {}) if way else {}
            found.append(comparison(row, old.get("ours"), old.get("note", "")))
    return found


def text_of(rows: list[dict[str, Any]]) -> str:
    """The committed copy's text."""
    return as_json(rows)
