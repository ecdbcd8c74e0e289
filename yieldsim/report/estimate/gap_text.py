"""Tables of when nothing or less arrives: the longest gaps, and the eclipses of the run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from yieldsim.base.results.estimate import EstimateResult
from yieldsim.report.estimate.gaps import gap_cause
from yieldsim.report.layout import style
from yieldsim.report.layout.period_text import utc
from yieldsim.report.layout.typst_pages import printable

MOST_ECLIPSES = 12
KINDS = {"penumbra": "partial", "umbra": "total"}
"""As an observer at the site says it; an annular one is called so everywhere."""


def gap_rows(ds: xr.Dataset, gaps: Sequence[Mapping[str, Any]]) -> list[list[str]]:
    """A row a gap: rank, from, to, how long, why."""
    return [
        [
            str(rank),
            utc(gap["start_utc"]),
            utc(gap["end_utc"]),
            lasting(gap),
            gap_cause(ds, gap["start_utc"], gap["end_utc"]),
        ]
        for rank, gap in enumerate(gaps, start=1)
    ]


def lasting(gap: Mapping[str, Any]) -> str:
    """How long a gap is within the run; of one that an end of it cuts, the least and, in brackets, its length in all."""
    words = style.duration(gap["hours"])
    if not gap.get("at_least"):
        return words
    whole = style.duration(gap["whole_hours"])
    return f"≥ {words} (in all {'' if gap['whole_known'] else '≥ '}{whole})"


def longest_in_all(summary: EstimateResult) -> str:
    """What to say beside the longest gap within the run where one that an end of it cuts is longer in all; nothing elsewhere."""
    whole = float(summary.get("longest_gap_whole_hours", 0.0))
    if not summary.get("longest_gap_at_least") and whole <= summary["longest_gap_hours"]:
        return ""
    known = "" if summary["longest_gap_whole_known"] else "at least "
    return f"cut by the run's end; in all {known}{style.duration(whole)}"


def eclipse_rows(eclipses: Sequence[Mapping[str, Any]]) -> list[list[str]]:
    """A row an eclipse: from, how long, by what, kind, how much of the disc; the deepest ones, in order of time."""
    deepest = sorted(eclipses, key=lambda row: -row["covered_fraction"])[:MOST_ECLIPSES]
    return [
        [
            row["start_utc"].rstrip("Z").replace("T", " "),
            _lasting(row["start_utc"], row["end_utc"]),
            printable(row["occulter"], 40),
            printable(KINDS.get(row["kind"], row["kind"]), 20),
            style.percent(row["covered_fraction"]),
        ]
        for row in sorted(deepest, key=lambda row: str(row["start_utc"]))
    ]


def _lasting(start_utc: str, end_utc: str) -> str:
    """How long an eclipse lasts, in seconds where it is short: moons of Mars pass in half a minute."""
    begin, end = (np.datetime64(moment.rstrip("Z"), "s") for moment in (start_utc, end_utc))
    seconds = float((end - begin) / np.timedelta64(1, "s"))
    return f"{seconds:.0f}{style.NARROW_SPACE}s" if seconds < 120.0 else style.duration(seconds / 3600.0)


def eclipse_sentence(eclipses: Sequence[Mapping[str, Any]]) -> str:
    """How many there are, by kind, and which are listed.

    >>> eclipse_sentence([{"kind": "penumbra"}, {"kind": "umbra"}, {"kind": "penumbra"}])
    '3 eclipses: 2 partial, 1 total.'
    >>> eclipse_sentence([{"kind": "annular"}])
    '1 eclipse.'
    """
    many = len(eclipses)
    kinds = [printable(KINDS.get(row["kind"], row["kind"]), 20) for row in eclipses]
    counts = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
    by_kind = f": {counts}" if len(set(kinds)) > 1 else f", all {kinds[0]}"
    listed = f" Listed: the {MOST_ECLIPSES} that hide most." if many > MOST_ECLIPSES else ""
    return f"{many} eclipses{by_kind}.{listed}" if many > 1 else "1 eclipse."
