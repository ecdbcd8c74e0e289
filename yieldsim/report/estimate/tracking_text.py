"""The table of fixed units against units that follow the Sun."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from yieldsim.base.results.estimate import EstimateResult
from yieldsim.report.layout import style
from yieldsim.report.layout.number_format import decimals_for


def follower_table(summary: EstimateResult) -> list[list[str]]:
    """A row a unit: how it stands, kWh, longest gap, fixed units for the same energy and for the same gap; empty for an
    estimate that was not asked."""
    found = summary.get("following")
    if not found:
        return []
    rows = found["followers"]
    decimals = decimals_for(found["fixed_kwh_per_unit"])
    mounted = "Fixed, mean of those mounted" if int(summary["collector"]["unit_count"]) > 1 else "Fixed"
    table = [
        [mounted, style.fixed(found["fixed_kwh_per_unit"], decimals), _outage(found, "fixed_"), "–", "–"]
    ]
    for row in rows:
        energy, gap = row["fixed_units_for_same_energy"], row["fixed_units_for_same_gap"]
        table.append(
            [
                row["axes"][:1].upper() + row["axes"][1:],
                style.fixed(row["kwh_per_unit"], decimals),
                _outage(row),
                "–" if energy is None else style.number(float(energy)),
                "none found" if gap is None else str(int(gap)),
            ]
        )
    return table


def _outage(row: Mapping[str, Any], of: str = "") -> str:
    at_least = bool(row.get(f"{of}longest_gap_at_least"))
    return style.duration(row[f"{of}longest_gap_hours"], at_least=at_least)


def follower_sentence(summary: EstimateResult) -> str:
    """What the table compares, and how long a mechanism stands still in it."""
    found = summary.get("following")
    if not found:
        return ""
    words = (
        "One unit of the same aperture and losses. The same energy takes so many fixed units as they are mounted here; the "
        "same longest outage takes so many, each in the orientation where it helps most."
    )
    share, hours = found["tracker_downtime_fraction"], found["tracker_stop_hours"]
    if share > 0.0 or hours > 0.0:
        return (
            f"{words} Tracker downtime: {style.percent(share)} of the light, and once "
            f"{style.duration(hours)} when it is dark the longest."
        )
    return f"{words} Tracker downtime: none here."
