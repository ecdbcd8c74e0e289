"""The figure of a design's units: every tilt is told, and no two of them lie on each other."""

from __future__ import annotations

from itertools import combinations, pairwise

import pytest
from matplotlib.figure import Figure

from yieldsim.report.design import draw_units


@pytest.mark.parametrize(
    ("azimuth_deg", "words"),
    [
        ([20.0, 70.0, 115.0, 212.0], ["88°", "89°", "90°", "91°"]),
        ([359.0, 150.0, 153.0, 160.0, 175.0, 1.0], ["93°", "89–91°", "92°", "88°"]),
        ([100.0], ["88°"]),
    ],
)
def test_tilts_do_not_lie_on_each_other(azimuth_deg, words):
    mounts = [
        {"azimuth_deg": azimuth, "tilt_deg": 88.0 + place, "count": 1 + place % 2}
        for place, azimuth in enumerate(azimuth_deg)
    ]
    figure = Figure((6.9, 2.6), layout="constrained")
    draw_units({"mounts": mounts}, figure)
    figure.draw_without_rendering()
    (axes,) = figure.axes
    assert [text.get_text() for text in axes.texts] == words
    boxes = [text.get_window_extent() for text in axes.texts]
    assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))
    assert all(box.y1 < axes.get_window_extent().y1 for box in boxes)
    bars = sorted((bar.get_x(), bar.get_x() + bar.get_width()) for bar in axes.patches)
    assert all(end <= begin for (_, end), (begin, _) in pairwise(bars))
