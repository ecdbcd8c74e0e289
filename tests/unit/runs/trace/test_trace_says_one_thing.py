"""A trace's terminal, JSON, tables and page say the same numbers, of the same thing, on a page that can be read."""

from __future__ import annotations

from copy import deepcopy
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axis import Axis
from matplotlib.text import Text

from yieldsim.base.errors import InputError
from yieldsim.cli.commands.trace import answer_lines
from yieldsim.optics.raytrace.tracer import refine
from yieldsim.report.layout import style
from yieldsim.report.trace.page import PAGE_DPI, _compose, _heights_in, facts_of, foot_of
from yieldsim.runs.trace.output import acceptance_frame, losses_frame, page_of
from yieldsim.runs.trace.run import TraceRun, acceptance_from_prescription, trace

GLASS = """
[[materials]]
name = "glass"
index = 1.49
absorption_per_m = 1.0
"""
ROUND = (
    """
name = "Round lens, funnel and film"
[lens]
kind = "fresnel"
width_m = 0.2
thickness_m = 0.003
focal_length_m = 0.25
groove_count = 128
material = "glass"
[funnel]
kind = "mirror"
shape = "straight"
mouth_width_m = 0.012
outlet_width_m = 0.008
length_m = 0.02
reflectance = 0.95
[fibre]
face_diameter_mm = 8.0
numerical_aperture = 0.5
[film]
transmittance = 0.9
counted = "here"
"""
    + GLASS
)
LINEAR = (
    """
name = "Linear lens before a bare fibre ribbon, with a name so long that it takes two lines of the page"
[lens]
kind = "linear_fresnel"
width_m = 0.2
length_m = 0.4
thickness_m = 0.003
focal_length_m = 0.3
groove_count = 120
material = "glass"
[fibre]
face_width_mm = 12.0
face_length_mm = 400.0
numerical_aperture = 0.5
[heat]
sun_distance_au = 1.52
"""
    + GLASS
)
DOMED = (
    """
name = "Domed lens"
[lens]
kind = "domed_fresnel"
width_m = 0.2
thickness_m = 0.003
focal_length_m = 0.25
dome_radius_m = 0.2
groove_count = 64
material = "glass"
[fibre]
face_diameter_mm = 8.0
numerical_aperture = 0.5
"""
    + GLASS
)


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YIELDSIM_CACHE", str(tmp_path / "cache"))


def traced(folder: Path, text: str, **how: Any) -> TraceRun:
    path = folder / "lens.optics.toml"
    path.write_text(text, encoding="utf-8")
    return trace(path, **how)


RUNS: dict[str, TraceRun] = {}


def once(folder: Path, text: str) -> TraceRun:
    """A trace at a tolerance of 0.02, made once for all tests."""
    if text not in RUNS:
        RUNS[text] = traced(folder, text, tolerance=0.02)
    return RUNS[text]


def page_words(run: TraceRun) -> str:
    page = page_of(run)
    maps = " ".join(" ".join((one.title, *one.words)) for one in page.maps)
    return " ".join((facts_of(page.summary), maps, *foot_of(page.summary))).replace(style.NARROW_SPACE, " ")


def test_large_numbers_are_told_in_whole_digits(tmp_path: Path) -> None:
    """Such as a lens of metres brings to its fibre."""
    summary = deepcopy(once(tmp_path, ROUND).summary)
    summary["flux"][0] |= {"face_w": 1570.26, "face_peak_w_cm2": 23_456.7}
    summary["heat"][0] |= {"absorbed_w": 9996.0}
    told = "\n".join(answer_lines(summary))
    assert "e+0" not in told
    assert " 1570 W at all angles" in told
    assert "peak 23457 W/cm2" in told
    assert f"{summary['heat'][0]['part']}: absorbs 9996 W" in told


@pytest.mark.parametrize(
    "text", [ROUND, *(pytest.param(text, marks=pytest.mark.slow) for text in (LINEAR, DOMED))]
)
def test_one_acceptance_everywhere(tmp_path: Path, text: str) -> None:
    """Table, losses, JSON, terminal and page; the film in all of them where the file counts it here; and the energy
    sum: watts in the cone are the power on the aperture times the acceptance for the Sun's disc."""
    run = once(tmp_path, text)
    summary = run.summary
    acceptance = summary["acceptance"]
    normal = acceptance["normal"]
    assert acceptance_frame(run)["acceptance_fraction"].iloc[0] == normal
    losses = losses_frame(run)
    assert losses["delivered"].iloc[0] == pytest.approx(normal, abs=1e-12)
    assert normal + sum(row["normal"] for row in summary["losses"]) == pytest.approx(1.0, abs=1e-12)
    columns = [name for name in losses if not name.endswith(("_deg", "_error"))]
    np.testing.assert_allclose(losses[columns].sum(axis=1), 1.0, atol=1e-12)

    terminal, page = "\n".join(answer_lines(summary)), page_words(run)
    widths = [acceptance[key] for key in acceptance if key.endswith("half_width_50_deg")]
    discs = [row["acceptance_fraction"] for row in acceptance["normal_sun_disc"]]
    for value, form in [(normal, ".4f"), *((disc, ".4f") for disc in discs), *((w, ".3f") for w in widths)]:
        assert f"{value:{form}}" in terminal
        assert f"{value:{form}}" in page
    assert ("film included" in page) == ("film included" in terminal) == (text == ROUND)
    assert page_of(run).shares[0, 0] == pytest.approx(normal, abs=1e-12)

    film = summary["film"]["transmittance"] if text == ROUND else 1.0
    for row, disc in zip(summary["flux"], discs, strict=True):
        assert row["delivered_w"] == pytest.approx(row["aperture_power_w"] * disc, rel=1e-12)
        assert disc == pytest.approx(film * row["disc_acceptance"], rel=1e-12)
    # the flux and heat that the terminal tells, in the page's own digits
    beside = summary["beside_mouth"]
    shown = next(row for row in summary["flux"] if row is summary["flux"][-1])
    for value in (
        shown["face_peak_w_cm2"],
        shown["face_mean_w_cm2"],
        beside["peak_w_cm2"],
        beside["power_w"],
    ):
        assert style.number(value) in page
    assert f"{beside['temperature_bound_k']:.0f} K" in page
    if text == ROUND:
        assert f"up to {style.number(shown['mouth_peak_w_cm2'])} W/cm²" in page


@pytest.mark.parametrize("text", [ROUND, pytest.param(LINEAR, marks=pytest.mark.slow)])
def test_a_coarse_trace_says_the_same_at_normal_incidence(tmp_path: Path, text: str) -> None:
    """Whatever width of error the curve is asked for down to a fifth of a per cent, and for kept tables too."""
    told = [run.summary for run in (traced(tmp_path, text, tolerance=0.1), once(tmp_path, text))]
    assert len({summary["acceptance"]["normal"] for summary in told}) == 1
    assert len({summary["statistical_error"]["normal"] for summary in told}) == 1
    kept = acceptance_from_prescription(tmp_path / "lens.optics.toml", 0.03)[0]
    assert float(np.ravel(kept.acceptance_fraction)[0]) == told[0]["acceptance"]["normal"]


@pytest.mark.parametrize(
    "text", [ROUND, *(pytest.param(text, marks=pytest.mark.slow) for text in (LINEAR, DOMED))]
)
def test_the_page_can_be_read(tmp_path: Path, text: str) -> None:
    """Letters of 8 points at least, all inside the page, none over others; warnings, cautions, version, digest."""
    run = once(tmp_path, text)
    page = page_of(run)
    height = _heights_in(page)
    with style.drawing(style.FULL_WIDTH_IN, sum(height), dpi=PAGE_DPI, least_pt=style.TEXT_PT) as figure:
        _compose(figure, page, height)
        figure.draw_without_rendering()
        # ticks beyond the ends of an axis have labels that are never drawn
        unseen = {
            id(label)
            for axis in figure.findobj(Axis)
            for tick in axis.get_major_ticks()
            if not min(axis.get_view_interval()) <= tick.get_loc() <= max(axis.get_view_interval())
            for label in (tick.label1, tick.label2)
        }
        boxes = []
        for one in figure.findobj(Text):
            assert isinstance(one, Text)
            if one.get_text().strip() and one.get_visible() and id(one) not in unseen:
                box = one.get_window_extent()
                if box.width > 0.0:
                    assert one.get_fontsize() >= 8.0, one.get_text()
                    boxes.append((one.get_text(), box))
        wide, high = figure.canvas.get_width_height()
        for words, box in boxes:
            assert box.x0 >= -1.0, words
            assert box.x1 <= wide + 1.0, words
            assert box.y0 >= -1.0, words
            assert box.y1 <= high + 1.0, words
        for (words, one), (others, other) in combinations(boxes, 2):
            across = min(one.x1, other.x1) - max(one.x0, other.x0)
            along = min(one.y1, other.y1) - max(one.y0, other.y0)
            assert min(across, along) < 2.0, (words, others)
    foot = " ".join(foot_of(page.summary))
    source = run.summary["provenance"]["inputs"][0]
    assert f"yieldsim {run.summary['provenance']['version']}" in foot
    assert source["sha256"] in foot
    assert source["name"] in foot
    assert all(line in foot for line in run.summary["warnings"])
    assert all(line in foot for line in run.summary["cautions"])
    assert "never look into a lit fibre" in foot


def test_grooves_below_the_wavelength_are_refused(tmp_path: Path) -> None:
    """Rays know no diffraction: 128 grooves across half of 0.1 mm are 0.39 um wide."""
    small = ROUND.replace("width_m = 0.2", "width_m = 1e-4").replace("0.25", "1.3e-4")
    with pytest.raises(
        InputError, match=r"groove_count is 128: grooves 391 nm wide are narrower than the wavelength"
    ):
        traced(tmp_path, small.replace("thickness_m = 0.003", "thickness_m = 1e-5"))


@pytest.mark.slow
def test_a_tolerance_out_of_reach_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(refine, "__kwdefaults__", {**refine.__kwdefaults__, "largest_points": 512})
    run = traced(tmp_path, DOMED, tolerance=0.001)
    assert any("tolerance of 0.001 is not reached" in line for line in run.warnings)
