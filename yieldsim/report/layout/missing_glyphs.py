"""Letters that the fonts of pages and figures lack: drawn as boxes, and said so beside them."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_LETTERS = 4
BOXES = "boxes"
"""Name of the line that tells of letters without glyphs."""
BOXES_ROOM_IN = 0.2
FAMILIAR = frozenset(map(chr, range(0xA1, 0x100))) | frozenset("–—‘’“”…•→←≤≥≈−√αβγθλμπστφωΔΩ₂")
"""Letters that need no look into the font, which takes a tenth of a second; a test holds that it has them all."""


def font_folder() -> Path:
    """The fonts that ship with matplotlib, which is not loaded for that: the only ones used."""
    found = find_spec("matplotlib")
    if found is None or found.origin is None:
        raise ImportError("no matplotlib, whose fonts are the ones used")
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"


@cache
def _letters() -> frozenset[int]:
    """Code points that DejaVu Sans has a glyph for."""
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(font_folder() / "DejaVuSans.ttf")).get_charmap())


def without_glyph(text: str) -> str:
    """The letters of a text that can only be drawn as boxes, each once, in order.

    >>> without_glyph("Ridge №1, Привет, عرب"), without_glyph("月面, 月")
    ('', '月面')
    """
    if text.isascii():
        return ""
    return "".join(
        letter
        for letter in dict.fromkeys(text)
        if not (letter.isascii() or letter in FAMILIAR)
        and unicodedata.category(letter) not in ("Cc", "Cf", "Zs", "Mn")
        and ord(letter) not in _letters()
    )


def lacking_words(texts: Iterable[str], where: str) -> str:
    """What to say of letters in any of the texts that can only be drawn as boxes; nothing where all can.

    where   what holds the names in full

    >>> lacking_words(["Ridge 月面"], "trace.json")
    'Boxes stand for letters that the fonts used here lack (U+6708 and U+9762); trace.json has the names in full.'
    """
    lacking = "".join(dict.fromkeys("".join(without_glyph(text) for text in texts)))
    if not lacking:
        return ""
    codes = [f"U+{ord(letter):04X}" for letter in lacking[:MOST_LETTERS]]
    listed = codes[0] if len(codes) == 1 else f"{', '.join(codes[:-1])} and {codes[-1]}"
    such = "such as " if len(lacking) > MOST_LETTERS else ""
    return f"Boxes stand for letters that the fonts used here lack ({such}{listed}); {where} has the names in full."


def tell_boxes(figure: Figure, *, size: float, color: str) -> None:
    """Put a line at the foot of a figure with such letters, once."""
    from matplotlib.text import Text

    texts = [text for text in figure.findobj(Text) if isinstance(text, Text)]
    words = lacking_words([text.get_text() for text in texts], "the JSON file beside it")
    if not words or any(text.get_gid() == BOXES for text in texts):
        return
    # a letter is about 0.56 of its size wide
    words = "\n".join(textwrap.wrap(words, max(int(72.0 * figure.get_figwidth() / (0.56 * size)), 20)))
    height_in, engine = figure.get_figheight(), figure.get_layout_engine()
    if engine is not None:
        share = BOXES_ROOM_IN * (1 + words.count("\n")) / height_in
        engine.set(rect=(0.0, share, 1.0, 1.0 - share))  # type: ignore[call-arg]
    figure.text(0.008, 0.04 / height_in, words, size=size, color=color, va="bottom", gid=BOXES)
