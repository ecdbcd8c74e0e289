"""The rows as a page of Markdown and as lines for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import groupby
from typing import Any

from agreement.compare import AGREES, BEYOND, DIFFERS, EXPLAINED, VERDICTS, counts

SIGNS = {"equals": "", "at most": "≤ ", "at least": "≥ ", "between": "", "in words": ""}
COLUMNS = (36, 13, 11, 17)
"""Widths in a terminal: quantity, published, ours, verdict."""

INTRODUCTION = (
    '"Off" is our difference in units of the published uncertainty: the source\'s own, or half a unit of its last digit. '
    "Of a table of values, ours is the largest difference from any of them. Known: *seen* in a stored text of the source; "
    "*derived* from a formula or kernel apart from this package; *memory*: recalled, never counted. Nothing counted was used "
    "to choose a parameter of the model. What the model does not reach stands at the end of each chapter, with the reason. Sources "
    "by their short names are at the end of the page."
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
    differ = f"{by[DIFFERS]} differ{'s' if by[DIFFERS] == 1 else ''}"
    return (
        f"{len(rows)} rows, {len(counted)} of them counted: {by[AGREES]} agree within the published uncertainty, {by[EXPLAINED]} "
        f"differ by no more than a stated difference of the models explains, {differ}. Not counted: {others}."
    )


# ---------------------------------------------------------------- Markdown


def page(rows: Sequence[dict[str, Any]]) -> str:
    """The page: what it is, counts, a table a chapter, reasons below it, what is out of reach, sources."""
    lines = [
        "# Agreement with published values",
        "",
        "Made by `python tests/agree.py --slow --write` from `tests/authorities`; do not edit. "
        + summed_up(rows),
        "",
        INTRODUCTION,
        "",
        "| verdict | meaning | rows |",
        "|---|---|---|",
        *(f"| {name} | {VERDICTS[name]} | {count} |" for name, count in counts(rows).items()),
    ]
    for chapter, group in groupby(rows, key=lambda row: row["chapter"]):
        found = list(group)
        lines += ["", f"## {chapter}", ""]
        lines += _table([row for row in found if row["verdict"] != BEYOND])
        lines += _out_of_reach([row for row in found if row["verdict"] == BEYOND])
    used = sorted({(row["source_key"], row["source"]) for row in rows})
    return "\n".join([*lines, "", "## Sources", "", *(f"- **{key}**: {text}" for key, text in used)]) + "\n"


def _table(rows: list[dict[str, Any]]) -> list[str]:
    """What was computed."""
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
        within = f", ± {number(row['uncertainty'], 2)}" if row["uncertainty"] else ""
        cells = (
            _quantity(row),
            _with_unit(row) + within,
            ours_text(row),
            "" if off is None else number(off, 2),
            row["verdict"] + mark,
            _source(row),
        )
        lines.append(_cells(cells))
    return lines + (
        ["", *(f"{place}. {text}" for place, text in enumerate(reasons, start=1))] if reasons else []
    )


def _out_of_reach(rows: list[dict[str, Any]]) -> list[str]:
    """What is not computed, and why."""
    if not rows:
        return []
    lines = [
        "",
        "Beyond the model:",
        "",
        "| quantity, conditions | published | why | source, known |",
        "|---|---|---|---|",
    ]
    return lines + [_cells((_quantity(row), _with_unit(row), row["because"], _source(row))) for row in rows]


def _cells(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |"


def _quantity(row: dict[str, Any]) -> str:
    return f"**{row['quantity']}**, {row['conditions']}" if row["conditions"] else f"**{row['quantity']}**"


def _with_unit(row: dict[str, Any]) -> str:
    return published_text(row) + ("" if row["unit"] == "1" else f" {row['unit']}")


def _source(row: dict[str, Any]) -> str:
    place = f", {row['place']}" if row["place"] else ""
    return f"{row['source_key']}{place}; *{row['known']}*"


# ---------------------------------------------------------------- terminal


def terminal(rows: Sequence[dict[str, Any]]) -> str:
    """The table in 80 columns; what is beyond the model is counted, not listed."""
    lines = []
    for chapter, group in groupby(rows, key=lambda row: row["chapter"]):
        found = list(group)
        shown = [row for row in found if row["verdict"] != BEYOND]
        lines += ["", chapter, _line((("quantity",), ("published",), ("ours",), ("verdict",)))]
        for row in shown:
            cells = (row["quantity"], _with_unit(row), ours_text(row), row["verdict"])
            wrapped = [textwrap.wrap(cell, width) or [""] for cell, width in zip(cells, COLUMNS, strict=True)]
            for place in range(max(len(cell) for cell in wrapped)):
                lines.append(_line([cell[place : place + 1] or ("",) for cell in wrapped]))
        if len(shown) < len(found):
            lines.append(f"({len(found) - len(shown)} more beyond the model: reports/agreement.md)")
    return "\n".join([*lines, "", *textwrap.wrap(summed_up(rows), 80)]).lstrip("\n") + "\n"


def _line(cells: Sequence[Sequence[str]]) -> str:
    padded = (text.ljust(width) for (text,), width in zip(cells, COLUMNS, strict=True))
    return " ".join(padded).rstrip()
