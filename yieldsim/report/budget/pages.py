"""The budget's pages, `budget.pdf`: who is served, the store, sizes, years, dust, and how sure it all is.

Made from the budget's Dataset and nothing else; the same bytes for the same Dataset.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

import xarray as xr

from yieldsim.base.results.attached import result_of
from yieldsim.base.results.budget import BudgetResult
from yieldsim.report.budget.dispatch import draw_light, draw_loads, draw_store, draw_trade, loads_height_in
from yieldsim.report.budget.lifetime import draw_cycle, draw_service, draw_visits, draw_years
from yieldsim.report.budget.lifetime_text import visit_is_worth_a_figure
from yieldsim.report.budget.text import page_data, sum_served
from yieldsim.report.budget.uncertainty import draw_convergence, draw_curves, draw_ranking, ranking_height_in
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import imprint
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.typst_pages import set_pdf
from yieldsim.report.layout.warning_text import letters_notice

FEWEST_POINTS = 2
"""Points that a curve of units against storage needs."""


def budget_pdf(series: xr.Dataset) -> bytes:
    """The pages as PDF/UA-1 (tagged, fonts embedded), with budget.json attached.

    series   a budget: series over time and load, and budget.json in its attributes
    """
    panels = _panels(series)
    data = page_data(series)
    boxes = letters_notice(data, "budget.json")
    warnings = [*data["warnings"], *([boxes] if boxes else [])]
    data |= {
        "warnings": warnings,
        "imprint": imprint({**result_of(series, BudgetResult), "warnings": warnings}),
        "figures": {name: {"alt": panel.alt} for name, panel in panels.items()},
        "description": f"Budget of a habitat. {data['place']}. {data['collector']}. {data['span']}.",
        "keywords": [
            "habitat",
            "solar concentrator",
            "power budget",
            str(result_of(series, BudgetResult)["site"]["body"]),
        ],
        "summary": series.attrs["summary"],
    }
    return set_pdf("budget.typ", data, {name: panel.svg() for name, panel in panels.items()})


def _panels(series: xr.Dataset) -> dict[str, Panel]:
    """The figures that this budget has something to show in."""
    summary, full, half = result_of(series, BudgetResult), style.FULL_WIDTH_IN, style.HALF_WIDTH_IN
    panels = {
        "loads": Panel(partial(draw_loads, summary), full, loads_height_in(summary), _loads_words(summary)),
        "light": Panel(partial(draw_light, series), full, 2.3, _light_words(summary)),
    }
    if summary["storage"] and summary["storage"]["capacity_kwh"] > 0.0:
        panels["store"] = Panel(partial(draw_store, series, summary), full, 2.2, _store_words(summary))
    if len(summary["trade_curve"]) >= FEWEST_POINTS:
        panels["trade"] = Panel(partial(draw_trade, summary), full, 2.5, _trade_words(summary))
    life, dust, sure = summary["life"], summary["dust"], summary["uncertainty"]
    if life and life["years"] > 1:
        panels["years"] = Panel(
            partial(draw_years, life), full, 2.2, "Energy by year, and what is left of light and store."
        )
        panels["service"] = Panel(
            partial(draw_service, life), full, 2.0, "Served share and longest outage by year."
        )
    if dust and dust["cycle"]:
        panels["cycle"] = Panel(
            partial(draw_cycle, dust), half, 2.4, "Light and net light against the time between shield runs."
        )
    if dust and visit_is_worth_a_figure(summary):
        panels["visits"] = Panel(
            partial(draw_visits, dust), half, 2.4, "Light gained by a visit against its day."
        )
    if sure:
        panels["curves"] = Panel(partial(draw_curves, series, sure), full, 4.6, _sure_words(sure))
        if any(sure["ranking"].values()):
            panels["ranking"] = Panel(
                partial(draw_ranking, sure), full, ranking_height_in(sure), _rank_words(sure)
            )
        panels["convergence"] = Panel(
            partial(draw_convergence, sure), half, 2.2, "P50, P90 and P99 from an eighth of the draws to all."
        )
    return panels


# ---------------------------------------------------------------- figures in words


def _loads_words(summary: BudgetResult) -> str:
    parts = [f"{load['name']} {style.percent(load['served_fraction'])}" for load in summary["loads"]]
    return f"Served shares: {', '.join(parts)}; {style.percent(sum_served(summary))} of all that is asked."


def _light_words(summary: BudgetResult) -> str:
    light = summary["light"]
    return (
        f"Mean power over the run: of {style.energy(light['delivered_kwh'])} delivered, "
        f"{style.energy(light['used_kwh'])} used straight away, {style.energy(light['charging_kwh'])} charging, "
        f"{style.energy(light['curtailed_kwh'])} curtailed."
    )


def _store_words(summary: BudgetResult) -> str:
    store = summary["storage"]
    assert store is not None
    return (
        f"Energy in the store over the run, between {style.energy(store['lowest_kwh'])} and a capacity of "
        f"{style.energy(store['capacity_kwh'])}, with {summary['outage_count']} outages."
    )


def _trade_words(summary: BudgetResult) -> str:
    pairs = [
        f"{point['units']} units {style.energy(point['storage_kwh'])}" for point in summary["trade_curve"]
    ]
    return f"Units and the smallest storage that goes with them: {'; '.join(pairs)}."


def _sure_words(sure: Mapping[str, Any]) -> str:
    found = sure["outcomes"]["delivered_kwh"]
    levels = ", ".join(f"P{level} {style.energy(found[f'p{level}'])}" for level in (50, 90, 99))
    return f"Share of draws that reach or better a value, four outcomes; light delivered: {levels}."


def _rank_words(sure: Mapping[str, Any]) -> str:
    ranking = next(one for one in sure["ranking"].values() if one)
    parts = [f"{row['what']} {style.percent(row['total'])}" for row in ranking["shares"]]
    return f"Shares of the variance by input: {', '.join(parts)}."
