"""What every page and figure says of itself: version, day and digest of its inputs, span, warnings and cautions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from yieldsim.base.safety_notices import CAUTION_SHORT
from yieldsim.report.layout.typst_pages import printable

DIGEST_LETTERS = 16
"""Letters of the digest on paper: two runs share them by chance once in 10^19 pairs; the JSON files hold all 64."""
NOMINAL = "Nominal values: no margin, no uncertainty."
"""Beside every headline that isn't drawn from uncertain inputs."""


def imprint(summary: Mapping[str, Any]) -> list[str]:
    """The foot of every page: what it rests on, then what it must not be used for.

    summary   a result's JSON: provenance, and span and warnings where it has them
    """
    found = summary.get("provenance") or {}
    parts = [f"yieldsim {found.get('version', 'unknown')}"]
    if found.get("inputs_date"):
        parts.append(f"inputs of {found['inputs_date']}")
    if found.get("digest"):
        parts.append(f"digest {str(found['digest'])[:DIGEST_LETTERS]}")
    if summary.get("start_utc"):
        parts.append(" to ".join(moment(str(summary[f"{end}_utc"])) for end in ("start", "end")) + " UTC")
    count = len(summary.get("warnings") or ())
    told = f"{count} warning{'s' * (count != 1)}: see page 1. " if count else ""
    return [printable(" · ".join(parts), 200), told + CAUTION_SHORT]


def moment(iso: str) -> str:
    """An ISO moment by its day, with hour and minute where it isn't midnight.

    >>> moment("2027-01-01T00:00:00Z"), moment("2027-01-01T06:30:00Z")
    ('2027-01-01', '2027-01-01 06:30')
    """
    day, _, clock = iso.rstrip("Z").partition("T")
    return day if clock in ("", "00:00:00") else f"{day} {clock[:5]}"
