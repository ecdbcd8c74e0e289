"""Years of optical depth as they were measured: cut whole, drawn whole, held to full estimates; one left out against the others.

The series are SYNTHETIC: a usual year, years that differ, storms in three of ten, measured every third sol. No measured series is
part of the checkout; a real one is downloaded by whoever uses it.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from agreement.worlds import seconds, world

from yieldsim.base.clock import iso, utc_from_tdb
from yieldsim.base.errors import InputError
from yieldsim.base.load_model import UncertainInput, UncertainPlan
from yieldsim.base.model import OpticalDepthTable
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.inputs.uncertainty import read_uncertain
from yieldsim.files.text.bundled import sites_folder
from yieldsim.planning.uncertainty import exceedance, sampling
from yieldsim.planning.uncertainty.measured_years import measured_years
from yieldsim.planning.uncertainty.perturbed_estimate import delivered_w, drawn_run
from yieldsim.planning.uncertainty.precomputed_sky import drawn_sky
from yieldsim.runs.budget.run import budget
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.setup.prepare import prepare
from yieldsim.sky.season import solar_longitude_deg

YEARS, YEAR_DAYS, SOL_S = 10, 686.97, 88_775.244
STORMS = {2: (0.56, 1.5), 5: (0.6, 4.0), 8: (0.62, 2.5)}
"""By year: when it begins as a share of the year, and its highest optical depth over the usual one; 40 days to fall to a third."""
FIRST = "2002-04-19"
"""A few days after solar longitude 0, so that the first year is not whole by its first rows alone but within reach."""
SPAN = ("2027-11-10", "2028-01-10")
"""Sixty days in which storms come: solar longitude 206 to 245 or so."""


def synthetic(years: int = YEARS) -> tuple[OpticalDepthTable, np.ndarray]:
    """A series by date over whole years of Mars, and its solar longitudes."""
    body, ephemeris = world("mars")
    rng = np.random.default_rng(4)
    x = seconds(FIRST) + np.arange(0.0, years * YEAR_DAYS * 86_400.0 - 12 * 86_400.0, 3.0 * SOL_S)
    season = solar_longitude_deg(ephemeris, body, x)
    since = (x - x[0]) / 86_400.0
    depth = 0.45 + 0.25 * np.clip(np.sin(np.radians(season - 180.0)), 0.0, None)
    number = np.floor(since / YEAR_DAYS).astype(int)
    depth *= rng.lognormal(0.0, 0.12, years + 1)[number]
    for year, (share, peak) in STORMS.items():
        age = since - (year + share) * YEAR_DAYS
        depth += np.where(age > 0.0, peak * np.exp(-np.maximum(age, 0.0) / 40.0), 0.0)
    return OpticalDepthTable(against="tdb_s", x=x, optical_depth=depth), season


def test_years_are_cut_whole_and_keep_their_storms() -> None:
    series, season = synthetic()
    years, left = measured_years(series, season, YEAR_DAYS)
    assert (len(years), left) == (YEARS, 0)
    assert sum(len(year.optical_depth) for year in years) == len(series.x)
    np.testing.assert_array_equal(
        np.concatenate([year.optical_depth for year in years]), series.optical_depth
    )
    for year in years:
        assert (np.diff(year.solar_longitude_deg) > 0.0).all()


def test_a_year_with_a_hole_is_left_out_whatever_its_length() -> None:
    """A hole of 40 sols spoils its year; one of three and a half years spoils those that it touches, and no more."""
    series, season = synthetic()
    days = (series.x - series.x[0]) / 86_400.0
    for (first, last), lost in (((1000.0, 1041.0), 1), ((1000.0, 1000.0 + 3.5 * YEAR_DAYS), 4)):
        kept = (days < first) | (days > last)
        holed = OpticalDepthTable(against="tdb_s", x=series.x[kept], optical_depth=series.optical_depth[kept])
        years, _ = measured_years(holed, season[kept], YEAR_DAYS)
        assert len(years) == YEARS - lost
        whole, _ = measured_years(series, season, YEAR_DAYS)
        known = [year.first_tdb_s for year in whole]
        assert all(min(abs(year.first_tdb_s - at) for at in known) < 1.0 for year in years)


@pytest.fixture(scope="module")
def plain():
    """The Martian plain's sky in the season of storms, ready for every synthetic year."""
    site = read_site(sites_folder() / "rust-plain.toml").noun
    collector = read_collector(sites_folder() / "sol-fan.collector.toml").noun
    series, season = synthetic()
    years, _ = measured_years(series, season, YEAR_DAYS)
    ready = prepare(site, collector, *SPAN)
    sky = drawn_sky(ready.setting, ready.grid, (0.0, 0.0))
    run = drawn_run(ready.setting, ready.grid, sky, (1.0, 1.0), [year.table for year in years])
    return site, collector, years, run


def kwh_of(run, year: int) -> float:
    return float(delivered_w(run, {"optical_depth_year": float(year)}).sum()) * run.row_hours / 1000.0


def test_a_drawn_year_is_the_estimate_in_that_year(plain) -> None:
    """Re-weighted by a year against a full run with that year as the site's table: 0.3 %, the steps of the run."""
    site, collector, years, run = plain
    energies = [kwh_of(run, year) for year in range(YEARS)]
    for year in (int(np.argmin(energies)), int(np.argmax(energies))):
        full = estimate(replace(site, optical_depth=years[year].table), collector, *SPAN)
        assert energies[year] == pytest.approx(full.yieldsim.delivered_kwh, rel=3e-3)
    # a storm makes a difference that no factor on a usual year's scatter would
    assert min(energies) < 0.6 * max(energies)


def test_left_out_years_reach_the_p90_of_the_others(plain) -> None:
    """Of N years each left out once, the energy of P90 drawn from the others is reached by about nine in ten.

    Of ten equally likely years the two poorest lie at or below the 10th percentile of the other nine (linear between ranks); a
    third below it would mean that draws are not whole years. Without storms kept whole (each season from another year) the
    poorest third of the years would lie far above their P90.
    """
    _, _, _, run = plain
    actual = np.array([kwh_of(run, year) for year in range(YEARS)])
    held = 0
    for out in range(YEARS):
        plan = UncertainPlan(
            inputs=(
                UncertainInput(what="optical_depth_year", distribution="measured", parameters=(YEARS - 1.0,)),
            ),
            draws=1024,
            seed=out + 1,
        )
        drawn = sampling.draw(plan).value[:, 0].astype(int)
        assert set(drawn.tolist()) == set(range(YEARS - 1))
        others = np.delete(actual, out)
        p90 = exceedance.reached(others[drawn], 90, True)
        held += bool(actual[out] >= p90)
    assert held >= 0.8 * YEARS


def write_series(path: Path, series: OpticalDepthTable) -> None:
    rows = [
        f"{iso(moment)},{depth:.4f}"
        for moment, depth in zip(utc_from_tdb(series.x), series.optical_depth, strict=True)
    ]
    path.write_text("# synthetic\ntime_utc,optical_depth\n" + "\n".join(rows) + "\n", encoding="utf-8")


UNCERTAIN = """
draws = 64
[[uncertain]]
what = "optical_depth_year"
distribution = "measured"
table = "series.csv"
"""


def test_a_budget_draws_measured_years_from_its_file(tmp_path: Path) -> None:
    series, _ = synthetic()
    write_series(tmp_path / "series.csv", series)
    (tmp_path / "doubts.toml").write_text(UNCERTAIN, encoding="utf-8")
    site, collector = sites_folder() / "rust-plain.toml", sites_folder() / "sol-fan.collector.toml"
    ds = estimate(site, collector, "2027-09-01", "2027-09-21", interval_minutes=120.0)
    made = budget(ds, sites_folder() / "sol-house.load.toml", site=site, collector=collector,
                  uncertain=tmp_path / "doubts.toml")  # fmt: skip
    summary = json.loads(made.attrs["summary"])
    told = summary["uncertainty"]
    assert len(told["measured_years"]) == YEARS
    assert told["inputs"][0]["parameters"] == [float(YEARS)]
    assert np.unique(made["drawn_input"].values).tolist() == list(range(YEARS))
    energy = told["outcomes"]["delivered_kwh"]
    assert energy["p99"] <= energy["p90"] < energy["p50"]
    assert any("measured years, each as likely" in line for line in summary["warnings"])
    assert any(one["name"] == "series.csv" for one in summary["provenance"]["inputs"])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (UNCERTAIN.replace("optical_depth_year", "dust_rate"), "measured for optical_depth_year"),
        (
            UNCERTAIN.replace('"measured"\ntable = "series.csv"', '"normal"\nmean = 1.0\nsd = 0.1'),
            "measured for",
        ),
        (UNCERTAIN.replace('table = "series.csv"\n', ""), "table"),
        (UNCERTAIN.replace("series.csv", "season.csv"), "time_utc"),
    ],
)
def test_what_is_wrong_with_measured_years_is_told(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "series.csv").write_text(
        "time_utc,optical_depth\n2002-04-19,0.5\n2004-04-19,0.5\n", encoding="utf-8"
    )
    (tmp_path / "season.csv").write_text("solar_longitude_deg,optical_depth\n0,0.5\n", encoding="utf-8")
    (tmp_path / "doubts.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_uncertain(tmp_path / "doubts.toml")
    assert words in str(told.value)


def test_a_series_without_a_whole_year_is_refused(tmp_path: Path) -> None:
    (tmp_path / "series.csv").write_text(
        "time_utc,optical_depth\n2002-04-19,0.5\n2004-04-19,0.5\n", encoding="utf-8"
    )
    (tmp_path / "doubts.toml").write_text(UNCERTAIN, encoding="utf-8")
    site, collector = sites_folder() / "rust-plain.toml", sites_folder() / "sol-fan.collector.toml"
    ds = estimate(site, collector, "2027-09-01", "2027-09-03", interval_minutes=120.0)
    with pytest.raises(InputError, match="holds no whole year of measurements"):
        budget(ds, sites_folder() / "sol-house.load.toml", site=site, collector=collector,
               uncertain=tmp_path / "doubts.toml")  # fmt: skip
