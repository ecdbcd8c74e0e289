"""How everything we draw looks: colours, lines, type, sizes, numbers in words, and the same bytes twice.

Colours are the Okabe-Ito set (told apart by all common kinds of colour vision) and the cividis map; whatever
tells things apart also differs in lightness, dash or pattern, so that a grey print stays readable.
Source: M. Okabe, K. Ito, "Color Universal Design", 2008 (values from memory); cividis: J. R. Nunez et al.,
PLOS ONE 13, 2018 (matplotlib's table).

Figures are made as `matplotlib.figure.Figure` without pyplot; no global option of matplotlib is left changed:

    with drawing(FULL_WIDTH_IN, 3.0) as figure:
        axes = figure.add_subplot()
        ...
        return svg_bytes(figure)

matplotlib is imported when first drawn with, so that this module costs nothing to import.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from yieldsim.report.layout.missing_glyphs import tell_boxes
from yieldsim.report.layout.number_format import four_digits

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# ---------------------------------------------------------------- colours

BLACK: Final = "#000000"
ORANGE: Final = "#E69F00"
SKY_BLUE: Final = "#56B4E9"
GREEN: Final = "#009E73"
YELLOW: Final = "#F0E442"
BLUE: Final = "#0072B2"
VERMILLION: Final = "#D55E00"
PURPLE: Final = "#CC79A7"

INK: Final = "#1B1B1B"
"""Text and axes."""
MUTED: Final = "#595959"
"""Secondary text; 7:1 on white."""
RULE: Final = "#C4C4C4"
"""Grid lines and table rules."""
PAPER: Final = "#F4F3EF"
"""Panels and empty bars."""

SUN: Final = ORANGE
"""Sunlight, Sun paths."""
DELIVERED: Final = BLUE
"""What arrives."""
LEFT: Final = "#8FB8D9"
"""What is left on the way."""
ARRIVING: Final = "#4A9CCF"
"""Time with delivery, mid-light between IDLE and DARK."""
IDLE: Final = "#FBE6AE"
"""Sunlight at the site that is not delivered."""
CARRIED: Final = "#D3D9DE"
"""A bar repeated from another panel."""
LOSS_INK: Final = VERMILLION
LOSS_HATCH: Final = "////"
"""What is lost: white with this hatching in this colour."""
GROUND: Final = "#8A837A"
"""Terrain."""
DARK: Final = "#23272F"
"""No light."""
POWER_MAP: Final = "cividis"
"""Colour map of magnitudes: even in lightness, so it turns to grey faithfully."""
SHADE: Final = "#E4E2DC"
"""Hours without sunlight."""
HOLE: Final = "#FFFFFF"
"""Cells without data."""


@dataclass(frozen=True, slots=True)
class Line:
    """One way to draw a line; each differs from its neighbours in colour, dash and marker."""

    colour: str
    dash: Any
    marker: str


LINES: Final = (
    Line(BLUE, "solid", "o"),
    Line(VERMILLION, (0, (5, 1.6)), "s"),
    Line(GREEN, (0, (5, 1.4, 1, 1.4)), "^"),
    Line(PURPLE, (0, (1.2, 1.2)), "D"),
    Line(BLACK, (0, (8, 2)), "v"),
    Line(SKY_BLUE, (0, (3, 1, 1, 1, 1, 1)), "P"),
)


def line(index: int) -> Line:
    """The look of the index-th mount, site or case; beyond the last they repeat."""
    return LINES[index % len(LINES)]


# ---------------------------------------------------------------- sizes and type

FULL_WIDTH_IN: Final = 6.85
"""Text width of an A4 page."""
HALF_WIDTH_IN: Final = 3.33
"""Two figures side by side."""
FONT: Final = "DejaVu Sans"
"""Ships with matplotlib: the same on every machine."""
TEXT_PT: Final = 8.5
SMALL_PT: Final = 8.0
"""The least size of letters anywhere."""
ASIDE: Final[dict[str, Any]] = {"fontsize": SMALL_PT, "color": MUTED}
"""Words beside what is drawn."""

SETTINGS: Final[dict[str, Any]] = {
    "font.family": [FONT],
    "font.size": TEXT_PT,
    "axes.titlesize": TEXT_PT,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": TEXT_PT,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.6,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.formatter.use_mathtext": False,
    "axes.formatter.useoffset": False,
    "text.color": INK,
    "text.parse_math": False,
    "text.usetex": False,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "grid.color": RULE,
    "grid.linewidth": 0.5,
    "legend.fontsize": SMALL_PT,
    "legend.frameon": False,
    "hatch.linewidth": 0.6,
    "lines.linewidth": 1.2,
    "patch.linewidth": 0.6,
    "image.cmap": POWER_MAP,
    "image.interpolation": "none",
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "savefig.dpi": "figure",
    "svg.fonttype": "none",
    "svg.hashsalt": "yieldsim",
    "pdf.fonttype": 42,
    "path.simplify": True,
}
"""Laid over matplotlib's own defaults, whatever the user's matplotlibrc says."""


@contextmanager
def drawing(
    width_in: float, height_in: float, dpi: float = 200.0, least_pt: float = SMALL_PT
) -> Iterator[Figure]:
    """An empty figure in our style; draw AND save inside the block, for some settings act on saving.

    least_pt   size of tick labels and legends
    """
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        settings: Any = matplotlib.rcParams
        settings.update(SETTINGS)
        settings.update({f"{part}.labelsize": least_pt for part in ("xtick", "ytick")})
        settings["legend.fontsize"] = least_pt
        yield Figure(figsize=(width_in, height_in), dpi=dpi, layout="constrained")


NO_LIGHT: Final = "No light reaches the habitat in this span."
"""Said in place of axes that would hold nothing."""


def say(axes: Axes, words: str = NO_LIGHT) -> None:
    """Words in the middle of a frame without axes; its title stays."""
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlabel("")
    axes.set_ylabel("")
    axes.grid(visible=False)
    for spine in axes.spines.values():
        spine.set_visible(False)
    in_the_middle(axes, words, wrap=True)


def in_the_middle(axes: Axes, words: str, **more: Any) -> None:
    """Words in the middle of a frame."""
    axes.text(0.5, 0.5, words, ha="center", va="center", color=MUTED, transform=axes.transAxes, **more)


def mark(axes: Axes, x: float, y: float, marker: str, colour: str, size: float, **more: Any) -> None:
    """A single point; `more` as matplotlib's plot takes it."""
    axes.plot([x], [y], marker=marker, color=colour, markersize=size, linestyle="none", **more)


# ---------------------------------------------------------------- the same bytes twice


def svg_bytes(figure: Figure) -> bytes:
    """The figure as SVG, text kept as text, no date, identifiers from a fixed salt."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.BytesIO()
    with _unwarned():
        # drawn once: savefig draws everything a first time for the layout alone
        FigureCanvasSVG(figure).print_svg(out, metadata={"Date": None, "Creator": None})  # type: ignore[no-untyped-call]
    return out.getvalue()


def png_bytes(figure: Figure, dpi: float | None = None) -> bytes:
    """The figure as PNG without a program name or date."""
    out = io.BytesIO()
    tell_boxes(figure, size=SMALL_PT, color=MUTED)
    with _unwarned():
        figure.savefig(out, format="png", dpi=dpi or "figure", metadata={"Software": None})
    return out.getvalue()


def pdf_bytes(figure: Figure, title: str) -> bytes:
    """The figure as a one-page PDF, fonts embedded as TrueType, no date."""
    out = io.BytesIO()
    nothing = {"CreationDate": None, "Creator": None, "Producer": None}
    tell_boxes(figure, size=SMALL_PT, color=MUTED)
    with _unwarned():
        figure.savefig(out, format="pdf", metadata={"Title": title, **nothing})
    return out.getvalue()


@contextmanager
def _unwarned() -> Iterator[None]:
    """Without the library's warnings of letters that its fonts lack: they are told on the page."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from font", UserWarning)
        yield


# ---------------------------------------------------------------- numbers in words

NARROW_SPACE: Final = "\u202f"
"""No-break, between groups of thousands and between a number and its unit."""


def number(value: float, digits: int = 3) -> str:
    """A number with `digits` significant digits, never in powers of ten between 0.001 and a billion.

    Whole digits are never rounded away below 10 000; from there on thousands are spaced, and four digits or `digits`, where
    that is more, are kept.

    >>> number(1234.56), number(0.04567), number(12.0), number(0.0), number(-2.345)
    ('1235', '0.0457', '12.0', '0', '−2.35')
    >>> number(123456.0) == "123" + NARROW_SPACE + "500"
    True
    """
    if not math.isfinite(value):
        return "–"
    if value == 0.0:
        return "0"
    size = abs(value)
    if size < 1e-3 or size >= 1e9:
        mantissa, power = f"{value:.{digits - 1}e}".split("e")
        raised = str(int(power)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return f"{mantissa}×10{raised}".replace("-", "−")
    # decimals follow the rounded value, or 9.996 would come out as 10.00
    rounded = float(f"{size:.{digits - 1}e}")
    decimals = max(digits - 1 - math.floor(math.log10(rounded)), 0)
    value = four_digits(value, digits)
    text = f"{value:,.{decimals}f}".replace("-", "−")
    return text.replace(",", NARROW_SPACE if size >= 9999.5 else "")


def fixed(value: float, decimals: int) -> str:
    """A number of a column that shares its decimals; what would round to nothing says so.

    >>> fixed(2.345, 2), fixed(0.0, 2), fixed(0.001, 2)
    ('2.35', '0', '<0.01')
    """
    value = four_digits(value)
    if 0.0 < value < 0.5 * 10.0**-decimals:
        return f"<{10.0**-decimals:.{decimals}f}"
    return (
        "0"
        if value == 0.0
        else f"{value:,.{decimals}f}".replace(",", NARROW_SPACE if value >= 9999.5 else "")
    )


def quantity(value: float | None, unit: str, digits: int = 3) -> str:
    """A number and its unit, kept together; a dash where there is no value.

    >>> quantity(12.345, "kWh") == "12.3" + NARROW_SPACE + "kWh"
    True
    >>> quantity(None, "kWh")
    '–'
    """
    if value is None or not math.isfinite(value):
        return "–"
    return f"{number(value, digits)}{NARROW_SPACE}{unit}"


def percent(fraction: float | None) -> str:
    """A fraction as per cent, three significant digits but never finer than 0.01.

    >>> percent(0.12345), percent(1.0), percent(0.00001), percent(0.0)
    ('12.3\u202f%', '100\u202f%', '<0.01\u202f%', '0\u202f%')
    """
    if fraction is None or not math.isfinite(fraction):
        return "–"
    value = 100.0 * fraction
    if 0.0 < abs(value) < 0.005:
        return f"{'<' if value > 0 else '>−'}0.01{NARROW_SPACE}%"
    size = abs(value)
    decimals = 0 if size >= 99.95 or value == 0.0 else 1 if size >= 9.995 else 2
    return f"{value:.{decimals}f}{NARROW_SPACE}%".replace("-", "−")


def percent_in_column(fraction: float | None) -> str:
    """A fraction as per cent with one decimal, as all of a column have.

    >>> percent_in_column(0.0876), percent_in_column(1.0), percent_in_column(0.0001), percent_in_column(0.0)
    ('8.8\u202f%', '100.0\u202f%', '<0.1\u202f%', '0\u202f%')
    """
    if fraction is None or not math.isfinite(fraction):
        return "–"
    if 0.0 < fraction < 0.0005:
        return f"<0.1{NARROW_SPACE}%"
    return f"{100.0 * fraction:.{0 if fraction == 0.0 else 1}f}{NARROW_SPACE}%".replace("-", "−")


def kilowatt_hours(peak_kwh: float) -> tuple[float, str]:
    """Factor and unit that suit energies up to `peak_kwh`: kWh, or Wh where that reads better.

    >>> kilowatt_hours(12.0), kilowatt_hours(0.02)
    ((1.0, 'kWh'), (1000.0, 'Wh'))
    """
    return (1e3, "Wh") if 0.0 < abs(peak_kwh) < 0.1 else (1.0, "kWh")


def energy(kwh: float | None, per: str = "") -> str:
    """An energy in kWh or Wh; `per` follows the unit.

    >>> energy(1234.5) == "1234" + NARROW_SPACE + "kWh", energy(0.0427, "/kg") == "42.7" + NARROW_SPACE + "Wh/kg"
    (True, True)
    """
    if kwh is None:
        return quantity(None, "")
    factor, unit = kilowatt_hours(kwh)
    return quantity(kwh * factor, unit + per)


def watts(peak_w: float) -> tuple[float, str]:
    """Factor and unit that suit powers up to `peak_w` on an axis.

    >>> watts(12.0), watts(25_000.0), watts(0.02)
    ((1.0, 'W'), (0.001, 'kW'), (1000.0, 'mW'))
    """
    if peak_w >= 5000.0:
        return 1e-3, "kW"
    return (1e3, "mW") if 0.0 < peak_w < 0.5 else (1.0, "W")


def duration(hours: float | None, *, at_least: bool = False) -> str:
    """Hours in words, as days and hours from two days on; marked where they are only known to be no fewer.

    >>> duration(0.5), duration(30.0), duration(372.4), duration(8766.0)
    ('30\u202fmin', '30.0\u202fh', '15\u202fd\u202f12\u202fh', '365\u202fd\u202f6\u202fh')
    >>> duration(30.0, at_least=True)
    '≥ 30.0\u202fh'
    """
    if at_least:
        return f"≥ {duration(hours)}"
    if hours is None or not math.isfinite(hours):
        return "–"
    if hours == 0.0:
        return f"0{NARROW_SPACE}h"
    if hours < 1.0:
        return f"{60.0 * hours:.0f}{NARROW_SPACE}min"
    if hours < 48.0:
        return f"{hours:.1f}{NARROW_SPACE}h"
    days, rest = divmod(round(hours), 24)
    return f"{days}{NARROW_SPACE}d" + (f"{NARROW_SPACE}{rest}{NARROW_SPACE}h" if rest else "")
