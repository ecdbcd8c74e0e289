"""The page of a traced prescription: the collector with rays, acceptance, losses, spot, flux, spectrum,
etendue."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout.style import (
    BLACK,
    BLUE,
    DELIVERED,
    FULL_WIDTH_IN,
    GREEN,
    INK,
    MUTED,
    ORANGE,
    PAPER,
    POWER_MAP,
    PURPLE,
    RULE,
    SKY_BLUE,
    SMALL_PT,
    SUN,
    VERMILLION,
    YELLOW,
    drawing,
    folded,
    number,
    pdf_bytes,
    percent,
    png_bytes,
    quantity,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAGE_HEIGHT_IN = 10.3
TITLE_PT = 12.0
SHOWN_LOSSES = 7
LOSS_LOOKS = (
    (ORANGE, "////"),
    (SKY_BLUE, ""),
    (VERMILLION, "\\\\\\\\"),
    (YELLOW, ""),
    (PURPLE, "...."),
    (GREEN, ""),
    ("#8A837A", "xxxx"),
)
"""Fill and hatch of the losses, largest first; neighbours differ in lightness too."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Outline:
    """A part in the section through the axis: across and depth, metres."""

    kind: Literal["glass", "mirror", "fibre"]
    across_m: FloatArray
    depth_m: FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Opening:
    """The outline of a mouth or face: half-widths in mm, round or not."""

    half_x_mm: float
    half_y_mm: float
    is_round: bool


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TracePage:
    """All that the page shows, in plain numbers.

    angle_deg, loss_names, shares   one angle (rows,), its causes and (rows, causes), delivered first
    grid                            (transverse, longitudinal, accepted) for a linear collector, else None
    rays_straight, rays_edge        polylines [(n, 2)] across and depth, Sun straight on and at half
    acceptance
    """

    name: str
    facts: Sequence[tuple[str, str]]
    outlines: Sequence[Outline]
    rays_straight: Sequence[FloatArray]
    rays_edge: Sequence[FloatArray]
    edge_deg: float
    angle_words: str
    angle_deg: FloatArray
    shares: FloatArray
    loss_names: Sequence[str]
    grid: tuple[FloatArray, FloatArray, FloatArray] | None
    half_width_deg: float | None
    spot_x_mm: FloatArray
    spot_y_mm: FloatArray
    spot_weight: FloatArray
    mouth: Opening
    flux_x_edges_mm: FloatArray
    flux_y_edges_mm: FloatArray
    flux_w_cm2: FloatArray
    flux_words: str
    mouth_words: str
    face: Opening
    wavelength_nm: FloatArray
    delivered_fraction: FloatArray
    etendue_limit_m2_sr: float
    etendue_used_m2_sr: float
    etendue_lost: Sequence[tuple[str, float]]
    caution: str


def trace_pictures(page: TracePage) -> tuple[bytes, bytes]:
    """The page as PNG, and as PDF with vector graphics and embedded fonts."""
    with drawing(FULL_WIDTH_IN, PAGE_HEIGHT_IN, dpi=160.0) as figure:
        _compose(figure, page)
        return png_bytes(figure), pdf_bytes(figure, f"Traced acceptance: {page.name}")


def _compose(figure: Figure, page: TracePage) -> None:
    title = folded(page.name, FULL_WIDTH_IN, TITLE_PT)
    head_in = 0.23 + 0.19 * (1 + title.count("\n"))
    bands: Any = figure.subfigures(6, 1, height_ratios=(head_in, 3.0, 2.3, 2.55, 2.0, 0.34))
    heading, first, second, third, fourth, foot = bands
    heading.text(0.012, 0.95, title, fontsize=TITLE_PT, fontweight="bold", va="top")
    line = "; ".join(f"{label} {value}" for label, value in page.facts)
    heading.text(0.012, 0.04, line, fontsize=SMALL_PT - 0.2, color=MUTED, va="bottom")
    foot.text(0.012, 0.1, "\n".join(wrap(page.caution, 140)), fontsize=SMALL_PT - 0.3, va="bottom")
    left, right = first.subplots(1, 2, width_ratios=(1.05, 1.0))
    draw_collector(left, page)
    if page.grid is None:
        draw_acceptance(right, page)
    else:
        draw_acceptance_grid(first, right, page)
    draw_losses(second.subplots(), page)
    left, right = third.subplots(1, 2)
    draw_spot(third, left, page)
    draw_flux(third, right, page)
    left, right = fourth.subplots(1, 2, width_ratios=(1.2, 1.0))
    draw_spectrum(left, page)
    draw_etendue(right, page)


def draw_collector(axes: Axes, page: TracePage) -> None:
    """The section through the axis, to scale, with rays straight on and at half acceptance."""
    looks: dict[str, dict[str, Any]] = {
        "glass": {"facecolor": "#CFE4F2", "edgecolor": BLUE, "linewidth": 0.7},
        "mirror": {"facecolor": "none", "edgecolor": BLACK, "linewidth": 1.8},
        "fibre": {"facecolor": "#6B6B6B", "edgecolor": BLACK, "linewidth": 0.7},
    }
    for ray in page.rays_edge:
        axes.plot(ray[:, 0], ray[:, 1], color=VERMILLION, linewidth=0.6, dashes=(4, 2), zorder=2)
    for ray in page.rays_straight:
        axes.plot(ray[:, 0], ray[:, 1], color=SUN, linewidth=0.7, zorder=2)
    for outline in page.outlines:
        closed = outline.kind != "mirror"
        if closed:
            axes.fill(outline.across_m, outline.depth_m, zorder=3, alpha=0.85, **looks[outline.kind])
        else:
            axes.plot(outline.across_m, outline.depth_m, color=BLACK, linewidth=1.8, zorder=3)
    axes.set_aspect("equal", adjustable="datalim")
    axes.invert_yaxis()
    axes.set_title("Section, to scale")
    axes.set_xlabel("Across (m)")
    axes.set_ylabel("Depth from the lens (m)")
    axes.plot([], [], color=SUN, linewidth=1.0, label="Sun straight on")
    axes.plot([], [], color=VERMILLION, linewidth=1.0, dashes=(4, 2), label=f"Sun at {page.edge_deg:.2f}°")
    kinds = {outline.kind for outline in page.outlines}
    for kind, words in (("glass", "lens, solid funnel"), ("mirror", "mirror"), ("fibre", "fibre")):
        if kind in kinds:
            axes.fill([], [], label=words, **looks[kind])
    axes.legend(loc="lower left", handlelength=2.2, borderaxespad=0.1)


def draw_acceptance(axes: Axes, page: TracePage) -> None:
    """Acceptance against incidence, half width marked."""
    accepted = 100.0 * page.shares[:, 0]
    axes.plot(page.angle_deg, accepted, color=DELIVERED, marker="o", markersize=2.0)
    axes.set_ylim(0.0, max(100.0, accepted.max() * 1.05))
    axes.set_xlim(0.0, page.angle_deg[-1])
    if page.half_width_deg is not None:
        level = accepted.max() / 2.0
        axes.plot([0.0, page.half_width_deg], [level, level], color=MUTED, linewidth=0.7, dashes=(3, 2))
        axes.plot([page.half_width_deg] * 2, [0.0, level], color=MUTED, linewidth=0.7, dashes=(3, 2))
        # beside the point, on the side that has room
        right = page.half_width_deg < 0.55 * page.angle_deg[-1]
        axes.annotate(
            f"half of it at {page.half_width_deg:.2f}°",
            (page.half_width_deg, level),
            xytext=(5, 4) if right else (-5, -4),
            textcoords="offset points",
            ha="left" if right else "right",
            va="bottom" if right else "top",
            fontsize=SMALL_PT,
        ).set_in_layout(False)
    axes.annotate(
        percent(accepted[0] / 100.0), (0.0, accepted[0]), xytext=(6, 4), textcoords="offset points",
        fontweight="bold",
    ).set_in_layout(False)  # fmt: skip
    axes.set_title("Acceptance")
    axes.set_xlabel(_angle_label(page))
    axes.set_ylabel("Light that enters the fibre's cone (%)")
    axes.grid(axis="y")


def _angle_label(page: TracePage) -> str:
    return f"{page.angle_words[:1].upper()}{page.angle_words[1:]} (°)"


def draw_acceptance_grid(figure: Any, axes: Axes, page: TracePage) -> None:
    """Acceptance over both projected angles."""
    assert page.grid is not None
    transverse, longitudinal, accepted = page.grid
    t = np.concatenate([-transverse[:0:-1], transverse])
    along = np.concatenate([-longitudinal[:0:-1], longitudinal])
    whole = np.concatenate([accepted[:0:-1], accepted])
    whole = np.concatenate([whole[:, :0:-1], whole], axis=1)
    mesh = axes.pcolormesh(
        t, along, 100.0 * whole.T, cmap=POWER_MAP, shading="gouraud", vmin=0.0, rasterized=True
    )
    half = 0.5 * accepted[0, 0]
    axes.contour(t, along, whole.T, levels=[half], colors="white", linewidths=1.0)
    bar = figure.colorbar(mesh, ax=axes, pad=0.02)
    bar.set_label("Light that enters the fibre's cone (%)", fontsize=SMALL_PT)
    axes.set_title(f"Acceptance; white: {percent(half)}, half of straight on", fontsize=SMALL_PT + 0.5)
    axes.set_xlabel("Transverse angle (°)")
    axes.set_ylabel("Longitudinal angle (°)")


def draw_losses(axes: Axes, page: TracePage) -> None:
    """Where the light on the aperture goes, stacked, against the angle."""
    shares, names = page.shares[:, 1:], list(page.loss_names)
    order = np.argsort(-shares.mean(axis=0), kind="stable")
    kept = [column for column in order[:SHOWN_LOSSES] if shares[:, column].max() > 2e-3]
    rest = [column for column in range(shares.shape[1]) if column not in kept]
    stacks, labels = [page.shares[:, 0]], ["in the fibre's cone"]
    stacks += [shares[:, column] for column in kept]
    labels += [names[column] for column in kept]
    if rest:
        stacks.append(shares[:, rest].sum(axis=1))
        labels.append("all others")
    fills = [(DELIVERED, ""), *LOSS_LOOKS[: len(kept)], (PAPER, "")]
    bands = axes.stackplot(
        page.angle_deg,
        *(100.0 * stack for stack in stacks),
        labels=labels,
        colors=[fill for fill, _ in fills],
        edgecolor=INK,
        linewidth=0.3,
    )
    for band, (_, hatch) in zip(bands, fills, strict=False):
        band.set_hatch(hatch)
    axes.set_xlim(0.0, page.angle_deg[-1])
    axes.set_ylim(0.0, 100.0)
    axes.set_title("Where the light on the aperture goes")
    axes.set_xlabel(_angle_label(page))
    axes.set_ylabel("Share of the light (%)")
    handles, texts = axes.get_legend_handles_labels()
    axes.legend(handles[::-1], texts[::-1], loc="center left", bbox_to_anchor=(1.005, 0.5), handlelength=1.6)


def _outline(axes: Axes, opening: Opening, colour: str) -> None:
    from matplotlib.patches import Circle, Rectangle

    if opening.is_round:
        shape: Any = Circle((0.0, 0.0), opening.half_x_mm)
    else:
        corner = (-opening.half_x_mm, -opening.half_y_mm)
        shape = Rectangle(corner, 2.0 * opening.half_x_mm, 2.0 * opening.half_y_mm)
    shape.set(facecolor="none", edgecolor=colour, linewidth=1.2)
    axes.add_patch(shape)


def draw_spot(figure: Any, axes: Axes, page: TracePage) -> None:
    """Light in the plane of the funnel's mouth (or fibre face), Sun straight on."""
    lit = page.spot_weight > 0.0
    x, y, weight = page.spot_x_mm[lit], page.spot_y_mm[lit], page.spot_weight[lit]
    reach_x, reach_y = 1.5 * page.mouth.half_x_mm, 1.5 * page.mouth.half_y_mm
    edges = [np.linspace(-reach_x, reach_x, 61), np.linspace(-reach_y, reach_y, 61)]
    light, _, _ = np.histogram2d(x, y, bins=edges, weights=weight)
    shown = light / light.max() if light.max() > 0.0 else light
    mesh = axes.pcolormesh(*edges, shown.T, cmap=POWER_MAP, vmin=0.0, rasterized=True)
    _outline(axes, page.mouth, "white")
    if page.mouth.half_y_mm < 3.0 * page.mouth.half_x_mm:
        axes.set_aspect("equal", anchor="W")
    figure.colorbar(mesh, ax=axes, pad=0.02).set_label("Share of the brightest", fontsize=SMALL_PT)
    axes.set_title(f"{page.mouth_words},\nSun straight on; white: its rim", fontsize=SMALL_PT)
    axes.set_xlabel("Across (mm)")
    axes.set_ylabel("Along (mm)")


def draw_flux(figure: Any, axes: Axes, page: TracePage) -> None:
    """Flux on the fibre's face, Sun straight on."""
    mesh = axes.pcolormesh(
        page.flux_x_edges_mm,
        page.flux_y_edges_mm,
        page.flux_w_cm2.T,
        cmap=POWER_MAP,
        vmin=0.0,
        rasterized=True,
    )
    _outline(axes, page.face, "white")
    if page.face.half_y_mm < 3.0 * page.face.half_x_mm:
        axes.set_aspect("equal", anchor="W")
    figure.colorbar(mesh, ax=axes, pad=0.02).set_label("Flux (W/cm²)", fontsize=SMALL_PT)
    axes.set_title(f"Flux on the fibre's face at\n{page.flux_words}", fontsize=SMALL_PT)
    axes.set_xlabel("Across (mm)")
    axes.set_ylabel("Along (mm)")


def draw_spectrum(axes: Axes, page: TracePage) -> None:
    """Share delivered by wavelength, Sun straight on."""
    axes.plot(
        page.wavelength_nm, 100.0 * page.delivered_fraction, color=DELIVERED, marker="o", markersize=2.0
    )
    axes.set_xscale("log")
    ticks = [300, 400, 500, 700, 1000, 1500, 2000, 3000]
    axes.set_xticks(ticks, labels=[str(tick) for tick in ticks])
    axes.minorticks_off()
    axes.set_ylim(0.0, 100.0)
    axes.set_title("Acceptance straight on, by wavelength")
    axes.set_xlabel("Wavelength (nm); dots share sunlight evenly")
    axes.set_ylabel("Acceptance (%)")
    axes.grid(axis="y")


def draw_etendue(axes: Axes, page: TracePage) -> None:
    """What the fibre could take against what the design fills."""
    limit, used = page.etendue_limit_m2_sr, page.etendue_used_m2_sr
    lost = sorted(page.etendue_lost, key=lambda row: -row[1])[:4]
    rows = [("what the fibre takes", limit, RULE), ("filled by this design", used, DELIVERED)]
    rows += [(f"lost: {name}", value, SUN) for name, value in lost]
    for place, (_, value, colour) in enumerate(rows):
        axes.barh(place, value, color=colour, edgecolor=INK, linewidth=0.5, hatch="////" if place > 1 else "")
        axes.annotate(
            f"{number(value * 1e6)}" + (f"  ({percent(value / limit)})" if place == 1 else ""),
            (value, place),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            fontsize=SMALL_PT,
        ).set_in_layout(False)
    axes.set_yticks(range(len(rows)), labels=[name for name, _, _ in rows])
    axes.invert_yaxis()
    axes.set_xlim(0.0, 1.35 * max(value for _, value, _ in rows))
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    axes.set_title("Etendue (10⁻⁶ m² sr)")


def facts_of(summary: dict[str, Any]) -> list[tuple[str, str]]:
    """The line under the title."""
    acceptance, error = summary["acceptance"], summary["statistical_error"]
    width = acceptance.get("half_width_50_deg", acceptance.get("transverse_half_width_50_deg"))
    return [
        ("aperture", quantity(summary["aperture_area_m2"], "m²")),
        ("concentration", f"{number(summary['concentration']['geometric'])}×"),
        ("accepts", f"{percent(acceptance['normal'])} ± {percent(error['normal'])} straight on"),
        ("half-angle", "–" if width is None else f"{width:.2f}°"),
        ("etendue used", percent(summary["etendue_used"])),
        ("for", {"point": "parallel light", "disc": "the disc at 1 au"}[acceptance["source"]]),
    ]
