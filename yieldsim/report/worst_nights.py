"""The worst nights of one site or of several: how long, how often, a year after another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.report.layout import style
from yieldsim.report.layout.period_text import utc

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.figure import Figure

TICKS_YEARS = (1, 2, 3, 5, 10, 20, 50, 100)
MOST_SITES = 4
"""Curves that are told apart in one frame, in grey too."""
LOOKS = ("-", "--", ":", "-.")


def has_return_periods(nights: Mapping[str, Any] | None) -> bool:
    """Whether a run was long enough for them."""
    return bool(nights) and nights.get("years") is not None  # type: ignore[union-attr]


def night_rows(nights: Mapping[str, Any]) -> list[list[str]]:
    """A row a night, longest first: rank, from, to, how long, whether an eclipse is part of it."""
    rows = []
    for rank, row in enumerate(nights["nights"], start=1):
        begin, end = (utc(row.get(f"whole_{of}_utc", row[f"{of}_utc"])) for of in ("start", "end"))
        at_least = "" if row.get("whole_known", True) else "≥ "
        lasting = at_least + style.duration(row.get("whole_hours", row["hours"]))
        rows.append([str(rank), begin, end, lasting, "yes" if row["eclipse"] else "–"])
    return rows


def night_text(nights: Mapping[str, Any] | None) -> dict[str, Any]:
    """Table and sentence for a page; empty where the run is too short for them."""
    if nights is None or not has_return_periods(nights):
        return {"nights": [], "night_levels": ""}
    return {"nights": night_rows(nights), "night_levels": level_words(nights)}


def level_words(nights: Mapping[str, Any]) -> str:
    """Return periods in a sentence."""
    levels = [
        f"once in {row['return_period_years']:g} years {style.duration(row['hours'])}"
        for row in nights["levels"]
    ]
    return f"The longest night of a year is as long as this or longer: {', '.join(levels)}." if levels else ""


def draw_worst_nights(sites: Sequence[tuple[str, Mapping[str, Any]]], figure: Figure) -> None:
    """Left the longest night of each year in order, right the same ranked, over their return periods; a line a site."""
    yearly, ranked = figure.subplots(1, 2, sharey=True)
    shown = list(sites)[:MOST_SITES]
    highest = max(row["hours"] for _, nights in shown for row in nights["ranked"])
    unit, scale = ("days", 24.0) if highest >= 48.0 else ("h", 1.0)
    for place, (name, nights) in enumerate(shown):
        look: dict[str, Any] = {
            "color": style.DELIVERED if place == 0 else style.INK,
            "linestyle": LOOKS[place],
            "marker": "o",
            "markersize": 2.5,
            "linewidth": 1.0,
            "label": name,
        }
        began = [np.datetime64(row["from_utc"].rstrip("Z"), "D") for row in nights["years"]]
        at = [
            1970.0 + float((day - np.datetime64("1970-01-01")) / np.timedelta64(1, "D")) / 365.25
            for day in began
        ]
        yearly.plot(at, [row["longest_hours"] / scale for row in nights["years"]], **look)
        ranked.plot(
            [row["return_period_years"] for row in nights["ranked"]],
            [row["hours"] / scale for row in nights["ranked"]],
            **look,
        )
    yearly.set_ylim(0.0, 1.1 * max(highest / scale, 1e-9))
    yearly.set_ylabel(f"Longest night of the year ({unit})")
    yearly.set_xlabel("Year that begins then")
    yearly.xaxis.set_major_locator(_whole_years())
    ranked.set_xscale("log")
    longest = max(nights["ranked"][0]["return_period_years"] for _, nights in shown)
    ticks = [year for year in TICKS_YEARS if year <= 1.2 * longest]
    ranked.set_xticks(ticks, [str(year) for year in ticks])
    ranked.minorticks_off()
    ranked.set_xlabel("Return period (years)")
    for axes in (yearly, ranked):
        axes.grid(True)
    if len(shown) > 1:
        yearly.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=MOST_SITES, fontsize=style.SMALL_PT)


def _whole_years() -> Any:
    """At most eight ticks, on whole years."""
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=7, integer=True)
