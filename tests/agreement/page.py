"""The rows as a page of Markdown and as lines for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import groupby
from typing import Any

from agreement.compare import AGREES, DIFFERS, EXPLAINED, VERDICTS, counts

SIGNS = {"equals": "", "at most": "≤ ", "at least": "≥ ", "between": ""}
COLUMNS = (36, 13, 11, 17)
"""Widths in a terminal: quantity, published, ours, verdict."""

INTRODUCTION = (
    '"Off" is our difference in units of the published uncertainty: the source\'s own, or half a unit of its last digit. '
    "Of a table of values, ours is the largest difference from any of them. Known: *seen* in a stored text of the source; "
    "*derived* from a formula or kernel apart from this package; *memory*: recalled, never counted. Nothing counted was used "
    "to choose a parameter of the model."
)


def number(value: float | None, digits: int = 4) -> str:
    """A number for reading.

    >>> number(0.00035048), number(668.5905794, 7), number(120000.0), number(None)
    ('0.0003505', '668.5906', '120 000', '')
    """
    if value is None:
        return ""
    if value != 0.0 and (abs(value) < 1e-4 or abs(value) >= 1e7):
        return f"{value:.3g}"
    text = f"{value:.{digits}g}" if abs(value) < 10.0**digits else f"{value:.0f}"
    if "e" in text:
        text = f"{float(text):f}".rstrip("0").rstrip(".")
    whole, dot, part = text.partition(".")
    sign, whole = ("-", whole[1:]) if whole.startswith("-") else ("", whole)
    return sign + (f"{int(whole):,}".replace(",", " ") if len(whole) > 4 else whole) + dot + part


def published_text(row: dict[str, Any]) -> str:
    """The published value with its sign of relation."""
    if " values of " in row["published"]:
        return row["published"].split(" of ")[0]
    return SIGNS[row["relation"]] + row["published"]


def ours_text(row: dict[str, Any]) -> str:
    """Ours, to a digit more than theirs; for a table the largest difference."""
    if row["ours"] is None:
        return ""
    if " values of " in row["published"]:
        return f"off by {number(row['ours'], 2)}"
    digits = len(row["published"].split(" to ")[0].replace(".", "").lstrip("-0").split("e")[0])
    return number(row["ours"], max(digits + 1, 3))


def summed_up(rows: Sequence[dict[str, Any]]) -> str:
    """What the rows come to, in one sentence."""
    counted = [row for row in rows if row["counted"]]
    by = counts(counted)
    rest = counts([row for row in rows if not row["counted"]])
    others = ", ".join(f"{count} {name}" for name, count in rest.items() if count)
    return (
        f"{len(rows)} rows, {len(counted)} of them counted: {by[AGREES]} agree within the published uncertainty, {by[EXPLAINED]} "
        f"differ by no more than a stated difference of the models explains, {by[DIFFERS]} differ. Not counted: {others}."
    )


# ---------------------------------------------------------------- Markdown


def page(rows: Sequence[dict[str, Any]]) -> str:
    """The page: what it is, counts, a table a chapter, reasons below each."""
    lines = [
        "# Agreement with published values",
        "",
        "Made by `python tests/agree.py --slow --write` from `tests/authorities`; do not edit. "
        + summed_up(rows),
        "",
        INTRODUCTION,
        "",
        "| verdict | meaning |",
        "|---|---|",
        *(f"| {name} | {meaning} |" for name, meaning in VERDICTS.items()),
    ]
    for chapter, group in groupby(rows, key=lambda row: row["chapter"]):
        lines += ["", f"## {chapter}", "", *_table(list(group))]
    return "\n".join(lines) + "\n"


def _table(rows: list[dict[str, Any]]) -> list[str]:
    lines = [
        "| quantity, conditions | published | ours | off | verdict | source, known |",
        "|---|---|---|---|---|---|",
    ]
    reasons: list[str] = []
    for row in rows:
        mark = ""
        reason = "" if row["verdict"] == AGREES else row["because"]
        words = "; ".join(part for part in (reason, row["note"]) if part)
        if words:
            reasons.append(words)
            mark = f" [{len(reasons)}]"
        off = row["difference_in_uncertainties"]
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        within = number(row["uncertainty"], 2)
        place = f", {row['place']}" if row["place"] else ""
        cells = (
            f"**{row['quantity']}**, {row['conditions']}" if row["conditions"] else f"**{row['quantity']}**",
            f"{published_text(row)}{unit}, ± {within}"
            if row["uncertainty"]
            else f"{published_text(row)}{unit}",
            ours_text(row),
            "" if off is None else number(off, 2),
            row["verdict"] + mark,
            f"{row['source']}{place}; *{row['known']}*",
        )
        lines.append("| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |")
    return lines + (
        ["", *(f"{place}. {text}" for place, text in enumerate(reasons, start=1))] if reasons else []
    )


# ---------------------------------------------------------------- terminal


def terminal(rows: Sequence[dict[str, Any]]) -> str:
    """The table in 80 columns."""
    lines = []
    for chapter, group in groupby(rows, key=lambda row: row["chapter"]):
        lines += ["", chapter, _line((("quantity",), ("published",), ("ours",), ("verdict",)))]
        for row in group:
            unit = "" if row["unit"] == "1" else f" {row['unit']}"
            cells = (row["quantity"], published_text(row) + unit, ours_text(row), row["verdict"])
            wrapped = [textwrap.wrap(cell, width) or [""] for cell, width in zip(cells, COLUMNS, strict=True)]
            for place in range(max(len(cell) for cell in wrapped)):
                lines.append(_line([cell[place : place + 1] or ("",) for cell in wrapped]))
    return "\n".join([*lines, "", *textwrap.wrap(summed_up(rows), 80)]).lstrip("\n") + "\n"


def _line(cells: Sequence[Sequence[str]]) -> str:
    padded = (text.ljust(width) for (text,), width in zip(cells, COLUMNS, strict=True))
    return " ".join(padded).rstrip()
