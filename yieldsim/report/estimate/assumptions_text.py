"""What a result takes as given, its limits, libraries and command, as rows for the pages."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from yieldsim.base.results.estimate import EstimateResult
from yieldsim.report.layout import style
from yieldsim.report.layout.typst_pages import printable

Json = dict[str, Any]
TERRAIN = (
    "Terrain counts what the skyline hides of the Sun above the bare body's horizon; where the skyline lies lower than that, "
    "sunlight is counted down to the skyline, so that a ridge loses nothing to terrain."
)
UNITS = (
    (re.compile(r"\bm2\b"), "m²"),
    (re.compile(r"\bcm2\b"), "cm²"),
    (re.compile(r" deg\b"), "°"),
    (re.compile(r"(?<![\w.])-(?=[\d.])"), "−"),
)


def as_set(text: str) -> str:
    """A value in words with signs and units as pages have them.

    >>> as_set("-3.16 to -0.86 deg; 2 m2 sr, 1e-6 of it")
    '−3.16 to −0.86°; 2 m² sr, 1e-6 of it'
    """
    for pattern, sign in UNITS:
        text = pattern.sub(sign, text)
    return printable(text, 200)


def assumption_rows(summary: Mapping[str, Any]) -> list[list[str]]:
    """A row an assumption: of what, what, value; those left at their default say so."""
    rows, named = [], ""
    for row in summary.get("assumptions") or ():
        of = str(row["of"])
        value = as_set(str(row["value"])) + (" (default)" if row["default"] else "")
        rows.append(["" if of == named else of[:1].upper() + of[1:], as_set(str(row["what"])), value])
        named = of
    return rows


def limit_rows(summary: EstimateResult) -> list[list[str]]:
    """A row a limit: what, the most allowed, reached, margin of the limit left, verdict."""
    rows = []
    for row in summary.get("limits") or ():
        limit, reached = row["limit"], row["reached"]
        margin = style.percent(1.0 - reached / limit) if limit > 0.0 else "–"
        unit = as_set(row["unit"])
        ends = [f"{style.number(value)}{style.NARROW_SPACE}{unit}" for value in (limit, reached)]
        rows.append([as_set(row["what"]), *ends, margin, "within" if row["holds"] else "passed"])
    return rows


def grounds(summary: Mapping[str, Any]) -> Json:
    """Strings that stand with the files: libraries, command, digest."""
    provenance = summary["provenance"]
    libraries = provenance.get("libraries") or {}
    return {
        "libraries": printable(", ".join(f"{name} {version}" for name, version in libraries.items())),
        "command": printable(str(summary.get("command") or ""), 400, 80),
        "digest": printable(str(provenance.get("digest") or ""), 64, 65),
        "inputs_date": printable(str(provenance.get("inputs_date") or ""), 20),
    }
