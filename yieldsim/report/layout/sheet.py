"""Sheets: figures and tables of one result on A4 pages, or as one picture of the same width.

Every sheet says what it rests on, its warnings, its cautions and its span; see `report.layout.imprint`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, NamedTuple

from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.report.layout.imprint import imprint
from yieldsim.report.layout.panel import Panel
from yieldsim.report.layout.typst_pages import printable, set_pdf, set_png
from yieldsim.report.layout.vector_figure import VectorFigure
from yieldsim.report.layout.warning_text import letters_notice, warning_line

PICTURE_PPI = 160.0
MOST_TITLE = 120


class Pages(NamedTuple):
    """The same content twice."""

    pdf: bytes
    png: bytes


@dataclass(frozen=True, slots=True)
class Drawn:
    """A figure under a heading; words below it where they are needed."""

    panel: Panel | VectorFigure
    heading: str = ""
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Tabled:
    """A table under a heading.

    wide    a number a column: its share of the width, 0 as wide as its content
    left    columns whose cells stand left; numbers stand right
    """

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    wide: Sequence[float]
    left: Sequence[int] = (0,)
    heading: str = ""
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What stands on the pages of one result.

    kicker    what kind of result it is
    lines     place, collector, span, what the numbers are
    summary   the result's JSON: warnings, cautions, provenance, span
    where     the file that holds names in full
    """

    kicker: str
    title: str
    lines: Sequence[str]
    parts: Sequence[Drawn | Tabled]
    summary: Mapping[str, Any]
    where: str


def pages(sheet: Sheet) -> Pages:
    """The sheet as PDF/UA-1 on A4, and as one PNG as wide as A4. Each figure is drawn once; the two are set side by side."""
    figures, data = _figures(sheet), _data(sheet)
    with ThreadPoolExecutor(1) as beside:
        # typst holds no lock of Python's while it sets
        png = beside.submit(_picture, data, figures)
        return Pages(set_pdf("sheet.typ", data | {"picture": False}, figures), png.result())


def picture(sheet: Sheet) -> bytes:
    """The PNG alone."""
    return _picture(_data(sheet), _figures(sheet))


def _picture(data: Mapping[str, Any], figures: Mapping[str, bytes]) -> bytes:
    return set_png("sheet.typ", {**data, "picture": True}, figures, PICTURE_PPI)


def _figures(sheet: Sheet) -> dict[str, bytes]:
    return {f"part-{place}": part.panel.svg() for place, part in _drawn(sheet)}


def _drawn(sheet: Sheet) -> list[tuple[int, Drawn]]:
    return [(place, part) for place, part in enumerate(sheet.parts) if isinstance(part, Drawn)]


def _data(sheet: Sheet) -> dict[str, Any]:
    shown = {
        "title": printable(sheet.title, MOST_TITLE, 25),
        "kicker": sheet.kicker,
        "lines": [printable(line) for line in sheet.lines],
        "parts": [_part(place, part) for place, part in enumerate(sheet.parts)],
        "figures": {f"part-{place}": {"alt": part.panel.alt} for place, part in _drawn(sheet)},
        "cautions": [printable(str(line)) for line in sheet.summary.get("cautions") or CAUTIONS],
    }
    warnings = [str(line) for line in sheet.summary.get("warnings") or ()]
    boxes = letters_notice([shown, warnings], sheet.where)
    lines = [*map(warning_line, warnings), *([boxes] if boxes else [])]
    return shown | {"warnings": lines, "imprint": imprint({**sheet.summary, "warnings": lines})}


def _part(place: int, part: Drawn | Tabled) -> dict[str, Any]:
    common = {"heading": part.heading, "caption": part.caption}
    if isinstance(part, Drawn):
        return common | {"figure": f"part-{place}"}
    return common | {
        "head": list(part.head),
        "rows": [[printable(cell, 200) for cell in row] for row in part.rows],
        "wide": list(part.wide),
        "left": list(part.left),
    }
