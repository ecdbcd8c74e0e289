"""From sunlight to delivered light: one bar a stage, what is left in solid, what it took in hatching."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from yieldsim.report.layout import style
from yieldsim.report.layout.number_format import decimals_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SMALL_KWH = 10.0
"""Sunlight of less than this is accounted for in Wh."""
ROW_IN = 0.29
"""Height of a bar and its gap."""
SMALL_SHARE = 0.2
"""Once less than this is left of what a panel began with, the next stages get an enlarged panel."""
STAGE_WORDS = {
    "sunlight": "Sunlight, facing the Sun",
    "eclipse": "Eclipses",
    "terrain": "Terrain",
    "atmosphere": "Atmosphere",
    "projection": "Projection (cosine of incidence)",
    "shield film": "Dust-shield film",
    "dust": "Dust on the aperture",
    "lens darkening": "Lens, darkened by dose",
    "acceptance": "Acceptance of optics",
    "fibre packing": "Fibre packing",
    "fibre coupling": "Fibre coupling",
    "fibre ends": "Fibre end reflection",
    "fibre attenuation": "Fibre attenuation",
    "fibre darkening": "Fibre darkening",
}


NOTHING_LEFT = {
    "sunlight": "The Sun stays below the open horizon throughout.",
    "eclipse": "The Sun is eclipsed whenever it is above the open horizon.",
    "terrain": "Terrain hides the Sun whenever it is above the open horizon.",
    "atmosphere": "No direct light comes through the air.",
    "projection": "Whenever the Sun is in sight it stands behind the apertures.",
    "acceptance": "Whenever light reaches the apertures the Sun stands outside the acceptance of the optics.",
}
"""Why a run delivers nothing, by the stage after which nothing is left."""


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the ledger."""

    stage: str
    words: str
    kwh: float
    lost_kwh: float
    lost_fraction: float
    """Of what entered the stage."""


def steps(ledger: Sequence[Mapping[str, Any]]) -> list[Step]:
    """The ledger with its differences."""
    found, before = [], None
    for row in ledger:
        kwh = row["kwh"]
        lost = 0.0 if before is None else before - kwh
        share = lost / before if before else 0.0
        stage = str(row["stage"])
        found.append(Step(stage, STAGE_WORDS.get(stage, stage.capitalize()), kwh, lost, share))
        before = kwh
    return found


def acts(step: Step) -> bool:
    """Whether the stage takes a part worth a bar: more than one in a million."""
    return step.stage == "sunlight" or step.lost_fraction > 1e-6


def why_nothing(ledger: Sequence[Mapping[str, Any]]) -> str:
    """Why a run delivers nothing, as far as its ledger tells; empty where something arrives.

    >>> why_nothing([{"stage": "sunlight", "kwh": 2.0}, {"stage": "terrain", "kwh": 0.0}])
    'Terrain hides the Sun whenever it is above the open horizon.'
    """
    first = next((step for step in steps(ledger) if step.kwh <= 0.0), None)
    if first is None or ledger[-1]["kwh"] > 0.0:
        return ""
    return NOTHING_LEFT.get(first.stage, f"{first.words} lets nothing through.")


def panels(lines: list[Step]) -> list[list[Step]]:
    """The acting stages in groups, each to be drawn at its own scale.

    A group after the first starts from the bar that ended the one before.
    """
    groups: list[list[Step]] = [[]]
    acting = list(filter(acts, lines))
    for index, step in enumerate(acting):
        group = groups[-1]
        worth = len(group) > 1 and len(acting) - index > 1
        if worth and 0.0 < group[-1].kwh < SMALL_SHARE * group[0].kwh:
            groups.append([group[-1]])
        groups[-1].append(step)
    return groups


def height_in(ledger: Sequence[Mapping[str, Any]]) -> float:
    """A height that gives every bar the same thickness."""
    groups = panels(steps(ledger))
    return ROW_IN * (sum(map(len, groups)) + 1) + 0.38 * len(groups) + 0.1


def draw_ledger(ledger: Sequence[Mapping[str, Any]], figure: Figure) -> None:
    """Fill a figure with the ledger of `summary.json`; where there is no sunlight to lose, with words."""
    if ledger[0]["kwh"] <= 0.0:
        words = f"Nothing to account for.\n{why_nothing(ledger)}"
        figure.text(0.0, 1.0, words, ha="left", va="top", linespacing=1.6)
        return
    factor, unit = (1e3, "Wh") if 0.0 < ledger[0]["kwh"] < SMALL_KWH else (1.0, "kWh")
    lines = steps([{"stage": row["stage"], "kwh": factor * row["kwh"]} for row in ledger])
    groups = panels(lines)
    delivered = Step("delivered", "Delivered at the far end", lines[-1].kwh, 0.0, 0.0)
    groups[-1].append(delivered)
    frames = figure.subplots(len(groups), 1, squeeze=False, height_ratios=[len(group) for group in groups])[
        :, 0
    ]
    columns = _columns(float(figure.get_figwidth()))
    room = (float(figure.get_figheight()) - 0.4) / ROW_IN if len(groups) == 1 else 0.0  # few bars stay thin
    for index, (axes, group) in enumerate(zip(frames, groups, strict=True)):
        _draw_panel(axes, group, groups[0][0].kwh, columns, unit if index == 0 else "")
        axes.set_ylim(max(len(group), room) - 0.5, -0.5)


LABELS_IN = 1.65
COLUMNS_IN = (0.62, 1.38, 2.1)
"""Room for the stages' names, and right edges of the printed numbers beyond the longest bar."""


def _columns(width_in: float) -> list[float]:
    """The right edges in lengths of the longest bar."""
    longest_in = max(width_in - LABELS_IN - COLUMNS_IN[-1], 0.5)
    return [1.0 + edge / longest_in for edge in COLUMNS_IN]


def _draw_panel(axes: Axes, group: list[Step], sunlight_kwh: float, columns: list[float], unit: str) -> None:
    """One group at its own scale; the first, which names the unit, has the heads of the columns."""
    first, top = bool(unit), group[0].kwh or 1.0
    decimals = decimals_for(top, 4)
    for row, step in enumerate(group):
        carried = not first and row == 0
        end = step.stage == "delivered"
        colour = (
            style.DELIVERED if end else style.CARRIED if carried else style.SUN if row == 0 else style.LEFT
        )
        axes.barh(row, step.kwh, 0.66, color=colour, linewidth=0.0)
        cells = [style.fixed(step.kwh, decimals), "", ""]
        if end:
            cells[2] = f"{style.percent(step.kwh / sunlight_kwh if sunlight_kwh else 0.0)} of sunlight"
        elif row:
            axes.barh(
                row, step.lost_kwh, 0.66, step.kwh, facecolor="white", hatch=style.LOSS_HATCH,
                edgecolor=style.LOSS_INK, linewidth=0.5,
            )  # fmt: skip
            lost = style.fixed(step.lost_kwh, decimals)
            cells[1:] = lost, style.percent_in_column(step.lost_fraction)
        for x, text in zip(columns, cells, strict=True):
            axes.text(x * top, row, text, ha="right", va="center", weight="bold" if end else "normal")
    axes.set_yticks(range(len(group)), [step.words for step in group])
    if not first:
        axes.get_yticklabels()[0].set_color(style.MUTED)
    axes.set_xlim(0.0, columns[-1] * top)
    axes.tick_params(axis="y", length=0, labelsize=style.TEXT_PT)
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    axes.spines["left"].set_bounds(-0.5, len(group) - 0.5)
    if first:
        for x, words in zip(columns, (f"{unit} left", f"loss, {unit}", "of its input"), strict=True):
            axes.text(x * top, -0.6, words, ha="right", va="bottom", **style.ASIDE)
    else:
        words = f"Enlarged {style.number(sunlight_kwh / top, 2)} times"
        axes.set_title(words, weight="normal", pad=3.0, **style.ASIDE)
