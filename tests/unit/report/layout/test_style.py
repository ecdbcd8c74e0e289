"""Style: numbers in words, colours that stay apart in grey, figures with the same bytes, nothing global left behind."""

from __future__ import annotations

import itertools
import warnings

import pytest

from yieldsim.report.layout import style


def luminance(colour: str) -> float:
    """Relative luminance of a #rrggbb colour (sRGB, ITU-R BT.709 weights, as WCAG 2 defines it)."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    """WCAG 2 contrast ratio."""
    low, high = sorted((luminance(first), luminance(second)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [
        (999.6, 3, "1000"),
        (9.996, 3, "10.0"),
        (0.09996, 3, "0.100"),
        (-0.5, 2, "−0.50"),
        (9999.4, 3, "9999"),
        (9999.6, 3, "10\u202f000"),
        (1234567.0, 3, "1\u202f235\u202f000"),
        (0.000123, 2, "1.2×10⁻⁴"),
        (2.5e9, 2, "2.5×10⁹"),
        (float("nan"), 3, "–"),
    ],
)
def test_number(value: float, digits: int, expected: str) -> None:
    assert style.number(value, digits) == expected


@pytest.mark.parametrize(
    ("hours", "expected"),
    [(0.0, "0 h"), (0.25, "15 min"), (47.96, "48.0 h"), (48.0, "2 d"), (71.6, "3 d"), (372.4, "15 d 12 h")],
)
def test_duration(hours: float, expected: str) -> None:
    assert style.duration(hours).replace(style.NARROW_SPACE, " ") == expected


@pytest.mark.parametrize(
    ("fraction", "expected"),
    [
        (0.9996, "100 %"),
        (0.09996, "10.0 %"),
        (0.0999, "9.99 %"),
        (0.00004, "<0.01 %"),
        (None, "–"),
        (-0.1, "−10.0 %"),
    ],
)
def test_percent(fraction: float | None, expected: str) -> None:
    assert style.percent(fraction).replace(style.NARROW_SPACE, " ") == expected


def test_column_numbers_share_decimals_and_never_vanish() -> None:
    assert [style.fixed(v, 2) for v in (12.3, 0.0, 0.0049, 0.006)] == ["12.30", "0", "<0.01", "0.01"]


def test_unknown_values_are_dashes() -> None:
    assert {style.quantity(None, "kWh"), style.energy(None), style.duration(None)} == {"–"}


def test_states_of_time_stay_apart_in_grey() -> None:
    for first, second in itertools.combinations((style.ARRIVING, style.IDLE, style.DARK), 2):
        assert contrast(first, second) > 2.0


def test_text_colours_are_readable_on_white() -> None:
    """7:1 is WCAG 2 level AAA for body text."""
    assert contrast(style.INK, "#FFFFFF") > 7.0
    assert contrast(style.MUTED, "#FFFFFF") >= 7.0


def test_neighbouring_lines_differ_in_more_than_colour() -> None:
    assert len({str(line.dash) for line in style.LINES}) == len(style.LINES)
    assert len({line.marker for line in style.LINES}) == len(style.LINES)
    assert style.line(len(style.LINES)) == style.LINES[0]


def test_same_figure_gives_the_same_bytes_and_leaves_matplotlib_alone() -> None:
    import matplotlib

    matplotlib.rcParams["font.size"] = 13.0
    before = dict(matplotlib.rcParams)

    def files() -> tuple[bytes, bytes, bytes]:
        with style.drawing(2.0, 1.0) as figure:
            axes = figure.add_subplot()
            axes.bar([0, 1], [1.0, 2.0], hatch=style.LOSS_HATCH, label="m² $x_1$")
            axes.legend()
            return style.svg_bytes(figure), style.png_bytes(figure), style.pdf_bytes(figure, "bars")

    first, second = files(), files()
    assert first == second
    assert "m² $x_1$</text>".encode() in first[0], "a dollar sign is text, not mathematics"
    assert dict(matplotlib.rcParams) == before
    matplotlib.rcParams["font.size"] = matplotlib.rcParamsDefault["font.size"]
    assert not any(word in b"".join(first) for word in (b"CreationDate", b"dc:date"))


def drawn(title: str) -> tuple[bytes, bytes, bytes]:
    """A figure as PNG, PDF and SVG, made in that order, and warnings taken for errors."""
    with warnings.catch_warnings(), style.drawing(5.0, 2.5) as figure:
        warnings.simplefilter("error")
        axes = figure.add_subplot()
        axes.set_title(title)
        axes.set_xlabel("hours")
        return style.png_bytes(figure, 80.0), style.pdf_bytes(figure, "x"), style.svg_bytes(figure)


def test_figures_tell_of_letters_that_their_fonts_lack() -> None:
    """In every PDF, not by warnings of a library; once, though the figure is saved twice."""
    pymupdf = pytest.importorskip("pymupdf")
    page = pymupdf.open(stream=drawn("Ridge 月面")[1])[0]
    told = (
        "Boxes stand for letters that the fonts used here lack (U+6708 and U+9762); the JSON file beside it"
    )
    assert " ".join(page.get_text().split()).count(told) == 1
    line, label = page.search_for("Boxes stand")[0], page.search_for("hours")[0]
    assert line.y0 >= label.y1 - 1.0, "below everything else"
    assert line.y1 <= page.rect.y1
    plain = pymupdf.open(stream=drawn("Ridge №1, Привет")[1])[0]
    assert "Boxes" not in plain.get_text()
    assert drawn("Ridge 月面") == drawn("Ridge 月面")
