"""The budget's pages: what they say, in every kind of budget, and the same bytes again."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import xarray as xr

from yieldsim.base.errors import InputError
from yieldsim.base.load_model import Life, Load, LoadPlan, Schedule, Storage
from yieldsim.report.budget import lifetime_text
from yieldsim.report.budget import text as budget_text
from yieldsim.report.budget.dispatch import _columns_h, draw_light, draw_loads
from yieldsim.report.budget.lifetime import cycle_at_end, draw_cycle, draw_visits, draw_years
from yieldsim.report.budget.pages import budget_pdf
from yieldsim.report.budget.uncertainty import draw_convergence, draw_curves, draw_ranking
from yieldsim.report.layout import style
from yieldsim.runs.budget.output import budget_of
from yieldsim.runs.budget.run import budget

pymupdf = pytest.importorskip("pymupdf")

Make = Callable[..., xr.Dataset]
CROPS = Load(
    name="crops",
    kind="light",
    unit="umol/s",
    amount=30.0,
    schedule=Schedule(windows=((6.0, 22.0),), clock="utc"),
)
RADIO = Load(name="radio", kind="electric", amount=2.0, direct_efficiency=0.3)
BATHS = Load(name="baths", kind="heat", amount=10.0, priority="deferrable", window_hours=48.0)
LAMPS = Load(name="lamps", kind="light", unit="lm", amount=500.0, priority="sheddable", lamp_yield=110.0)
STORE = Storage(
    capacity_kwh=20.0, converter_efficiency=0.3, discharge_efficiency=0.9, reserve_fraction=0.5, mass_kg_per_kwh=6.0,
    standing_loss_per_day=0.002, fade_per_year=0.02,
)  # fmt: skip
FULL = LoadPlan(name="Lantern house", loads=(CROPS, RADIO, BATHS, LAMPS), storage=STORE, reliability=0.9)


def budget_on(ds: xr.Dataset, plan: LoadPlan) -> xr.Dataset:
    return budget(ds.assign_attrs(interval_s=3600.0, source="made up", history="made up"), plan)


def with_answers(series: xr.Dataset, seed: int = 1) -> xr.Dataset:
    """Life, dust and confidence as a run with site and collector would add them: made up, right in shape."""
    rng = np.random.default_rng(seed)
    summary = json.loads(series.attrs["summary"])
    draws = 64
    names = ["delivered_kwh", "longest_gap_hours", "served_fraction", "unserved_kwh", "longest_outage_hours"]
    values = {
        name: rng.uniform(0.4, 0.9, draws) * (1.0 if name == "served_fraction" else 100.0) for name in names
    }
    figures = {
        name: {
            key: float(v)
            for level in (50, 90, 99)
            for key, v in ((f"p{level}", np.quantile(found, level / 100)), (f"p{level}_error", 0.3))
        }
        for name, found in values.items()
    }
    shares = [
        {"what": "dust_rate", "first": 0.6, "total": 0.65},
        {"what": "horizon_height_deg", "first": 0.3, "total": 0.36},
    ]
    summary["uncertainty"] = {
        "draws": draws,
        "seed": 5,
        "scrambles": 8,
        "inputs": [
            {"what": "dust_rate", "meaning": "factor", "distribution": "lognormal", "parameters": [1.0, 0.5],
             "clipped_draws": 3},
            {"what": "horizon_height_deg", "meaning": "added", "distribution": "triangular",
             "parameters": [-0.1, 0.0, 0.2], "clipped_draws": 0},
        ],
        "nominal": {name: float(found.mean()) for name, found in values.items()},
        "nominal_departure": 1e-4,
        "outcomes": figures,
        "shortfall": {"p90_unserved_kwh": 4.2, "p99_unserved_kwh": 7.7, "p90_longest_outage_hours": 50.0,
                      "p99_longest_outage_hours": 80.0},
        "ranking": {"delivered_kwh": {"explained": 0.98, "shares": shares}, "served_fraction": None},
        "convergence": {name: [{"draws": float(n), "p50": 50.0, "p90": 60.0, "p99": 70.0} for n in (8, 16, 32, 64)]
                        for name in names},
    }  # fmt: skip
    row = {"delivered_kwh": 90.0, "dust_left": 0.9, "fibre_left": 0.95, "lens_left": 0.99, "storage_kwh": 18.0,
           "served_fraction": 0.8, "unserved_kwh": 3.0, "longest_outage_hours": 100.0}  # fmt: skip
    summary["life"] = {
        "years": 3,
        "table": [
            {"year": year, **{key: value * 0.97**year for key, value in row.items()}} for year in (1, 2, 3)
        ],
        "delivered_kwh": 260.0,
        "delivered_kwh_per_kg": 6.5,
        "first_year_kwh": 90.0,
        "last_year_kwh": 85.0,
        "repeated_days": 354.3,
    }
    tried = [
        {"cycle_hours": float(h), "delivered_kwh": 100.0 - 0.01 * h, "electric_kwh": 9.0 / h,
         "net_kwh": 100.0 - 0.01 * h - 30.0 / h, "runs": int(8000.0 / h)}
        for h in np.geomspace(1.0, 8000.0, 20)
    ]  # fmt: skip
    delivered = summary["light"]["delivered_kwh"]
    summary["dust"] = {
        "light_per_electric": 3.5,
        "cycle": {"now": tried[3], "best": tried[10], "tried": tried},
        "visit": {"removes": 0.9, "best_after_days": 50.0, "best_utc": "2026-02-20T00:00:00Z",
                  "gained_kwh": 0.05 * delivered,
                  "tried": [{"after_days": float(d), "gained_kwh": d * (100.0 - d)} for d in range(0, 101, 10)]},
        "film": {"with_kwh": 95.0, "without_kwh": 99.0, "break_even_transmittance": 0.97, "paid_back_after_days": None,
                 "film_transmittance": 0.93},
    }  # fmt: skip
    series = series.assign({f"drawn_{name}": ("draw", found) for name, found in values.items()})
    series.attrs["summary"] = json.dumps(summary)
    return series


def text_of(document: Any) -> str:
    return re.sub(r"\s+", " ", " ".join(page.get_text() for page in document))


def test_the_pages_say_what_matters(make_estimate: Make) -> None:
    series = with_answers(budget_on(make_estimate("lunar polar year"), FULL))
    document = pymupdf.open(stream=budget_pdf(series))
    words = text_of(document)
    for expected in (
        "Lantern house at Lantern Ridge",
        "of what the essential loads ask is served",
        "Never look into a lit fibre end",
        "Units against storage",
        "With one thing failed",
        "Years of service",
        "3 years, 6.50 kWh for each kilogram of collector",
        "Dust: shield, visits, film",
        "breaks even at a film transmittance of 0.9700",
        "Uncertainty",
        "Which input matters",
        "64 draws in 8 scrambles, seed 5",
        "lognormal: median 1, sigma 0.5; 3 clipped",
        "LOAD_unserved_power_w",
        "half-metre.toml",
    ):
        assert expected in words, expected
    # what the essential loads may lack stands on the first page, and whether that will do
    first = re.sub(r"\s+", " ", document[0].get_text())
    assert "Not served, essential loads, P90" in first
    assert "Not served, all loads" in first
    assert re.search(r"(Pass|Fail): 90 % of essential loads \(by energy\) is", first)
    assert "P99" in first
    assert {tuple(round(side) for side in page.rect[2:]) for page in document} == {(595, 842)}
    assert [
        name for name in document.embfile_names() if "budget.json" in name
    ] or document.embfile_count() == 1


@pytest.mark.parametrize(
    ("case", "plan"),
    [
        ("lunar polar year", replace(FULL, storage=None)),
        ("lunar polar year", replace(FULL, loads=(RADIO,), storage=Storage(capacity_kwh=0.0))),
        pytest.param("martian year", replace(FULL, loads=(LAMPS, BATHS)), marks=pytest.mark.slow),
        ("martian year", LoadPlan(name="x" * 120, loads=(replace(CROPS, amount=0.0),), storage=STORE)),
        ("three martian days", FULL),
        ("one day", replace(FULL, reliability_of="hours")),
        ("all dark", FULL),
        pytest.param(
            "mercury year",
            replace(FULL, storage=replace(STORE, mass_kg_per_kwh=None)),
            marks=pytest.mark.slow,
        ),
    ],
)
def test_every_kind_of_budget_has_pages(make_estimate: Make, case: str, plan: LoadPlan) -> None:
    series = budget_on(make_estimate(case), plan)
    words = text_of(pymupdf.open(stream=budget_pdf(series)))
    assert "Never look into a lit fibre end" in words
    assert "nan" not in words.lower().split()
    assert "inf" not in words.lower().split()
    summary = budget_of(series)
    asked = sum(load["asked_kwh"] for load in summary["loads"])
    parts = ("served_directly_kwh", "served_from_storage_kwh", "unserved_kwh")
    assert sum(load[part] for load in summary["loads"] for part in parts) == pytest.approx(asked, rel=1e-9)


def test_dark_serves_nothing(make_estimate: Make) -> None:
    dark = budget_on(make_estimate("all dark"), replace(FULL, storage=replace(STORE, initial_fraction=0.0)))
    summary = budget_of(dark)
    assert set(summary["served_fraction"].values()) == {0.0}
    assert summary["smallest_storage_kwh"] is None
    assert summary["smallest_units"] is None
    assert summary["longest_outage_hours"] > 8000.0
    assert summary["longest_outage_at_least"]
    assert all(row["at_least"] for row in summary["outages"])
    assert budget_text.outage_rows(summary)[0][-1].startswith("≥ ")
    assert "end cuts it" in budget_text.headline(summary)["sentence"]


def test_no_size_is_enough_in_the_dark_and_the_pages_say_so(make_estimate: Make) -> None:
    dark = budget_on(make_estimate("all dark"), replace(FULL, storage=replace(STORE, initial_fraction=0.0)))
    tiles = {tile["label"]: tile for tile in budget_text.tiles(budget_of(dark))}
    assert {tiles[name]["value"] for name in ("Smallest storage", "Fewest units")} == {"none"}
    with style.drawing(6.0, 2.3) as figure:
        draw_light(dark, figure)
        assert style.NO_LIGHT in [text.get_text() for text in figure.axes[0].texts]


def test_a_load_that_asks_for_nothing_is_not_served_all_of_it(make_estimate: Make) -> None:
    idle = replace(CROPS, amount=0.0)
    summary = budget_of(budget_on(make_estimate("one day"), replace(FULL, loads=(idle, RADIO))))
    rows = budget_text.load_rows(summary)
    assert rows[0][8] == "–"
    assert rows[1][8].endswith("%")
    with style.drawing(6.0, 2.0) as figure:
        draw_loads(summary, figure)
        assert "asks for nothing in this span" in [text.get_text() for text in figure.axes[0].texts]


def test_parts_below_rounding_are_nothing() -> None:
    assert budget_text._part(5.3e-18, 8.76) == "0"
    assert budget_text._part(1e-3, 8.76) != "0"


@pytest.mark.parametrize(
    ("end_h", "step_h", "columns"),
    [(24.0, 1.0, 24), (96.0, 1.0, 96), (2400.0, 24.0, 100), (8760.0, 168.0, 52), (8856.0, 168.0, 53)],
)
def test_light_is_drawn_by_whole_hours_days_or_weeks(end_h: float, step_h: float, columns: int) -> None:
    """Columns of three days would beat with loads that follow the week; one day as a last week stood out as a spike."""
    step, edges = _columns_h(end_h)
    assert (step, edges.size - 1, edges[0], edges[-1]) == (step_h, columns, 0.0, end_h)
    assert np.diff(edges)[:-1] == pytest.approx(step_h)
    assert 0.5 * step_h <= edges[-1] - edges[-2] < 1.5 * step_h


@pytest.mark.parametrize(
    ("best_h", "end"), [(1.0, "shortest"), (1.2, ""), (300.0, ""), (4000.0, ""), (4381.0, "longest")]
)
def test_a_best_cycle_at_the_end_of_those_tried_is_told(make_estimate: Make, best_h: float, end: str) -> None:
    """Past half the run of 8000 h the shield runs once at most."""
    series = with_answers(budget_on(make_estimate("one day"), FULL))
    summary = budget_of(series)
    cycle = summary["dust"]["cycle"]
    cycle["best"] = cycle["best"] | {"cycle_hours": best_h}
    assert cycle_at_end(cycle) == end
    said = lifetime_text.dust_lines(summary)[0]
    assert ("tried" in said) == bool(end)
    assert said.endswith(lifetime_text.CYCLE_ENDS[end])
    with style.drawing(3.4, 2.4) as figure:
        draw_cycle(summary["dust"], figure)
        labels = [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    assert labels[-1] == (f"nets most ({end} tried)" if end else "nets most")


def test_odd_names_stay_words(make_estimate: Make) -> None:
    odd = 'Rack #1 $x^2$ _a_ *b* "q" <t> \\ @r `c` 月面 Ж'
    plan = replace(FULL, name=odd, loads=(replace(CROPS, name=odd), RADIO))
    words = text_of(pymupdf.open(stream=budget_pdf(budget_on(make_estimate("one day"), plan))))
    assert 'Rack #1 $x^2$ _a_ *b* "q" <t>' in words
    assert "fonts used here lack (U+6708 and U+9762); budget.json has the names in full" in words
    plain = text_of(pymupdf.open(stream=budget_pdf(budget_on(make_estimate("one day"), FULL))))
    assert "Boxes stand for letters" not in plain


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"collector": {"name": "x"}}, "collector aperture_area_m2 is missing"),
        ({"provenance": 5}, "provenance is not a table"),
        ({"delivered_light": {"photon_yield_umol_per_j": "many"}}, "delivered_light luminous_efficacy"),
    ],
)
def test_a_budget_asks_for_a_whole_summary(make_estimate: Make, changes: dict[str, Any], fault: str) -> None:
    ds = make_estimate("one day")
    altered = json.loads(ds.attrs["summary"]) | changes
    with pytest.raises(InputError, match=f"summary: {fault}"):
        budget_on(ds.assign_attrs(summary=json.dumps(altered)), FULL)


def test_the_same_bytes_again(make_estimate: Make) -> None:
    series = with_answers(budget_on(make_estimate("three martian days"), FULL))
    assert budget_pdf(series) == budget_pdf(series)


@pytest.mark.parametrize("years", [1, 2, 40])
def test_any_number_of_years_is_drawn(make_estimate: Make, years: int) -> None:
    summary = budget_of(with_answers(budget_on(make_estimate("one day"), FULL)))
    life = summary["life"]
    table = [dict(life["table"][0], year=year + 1, storage_kwh=0.0) for year in range(years)]
    with style.drawing(6.0, 2.0) as figure:
        draw_years(life | {"table": table}, figure)
        assert style.png_bytes(figure)


def test_figures_hold_the_figures(make_estimate: Make) -> None:
    """Bars and marks read back from the drawing."""
    series = with_answers(budget_on(make_estimate("one day"), FULL))
    sure, dust = budget_of(series)["uncertainty"], budget_of(series)["dust"]
    with style.drawing(6.0, 3.0) as figure:
        draw_ranking(sure, figure)
        widths = sorted(bar.get_width() for bar in figure.axes[0].patches)
        assert widths == pytest.approx([30.0, 36.0, 60.0, 65.0])
    with style.drawing(6.0, 3.0) as figure:
        draw_curves(series, sure, figure)
        drawn = sorted(series["drawn_delivered_kwh"].values)
        np.testing.assert_allclose(figure.axes[0].lines[0].get_xdata(), drawn)
    with style.drawing(3.0, 3.0) as figure:
        draw_convergence(sure, figure)
        assert [line.get_label() for line in figure.axes[0].lines][:1]
    with style.drawing(3.0, 3.0) as figure:
        draw_cycle(dust, figure)
        assert figure.axes[0].lines[0].get_xdata()[0] == pytest.approx(1.0)
    with style.drawing(3.0, 3.0) as figure:
        draw_visits(dust, figure)
        assert max(figure.axes[0].lines[0].get_ydata()) == 2500.0


def test_notes_name_what_may_mislead(make_estimate: Make) -> None:
    plan = replace(
        FULL,
        loads=(replace(CROPS, schedule=Schedule(windows=((6.0, 22.0),))), RADIO, replace(LAMPS, from_storage_efficiency=9.0,
                                                                                         lamp_yield=None)),
        life=Life(years=2),
    )  # fmt: skip
    notes: list[Any] = budget_of(budget_on(make_estimate("lunar polar year", hours=2200), plan))["warnings"]
    for expected in (
        '"crops" keeps solar time, in which a day lasts 709 hours here',
        "the dust shields draw",
        "50% of the store waits for essential loads",
        "[life] needs the site and collector files",
        "without stated uncertainty",
        '"lamps" would get more from each watt through the store',
    ):
        assert any(expected in line for line in notes), (expected, notes)
