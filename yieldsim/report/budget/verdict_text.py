"""The words of a budget's verdict: pass or fail with margins, sizes never rounded to where they fail."""

from __future__ import annotations

import math

from yieldsim.base.results.budget import BudgetResult
from yieldsim.report.layout import style
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.number_format import decimals_for, plain

MOST_DECIMALS = 6
SIZE_DIGITS = 3


def at_least(size: float) -> float:
    """A size rounded up to three digits, so that what is printed holds.

    >>> at_least(1.6624), at_least(0.0), at_least(2.0)
    (1.67, 0.0, 2.0)
    """
    if size <= 0.0 or not math.isfinite(size):
        return size
    unit = 10.0 ** (math.floor(math.log10(size)) - SIZE_DIGITS + 1)
    return float(f"{math.ceil(size / unit * (1.0 - 1e-12)) * unit:.12g}")


def share_against(share: float, target: float) -> str:
    """A share in per cent with as many decimals as keep it on its own side of a target.

    >>> share_against(0.98954, 0.99), share_against(0.989999, 0.99), share_against(0.995, 0.99)
    ('98.95 %', '98.9999 %', '99.50 %')
    """
    for decimals in range(2, MOST_DECIMALS + 1):
        shown = round(100.0 * share, decimals)
        if share >= target or shown < 100.0 * target:
            return f"{shown:.{decimals}f} %"
    return f"just below {100.0 * target:g} %"


def verdict_word(passes: bool | None) -> str:
    """Pass or fail; a dash where nothing tells.

    >>> verdict_word(True), verdict_word(False), verdict_word(None)
    ('pass', 'fail', '–')
    """
    return "–" if passes is None else "pass" if passes else "fail"


def verdict_rows(summary: BudgetResult) -> list[list[str]]:
    """A row a case or a size: what, required, reached, margin, verdict."""
    verdict = summary["verdict"]
    target, rows = verdict["required"], []
    for row in verdict["cases"]:
        reached = share_against(row["reached"], target)
        margin = f"{plain(100.0 * (row['reached'] - target), 2, sign='+')} points"
        rows.append(
            [row["case"], f"{plain(100.0 * target, 6)} %", reached, margin, verdict_word(row["passes"])]
        )
    for size in verdict["sizes"]:
        needed, given = size["needed"], float(size["given"])
        is_units = size["unit"] == "units"
        unit = "" if is_units else " kWh"
        wants, margin = "no size does", "–"
        if needed is not None:
            wants = str(needed) if is_units else f"{at_least(needed):g} kWh"
            margin = f"{given - needed:+.{0 if is_units else decimals_for(abs(given - needed))}f}{unit}"
        has = f"{given:.0f}" if is_units else f"{given:g}{unit}"
        rows.append([size["case"], wants, has, margin, verdict_word(size["passes"])])
    return rows


def failure_rows(summary: BudgetResult) -> list[list[str]]:
    """A row a single failure: what fails, served, longest outage, verdict, how long it is down on average."""
    target = summary["verdict"]["required"]
    return [
        [
            row["what"],
            share_against(row["reached"], target),
            style.duration(row["longest_outage_hours"]),
            verdict_word(row["passes"]),
            "–" if row["down_fraction"] is None else f"{plain(100.0 * row['down_fraction'], 2)} %",
        ]
        for row in summary["single_failures"]["table"]
    ]


def failures_sentence(summary: BudgetResult) -> str:
    """What the table means, and what is expected with the stated rates."""
    found, target = summary["single_failures"], summary["verdict"]["required"]
    text = (
        "Each row is the whole run with that one failure from its start, nothing repaired: the share that is served of "
        f"what {summary['outages_of']} ask."
    )
    if found["expected_reached"] is not None:
        text += (
            f" With the stated rates of failure and repair {share_against(found['expected_reached'], target)} "
            "is expected, failures that overlap left out."
        )
    return text


def verdict_sentence(summary: BudgetResult) -> str:
    """Pass or fail in one sentence, with the cases that fail."""
    verdict = summary["verdict"]
    target = f"{plain(100.0 * verdict['required'], 6)} % of {summary['outages_of']} (by {verdict['of']})"
    failing = [row["case"] for row in verdict["cases"] if not row["passes"]]
    if not failing:
        return f"Pass: {target} is reached in {', '.join(row['case'] for row in verdict['cases'])}."
    return f"Fail: {target} is not reached in {', '.join(failing)}."


def nominal(summary: BudgetResult) -> str:
    """How sure the headline is: its P90 and P99 where inputs are uncertain, else that nothing was allowed for."""
    sure = summary["uncertainty"]
    if not sure:
        return f"{NOMINAL} --uncertain FILE tells how sure it is."
    kwh = sure["outcomes"]["delivered_kwh"]
    levels = ", ".join(f"P{level} {style.energy(kwh[f'p{level}'])}" for level in (50, 90, 99))
    return f"With the inputs as given. Delivered light over the draws: {levels}; margins are under Verdict."
