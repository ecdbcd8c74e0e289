"""Pages from a template and data: tagged PDF/UA with embedded fonts, or PNG; same input, same bytes.

The templates (*.typ beside this module) hold layout only. All text reaches them as JSON strings, never as
markup, so that no character in a name can change the page. Fonts are those that ship with matplotlib; fonts of the
machine are not looked at. Letters that they lack are drawn as boxes: see `report.layout.missing_glyphs`.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from yieldsim.report.layout import style
from yieldsim.report.layout.missing_glyphs import font_folder

TEMPLATES = Path(__file__).parent
SPACES = re.compile(r"[ \t\r\n\f\v]+")
BREAKABLE = "\u200b"
"""A place without width at which a line may break."""


LEAST_FILLED = 0.25
"""Pages less filled than this are avoided: content before them moves over."""
MOST_TRIALS = 6


def set_pdf(template: str, data: Mapping[str, Any], figures: Mapping[str, bytes]) -> bytes:
    """PDF/UA-1 of a template (file name beside this module), its data and its SVG figures by name.

    Templates call `section` of parts.typ where a page may begin. Where the last page would be nearly empty, one begins
    earlier: at the last of those places that leaves no page so.
    """
    best, least = b"", -1.0
    place: int | None = None
    for _ in range(MOST_TRIALS):
        compiler = _compiler(template, {**data, "break_at": place or -1}, figures)
        pages = bytes(compiler.compile(format="pdf", pdf_standards=["ua-1"], timestamp=0))
        marks = json.loads(compiler.query("<mark>", field="value"))
        filled = least_filled(marks, place)
        if filled > least:
            best, least = pages, filled
        place = (len(marks) if place is None else place) - 1
        if least >= LEAST_FILLED or place < 1:
            break
    return best


def least_filled(marks: Sequence[Mapping[str, Any]], place: int | None) -> float:
    """How full the emptier is of the pages that content does not fill of itself: the last, and the one that `place` ends.

    marks   where sections begin, and the end, in order: page from 1 on, and the share of the text's height above
    place   number of the section, from 1 on, at which a page was asked to begin

    >>> least_filled([{"page": 1, "share": 0.5}, {"page": 2, "share": 0.1}], None)
    0.1
    """
    last = 1.0 if marks[-1]["page"] == 1 else marks[-1]["share"]
    if place is None:
        return last
    before = float(marks[place - 1]["share"])
    # at the top of a page there is nothing to end
    return min(last, before) if before > 0.01 else last


def set_png(template: str, data: Mapping[str, Any], figures: Mapping[str, bytes], ppi: float) -> bytes:
    """PNG of a template that fills one page: of a standard size, or, where that doesn't hold it, as high as it needs.

    Set at twice the resolution and averaged down: typst places drawings on whole dots by leaving out a row here and
    there, which at the final resolution cuts letters.
    """
    from PIL.PngImagePlugin import PngImageFile

    page: Any = []
    for tall in (False, True):
        shown = {**data, "break_at": -1, "tall": tall}
        page = _compiler(template, shown, figures).compile(format="png", ppi=2.0 * ppi, timestamp=0)
        if not isinstance(page, list):
            break
    else:
        raise ValueError(f"{template} ran over to {len(page)} pages")
    out = io.BytesIO()
    PngImageFile(io.BytesIO(page)).convert("RGB").reduce(2).save(out, format="PNG", compress_level=6)
    return out.getvalue()


def _compiler(template: str, data: Mapping[str, Any], figures: Mapping[str, bytes]) -> Any:
    import typst

    inputs = {"data": json.dumps(data, ensure_ascii=False, sort_keys=True)}
    inputs |= {f"figure-{name}": svg.decode() for name, svg in figures.items()}
    return typst.Compiler(
        str(TEMPLATES / template), root=str(TEMPLATES), font_paths=_fonts(), sys_inputs=inputs
    )


@cache
def _fonts() -> Any:
    """The fonts in matplotlib's folder and no others."""
    import typst

    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(font_folder())]
    )


def printable(text: str, most: int = 400, unbroken: int = 40) -> str:
    """Text as it may stand on a page: one line, no control characters, cut at `most`.

    Words longer than `unbroken` get places to break; shorter ones are left whole, so that they can be copied.

    >>> printable("a\\x07b"), printable("abcdef", 4)
    ('a�b', 'abc…')
    """
    one_line = SPACES.sub(" ", text)
    kept = (char if char.isprintable() or char == style.NARROW_SPACE else "\ufffd" for char in one_line)
    plain = "".join(kept)
    if len(plain) > most:
        plain = plain[: most - 1].rstrip() + "…"
    return re.sub(
        rf"\S{{{unbroken},}}", lambda word: BREAKABLE.join(re.findall(".{1,12}", word.group())), plain
    )
