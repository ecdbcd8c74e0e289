"""A plain figure written as SVG without a drawing library, for pages of few lines: half a second and more of a short command.

Lengths are points (1/72 in), upright positions count from the top. Letters are those of the other figures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from html import escape

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout import style

TICK_PT = 3.0
RULE_PT = 0.6
ROUND_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
NARROW_LETTERS, NARROW_EM, DIGIT_EM, MINUS_EM = ".,°", 0.5, 0.64, 0.84
"""Letters of tick labels in DejaVu Sans: digits 0.636 em, the minus sign 0.838, the degree sign 0.5."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Where axes stand, and the values at their edges.

    logarithmic   whether the upright scale is
    """

    left: float
    top: float
    width: float
    height: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    logarithmic: bool = False

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.top + self.height

    def x(self, values: FloatArray) -> FloatArray:
        """Positions of values along, of their own shape."""
        first, last = self.x_range
        return self.left + self.width * (np.asarray(values, float) - first) / (last - first)

    def y(self, values: FloatArray) -> FloatArray:
        """Positions of values upwards, of their own shape."""
        low, high, shown = *self.y_range, np.asarray(values, float)
        if self.logarithmic:
            low, high, shown = math.log(low), math.log(high), np.log(shown)
        return self.bottom - self.height * (shown - low) / (high - low)


@dataclass(slots=True, eq=False)
class VectorFigure:
    """What is drawn, one above the other, on a page of its own size; `alt` says it for those who cannot see it."""

    width: float
    height: float
    alt: str
    parts: list[str] = field(default_factory=list)

    def svg(self) -> bytes:
        """The figure as SVG."""
        size = f'width="{self.width:g}pt" height="{self.height:g}pt" viewBox="0 0 {self.width:g} {self.height:g}"'
        head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-family="{style.FONT}">'
        return "\n".join([head, *self.parts, "</svg>"]).encode()

    def fill(self, frame: Frame, x: FloatArray, low: FloatArray, high: FloatArray, paint: str) -> None:
        """The area between two curves, left out where either is NaN, cut at the frame; `paint` as SVG attributes."""
        low = np.broadcast_to(low, np.shape(x))
        for part in _stretches(np.isfinite(low) & np.isfinite(high)):
            there = np.concatenate([x[part], x[part][::-1]])
            edge = np.concatenate([high[part], low[part][::-1]])
            self._path(frame, f"{_line(frame, there, edge)}Z", paint)

    def line(
        self, frame: Frame, x: FloatArray, y: FloatArray, stroke: str, width: float, more: str = ""
    ) -> None:
        """A curve, broken where it is NaN, cut at the frame."""
        path = "".join(_line(frame, x[part], y[part]) for part in _stretches(np.isfinite(y)))
        self._path(frame, path, f'fill="none" stroke="{stroke}" stroke-width="{width:g}" {more}')

    def dots(self, frame: Frame, x: FloatArray, y: FloatArray, colour: str, size: float) -> None:
        """Points; those at the frame's edges are whole."""
        there = zip(frame.x(x).tolist(), frame.y(y).tolist(), strict=True)
        path = "".join(f"M{at:.2f} {up:.2f}h.01" for at, up in there)
        look = f'fill="none" stroke="{colour}" stroke-width="{size:g}" stroke-linecap="round"'
        self.parts.append(f'<path d="{path}" {look}/>')

    def rule(self, x: float, y: float, along: float, up: float, stroke: str = style.MUTED) -> None:
        """A thin straight line from a point."""
        self.parts.append(
            f'<path d="M{x:.2f} {y:.2f}l{along:.2f} {-up:.2f}" stroke="{stroke}" stroke-width="{RULE_PT}"/>'
        )

    def text(
        self, x: float, y: float, words: str, size: float = style.SMALL_PT, anchor: str = "middle",
        colour: str = style.INK, upright: bool = False,
    ) -> None:  # fmt: skip
        """Words whose base line stands at `y`; `upright`: turned to be read from below."""
        turn = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if upright else ""
        look = f'font-size="{size:g}" text-anchor="{anchor}" fill="{colour}"{turn}'
        self.parts.append(f'<text x="{x:.2f}" y="{y:.2f}" {look}>{escape(words)}</text>')

    def axes(
        self, frame: Frame, x_ticks: FloatArray, y_ticks: FloatArray, y_words: list[str], y_label: str
    ) -> None:
        """Left and lower edge of a frame with ticks, numbers and the word upwards; numbers along are the caller's."""
        self.rule(frame.left, frame.bottom, 0.0, frame.height)
        self.rule(frame.left, frame.bottom, frame.width, 0.0)
        for at in frame.x(x_ticks).tolist():
            self.rule(at, frame.bottom, 0.0, -TICK_PT)
        for up, words in zip(frame.y(y_ticks).tolist(), y_words, strict=True):
            self.rule(frame.left, up, -TICK_PT, 0.0)
            self.text(frame.left - 2.0 * TICK_PT, up + 0.36 * style.SMALL_PT, words, anchor="end")
        middle = frame.top + 0.5 * frame.height
        self.text(style.TEXT_PT, middle, y_label, style.TEXT_PT, upright=True)

    def _path(self, frame: Frame, path: str, paint: str) -> None:
        name = f"cut{frame.top:g}"
        sides = f'x="{frame.left:g}" y="{frame.top:g}" width="{frame.width:g}" height="{frame.height:g}"'
        cut = f'<clipPath id="{name}"><rect {sides}/></clipPath>'
        if cut not in self.parts:
            self.parts.append(cut)
        self.parts.append(f'<path clip-path="url(#{name})" d="{path}" {paint}/>')


def round_ticks(low: float, high: float, most: int) -> FloatArray:
    """Multiples of 1, 2, 2.5 or 5 times a power of ten from `low` to `high`, at most so many.

    >>> round_ticks(-3.6, 2.8, 8)
    array([-3., -2., -1.,  0.,  1.,  2.])
    """
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    for step in (power * digits for digits in ROUND_STEPS):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first < most:
            break
    return step * np.arange(first, last + 1.0)


def label_width(words: list[str], size: float = style.SMALL_PT) -> float:
    """About how wide the widest of some numbers is, in points."""
    ems = {letter: NARROW_EM for letter in NARROW_LETTERS} | {"−": MINUS_EM}
    return size * max(sum(ems.get(letter, DIGIT_EM) for letter in word) for word in words)


def _stretches(there: np.ndarray) -> list[slice]:
    """Runs of at least two neighbours."""
    ends = np.flatnonzero(np.diff(there.astype(np.int8), prepend=0, append=0))
    return [slice(a, b) for a, b in zip(ends[::2].tolist(), ends[1::2].tolist(), strict=True) if b - a > 1]


def _line(frame: Frame, x: FloatArray, y: FloatArray) -> str:
    there = zip(frame.x(x).tolist(), frame.y(y).tolist(), strict=True)
    return "M" + "L".join(f"{at:.2f} {up:.2f}" for at, up in there)
