"""Figures of orient and rank: marks that do not hide each other, words for spans, and nothing drawn of nothing."""

from __future__ import annotations

import json
import re
from functools import partial
from typing import Any

import numpy as np
import pymupdf
import pytest
import xarray as xr
from matplotlib.text import Text

from yieldsim.report import horizon as report_horizon
from yieldsim.report import rank as report_rank
from yieldsim.report import survey as report_survey
from yieldsim.report.layout import style
from yieldsim.report.layout.sheet import Sheet, Tabled
from yieldsim.report.orient import facing_map
from yieldsim.report.orient import page as orient_page
from yieldsim.report.orient import units as orient_units

GOALS = ("annual", "worst-month", "shortest-gap")
MONTHS = ("2027-01", "2027-02")


def facing(tilt: float, azimuth: float, **more: Any) -> dict[str, Any]:
    row = {
        "tilt_deg": tilt,
        "azimuth_deg": azimuth,
        "roll_deg": 0.0,
        "annual_kwh": 9.0,
        "worst_month_kwh": 0.5,
    }
    row |= {"longest_gap_hours": 40.0, "monthly_kwh": [{"month": month, "kwh": 1.0} for month in MONTHS]}
    off = [
        {"off_deg": float(angle), "mean_loss_fraction": 0.01, "worst_loss_fraction": 0.02} for angle in (1, 5)
    ]
    return row | {"when_off": off} | more


def orient_summary(days: float = 365.0, count: int = 1, kwh: float = 2.0) -> dict[str, Any]:
    """The shape of orient.json with made-up figures: the best facings for two goals coincide."""
    curve = [
        {"units": n, "annual_kwh": kwh * n, "worst_month_kwh": 0.1 * kwh * n, "longest_gap_hours": 50.0, "mass_kg": n,
         "upper_bound": 1.1 * kwh * n}
        for n in range(1, count + 1)
    ]  # fmt: skip
    follower = {"annual_kwh_per_unit": 5.0, "longest_gap_hours": 9.0, "fixed_units_for_same_energy": 2.5,
                "fixed_units_for_same_gap": None}  # fmt: skip
    return {
        "site": {"name": "Lantern Ridge", "body": "Moon"},
        "collector": {"name": "Funnels " * 12, "unit_count": 3},
        "start_utc": "2027-01-01T00:00:00Z",
        "end_utc": f"{np.datetime64('2027-01-01T00:00:00') + np.timedelta64(round(days * 86_400), 's')}Z",
        "days": days,
        "best": [facing(30.0, 180.0 + 0.1 * place, goal=goal) for place, goal in enumerate(GOALS)],
        "compare": [facing(0.0, 0.0, label="mount 1 of the file"), facing(30.0, 180.0, label="30, 180")],
        "mast": {"levelling_deg": 1.0, "azimuth_error_deg": 2.0, "expected_loss_fraction": 0.01,
                 "worst_loss_fraction": 0.02},
        "units": {"goal": "annual", "count": count, "curve": curve,
                  "set": [{"tilt_deg": 30.0, "azimuth_deg": 180.0, "roll_deg": 0.0, "count": count}]},
        "following": {
            "fixed_annual_kwh_per_unit": 2.0, "fixed_longest_gap_hours": 40.0, "dark_gap_hours": 12.0,
            "tracker_downtime_fraction": 0.0,
            "followers": [follower | {"axes": "two axes"}, follower | {"axes": "polar axis"}],
        },
    }  # fmt: skip


def orient_dataset(summary: dict[str, Any], light: float = 1.0) -> xr.Dataset:
    tilt, azimuth = np.arange(0.0, 91.0, 5.0), np.arange(0.0, 360.0, 5.0)
    kwh = light * np.cos(np.radians(tilt - 30.0))[:, None] * (1.5 - np.cos(np.radians(azimuth)))
    return xr.Dataset(
        {"annual_kwh": (("tilt", "azimuth"), kwh)},
        {"tilt": tilt, "azimuth": azimuth},
        {"summary": json.dumps(summary), "title": "t"},
    )


def texts(figure: Any) -> str:
    return "\n".join(text.get_text() for text in figure.findobj(Text))


def all_words(sheet: Sheet) -> str:
    """Everything that a sheet says, in its figures, tables and lines."""
    found = [sheet.title, *sheet.lines]
    for part in sheet.parts:
        found += [part.heading, part.caption]
        if isinstance(part, Tabled):
            found += [*part.head, *(cell for row in part.rows for cell in row)]
            continue
        with style.drawing(part.panel.width_in, part.panel.height_in) as figure:
            part.panel.draw(figure)
            found.append(texts(figure))
    return "\n".join(found)


# ---------------------------------------------------------------- spans


@pytest.mark.parametrize(
    ("days", "words"),
    [(19.0, "in 19 days"), (360.0, "in 360 days"), (365.0, "a year"), (1.0, "in 24.0 hours")],
)
def test_a_part_of_a_year_is_not_called_a_year(days: float, words: str) -> None:
    found = all_words(orient_page.facing_sheet(orient_dataset(orient_summary(days))))
    assert f"(kWh {words})" in found
    assert ("kWh a year" in found) == (words == "a year")


# ---------------------------------------------------------------- marks


def test_marks_of_facings_that_coincide_stand_apart() -> None:
    spots = np.array([[0.0, 0.0], [0.1, 0.0], [0.0, 0.0], [100.0, 0.0], [0.0, 1.0]])
    placed = spots + facing_map.aside_pt(spots)
    apart = np.hypot(*(placed[:, None] - placed[None]).transpose(2, 0, 1))
    assert (apart[~np.eye(5, dtype=bool)] >= 0.85 * facing_map.APART_PT).all()
    np.testing.assert_array_equal(placed[[0, 3]], spots[[0, 3]])


@pytest.mark.parametrize("tilt_deg", [30.0, 88.0])
def test_each_named_facing_has_its_mark_on_the_map_and_in_the_table(tilt_deg: float) -> None:
    summary = orient_summary()
    summary["best"] = [row | {"tilt_deg": tilt_deg} for row in summary["best"]]
    for draw in (
        partial(facing_map.draw_map, orient_dataset(summary), summary),
        partial(facing_map.draw_names, summary),
    ):
        with style.drawing(7.0, 5.0) as figure:
            draw(figure)
            bold = [text.get_text() for text in figure.findobj(Text) if text.get_weight() == "bold"]
            assert sorted(word for word in bold if len(word) == 1) == ["1", "2", "3", "A", "B"]
            assert style.png_bytes(figure)


def test_more_facings_than_the_table_holds_are_small_marks_and_counted() -> None:
    summary = orient_summary()
    summary["compare"] = [
        facing(30.0, 9.0 * place, label=f"mount {place + 1} of the file") for place in range(40)
    ]
    with style.drawing(7.0, 5.0) as figure:
        facing_map.draw_names(summary, figure)
        assert f"{43 - facing_map.MOST_NAMED} more as small marks; facings.csv lists all" in texts(figure)
    with style.drawing(7.0, 5.0) as figure:
        facing_map.draw_map(orient_dataset(summary), summary, figure)
        small = [line for line in figure.axes[0].lines if line.get_markersize() == 4.0]
    assert len(small) == 43 - facing_map.MOST_NAMED


def test_all_named_facings_lie_within_the_map() -> None:
    """One of them looks far from where light is to be had."""
    summary = orient_summary()
    summary["best"] = [row | {"tilt_deg": 88.0} for row in summary["best"]]
    summary["compare"] = [facing(20.0, 10.0, label="mount 1 of the file")]
    tilt = np.arange(0.0, 181.0)
    share = np.exp(-(((tilt - 88.0) / 5.0) ** 2))[:, None] * np.ones((1, 8))
    rows = tilt[facing_map._rows_worth_showing(summary, tilt, share)]
    assert rows[0] <= 20.0 <= 88.0 <= rows[-1] < 120.0


# ---------------------------------------------------------------- units


@pytest.mark.parametrize("count", [1, 2, 40])
def test_any_number_of_units_is_drawn(count: int) -> None:
    with style.drawing(7.0, 5.0) as figure:
        orient_units.draw_units(orient_summary(count=count), figure)
        found = texts(figure)
        assert ("Where the unit faces" if count == 1 else f"Where the {count} units face") in found


# ---------------------------------------------------------------- nothing


def test_no_light_is_said_in_place_of_empty_axes() -> None:
    dark = orient_summary(kwh=0.0)
    for sheet in (
        orient_page.facing_sheet(orient_dataset(dark, light=0.0)),
        orient_units.units_sheet(dark),
    ):
        assert style.NO_LIGHT in all_words(sheet)
        assert len(sheet.parts) == 1


# ---------------------------------------------------------------- sites side by side


def site_row(rank: int, name: str, gain: float | None, kept: float | None) -> dict[str, Any]:
    return {
        "rank": rank,
        "site": {"name": name, "body": "Moon", "latitude_deg": -89.0},
        "facing": {"tilt_deg": 88.0, "azimuth_deg": 359.9},
        "annual_kwh": 10.0, "worst_month_kwh": 0.0, "longest_gap_hours": 30.0, "longest_gap_whole_hours": 30.0,
        "hours_delivering_per_year": 100.0,
        "units_for_power": None if kept is None else 7,
        "kept_by_stage": [{"stage": "terrain", "kept_fraction": kept}, {"stage": "dust", "kept_fraction": 1.0}],
        "reasons": {"sunlight_kwh_m2_per_year": 1000.0, "low_skyline_gain_fraction": gain},
    }  # fmt: skip


def rank_summary(*sites: dict[str, Any]) -> dict[str, Any]:
    return {
        "collector": {"name": "Funnels"}, "facing": "best", "goal": "annual", "continuous_power_w": 50.0,
        "layout": "7 units as laid out on 1 mount", "load": None,
        "start_utc": "2027-01-01T00:00:00Z", "end_utc": "2028-01-01T00:00:00Z", "sites": list(sites),
    }  # fmt: skip


def test_each_column_of_bars_says_which_way_is_better() -> None:
    found = all_words(report_rank.rank_sheet(rank_summary(site_row(1, "Ridge", 0.0, 0.9))))
    better = {
        column.goal: column.more_is_better for column in report_rank.columns_of(rank_summary(), "a year")
    }
    assert found.count("less is better") == 2
    assert found.count("more is better") == 3
    assert better == {
        "annual": True, "worst-month": True, "shortest-gap": False, "hours": True, "units": False,
    }  # fmt: skip


def test_what_a_low_skyline_gives_stands_beside_what_terrain_costs() -> None:
    """A gain of a quarter is a fifth of the whole; where no Sun clears the bare horizon all of it is."""
    low = (site_row(1, "Ridge", 0.25, 0.9), site_row(2, "Rim", None, 0.8))
    found = all_words(report_rank.rank_sheet(rank_summary(*low))).split("\n")
    assert "20.0" in found
    assert "100" in found
    assert "90.0" in found
    assert "low skyline" not in all_words(
        report_rank.rank_sheet(rank_summary(site_row(1, "Plain", 0.0, 0.9)))
    )


def test_an_azimuth_that_rounds_to_the_full_circle_is_north() -> None:
    assert "azimuth 0°" in all_words(report_rank.rank_sheet(rank_summary(site_row(1, "Ridge", 0.0, None))))


# ---------------------------------------------------------------- skylines and surveys


def skyline(
    elevation: float, low: float, high: float, distance: tuple[float, float] = (0.2, 90.0)
) -> report_horizon.Panorama:
    azimuth = np.arange(0.0, 360.0, 5.0)
    far = np.geomspace(*distance, azimuth.size)
    at = np.arange(0.0, 361.0, 10.0)
    return report_horizon.Panorama(
        horizon_azimuth_deg=azimuth,
        horizon_elevation_deg=np.full(azimuth.size, elevation),
        horizon_distance_km=far,
        azimuth_deg=at,
        sun_low_deg=np.full(at.size, low),
        sun_high_deg=np.full(at.size, high),
        title="Ridge, eye 10 m above the ground",
        note="n",
        summary={},
    )


@pytest.mark.parametrize(
    ("elevation", "low", "high", "words"),
    [
        (-1.0, -2.0, 2.0, "hides nothing of the Sun's band above 0° and leaves 50.0 % of the band below 0° open."),
        (0.5, -2.0, 2.0, "hides 25.0 % of the Sun's band above 0°."),
        (-1.0, -3.0, -0.5, "stays below 0° in this span. The ground leaves 20.0 % of the band below 0° open."),
        (5.0, 1.0, 3.0, "hides 100 % of the Sun's band above 0°."),
    ],
)  # fmt: skip
def test_ground_and_sun_in_a_sentence(elevation: float, low: float, high: float, words: str) -> None:
    said = report_horizon.sun_and_ground(skyline(elevation, low, high)).replace(style.NARROW_SPACE, " ")
    assert said.endswith(words)


@pytest.mark.parametrize("distance", [(5.1, 7.4), (0.2, 90.0), (3.0, 3.0)])
def test_distances_are_labelled_in_plain_numbers(distance: tuple[float, float]) -> None:
    far = np.array(distance)
    figure = report_horizon.drawn_skyline(skyline(1.0, 0.0, 3.0, distance))
    upwards = {
        float(words): float(up)
        for up, words in re.findall(r' y="(\S+)" [^>]*"end"[^>]*>([\d.]+)<', figure.svg().decode())
    }
    assert upwards, "at least one number within the frame"
    assert all(far.min() / 1.5 <= value <= 1.5 * far.max() for value in upwards)
    assert sorted(upwards) == sorted(upwards, key=lambda value: -upwards[value]), "the farther the higher"


def test_a_skyline_is_drawn_where_sun_and_ground_stand() -> None:
    """Heights of its curves against the numbers beside them; nothing of the Sun's beyond the frame."""
    text = report_horizon.drawn_skyline(skyline(1.0, 0.5, 2.0)).svg().decode()
    labels = {
        float(words.replace("−", "-")): float(up) - 0.36 * style.SMALL_PT
        for up, words in re.findall(r' y="(\S+)" [^>]*"end"[^>]*>([^<]+)°<', text)
    }
    one, two = labels[1.0], labels[2.0]
    curves = re.findall(r' d="M\S+ (\S+?)L[^"]*" fill="none" stroke="(#\w+)"', text)
    found = {(colour, round((one - float(up)) / (one - two) + 1.0, 2)) for up, colour in curves}
    assert found == {(style.SUN, 0.5), (style.SUN, 2.0), (style.INK, 1.0), (style.INK, 0.0)}
    assert "passes higher" not in text
    assert "passes higher" in report_horizon.drawn_skyline(skyline(1.0, 40.0, 60.0)).svg().decode()
    assert report_horizon.skyline_png(skyline(1.0, np.nan, np.nan)).startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("goal", "lit"),
    [
        *((goal, 0.0) for goal in ("delivered", "dark", "lit", "sun-following")),
        *((goal, 0.4) for goal in ("delivered", "dark")),
        *(pytest.param(goal, 0.4, marks=pytest.mark.slow) for goal in ("lit", "sun-following")),
    ],
)
def test_a_map_without_light_says_none_and_draws_the_dark_dark(goal: str, lit: float) -> None:
    shape = (4, 5)
    maps = {"lit_fraction": lit, "any_light_fraction": lit, "sun_following_kwh_m2": 9e3 * lit,
            "delivered_kwh": 300.0 * lit if lit else np.nan, "longest_dark_hours": 744.0 if not lit else 50.0,
            "elevation_m": 3.0}  # fmt: skip
    summary = {"places": [], "goal": goal, "mast_height_m": 2.0, "start_utc": "2027-01-01T00:00:00Z",
               "end_utc": "2027-02-01T00:00:00Z"}  # fmt: skip
    ds = xr.Dataset(
        {name: (("y", "x"), np.full(shape, value)) for name, value in maps.items()},
        {"x": ("x", np.arange(5.0), {"units": "m"}), "y": ("y", np.arange(4.0), {"units": "m"})},
        {"title": "Light over a map, Moon", "summary": json.dumps(summary)},
    )
    name, overlay = report_survey.GOAL_VARIABLES[goal], report_survey.MapOverlay()
    with style.drawing(7.0, 5.0) as figure:
        axes = figure.add_subplot()
        report_survey._draw_map(ds, axes, figure, name, summary, overlay, large=True)
        found = texts(figure)
        assert ("none" in found) == (lit == 0.0 and goal != "dark")
        low, high = axes.get_images()[0].get_clim()
    if goal == "dark":
        assert low == 0.0
        assert high == pytest.approx((744.0 if not lit else 50.0) / 24.0)
    assert "NOT WHOLE SEASONS (energies at the rate of a year)" in " ".join(report_survey._lines(summary))
    pages = report_survey.survey_pages(ds)
    assert pages.png.startswith(b"\x89PNG")
    words = "".join(page.get_text() for page in pymupdf.open(stream=pages.pdf))
    assert "{" not in words, "every placeholder is filled"
    if goal in ("delivered", "sun-following"):
        assert "year)" in words
