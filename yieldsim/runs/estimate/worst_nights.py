"""The worst nights of a site: the longest times without any part of the Sun in sight, whatever the mounts face, eclipses included."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.clock import iso, tdb_seconds
from yieldsim.base.results.parts import GapResult, NightResult, WorstNightsResult
from yieldsim.energy.gaps import gaps, is_cut
from yieldsim.planning.return_periods import (
    FEWEST_YEARS,
    PERIODS_YEARS,
    level_hours,
    return_periods_years,
    yearly_longest_hours,
)
from yieldsim.runs.estimate.cut_gaps import gap_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from yieldsim.energy.integration import Integrated
    from yieldsim.runs.setup.prepare import Prepared
    from yieldsim.sky.eclipse import Eclipse

NIGHTS_LISTED = 10


def worst_nights(ready: Prepared, result: Integrated, seen: Sequence[Eclipse]) -> WorstNightsResult:
    """The longest nights with their dates; over five whole years or more, the longest of each and their return periods.

    seen   eclipses of the run

    A night in which the Sun is wholly hidden by another body for a while is marked `eclipse`: it may be that eclipse alone.
    """
    edges, period = ready.grid.edge_utc, ready.period
    found = gaps(result.lit, edges[0], result.step_s)
    cut = [gap for gap in found[NIGHTS_LISTED:] if is_cut(gap, edges)]
    rows = gap_rows(ready, [*found[:NIGHTS_LISTED], *cut], result.step_s, of_site=True)
    rows.sort(key=lambda row: -float(row.get("whole_hours", row["hours"])))
    nights: list[NightResult] = [{**row, "eclipse": _eclipsed(row, seen)} for row in rows]
    years = int(period.years)
    told: WorstNightsResult = {"nights": nights[:NIGHTS_LISTED], "step_s": result.step_s, "years": None}
    if years < FEWEST_YEARS:
        return told
    day = np.timedelta64(86_400_000_000_000, "ns")
    whole = {(one["start_utc"], one["end_utc"]): one for one in rows if one["at_least"]}
    ends = []
    for gap in found:
        known = whole.get((iso(gap.start_utc), iso(gap.end_utc)))
        ends.append(
            [gap.start_utc, gap.end_utc]
            if known is None
            else [
                np.datetime64(str(known.get(f"whole_{end}_utc")).rstrip("Z"), "ns")
                for end in ("start", "end")
            ]
        )
    since = (np.array(ends, dtype="datetime64[ns]").reshape(-1, 2) - edges[0]) / day
    yearly = yearly_longest_hours(since[:, 0], since[:, 1], years, period.year_days)
    begins = [
        iso(edges[0] + np.timedelta64(round(year * period.year_days * 86_400e9), "ns"))
        for year in range(years)
    ]
    order = np.argsort(-yearly, kind="stable")
    return {
        **told,
        "years": [
            {"from_utc": begin, "longest_hours": float(hours)}
            for begin, hours in zip(begins, yearly, strict=True)
        ],
        "ranked": [
            {"return_period_years": float(every), "hours": float(yearly[place]), "from_utc": begins[place]}
            for every, place in zip(return_periods_years(years), order, strict=True)
        ],
        "levels": [
            {"return_period_years": every, "hours": level}
            for every in PERIODS_YEARS
            if (level := level_hours(yearly, every)) is not None
        ],
    }


def _eclipsed(row: GapResult, seen: Sequence[Eclipse]) -> bool:
    """Whether a night overlaps the time in which a body hides all of the Sun."""
    start, end = (
        float(tdb_seconds(np.datetime64(str(row.get(f"{of}_utc")).rstrip("Z"), "ns")))
        for of in ("start", "end")
    )
    return any(
        one.kind == "umbra"
        and one.inner_start_tdb_s is not None
        and one.inner_end_tdb_s is not None
        and one.inner_start_tdb_s < end
        and one.inner_end_tdb_s > start
        for one in seen
    )
