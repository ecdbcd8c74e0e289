"""The page of a traced prescription: the collector with rays, acceptance, losses, light at the mouth, beside it and
on the fibre's face, spectrum, etendue."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.optics import TraceResult
from yieldsim.report.layout import style
from yieldsim.report.layout.measured_lines import filled_lines, folded
from yieldsim.report.layout.typst_pages import printable
from yieldsim.report.trace.maps import LightMap, draw_maps

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TITLE_PT = 12.0
PAGE_DPI = 160.0
TEXT_WIDTH_IN = 0.95 * style.FULL_WIDTH_IN
"""Of head and foot; on a picture letters stand on whole dots, a little wider than measured."""
LINE_IN, LINE_SPACING = 0.145, 1.25
"""Height of a line of text of TEXT_PT, and what that is of its letters' own."""
SHOWN_LOSSES = 7
LIGHT_WORDS = {"point": "parallel light", "disc": "the Sun's disc at 1 au"}
LOSS_LOOKS = (
    (style.ORANGE, "////"),
    (style.SKY_BLUE, ""),
    (style.VERMILLION, "\\\\\\\\"),
    (style.YELLOW, ""),
    (style.PURPLE, "...."),
    (style.GREEN, ""),
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
class TracePage:
    """All that the page shows, in plain numbers.

    angle_deg, loss_names, shares   one angle (rows,), its causes and (rows, causes), delivered first
    grid                            (transverse, longitudinal, accepted) for a linear collector, else None
    rays_normal, rays_edge          polylines [(n, 2)] across and depth, Sun at normal incidence
                                    and at half acceptance
    """

    summary: TraceResult
    outlines: Sequence[Outline]
    rays_normal: Sequence[FloatArray]
    rays_edge: Sequence[FloatArray]
    edge_deg: float
    angle_words: str
    angle_deg: FloatArray
    shares: FloatArray
    loss_names: Sequence[str]
    grid: tuple[FloatArray, FloatArray, FloatArray] | None
    maps: Sequence[LightMap]
    wavelength_nm: FloatArray
    delivered_fraction: FloatArray


def trace_pictures(page: TracePage) -> tuple[bytes, bytes]:
    """The page as PNG, and as PDF with vector graphics and embedded fonts."""
    height = _heights_in(page)
    with style.drawing(style.FULL_WIDTH_IN, sum(height), dpi=PAGE_DPI, least_pt=style.TEXT_PT) as figure:
        _compose(figure, page, height)
        return style.png_bytes(figure), style.pdf_bytes(figure, f"Traced acceptance: {page.summary['name']}")


def _heights_in(page: TracePage) -> tuple[float, ...]:
    """Of the head, four rows of figures and the foot."""
    title = folded(page.summary["name"], style.FULL_WIDTH_IN, TITLE_PT).count("\n") + 1
    words = len(_lines(foot_of(page.summary)))
    maps = 2.75 + LINE_IN * max(len(one.words) for one in page.maps)
    head = 0.14 + 0.19 * title + LINE_IN * len(_lines([facts_of(page.summary)]))
    return head, 3.1, 2.25, maps, 1.9, 0.16 + LINE_IN * words


def _lines(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in filled_lines(text, TEXT_WIDTH_IN, style.TEXT_PT)]


def _compose(figure: Figure, page: TracePage, height_in: Sequence[float]) -> None:
    bands: Any = figure.subfigures(6, 1, height_ratios=height_in)
    heading, first, second, third, fourth, foot = bands
    title = folded(page.summary["name"], style.FULL_WIDTH_IN, TITLE_PT)
    heading.text(0.012, 0.97, title, fontsize=TITLE_PT, fontweight="bold", va="top")
    facts = "\n".join(_lines([facts_of(page.summary)]))
    heading.text(
        0.012, 0.04, facts, fontsize=style.TEXT_PT, color=style.MUTED, va="bottom", linespacing=LINE_SPACING
    )
    words = "\n".join(_lines(foot_of(page.summary)))
    foot.text(0.012, 0.97, words, fontsize=style.TEXT_PT, va="top", linespacing=LINE_SPACING)
    left, right = first.subplots(1, 2, width_ratios=(1.05, 1.0))
    draw_collector(left, page)
    if page.grid is None:
        draw_acceptance(right, page)
    else:
        draw_acceptance_grid(first, right, page)
    draw_losses(second.subplots(), page)
    draw_maps(third, page.maps)
    left, right = fourth.subplots(1, 2, width_ratios=(1.2, 1.0))
    draw_spectrum(left, page)
    draw_etendue(right, page)


def draw_collector(axes: Axes, page: TracePage) -> None:
    """The section through the axis, to scale, with rays at normal incidence and at half acceptance."""
    looks: dict[str, dict[str, Any]] = {
        "glass": {"facecolor": "#CFE4F2", "edgecolor": style.BLUE, "linewidth": 0.7},
        "mirror": {"facecolor": "none", "edgecolor": style.BLACK, "linewidth": 1.8},
        "fibre": {"facecolor": "#6B6B6B", "edgecolor": style.BLACK, "linewidth": 0.7},
    }
    for ray in page.rays_edge:
        axes.plot(ray[:, 0], ray[:, 1], color=style.VERMILLION, linewidth=0.6, dashes=(4, 2), zorder=2)
    for ray in page.rays_normal:
        axes.plot(ray[:, 0], ray[:, 1], color=style.SUN, linewidth=0.7, zorder=2)
    for outline in page.outlines:
        closed = outline.kind != "mirror"
        if closed:
            axes.fill(outline.across_m, outline.depth_m, zorder=3, alpha=0.85, **looks[outline.kind])
        else:
            axes.plot(outline.across_m, outline.depth_m, color=style.BLACK, linewidth=1.8, zorder=3)
    axes.set_aspect("equal", adjustable="datalim")
    axes.invert_yaxis()
    axes.set_title("Section, to scale")
    axes.set_xlabel("Across (m)")
    axes.set_ylabel("Depth from the lens (m)")
    axes.plot([], [], color=style.SUN, linewidth=1.0, label="Sun at normal incidence")
    axes.plot(
        [], [], color=style.VERMILLION, linewidth=1.0, dashes=(4, 2), label=f"Sun at {page.edge_deg:.3f}°"
    )
    kinds = {outline.kind for outline in page.outlines}
    for kind, words in (("glass", "lens, solid funnel"), ("mirror", "mirror"), ("fibre", "fibre")):
        if kind in kinds:
            axes.fill([], [], label=words, **looks[kind])
    axes.legend(
        loc="upper center", bbox_to_anchor=(0.45, -0.16), ncols=2, handlelength=2.2, columnspacing=1.2
    )


def draw_acceptance(axes: Axes, page: TracePage) -> None:
    """Acceptance against incidence, half width marked."""
    accepted = 100.0 * page.shares[:, 0]
    axes.plot(page.angle_deg, accepted, color=style.DELIVERED, marker="o", markersize=2.0)
    axes.set_ylim(0.0, max(100.0, accepted.max() * 1.05))
    axes.set_xlim(0.0, page.angle_deg[-1])
    half_width_deg = page.summary["acceptance"].get("half_width_50_deg")
    if half_width_deg is not None:
        level = accepted.max() / 2.0
        axes.plot([0.0, half_width_deg], [level, level], color=style.MUTED, linewidth=0.7, dashes=(3, 2))
        axes.plot([half_width_deg] * 2, [0.0, level], color=style.MUTED, linewidth=0.7, dashes=(3, 2))
        # beside the point, on the side that has room
        right = half_width_deg < 0.5 * page.angle_deg[-1]
        axes.annotate(
            f"half-width at\nhalf-maximum\n{half_width_deg:.3f}°",
            (half_width_deg, level),
            xytext=(5, 4) if right else (-5, -4),
            textcoords="offset points",
            ha="left" if right else "right",
            va="bottom" if right else "top",
            fontsize=style.TEXT_PT,
        ).set_in_layout(False)
    axes.annotate(
        f"{accepted[0]:.2f}{style.NARROW_SPACE}%", (0.0, accepted[0]), xytext=(6, 4), textcoords="offset points",
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
        t, along, 100.0 * whole.T, cmap=style.POWER_MAP, shading="gouraud", vmin=0.0, rasterized=True
    )
    half = 0.5 * accepted[0, 0]
    axes.contour(t, along, whole.T, levels=[half], colors="white", linewidths=1.0)
    bar = figure.colorbar(mesh, ax=axes, pad=0.02)
    bar.set_label("Light that enters the fibre's cone (%)", fontsize=style.TEXT_PT)
    axes.set_title("Acceptance; white: half-maximum")
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
    fills = [(style.DELIVERED, ""), *LOSS_LOOKS[: len(kept)], (style.PAPER, "")]
    bands = axes.stackplot(
        page.angle_deg,
        *(100.0 * stack for stack in stacks),
        labels=labels,
        colors=[fill for fill, _ in fills],
        edgecolor=style.INK,
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


def draw_spectrum(axes: Axes, page: TracePage) -> None:
    """Share delivered by wavelength, the Sun's disc at normal incidence."""
    axes.plot(
        page.wavelength_nm, 100.0 * page.delivered_fraction, color=style.DELIVERED, marker="o", markersize=2.0
    )
    axes.set_xscale("log")
    ticks = [300, 500, 700, 1000, 1500, 2500]
    axes.set_xticks(ticks, labels=[str(tick) for tick in ticks])
    axes.minorticks_off()
    axes.set_ylim(0.0, 100.0)
    axes.set_title("Acceptance at normal incidence, by wavelength")
    axes.set_xlabel("Wavelength (nm); dots share sunlight evenly")
    axes.set_ylabel("Acceptance (%)")
    axes.grid(axis="y")


def draw_etendue(axes: Axes, page: TracePage) -> None:
    """What the fibre could take against what the design fills."""
    etendue = page.summary["etendue"]
    limit, used = etendue["limit_m2_sr"], etendue["used_m2_sr"]
    lost = sorted(((row["cause"], row["m2_sr"]) for row in etendue["lost"]), key=lambda row: -row[1])[:4]
    rows = [("what the fibre takes", limit, style.RULE), ("filled by this design", used, style.DELIVERED)]
    rows += [(f"lost: {name}", value, style.SUN) for name, value in lost]
    for place, (_, value, colour) in enumerate(rows):
        axes.barh(
            place, value, color=colour, edgecolor=style.INK, linewidth=0.5, hatch="////" if place > 1 else ""
        )
        axes.annotate(
            f"{style.number(value * 1e6)}" + (f"  ({style.percent(value / limit)})" if place == 1 else ""),
            (value, place),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            fontsize=style.TEXT_PT,
        ).set_in_layout(False)
    axes.set_yticks(range(len(rows)), labels=[name for name, _, _ in rows])
    axes.invert_yaxis()
    axes.set_xlim(0.0, 1.35 * max(value for _, value, _ in rows))
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    axes.set_title("Etendue (10⁻⁶ m² sr)")


def facts_of(summary: TraceResult) -> str:
    """The line under the title: the numbers that the terminal and trace.json say, as they say them."""
    acceptance, error = summary["acceptance"], summary["statistical_error"]
    widths = {
        axis.strip("_"): acceptance[f"{axis}half_width_50_deg"]  # type: ignore[literal-required]
        for axis in ("", "transverse_", "longitudinal_")
        if f"{axis}half_width_50_deg" in acceptance
    }
    falls = ", ".join(
        f"{'none' if width is None else f'{width:.3f}°'}{f' {axis}' if axis else ''}"
        for axis, width in widths.items()
    )
    disc = ", ".join(
        f"{row['acceptance_fraction']:.4f} (the Sun's disc at {row['sun_distance_au']:g} au)"
        for row in acceptance["normal_sun_disc"]
    )
    return (
        f"Aperture {style.quantity(summary['aperture_area_m2'], 'm²')}; concentration "
        f"{style.number(summary['concentration']['geometric'])}×; acceptance at normal incidence {acceptance['normal']:.4f} ± "
        f"{error['normal']:.4f} ({LIGHT_WORDS[acceptance['source']]}), {disc}{film_words(summary)}; half-width at half-"
        f"maximum {falls}; etendue used {style.percent(summary['etendue_used'])}."
    )


def film_words(summary: TraceResult) -> str:
    """Whether the acceptances said hold the shield's film."""
    film = summary["film"]
    if film is None:
        return ""
    return ", the shield's film included" if film["counted"] == "here" else ", the shield's film left out"


def foot_of(summary: TraceResult) -> list[str]:
    """What to know before using the page: warnings, cautions, and what it rests on."""
    source = summary["provenance"]
    options = source["options"]
    heat = ", ".join(
        f"{part['part']} {part['temperature_k']:.0f} K"
        + ("" if part["limit_k"] is None else f" (limit {part['limit_k']:.0f} K)")
        for part in summary["heat"]
    )
    return [
        f"Steady temperatures at normal incidence: {heat}.",
        *(f"Warning: {printable(line)}" for line in summary["warnings"]),
        *(f"Caution: {line}" for line in summary["cautions"]),
        f"yieldsim {source['version']}, tolerance {options['tolerance']:g}, seed {options['seed']}. "
        "Inputs, with their SHA-256:",
        *(f"{row['name']}  {row['sha256']}" for row in source["inputs"]),
    ]
