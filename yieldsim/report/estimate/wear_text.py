"""Rows of the report about a shield's stated range, removal by grain size and radiation, for collectors that state them."""

from __future__ import annotations

from yieldsim.base.results.estimate import EstimateResult
from yieldsim.report.layout import style


def wear_rows(summary: EstimateResult) -> list[list[str]]:
    """Rows of two cells: what, and how much; none where the collector states nothing of it."""
    rows = []
    if ends := summary.get("removal_range"):
        kwh = (style.energy(ends["delivered_kwh_at_lowest"]), style.energy(ends["delivered_kwh_at_highest"]))
        between = f"{style.percent(ends['lowest_removal'])} to {style.percent(ends['highest_removal'])}"
        rows.append([f"Delivered with a removal of dust of {between}", " to ".join(kwh)])
    if grains := summary.get("grains"):
        fresh, settled = (style.percent(grains[key]) for key in ("fresh_removal", "settled_removal"))
        words = f"{fresh} of a fresh deposit, {settled} once fine grains gather"
        rows.append(["Dust removed a cycle, by grain size", words])
    if doses := summary.get("radiation"):
        left = ", ".join(f"{style.percent(row['left'])} after {row['years']:g}" for row in doses)
        rows.append(["Light left by radiation in fibre and lens, by years of service", left])
    return rows
