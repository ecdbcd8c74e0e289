"""Figures of trace and tune: labels inside their frames, spans called by their length."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.text import Text

from yieldsim.report.layout import style
from yieldsim.report.trace.page import draw_acceptance
from yieldsim.report.tune import TuneFigure, _compose, tune_pages
from yieldsim.runs.tune.ranges import Range
from yieldsim.runs.tune.run import at_end


@pytest.mark.parametrize("half_width_deg", [0.2, 1.0, 1.9, 2.0])
def test_the_label_of_half_acceptance_stays_inside(half_width_deg: float) -> None:
    angle = np.linspace(0.0, 2.0, 21)
    accepted = np.where(angle < half_width_deg, 0.7, 0.35)
    page: Any = SimpleNamespace(
        shares=accepted[:, None],
        angle_deg=angle,
        summary={"acceptance": {"half_width_50_deg": half_width_deg}},
        angle_words="incidence angle",
    )
    with style.drawing(3.4, 3.0) as figure:
        axes = figure.add_subplot()
        draw_acceptance(axes, page)
        figure.draw_without_rendering()
        label = next(text for text in axes.texts if text.get_text().startswith("half-width at"))
        box, frame = label.get_window_extent(), axes.get_window_extent()
        assert frame.x0 <= box.x0
        assert box.x1 <= frame.x1
        assert axes.get_xlabel() == "Incidence angle (°)"


def shown(keys: tuple[str, ...], per: str) -> TuneFigure:
    axes = [np.linspace(0.2, 0.8, 4) for _ in keys]
    grid = np.add.outer(axes[0], axes[1]) if len(keys) == 2 else axes[0]
    return TuneFigure(
        title="Tuning " + "a lens with a long name " * 4,
        lines=["best"],
        keys=keys,
        axes=axes,
        annual_kwh=grid,
        half_width_deg=grid,
        normal_acceptance=grid,
        tried=np.empty((0, len(keys) + 1)),
        best=[0.8] * len(keys),
        best_kwh=1.6,
        present=None,
        present_kwh=None,
        within=[(0.5, 0.9)] * len(keys),
        per=per,
        summary={},
    )


@pytest.mark.parametrize("keys", [("focal",), ("focal", "length")])
@pytest.mark.parametrize("per", ["a year", "in 31 days"])
def test_a_part_of_a_year_is_not_called_a_year(keys: tuple[str, ...], per: str) -> None:
    with style.drawing(style.FULL_WIDTH_IN, 5.7) as figure:
        _compose(figure, shown(keys, per))
        words = " ".join(text.get_text() for text in figure.findobj(Text))
    assert f"kWh {per} per unit" in words
    assert ("year" in words) == (per == "a year")
    assert all(tune_pages(shown(keys, per)))


def test_the_end_of_a_range_is_a_hundredth_of_it_wide() -> None:
    one = Range(path=("lens", "focal_length_m"), low=0.5, high=1.0)
    assert [at_end(one, value) for value in (0.5, 0.504, 0.506, 0.75, 0.994, 0.996, 1.0)] == [
        True, True, False, False, False, True, True,
    ]  # fmt: skip
