"""Figures of terminal tables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def gap_hours(row: Mapping[str, Any], width: int = 0, of: str = "") -> str:
    """Hours of a longest outage of light, marked where an end of the run cuts it.

    >>> gap_hours({"longest_gap_hours": 12.34, "longest_gap_at_least": True}, 8)
    '  >=12.3'
    """
    at_least = ">=" * bool(row[f"{of}longest_gap_at_least"])
    return f"{at_least}{row[f'{of}longest_gap_hours']:.1f}".rjust(width)
