"""The figure of a design's units: every tilt is told, and no two of them lie on each other."""

from __future__ import annotations

from itertools import combinations, pairwise

import pytest
from matplotlib.figure import Figure

from yieldsim.report.design import draw_fronts, draw_units, facts, worth_rows


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


def test_units_that_face_nearly_the_same_way_are_all_counted():
    """Five within a degree, one alone, one on either side of north: bars that don't hide each other have all of them."""
    azimuth_deg = [20.9, 21.0, 21.1, 21.1, 21.2, 120.4, 359.6, 0.3]
    mounts = [{"azimuth_deg": azimuth, "tilt_deg": 88.0, "count": 1} for azimuth in azimuth_deg]
    figure = Figure((6.9, 2.6), layout="constrained")
    draw_units({"mounts": mounts}, figure)
    (axes,) = figure.axes
    assert sum(bar.get_height() for bar in axes.patches) == len(mounts)
    assert sorted(bar.get_height() for bar in axes.patches) == [1, 1, 1, 5]
    bars = sorted((bar.get_x(), bar.get_x() + bar.get_width()) for bar in axes.patches)
    assert all(end <= begin for (_, end), (begin, _) in pairwise(bars))
    for bar in axes.patches:
        middle = bar.get_x() + 0.5 * bar.get_width()
        assert any(abs(middle - azimuth) <= 0.2 for azimuth in azimuth_deg)


def test_numbers_of_units_are_whole():
    front = [{"reliability": share, "mass_kg": 15.0, "longest_outage_hours": 3.0} for share in (0.9, 0.99)]
    units = [{"units": number, "mass_kg": float(number)} for number in (17, 18, 19, 21, 26, 34)]
    figure = Figure((6.9, 2.4), layout="constrained")
    draw_fronts(front, units, {"units": 17, "mass_kg": 17.0}, figure)
    figure.draw_without_rendering()
    assert all(tick == round(tick) for tick in figure.axes[1].get_xticks())


@pytest.mark.parametrize(("days", "words"), [(0, "there is enough"), (1, "1 day;"), (5, "5 days;")])
def test_light_without_worth_is_told_as_such(days, words):
    worth = {
        "unit": "kg",
        "percent_more_shortfall_saves": None,
        "unit_more_saves_storage_kwh": None,
        "mast_metre_weighs_kg": 1.0,
        "half_the_lights_worth_in_days": days,
        "dearest_day_utc": "2027-03-01T00:00:00Z",
    }
    rows = dict(worth_rows({"worth": worth, "design": {}, "tracker": None}))
    assert words in rows["light"]


def test_one_unit_on_one_orientation_is_told_as_one():
    """It was "1 on 1 orientations"."""
    best = {
        "site": "Ridge", "mast_height_m": 10.0, "collector": "Funnels", "fibre_m": 15.0, "units": 1, "mounts": [{}],
        "storage_kwh": 0.2, "mass_kg": 3.0, "mass_parts_kg": {"units": 3.0}, "delivered_kwh": 9.0,
        "delivered_kwh_per_kg": 3.0, "served_fraction": 0.99, "longest_outage_hours": 3.0,
    }  # fmt: skip
    bound = {"least": 2.9, "unit": "kg", "gap_fraction": 0.03}
    load = {"name": "Watch", "reliability": 0.99, "reliability_of": "energy"}
    rows = dict(facts({"design": best, "bound": bound, "load": load}))
    assert rows["units"] == "1 on 1 orientation"
    best |= {"units": 4, "mounts": [{}, {}]}
    assert dict(facts({"design": best, "bound": bound, "load": load}))["units"] == "4 on 2 orientations"
