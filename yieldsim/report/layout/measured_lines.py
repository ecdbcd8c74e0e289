"""Lines of text broken where they are measured to fill a width, in the figures' font."""

from __future__ import annotations

import textwrap
from functools import cache
from typing import Any

from yieldsim.report.layout.style import FONT


@cache
def _measure(size_pt: float) -> tuple[Any, Any]:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextToPath

    return TextToPath(), FontProperties(family=FONT, size=size_pt)


def width_pt(text: str, size_pt: float) -> float:
    """Width of one line of text in points."""
    measure, font = _measure(size_pt)
    return float(measure.get_text_width_height_descent(text, font, ismath=False)[0])


def filled_lines(text: str, width_in: float, size_pt: float) -> list[str]:
    """A text broken between its words so that no line is wider than `width_in`; a longer word stands alone.

    >>> filled_lines("one two three", 0.7, 10.0)
    ['one two', 'three']
    """
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_pt(longer, size_pt) <= 72.0 * width_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def folded(text: str, width_in: float, size_pt: float) -> str:
    """Text broken between words so that its lines fit a width; line ends of its own stay.

    A bold letter of DejaVu Sans is about 0.64 of its size wide, measured on titles of ours; 0.67 leaves room.

    >>> folded("one two three", 1.0, 14.4).split("\\n")
    ['one two', 'three']
    """
    most = max(int(72.0 * width_in / (0.67 * size_pt)), 1)
    return "\n".join("\n".join(textwrap.wrap(line, most)) for line in text.split("\n"))


def shortened(text: str, most: int) -> str:
    """A text of at most so many letters, its cut end marked."""
    return text if len(text) <= most else text[: most - 1] + "…"
