"""The same collector at several sites: one row a site, put in order, with what decides it side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal, get_args

RankGoal = Literal["annual", "worst-month", "shortest-gap", "hours", "units", "load"]
RANK_GOALS: tuple[RankGoal, ...] = get_args(RankGoal)
KEYS: Mapping[str, tuple[str, bool]] = {
    "annual": ("annual_kwh", True),
    "worst-month": ("worst_month_kwh", True),
    "shortest-gap": ("longest_gap_whole_hours", False),
    "hours": ("hours_delivering_per_year", True),
    "units": ("units_for_power", False),
    "load": ("served_fraction", True),
}
"""Of each goal: the key of a row that decides, and whether more is better."""


def units_for_power(power_w: float, mean_power_w: float, units: int) -> int | None:
    """Units whose mean power is at least a stated one: with storage for the gaps and no loss in it. None
    where there is no light.

    mean_power_w   of `units` units
    """
    if mean_power_w <= 0.0:
        return None
    return max(1, math.ceil(units * power_w / mean_power_w - 1e-9))


def kept_by_stage(ledger: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """What each stage leaves of the light that reaches it: stage and kept_fraction (None where none reaches
    it)."""
    rows: list[dict[str, Any]] = []
    before: float | None = None
    for row in ledger:
        kwh = float(row["kwh"])
        if before is not None:
            rows.append({"stage": str(row["stage"]), "kept_fraction": kwh / before if before > 0.0 else None})
        before = kwh
    return rows


def ranked(rows: Sequence[dict[str, Any]], goal: RankGoal) -> list[dict[str, Any]]:
    """Rows in the order of the goal, each with its rank; equals share one and go by annual energy, then by
    name.

    A site without a value for the goal comes last.
    """
    key, more = KEYS[goal]

    def order(row: dict[str, Any]) -> tuple[float, float, str]:
        value = row[key]
        first = math.inf if value is None else (-float(value) if more else float(value))
        return first, -float(row["annual_kwh"]), str(row["site"]["name"])

    found = sorted(rows, key=order)
    ranks: list[int] = []
    for place, row in enumerate(found):
        same = place > 0 and row[key] == found[place - 1][key]
        ranks.append(ranks[-1] if same else place + 1)
    return [{"rank": rank, **row} for rank, row in zip(ranks, found, strict=True)]
