"""Maps of light on planes of a traced collector: at the funnel's mouth, beside it, on the fibre's face."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout.style import POWER_MAP, TEXT_PT, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_OBLONG = 3.0
"""Length over width up to which a map is drawn to one scale."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Opening:
    """The outline of a mouth or face: half-widths in mm, round or not."""

    half_x_mm: float
    half_y_mm: float
    is_round: bool


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LightMap:
    """Light on a plane.

    title                    short, `words` lines under the map
    x_edges_mm, y_edges_mm   (cells + 1,)
    flux_w_cm2               (cells, cells), x first
    brightest_mm             place to mark, where that is not the middle
    """

    title: str
    words: Sequence[str]
    x_edges_mm: FloatArray
    y_edges_mm: FloatArray
    flux_w_cm2: FloatArray
    opening: Opening
    brightest_mm: tuple[float, float] | None = None


def draw_maps(figure: Any, maps: Sequence[LightMap]) -> None:
    """The maps side by side, each with its own scale of flux."""
    for axes, one in zip(figure.subplots(1, len(maps), squeeze=False)[0], maps, strict=True):
        draw_map(figure, axes, one, 0.9 if len(maps) > 2 else 0.55)


def draw_map(figure: Any, axes: Axes, shown: LightMap, shrink: float) -> None:
    """One map with the outline of mouth or face in white; its words stand under it.

    shrink   width of the scale of flux, in widths of the place for the map
    """
    mesh = axes.pcolormesh(
        shown.x_edges_mm, shown.y_edges_mm, shown.flux_w_cm2.T, cmap=POWER_MAP, vmin=0.0, rasterized=True
    )
    _outline(axes, shown.opening, "white")
    if shown.brightest_mm is not None:
        axes.plot(*shown.brightest_mm, marker="o", markersize=11.0, fillstyle="none", color=VERMILLION)
    across = shown.x_edges_mm[-1] - shown.x_edges_mm[0]
    along = shown.y_edges_mm[-1] - shown.y_edges_mm[0]
    if 1.0 / MOST_OBLONG < along / across < MOST_OBLONG:
        axes.set_aspect("equal")
    axes.set_xlim(shown.x_edges_mm[0], shown.x_edges_mm[-1])
    axes.set_ylim(shown.y_edges_mm[0], shown.y_edges_mm[-1])
    bar = figure.colorbar(mesh, ax=axes, location="bottom", pad=0.03, shrink=shrink, aspect=18)
    bar.set_label("\n".join(("W/cm²", *shown.words)), fontsize=TEXT_PT)
    bar.ax.locator_params(nbins=5)
    axes.locator_params(nbins=5)
    axes.set_title(shown.title)
    axes.set_xlabel("Across (mm)")
    axes.set_ylabel("Along (mm)")


def _outline(axes: Axes, opening: Opening, colour: str) -> None:
    from matplotlib.patches import Circle, Rectangle

    if opening.is_round:
        shape: Any = Circle((0.0, 0.0), opening.half_x_mm)
    else:
        corner = (-opening.half_x_mm, -opening.half_y_mm)
        shape = Rectangle(corner, 2.0 * opening.half_x_mm, 2.0 * opening.half_y_mm)
    shape.set(facecolor="none", edgecolor=colour, linewidth=1.2)
    axes.add_patch(shape)
