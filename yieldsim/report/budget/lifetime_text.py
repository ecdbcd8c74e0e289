"""The words and tables of the budget's years, dust and visits, as plain strings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from yieldsim.base.results.budget import BudgetResult
from yieldsim.report.budget.lifetime import cycle_at_end
from yieldsim.report.budget.verdict_text import share_against
from yieldsim.report.layout import style
from yieldsim.report.layout.number_format import decimals_for

CYCLE_ENDS = {
    "": "",
    "shortest": " That is the shortest cycle tried: the shield cannot run more often.",
    "longest": " That is the end of the range tried, at most one shield run in this span: a longer estimate would tell more.",
}
"""What to say of a best cycle that lies at an end of those tried."""
WORTH_A_VISIT = 1e-3
"""A cleaning visit that gains less than this share of the light is not worth a figure."""


def year_rows(life: Mapping[str, Any], target: float) -> list[list[str]]:
    """A row a year."""
    decimals = decimals_for(max(row["delivered_kwh"] for row in life["table"]))
    return [
        [
            str(row["year"]),
            style.fixed(row["delivered_kwh"], decimals),
            *(style.percent(row[key]) for key in ("dust_left", "fibre_left", "lens_left")),
            style.number(row["storage_kwh"]),
            share_against(row["served_fraction"], target),
            style.duration(row["longest_outage_hours"]),
        ]
        for row in life["table"]
    ]


def years_sentence(life: Mapping[str, Any]) -> str:
    """Energy over the life."""
    each = life["delivered_kwh_per_kg"]
    mass = f", {style.quantity(float(each), 'kWh')} for each kilogram of collector" if each else ""
    text = f"{style.energy(life['delivered_kwh'])} delivered in {life['years']} years{mass}."
    first, last = life["first_year_kwh"], life["last_year_kwh"]
    if first > 0.0 and life["years"] > 1:
        text += f" The last year brings {style.percent(last / first)} of the first."
    if life["repeated_days"]:
        text += f" The estimate's first {style.number(life['repeated_days'], 4)} days are repeated."
    return text


def dust_lines(summary: BudgetResult) -> list[str]:
    """What to do about dust, in sentences."""
    dust = summary["dust"]
    if not dust:
        return []
    lines = []
    visit, film, cycle = dust["visit"], dust["film"], dust["cycle"]
    if cycle:
        now, best = cycle["now"], cycle["best"]
        every = f"run every {style.duration(best['cycle_hours'])}" if best["runs"] else "never run"
        lines.append(
            f"The shields net most when they {every} in this span: "
            f"{style.energy(best['net_kwh'] - now['net_kwh'])} of light more than every "
            f"{style.duration(now['cycle_hours'])}, with electricity at "
            f"{style.number(float(dust['light_per_electric'] or 0.0))} kWh of light for each kWh.{CYCLE_ENDS[cycle_at_end(cycle)]}"
        )
    share = visit["gained_kwh"] / max(summary["light"]["delivered_kwh"], 1e-30)
    lines.append(
        f"A cleaning visit that takes off {style.percent(visit['removes'])} of the dust gains "
        f"{style.energy(visit['gained_kwh'])} ({style.percent(share)} of the light) at its best day, "
        f"{visit['best_utc'][:10]}."
    )
    if film:
        own, even = film["film_transmittance"], film["break_even_transmittance"]
        days = film["paid_back_after_days"]
        if even is not None:
            verdict = "less than its film takes" if own < even else "more than its film takes"
            lines.append(
                f"In this run the shield prevents {verdict}: {style.energy(film['with_kwh'])} with shield and film, "
                f"{style.energy(film['without_kwh'])} bare and uncleaned. It breaks even at a film transmittance of "
                f"{style.fixed(float(even), 4)}; this film has {style.number(own, 4)}."
            )
        if days is not None:
            lines.append(f"Shield and film have paid back after {style.number(float(days))} days.")
    return lines


def visit_is_worth_a_figure(summary: BudgetResult) -> bool:
    """Whether a cleaning visit changes anything to look at."""
    assert summary["dust"] is not None
    gained = summary["dust"]["visit"]["gained_kwh"]
    return gained > WORTH_A_VISIT * summary["light"]["delivered_kwh"]
