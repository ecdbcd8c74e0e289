"""A figure to be drawn: how, how large, and what it shows in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from yieldsim.report.layout import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Panel:
    """A figure to be drawn: how, how large, and what it shows in words for those who cannot see it."""

    draw: Callable[[Figure], Any]
    width_in: float
    height_in: float
    alt: str

    def svg(self) -> bytes:
        """Draw it."""
        with style.drawing(self.width_in, self.height_in) as figure:
            self.draw(figure)
            return style.svg_bytes(figure)


def laid_out_stretch(figure: Figure, axes: Axes) -> float:
    """How many times longer a unit upwards is drawn than one across; the figure is laid out here, as it stays."""
    if engine := figure.get_layout_engine():
        engine.execute(figure)
        figure.set_layout_engine("none")
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    box = axes.get_window_extent()
    return float((box.height / (high - low)) / (box.width / (right - left)))
