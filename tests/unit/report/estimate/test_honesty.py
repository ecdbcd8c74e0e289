"""What the report owes its reader when a run is odd: dark, cut, eclipsed, named in letters it cannot draw, or altered."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import xarray as xr
from matplotlib.colors import to_rgba

from yieldsim.base.errors import InputError
from yieldsim.base.results.checks import adapter
from yieldsim.base.results.estimate import EstimateResult
from yieldsim.report.estimate import gap_text, pages, sun_paths
from yieldsim.report.estimate import ledger as estimate_ledger
from yieldsim.report.estimate import periods as estimate_periods
from yieldsim.report.estimate import text as estimate_text
from yieldsim.report.estimate.summary_schema import estimate_summary
from yieldsim.report.layout import style, warning_text

pymupdf = pytest.importorskip("pymupdf")

Make = Callable[..., xr.Dataset]
DARK: dict[str, Any] = {"latitude_deg": -70.0, "hours": 48, "start": "2026-01-26"}
"""Two days of lunar night: the Sun never above -7 deg in the made-up world."""
ECLIPSE = {
    "occulter": "Earth",
    "kind": "umbra",
    "start_utc": "2026-03-03T08:44:25Z",
    "end_utc": "2026-03-03T14:23:00Z",
    "covered_fraction": 1.0,
}


def summary(ds: xr.Dataset) -> dict[str, Any]:
    return dict(json.loads(ds.attrs["summary"]))


def with_summary(ds: xr.Dataset, **changes: Any) -> xr.Dataset:
    return ds.assign_attrs(summary=json.dumps(summary(ds) | changes))


def words(ds: xr.Dataset) -> str:
    document = pymupdf.open(stream=pages.report_pdf(ds))
    return re.sub(r"\s+", " ", " ".join(page.get_text() for page in document))


# ---------------------------------------------------------------- years


def dark_between(ds: xr.Dataset, begin: str, end: str) -> xr.Dataset:
    """The run with delivery in every row but those between two moments."""
    time = ds["time"].values
    lit = ~((time >= np.datetime64(begin)) & (time < np.datetime64(end)))
    return ds.assign(delivering_fraction=("time", lit.astype(float)))


def test_a_gap_over_new_year_counts_in_both_years_by_its_part(make_estimate: Make) -> None:
    """10 days before and 20 after the turn of the year; a shorter one whole within the first year."""
    ds = dark_between(make_estimate("lunar polar decade", hours=3 * 8760), "2026-12-22", "2027-01-21")
    first, second, third = estimate_periods.yearly(ds)
    assert [first["longest_gap_h"], second["longest_gap_h"], third["longest_gap_h"]] == [240.0, 480.0, 0.0]
    assert [first["goes_on"], second["goes_on"], third["goes_on"]] == [1.0, 1.0, 0.0]


def test_a_year_wholly_dark_shows_its_whole_length(make_estimate: Make) -> None:
    ds = dark_between(make_estimate("lunar polar decade", hours=3 * 8760), "2026-12-22", "2028-01-05")
    assert [row["longest_gap_h"] for row in estimate_periods.yearly(ds)] == [240.0, 8760.0, 96.0]
    marked = [row[-1] for row in estimate_text.year_rows(ds, summary(ds))]
    assert marked == [f"{style.duration(hours)} †" for hours in (240.0, 8760.0, 96.0)]


def test_a_gap_within_its_year_is_not_marked(make_estimate: Make) -> None:
    ds = dark_between(make_estimate("lunar polar decade", hours=2 * 8760), "2026-05-01", "2026-05-11")
    first, second = estimate_periods.yearly(ds)
    assert (first["longest_gap_h"], first["goes_on"]) == (240.0, 0.0)
    assert (second["longest_gap_h"], second["goes_on"]) == (0.0, 0.0)


@pytest.mark.usefixtures("blank_figures")
def test_the_mark_is_explained_where_it_stands(make_estimate: Make) -> None:
    long = make_estimate("lunar polar decade", hours=2 * 8760)
    note = "† The part within the year of an outage that goes on"
    assert note in words(dark_between(long, "2026-12-22", "2027-01-21"))
    assert note not in words(dark_between(long, "2026-05-01", "2026-05-11"))


# ---------------------------------------------------------------- looks


def test_legend_keeps_full_colour_where_the_first_bar_is_pale(make_estimate: Make) -> None:
    ds = make_estimate("lunar polar year, three mounts", start="2026-01-14", hours=4000)
    assert not estimate_periods.calendar_kwh(ds)[2][0]
    with style.drawing(4.0, 3.0) as figure:
        estimate_periods.draw_bars(ds, figure)
        axes = figure.axes[0]
        assert axes.patches[0].get_alpha() == 0.45
        shown = axes.get_legend().get_patches()
        assert [patch.get_facecolor() for patch in shown] == [
            to_rgba(style.line(mount).colour, 1.0) for mount in range(3)
        ]


@pytest.mark.parametrize("lowest_deg", [-0.9, 0.0, 3.0])
def test_elevation_goes_up_where_the_sun_stays_below(make_estimate: Make, lowest_deg: float) -> None:
    skyline = (np.array([0.0, 180.0]), np.array([lowest_deg, lowest_deg + 2.0]))
    ds = make_estimate(**DARK, mask=skyline)
    assert float(ds["solar_elevation_deg"].max()) < -5.0
    low, high = sun_paths._stretched_range_deg(ds)
    assert low <= lowest_deg < lowest_deg + 2.0 <= high
    with style.drawing(6.0, 5.0) as figure:
        sun_paths.draw_sky(ds, figure)
        assert [axes.get_ylim()[0] < axes.get_ylim()[1] for axes in figure.axes] == [True, True]
        figure.draw_without_rendering()
        box = figure.axes[0].get_window_extent()
        (left, right), (bottom, top) = figure.axes[0].get_xlim(), figure.axes[0].get_ylim()
        times = (box.height / (top - bottom)) / (box.width / (right - left))
        title = figure.axes[0].get_title(loc="left")
    said = re.fullmatch(r"Elevation stretched (\d+) times against azimuth; the Sun stays below", title)
    assert said is not None
    assert float(said.group(1)) == pytest.approx(times, rel=0.05), "as drawn, to two digits"


def test_warnings_begin_with_a_capital_and_set_per_cent_as_elsewhere() -> None:
    thin = style.NARROW_SPACE
    assert (
        warning_text.warning_line("the span covers 27% of a year") == f"The span covers 27{thin}% of a year"
    )
    assert warning_text.warning_line("lens.csv: cut off at 5 %") == f"lens.csv: cut off at 5{thin}%"
    assert warning_text.warning_line("packing_x is 1") == "packing_x is 1"
    assert warning_text.warning_line("écart") == "Écart"


# ---------------------------------------------------------------- nothing delivered


def test_a_run_without_sun_says_so_instead_of_an_empty_ledger(make_estimate: Make) -> None:
    ds = make_estimate(**DARK)
    assert summary(ds)["ledger"][0]["kwh"] == 0.0
    text = words(ds)
    assert (
        text.count("No light is delivered in this run. The Sun stays below the open horizon throughout.") == 2
    )
    assert "ledger" not in pages._pdf_panels(ds)
    with style.drawing(5.0, 2.0) as figure:
        estimate_ledger.draw_ledger(summary(ds)["ledger"], figure)
        assert "The Sun stays below the open horizon throughout." in figure.texts[0].get_text()


def test_a_run_without_light_has_no_empty_figures(make_estimate: Make) -> None:
    panels = set(pages._pdf_panels(make_estimate("all dark")))
    assert panels.isdisjoint(
        {"bars", "small-bars", "duration", "mean-day", "solar-days", "seasons", "references"}
    )
    assert {"sky", "calendar", "strip", "ledger"} <= panels
    assert "duration" in pages._pdf_panels(make_estimate("lunar polar year"))


def test_the_stage_that_leaves_nothing_is_named(make_estimate: Make) -> None:
    ds = make_estimate("all dark")
    assert words(ds).count("Terrain hides the Sun whenever it is above the open horizon.") == 2
    rows = [{"stage": "sunlight", "kwh": 3.0}, {"stage": "fibre ends", "kwh": 0.0}]
    assert estimate_ledger.why_nothing(rows) == "Fibre end reflection lets nothing through."
    assert (
        estimate_ledger.why_nothing([{"stage": "sunlight", "kwh": 3.0}, {"stage": "dust", "kwh": 1.0}]) == ""
    )


# ---------------------------------------------------------------- letters


@pytest.mark.usefixtures("blank_figures")
def test_letters_that_cannot_be_drawn_are_told(make_estimate: Make) -> None:
    text = words(make_estimate("three martian days", name="月面 Ridge", collector="鏡"))
    assert (
        "Boxes stand for letters that the fonts used here lack (U+6708, U+9762 and U+93E1); "
        "summary.json has the names in full."
    ) in text


@pytest.mark.parametrize("name", ["Lantern Ridge", "Гребень", "عرب أفق", "Κορυφή 😀 é\u200b"])
def test_letters_that_can_be_drawn_bring_no_notice(make_estimate: Make, name: str) -> None:
    data = estimate_text.page_data(make_estimate("three martian days", name=name))
    assert data["warnings"] == []


# ---------------------------------------------------------------- eclipses


@pytest.mark.usefixtures("blank_figures")
def test_eclipses_are_a_table_on_the_page_of_gaps(make_estimate: Make) -> None:
    ds = make_estimate("three martian days")
    transit = ECLIPSE | {
        "occulter": "Phobos",
        "kind": "penumbra",
        "end_utc": "2026-03-03T08:44:52Z",
        "covered_fraction": 0.21,
    }
    text = words(with_summary(ds, eclipses=[ECLIPSE, transit]))
    assert "2 eclipses: 1 total, 1 partial." in text
    assert "2026-03-03 08:44:25 5.6 h Earth total 100 %" in text
    assert "2026-03-03 08:44:25 27 s Phobos partial 21.0 %" in text
    assert "hidden by" in text
    assert "hidden by" not in words(ds) + words(with_summary(ds, eclipses=[]))


def test_of_many_eclipses_the_deepest_are_listed_in_order_of_time() -> None:
    many = [
        ECLIPSE | {"start_utc": f"2026-01-{1 + i:02d}T00:00:00Z", "kind": "annular", "covered_fraction": (i * 7 % 20) / 20}
        for i in range(20)
    ]  # fmt: skip
    rows = gap_text.eclipse_rows(many)
    assert len(rows) == gap_text.MOST_ECLIPSES
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)
    kept = {row[0][:10] for row in rows}
    assert kept == {one["start_utc"][:10] for one in many if float(one["covered_fraction"]) >= 0.4}
    assert gap_text.eclipse_sentence(many) == "20 eclipses, all annular. Listed: the 12 that hide most."


# ---------------------------------------------------------------- altered summaries


def told(ds: xr.Dataset) -> str:
    with pytest.raises(InputError) as caught:
        pages.report_pdf(ds)
    assert len(caught.value.problems) == 1
    return str(caught.value)


REQUIRED = sorted(adapter(EstimateResult).json_schema()["required"])
HINT = "(altered, or not written by yieldsim estimate; run the estimate again)"


@pytest.mark.parametrize("key", REQUIRED)
def test_each_missing_key_is_told(make_estimate: Make, key: str) -> None:
    ds = make_estimate("three martian days", hours=2)
    short = {name: value for name, value in summary(ds).items() if name != key}
    assert (
        told(ds.assign_attrs(summary=json.dumps(short))) == f"the estimate: summary: {key} is missing {HINT}"
    )


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"delivered_kwh": "much"}, "delivered_kwh is not a number"),
        ({"delivered_kwh": float("nan")}, "delivered_kwh is not a number"),
        ({"days": 0}, "days is not a number above 0"),
        ({"start_utc": "yesterday"}, "start_utc is not a moment like 2027-01-01T00:00:00Z"),
        ({"ledger": []}, "ledger is empty"),
        ({"ledger": [{"stage": "sunlight"}]}, "ledger #1 kwh is missing"),
        ({"ledger": 5}, "ledger is not a list"),
        ({"gaps": [5]}, "gaps #1 is not a table"),
        ({"site": "moon"}, "site is not a table"),
        ({"warnings": [1]}, "warnings #1 is not text"),
        ({"etendue": {"limit_m2_sr": 1.0, "used_m2_sr": True}}, "etendue used_m2_sr is not a number, etendue used_fraction"),
        ({"eclipses": [ECLIPSE | {"covered_fraction": None}]}, "eclipses #1 covered_fraction is not a number"),
        (
            dict.fromkeys(("site", "collector", "ledger", "gaps"), 1),
            "site is not a table, collector is not a table, ledger is not a list, and 1 more",
        ),
    ],
)  # fmt: skip
def test_each_altered_value_is_told(make_estimate: Make, changes: dict[str, Any], fault: str) -> None:
    line = told(with_summary(make_estimate("three martian days", hours=2), **changes))
    assert line.startswith(f"the estimate: summary: {fault}")
    assert line.endswith(HINT)


@pytest.mark.parametrize("text", ["", "{", "[1, 2]", "null", "[" * 100_000])
def test_a_summary_that_is_no_table_is_told(make_estimate: Make, text: str) -> None:
    line = told(make_estimate("three martian days", hours=2).assign_attrs(summary=text))
    assert line.startswith("the estimate: summary: i")


def test_the_file_is_named_where_there_is_one(make_estimate: Make) -> None:
    ds = make_estimate("three martian days", hours=2).assign_attrs(summary="{}")
    ds.encoding["source"] = "/somewhere/result/estimate.nc"
    assert told(ds).startswith("estimate.nc: summary: ")


def test_nothing_that_may_be_left_out_is_asked_for(make_estimate: Make) -> None:
    assert "eclipses" not in REQUIRED
    ds = make_estimate("three martian days", hours=2)
    assert (
        estimate_summary(with_summary(ds, etendue=None, capture_fraction=None, unheard_of=1))["etendue"]
        is None
    )
