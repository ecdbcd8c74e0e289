"""The words and tables of how sure a budget is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from yieldsim.report.budget.uncertainty import INPUT_WORDS
from yieldsim.report.layout import style

SURE_METHOD = (
    "Draws are scrambled Sobol points in independent scrambles, whose spread gives the standard errors. Each draw "
    "re-weighs the estimate's own sky: Sun, disc, skyline, air, acceptance at every fine step, dust and fibre by rows.",
    "P90 of an outcome is the value reached or bettered in 90 of 100 draws. "
    "An outage of light is a stretch of fine steps without any, as in the estimate.",
    "Shares of the variance are Sobol indices of a quadratic surface fitted to the draws; its R² on draws kept "
    "aside stands beside them.",
)
OUTCOME_WORDS = {
    "delivered_kwh": "Light delivered, kWh",
    "served_fraction": "Served, essential loads (all, if none is), %",
    "unserved_kwh": "Not served of the same, kWh",
    "longest_gap_hours": "Longest outage of light, h",
    "longest_outage_hours": "Longest outage, h",
}


def sure_rows(sure: Mapping[str, Any]) -> list[list[str]]:
    """A row an outcome: nominal, P50, P90, P99 with standard errors."""
    rows = []
    for name, words in OUTCOME_WORDS.items():
        found = sure["outcomes"][name]
        scale = 100.0 if words.endswith("%") else 1.0
        cells = [
            f"{style.number(scale * found[f'p{level}'], 4)} ± "
            f"{style.number(scale * found[f'p{level}_error'], 2)}"
            for level in (50, 90, 99)
        ]
        rows.append([words, style.number(scale * sure["nominal"][name], 4), *cells])
    return rows


def sure_sentence(sure: Mapping[str, Any]) -> str:
    """Draws, seed, how far the surface can be trusted."""
    text = f"{sure['draws']} draws in {sure['scrambles']} scrambles, seed {sure['seed']}."
    explained = [
        f"{style.percent(ranking['explained'])} for the {words}"
        for name, words in (("delivered_kwh", "light"), ("served_fraction", "served share"))
        if (ranking := sure["ranking"].get(name))
    ]
    if explained:
        text += f" The response surface behind the ranking has an R² of {' and '.join(explained)} on draws kept aside."
    departure = sure["nominal_departure"]
    return (
        text
        + f" With all inputs as given the re-weighed sky departs from the estimate by {style.percent(abs(departure))}."
    )


def input_rows(sure: Mapping[str, Any]) -> list[list[str]]:
    """A row an uncertain input: what, how, distribution."""
    names = {
        "normal": ("mean", "standard deviation"),
        "uniform": ("from", "to"),
        "triangular": ("from", "likely", "to"),
        "lognormal": ("median", "sigma"),
        "measured": ("whole years",),
    }
    rows = []
    for one in sure["inputs"]:
        words = ", ".join(
            f"{name} {float(value):g}"
            for name, value in zip(names[one["distribution"]], one["parameters"], strict=True)
        )
        clipped = f"; {one['clipped_draws']} clipped" if one["clipped_draws"] else ""
        name = INPUT_WORDS.get(one["what"], one["what"])
        rows.append([name, one["meaning"], f"{one['distribution']}: {words}{clipped}"])
    return rows
