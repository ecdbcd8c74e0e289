"""What the figures compute before they draw: acceptance over the sky, losses, gaps and their causes, choices of view."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import xarray as xr

from yieldsim.base.numerics.vectors import azimuth_elevation_deg, direction_enu_xyz
from yieldsim.report.estimate import acceptance as estimate_acceptance
from yieldsim.report.estimate import calendar as estimate_calendar
from yieldsim.report.estimate import gaps as estimate_gaps
from yieldsim.report.estimate import ledger as estimate_ledger
from yieldsim.report.estimate import periods as estimate_periods
from yieldsim.report.estimate import references as estimate_references
from yieldsim.report.estimate import sun_paths as estimate_sun_paths
from yieldsim.report.layout import style

Make = Callable[..., xr.Dataset]


def summary(ds: xr.Dataset) -> dict[str, Any]:
    return dict(json.loads(ds.attrs["summary"]))


# ---------------------------------------------------------------- acceptance


def test_acceptance_is_whole_where_the_mount_points_and_nothing_behind(make_estimate: Make) -> None:
    ds = make_estimate("martian year", biaxial=False)
    ahead = direction_enu_xyz(180.0, 70.0)
    assert estimate_acceptance.relative_acceptance(ds, 0, ahead) == pytest.approx(1.0)
    assert estimate_acceptance.relative_acceptance(ds, 0, -ahead) == 0.0


def test_acceptance_of_linear_optics_follows_the_mount_s_axes(make_estimate: Make) -> None:
    """A mount that looks up, azimuth 180: the longitudinal axis lies north-south, the transverse one east-west."""
    ds = make_estimate("lunar equatorial year", mounts=((0.0, 180.0, 0.0, 1),))
    east, north = (direction_enu_xyz(azimuth, 90.0 - 20.0) for azimuth in (90.0, 0.0))
    transverse = 1.0 / (1.0 + (20.0 / 12.0) ** 8)
    longitudinal = 1.0 / (1.0 + (20.0 / 45.0) ** 6)
    assert estimate_acceptance.relative_acceptance(ds, 0, east) == pytest.approx(transverse, rel=1e-9)
    assert estimate_acceptance.relative_acceptance(ds, 0, north) == pytest.approx(longitudinal, rel=1e-9)


def test_one_sided_table_holds_for_both_sides(make_estimate: Make) -> None:
    ds = make_estimate("lunar equatorial year", mounts=((0.0, 180.0, 30.0, 1),))
    there, back = direction_enu_xyz(np.array([50.0, 230.0]), np.array([80.0, 80.0]))
    found = [estimate_acceptance.relative_acceptance(ds, 0, way) for way in (there, back)]
    assert found[0] == pytest.approx(found[1])


def test_half_width(make_estimate: Make) -> None:
    """0.5 is reached at the half-width by construction; rows 0.5 deg apart, linear between."""
    ds = make_estimate("lunar polar year")
    assert estimate_acceptance.half_width_deg(ds) == pytest.approx((12.0,), abs=0.01)


def test_letters_go_on_after_z() -> None:
    assert [estimate_acceptance.mount_letter(index) for index in (25, 26, 51, 52)] == ["Z", "AA", "AZ", "BA"]


# ---------------------------------------------------------------- sky


@pytest.mark.parametrize(
    ("case", "low"), [("lunar polar year", True), ("mercury year", True), ("martian year", False)]
)
def test_panorama_where_the_sun_stays_low(make_estimate: Make, case: str, low: bool) -> None:
    assert estimate_sun_paths.has_low_sun(make_estimate(case)) is low


def test_paths_hold_the_highest_sun_of_a_long_run(make_estimate: Make) -> None:
    """The spline of a day passes through its rows, to rounding."""
    ds = make_estimate("martian decade")
    top = max(float(azimuth_elevation_deg(path)[1].max()) for path in estimate_sun_paths.sun_paths(ds))
    assert top >= float(ds["solar_elevation_deg"].max()) - 1e-6
    assert len(estimate_sun_paths.sun_paths(ds)) <= estimate_sun_paths.PATHS + 2


def test_the_panorama_is_not_cut_through_a_mount(make_estimate: Make) -> None:
    """Four mounts a quarter apart: whichever delivers most, an end at a multiple of 90 deg from it would cut one."""
    ds = make_estimate("mercury year", mounts=tuple((89.0, 90.0 * place, 0.0, 1) for place in range(4)))
    seam = estimate_sun_paths._panorama_centre_deg(ds) + 180.0
    apart = np.abs((ds["mount_azimuth_deg"].values - seam + 180.0) % 360.0 - 180.0)
    assert apart.min() >= estimate_sun_paths.SEAM_CLEAR_DEG
    alone = make_estimate("mercury year", mounts=((89.0, 137.0, 0.0, 1),))
    assert estimate_sun_paths._panorama_centre_deg(alone) == 135.0


def test_the_sun_of_an_hour_is_a_dot(make_estimate: Make) -> None:
    for case, dots in (("lunar polar year", 0), ("lunar equatorial year", 0)):
        long, short = make_estimate(case), make_estimate(case, hours=3)
        for ds, expected in ((long, dots), (short, 1)):
            with style.drawing(5.0, 4.0) as figure:
                estimate_sun_paths.draw_sky(ds, figure, context=False)
                suns = [line for line in figure.axes[0].lines if line.get_marker() == "o"]
            assert len(suns) == expected, (case, ds.sizes["time"])


# ---------------------------------------------------------------- days and periods


@pytest.mark.parametrize("hours", [8760, 2 * 8760, 87660])
@pytest.mark.parametrize("height_in", [2.02, 5.2])
def test_dates_beside_a_map_of_days_stand_apart(make_estimate: Make, hours: int, height_in: float) -> None:
    with style.drawing(5.39, height_in) as figure:
        estimate_calendar.draw_calendar(make_estimate("lunar polar year", hours=hours), figure)
        figure.draw_without_rendering()
        labels = figure.axes[0].get_yticklabels()
        boxes = sorted((label.get_window_extent() for label in labels), key=lambda box: box.y0)
    assert len(boxes) > 5
    assert all(lower.y1 < upper.y0 for lower, upper in itertools.pairwise(boxes))


def test_a_map_of_days_has_the_colours_of_its_bar_and_of_the_dark_alone(make_estimate: Make) -> None:
    """A mixture of dark and light would read as a power that is not there."""
    from matplotlib.colors import to_rgba

    with style.drawing(5.0, 4.0) as figure:
        estimate_calendar.draw_calendar(make_estimate("martian year"), figure)
        drawn = np.unique(figure.axes[0].get_images()[0].get_array().reshape(-1, 4), axis=0)
    bar = estimate_calendar.day_colours()(np.arange(256))
    known = np.vstack([bar, [to_rgba(colour) for colour in (estimate_calendar.NIGHT, style.HOLE)]])
    bytes_of = (255.0 * known).astype(np.uint8).astype(int)
    nearest = np.abs(drawn[:, None].astype(int) - bytes_of[None]).max(axis=2).min(axis=1)
    np.testing.assert_array_equal(nearest, 0)


def test_in_grey_night_is_darker_than_any_power_and_full_power_the_lightest() -> None:
    """Relative luminance by W3C, WCAG 2.2; a contrast of 1.5 is told apart side by side."""
    from matplotlib.colors import to_rgb

    def luminance(rgb: Any) -> Any:
        linear = np.where(
            np.array(rgb) <= 0.04045, np.array(rgb) / 12.92, ((np.array(rgb) + 0.055) / 1.055) ** 2.4
        )
        return linear @ [0.2126, 0.7152, 0.0722]

    powers = luminance(estimate_calendar.day_colours()(np.arange(256))[:, :3])
    night = float(luminance(to_rgb(estimate_calendar.NIGHT)))
    assert (np.diff(powers) >= 0.0).all()
    assert (powers[0] + 0.05) / (night + 0.05) > 1.5
    assert (powers[-1] + 0.05) / (night + 0.05) > 10.0


def test_bars_of_seasons_have_their_numbers_and_say_where_the_run_was_not(make_estimate: Make) -> None:
    ds = make_estimate("martian year", hours=8000)
    with style.drawing(7.0, 3.0) as figure:
        estimate_periods.draw_seasons(ds, figure)
        texts = [text.get_text() for text in figure.axes[0].texts]
        assert figure.axes[0].get_ylabel().endswith("per sol")
    assert texts.count("not in\nthe run") == 6
    assert len(texts) == 12


@pytest.mark.parametrize(
    "draw",
    [
        estimate_periods.draw_bars,
        estimate_periods.draw_solar_days,
        estimate_periods.draw_seasons,
        estimate_periods.draw_mean_day,
        estimate_periods.draw_duration,
    ],
)
def test_nothing_delivered_is_said_in_place_of_empty_axes(make_estimate: Make, draw: Any) -> None:
    with style.drawing(4.0, 3.0) as figure:
        draw(make_estimate("all dark"), figure)
        (axes,) = figure.axes
        assert [text.get_text() for text in axes.texts] == [style.NO_LIGHT]
        assert list(axes.get_xticks()) == list(axes.get_yticks()) == []
        assert axes.get_legend() is None


@pytest.mark.parametrize(
    ("case", "line"),
    [
        ("lunar polar year", False),
        ("three martian days", True),
        ("mercury year", True),
        ("earth year", False),
    ],
)
def test_short_runs_are_lines(make_estimate: Make, case: str, line: bool) -> None:
    assert estimate_calendar.is_line(make_estimate(case)) is line


@pytest.mark.parametrize("case", ["lunar polar year, three mounts", "martian decade", "three martian days"])
def test_bars_add_up_to_the_delivered_energy(make_estimate: Make, case: str) -> None:
    ds = make_estimate(case)
    _, by_mount, _ = estimate_periods.calendar_kwh(ds)
    assert by_mount.sum() == pytest.approx(summary(ds)["delivered_kwh"], rel=1e-9)


def test_months_agree_with_the_summary(make_estimate: Make) -> None:
    ds = make_estimate("martian year")
    names, by_mount, whole = estimate_periods.calendar_kwh(ds)
    assert [str(name) for name in names] == [row["month"] for row in summary(ds)["monthly_kwh"]]
    assert by_mount.sum(axis=1) == pytest.approx([row["kwh"] for row in summary(ds)["monthly_kwh"]])
    assert list(whole) == [True] * 22 + [False]


def test_years_add_up(make_estimate: Make) -> None:
    ds = make_estimate("lunar polar decade")
    years = estimate_periods.yearly(ds)
    assert sum(float(row["kwh"]) for row in years) == pytest.approx(summary(ds)["delivered_kwh"])
    assert sum(float(row["hours"]) for row in years) == pytest.approx(summary(ds)["hours_delivering"])
    listed = {(gap["start_utc"][:4], gap["hours"]) for gap in summary(ds)["gaps"]}
    shortest = min(hours for _, hours in listed)
    whole = {(row["year"], row["longest_gap_h"]) for row in years if not row["goes_on"]}
    long = {one for one in whole if float(one[1]) > shortest}
    assert long, "a gap within its year that is long enough to be listed"
    assert long <= listed


def test_seasons_outside_the_run_are_unknown(make_estimate: Make) -> None:
    kwh = estimate_periods.seasonal_kwh_per_solar_day(make_estimate("martian year", hours=8000))
    assert np.isfinite(kwh).sum() == 6, "8000 hours are 175 deg of solar longitude in the made-up year"


# ---------------------------------------------------------------- ledger


def rows(*kwh: float) -> list[dict[str, Any]]:
    names = ("sunlight", "terrain", "projection", "acceptance", "fibre packing", "fibre ends")
    return [{"stage": stage, "kwh": value} for stage, value in zip(names, kwh, strict=False)]


def test_losses_of_the_ledger_add_up() -> None:
    found = estimate_ledger.steps(rows(100.0, 80.0, 80.0, 8.0))
    assert [step.lost_kwh for step in found] == [0.0, 20.0, 0.0, 72.0]
    assert found[3].lost_fraction == pytest.approx(0.9)
    assert [estimate_ledger.acts(step) for step in found] == [True, True, False, True]


def test_small_remains_get_a_panel_of_their_own() -> None:
    groups = estimate_ledger.panels(estimate_ledger.steps(rows(100.0, 80.0, 40.0, 4.0, 3.0, 2.0)))
    assert [[step.stage for step in group] for group in groups] == [
        ["sunlight", "terrain", "projection", "acceptance"],
        ["acceptance", "fibre packing", "fibre ends"],
    ]


def test_one_stage_alone_gets_no_panel() -> None:
    assert len(estimate_ledger.panels(estimate_ledger.steps(rows(100.0, 80.0, 40.0, 4.0, 3.0)))) == 1


def test_nothing_left_stays_one_panel() -> None:
    assert len(estimate_ledger.panels(estimate_ledger.steps(rows(100.0, 0.0, 0.0, 0.0)))) == 1
    assert len(estimate_ledger.panels(estimate_ledger.steps(rows(0.0, 0.0, 0.0, 0.0)))) == 1


# ---------------------------------------------------------------- gaps


@pytest.mark.parametrize("case", ["lunar polar year", "martian year", "all dark"])
def test_states_share_the_whole_time(make_estimate: Make, case: str) -> None:
    states = estimate_gaps.state_hours(make_estimate(case))
    assert states.sum(axis=1) == pytest.approx(np.ones(len(states)))
    assert (states >= 0.0).all()


def test_rows_of_sunrise_and_sunset_count_by_their_part(make_estimate: Make) -> None:
    """A day of 24 rows: 9.5 hours between half a row at either end; then a disc that stays partly hidden."""
    ds = make_estimate("three martian days", hours=24).copy()
    visible = np.zeros(24)
    visible[6:17] = [0.25, *[1.0] * 9, 0.25]
    quiet = ds.assign(delivering_fraction=ds["delivering_fraction"] * 0.0)
    rising = estimate_gaps.state_hours(quiet.assign(disc_visible_fraction=("time", visible)))
    assert rising.sum(axis=0) == pytest.approx([0.0, 9.5, 14.5])
    visible[6:17] = 0.25
    hidden = estimate_gaps.state_hours(quiet.assign(disc_visible_fraction=("time", visible)))
    assert hidden.sum(axis=0) == pytest.approx([0.0, 11.0, 13.0])


@pytest.mark.parametrize(
    "lengths_h", [(400.0, 430.0, 445.0), (1.0, 9.0, 8000.0), (0.5, 0.6, 0.7, 700.0, 900.0)]
)
def test_the_curve_of_gaps_has_ticks_enough_to_be_read(
    make_estimate: Make, monkeypatch: pytest.MonkeyPatch, lengths_h: tuple[float, ...]
) -> None:
    monkeypatch.setattr(estimate_gaps, "gap_lengths_h", lambda ds: np.array(lengths_h))
    with style.drawing(4.0, 3.0) as figure:
        estimate_gaps.draw_gap_counts(make_estimate("one day"), figure)
        axes = figure.axes[0]
        for ticks, (low, high) in (
            (axes.get_xticks(), axes.get_xlim()),
            (axes.get_yticks(), axes.get_ylim()),
        ):
            inside = [tick for tick in ticks if low <= tick <= high]
            assert 1 <= len(inside) <= estimate_gaps.MOST_TICKS
        assert len(axes.get_yticks()) >= 2


def test_causes_of_gaps(make_estimate: Make) -> None:
    equator = make_estimate("lunar equatorial year")
    gap = summary(equator)["gaps"][0]
    text = estimate_gaps.gap_cause(equator, gap["start_utc"], gap["end_utc"])
    assert text.startswith("Sun below the horizon 7")
    assert "Sun outside the acceptance 2" in text
    polar = make_estimate("lunar polar year", mask=(np.array([0.0, 180.0]), np.array([9.0, 9.0])))
    assert "terrain" in estimate_gaps.gap_cause(polar, "2026-06-01T00:00:00Z", "2026-11-01T00:00:00Z").lower()


def test_gap_lengths_agree_with_the_summary(make_estimate: Make) -> None:
    ds = make_estimate("lunar polar year, three mounts")
    assert estimate_gaps.gap_lengths_h(ds).max() == summary(ds)["longest_gap_hours"]


# ---------------------------------------------------------------- beside the answer


def test_references_without_etendue(make_estimate: Make) -> None:
    names = [words for words, _ in estimate_references.references(summary(make_estimate("martian decade")))]
    assert names == ["Delivered", "Following the Sun"]


def test_ageing_is_shown_only_where_there_is_some(make_estimate: Make) -> None:
    assert estimate_references.ages(make_estimate("lunar polar year"))
    assert not estimate_references.ages(make_estimate("three martian days"))


def test_every_figure_draws_alike_twice(make_estimate: Make) -> None:
    ds = make_estimate("three martian days")

    def svg() -> bytes:
        with style.drawing(4.0, 3.0) as figure:
            estimate_sun_paths.draw_sky(ds, figure)
            return style.svg_bytes(figure)

    assert svg() == svg()
