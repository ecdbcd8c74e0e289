"""Pages as they lie on paper: letters large enough, none over another, no page nearly empty, each with its grounds at its foot."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import xarray as xr

from yieldsim.report.estimate import pages as estimate_pages
from yieldsim.report.layout import sheet, style, typst_pages
from yieldsim.report.layout.imprint import NOMINAL
from yieldsim.report.layout.panel import Panel

pymupdf = pytest.importorskip("pymupdf")

LEAST_PT = 8.0
LEAST_FILLED = 0.2
CASES = ("lunar polar year, three mounts", "martian year", "three martian days", "all dark")
PROVENANCE = {
    "version": "9.9", "inputs_date": "2026-05-04", "digest": "0123456789abcdef" * 4, "inputs": [], "kernels": [],
    "libraries": {"numpy": "1.2"}, "options": {},
}  # fmt: skip


def spans(page: Any) -> list[dict[str, Any]]:
    return [
        span
        for block in page.get_text("dict")["blocks"]
        for line in block.get("lines", ())
        for span in line["spans"]
        if span["text"].strip()
    ]


def overlaps(page: Any) -> list[tuple[str, str]]:
    """Pairs of upright texts that cover one another by more than a fifth of the smaller one's core, the boxes' line gaps left
    out."""
    boxes = []
    for block in page.get_text("dict")["blocks"]:
        for line in block.get("lines", ()):
            if line["dir"] != (1.0, 0.0):
                continue
            for span in line["spans"]:
                if span["text"].strip():
                    box = pymupdf.Rect(span["bbox"])
                    gap = 0.28 * box.height
                    boxes.append((box + pymupdf.Rect(0.5, gap, -0.5, -gap), span["text"]))
    found = []
    for index, (box, text) in enumerate(boxes):
        for other, words in boxes[index + 1 :]:
            both = box & other
            if not both.is_empty and both.get_area() > 0.2 * min(box.get_area(), other.get_area()):
                found.append((text, words))
    return found


def filled(page: Any) -> float:
    """How far down the page its content comes, its foot left out, as a share of the text's height."""
    top, bottom = 16.0 / 297.0 * page.rect.height, (297.0 - 21.0) / 297.0 * page.rect.height
    ends = [span["bbox"][3] for span in spans(page) if span["bbox"][3] < bottom]
    return float((max(ends) - top) / (bottom - top))


@pytest.mark.parametrize("case", CASES)
def test_reports_lie_well_on_paper(report: Callable[[str], Any], case: str) -> None:
    for number, page in enumerate(report(case), start=1):
        assert page.rect.width == pytest.approx(595.276, abs=0.1), "A4"
        assert page.rect.height == pytest.approx(841.89, abs=0.1)
        small = {
            (round(span["size"], 2), span["text"]) for span in spans(page) if span["size"] < LEAST_PT - 0.01
        }
        assert not small, small
        assert not overlaps(page), (number, overlaps(page))
        assert filled(page) > LEAST_FILLED, number
        text = " ".join(page.get_text().split())
        assert "Estimates: no basis for life support." in text
        assert "UTC" in text


def made_sheet(count: int, height_in: float, rows: int = 3) -> sheet.Sheet:
    def draw(figure: Any) -> None:
        figure.add_subplot().plot(np.arange(3.0))

    parts: list[Any] = [
        sheet.Drawn(Panel(draw, style.FULL_WIDTH_IN, height_in, "a line")) for _ in range(count)
    ]
    parts.append(sheet.Tabled(head=["a", "b"], rows=[["x", "1"]] * rows, wide=[1, 1], heading="Table"))
    summary = {
        "warnings": [f"this is warning {number}" for number in range(9)], "provenance": PROVENANCE,
        "start_utc": "2027-01-01T00:00:00Z", "end_utc": "2028-01-01T06:00:00Z",
    }  # fmt: skip
    return sheet.Sheet("Kind", "Title", ["first line", NOMINAL], parts, summary, "x.json")


@pytest.mark.parametrize(("count", "height_in"), [(1, 3.0), (2, 3.1), (2, 3.8), (3, 2.6), (4, 2.0)])
def test_sheets_of_any_length_leave_no_page_nearly_empty(count: int, height_in: float) -> None:
    found = sheet.pages(made_sheet(count, height_in))
    document = pymupdf.open(stream=found.pdf)
    assert all(filled(page) > LEAST_FILLED for page in document)
    first = " ".join(document[0].get_text().split())
    assert all(f"This is warning {number}" in first for number in range(9)), "none hidden"
    for page in document:
        text = " ".join(page.get_text().split())
        assert (
            "yieldsim 9.9 · inputs of 2026-05-04 · digest 0123456789abcdef · 2027-01-01 to 2028-01-01 06:00 UTC"
            in text
        )
        assert "9 warnings: see page 1." in text
        assert min(span["size"] for span in spans(page)) >= LEAST_PT - 0.01
    assert sheet.pages(made_sheet(count, height_in)) == found, "the same bytes"


def test_a_page_that_would_hold_next_to_nothing_is_given_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the search for a better break the last page of this sheet holds the cautions alone."""
    heights = (2.35, 2.5, 2.65, 2.8)
    monkeypatch.setattr(typst_pages, "MOST_TRIALS", 1)
    last = [filled(pymupdf.open(stream=sheet.pages(made_sheet(3, h)).pdf)[-1]) for h in heights]
    assert min(last) < LEAST_FILLED
    monkeypatch.undo()
    poor = heights[int(np.argmin(last))]
    assert filled(pymupdf.open(stream=sheet.pages(made_sheet(3, poor)).pdf)[-1]) > LEAST_FILLED


@pytest.mark.usefixtures("blank_figures")
def test_assumptions_limits_and_command_stand_in_the_report(make_estimate: Callable[..., xr.Dataset]) -> None:
    ds = make_estimate("three martian days")
    summary = json.loads(ds.attrs["summary"])
    summary |= {
        "assumptions": [
            {"of": "fibre", "what": "length", "value": "15 m", "default": False},
            {"of": "fibre", "what": "coupling", "value": "1", "default": True},
        ],
        "limits": [
            {"what": "Flux on a face", "limit": 100.0, "reached": 25.0, "unit": "W/cm2", "holds": True},
            {"what": "Etendue", "limit": 2.0, "reached": 3.0, "unit": "m2 sr", "holds": False},
        ],
        "command": "yieldsim estimate a.toml --collector b.toml" + 9 * " --elsewhere c.toml",
    }
    summary["provenance"] |= {key: PROVENANCE[key] for key in ("libraries", "digest", "inputs_date")}
    document = pymupdf.open(stream=estimate_pages.report_pdf(ds.assign_attrs(summary=json.dumps(summary))))
    text = " ".join(" ".join(page.get_text() for page in document).split())
    for words in (
        "Fibre length 15 m", "coupling 1 (default)", "75.0 % within", "−50.0 % passed", "100 W/cm²", "numpy 1.2",
        summary["command"], str(PROVENANCE["digest"]), NOMINAL, "Half-width at half-max.",
    ):  # fmt: skip
        assert words in text, words


PAPER = (0xF4 / 255.0, 0xF3 / 255.0, 0xEF / 255.0)
LEAST_MARGIN_PT = 5.9
"""The templates ask for six points above letters and more below the line they stand on."""


def box_margins(page: Any) -> list[tuple[float, float, str]]:
    """Of each box of figures: room above the letters of its first line, below the line of its last, and its words."""
    boxes = [
        one["rect"]
        for one in page.get_drawings()
        if one["fill"] and one["fill"] == pytest.approx(PAPER, abs=0.01) and one["rect"].height > 40.0
    ]
    found = []
    for box in boxes:
        held = [span for span in spans(page) if pymupdf.Point(span["origin"]) in box]
        heights = [(span["origin"][1] - 0.729 * span["size"], span["origin"][1]) for span in held]
        above = min(top for top, _ in heights) - box.y0
        found.append(
            (above, box.y1 - max(line for _, line in heights), " ".join(span["text"] for span in held))
        )
    return found


@pytest.mark.usefixtures("blank_figures")
@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize("case", ["lunar polar year, three mounts", "martian decade", "one day"])
def test_boxes_hold_their_words_with_room_around(
    make_estimate: Callable[..., xr.Dataset], case: str, cut: bool
) -> None:
    ds = make_estimate(case)
    summary = json.loads(ds.attrs["summary"])
    if cut:
        summary |= {
            "longest_gap_at_least": True,
            "longest_gap_whole_hours": summary["longest_gap_hours"] + 9000.0,
            "longest_gap_whole_known": False,
        }
    ds = ds.assign_attrs(summary=json.dumps(summary))
    glance, data, figures, _ = estimate_pages._glance(ds)
    compiled = typst_pages._compiler(glance, {**data, "break_at": -1, "tall": False}, figures).compile(
        format="pdf"
    )
    picture = pymupdf.open(stream=bytes(compiled))
    assert len(picture) == 1, "on one sheet"
    for page in (picture[0], pymupdf.open(stream=estimate_pages.report_pdf(ds))[0]):
        margins = box_margins(page)
        assert len(margins) == 8
        assert all(min(margin[:2]) > LEAST_MARGIN_PT for margin in margins), margins
