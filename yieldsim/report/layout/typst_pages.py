"""Pages from a template and data: tagged PDF/UA with embedded fonts, or PNG; same input, same bytes.

The templates (*.typ beside this module) hold layout only. All text reaches them as JSON strings, never as
markup, so that no character in a name can change the page. Fonts are those that ship with matplotlib; fonts of the
machine are not looked at. Letters that they lack are drawn as boxes: see `report.layout.missing_glyphs`.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from yieldsim.report.layout import style
from yieldsim.report.layout.missing_glyphs import font_folder

TEMPLATES = Path(__file__).parent
SPACES = re.compile(r"[ \t\r\n\f\v]+")
BREAKABLE = "\u200b"
"""A place without width at which a line may break."""


def set_pdf(template: str, data: Mapping[str, Any], figures: Mapping[str, bytes]) -> bytes:
    """PDF/UA-1 of a template (file name beside this module), its data and its SVG figures by name."""
    pages = _compiler(template, data, figures).compile(format="pdf", pdf_standards=["ua-1"], timestamp=0)
    return bytes(pages)


def set_png(template: str, data: Mapping[str, Any], figures: Mapping[str, bytes], ppi: float) -> bytes:
    """PNG of a template that fills one page.

    Set at twice the resolution and averaged down: typst places drawings on whole dots by leaving out a row here and
    there, which at the final resolution cuts letters.
    """
    from PIL.PngImagePlugin import PngImageFile

    page = _compiler(template, data, figures).compile(format="png", ppi=2.0 * ppi, timestamp=0)
    if isinstance(page, list):
        raise ValueError(f"{template} ran over to {len(page)} pages")
    out = io.BytesIO()
    PngImageFile(io.BytesIO(page)).convert("RGB").reduce(2).save(out, format="PNG", compress_level=9)
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
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[str(font_folder())],
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
