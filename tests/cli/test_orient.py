"""`yieldsim orient` and `rank` as real processes: files, exit codes, the same bytes twice, units that `estimate` takes."""

from __future__ import annotations

import json
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from command_line import process, run, with_sites

from yieldsim.base.results.checks import faults
from yieldsim.files.inputs.readers import read_collector
from yieldsim.files.output.result_schemas import RESULTS

SPAN = ["--start", "2027-01-01", "--end", "2027-03-01"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return with_sites(tmp_path_factory.mktemp("facings"))


RIDGE = ["orient", "sites/lantern-ridge.toml", "-c", "sites/wide.collector.toml", *SPAN]


ASKED = [
    *(
        *RIDGE,
        "--step-deg",
        "3",
        "--units",
        "3",
        "--goal",
        "shortest-gap",
        "--compare",
        "90,45",
        "--compare",
        "80,300,10",
    ),
    *("--load", "sites/habitat.load.toml", "--levelling-deg", "1", "--azimuth-error-deg", "2"),
    *("--tracker-downtime-fraction", "0.1"),
]


@pytest.fixture(scope="module")
def results(folder: Path) -> Path:
    done = process(*ASKED, "--out", "a", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "best for, or compared" in done.stdout
    assert "Never look into a lit fibre end" in done.stdout
    return folder / "a"


@pytest.fixture(scope="module")
def summary(results: Path) -> dict:
    return json.loads((results / "orient.json").read_text())


def test_files_are_those_promised(results: Path) -> None:
    answer = json.loads((results / "orient.json").read_text(encoding="utf-8"))
    assert faults(RESULTS["orient"], answer, whole=True) == []
    assert {file.name for file in results.iterdir()} == {
        "orient.json", "facing.nc", "facings.csv", "facing.png", "facing.pdf", "units.csv", "units.png", "units.pdf",
        "units.collector.toml", "units.collector.acceptance.csv", "units.collector.fibre.csv",
    }  # fmt: skip


def test_best_has_a_row_a_goal_with_the_named_keys(summary: dict) -> None:
    assert [row["goal"] for row in summary["best"]] == ["annual", "worst-month", "shortest-gap", "load"]
    for row in summary["best"]:
        assert {"goal", "tilt_deg", "azimuth_deg", "roll_deg", "annual_kwh"} <= set(row)
    annual, month, gap, load = summary["best"]
    everything = [*summary["best"], *summary["compare"]]
    assert annual["annual_kwh"] >= max(row["annual_kwh"] for row in everything) * 0.9995
    assert annual["annual_upper_bound_kwh"] >= annual["annual_kwh"]
    assert month["worst_month_kwh"] >= max(row["worst_month_kwh"] for row in everything) * 0.9995
    assert gap["longest_gap_hours"] <= min(row["longest_gap_hours"] for row in everything) + 0.5
    assert load["used_kwh"] >= max(row["used_kwh"] for row in everything) * 0.999
    assert [row["off_deg"] for row in annual["when_off"]] == sorted(
        row["off_deg"] for row in annual["when_off"]
    )
    assert {1.0, 2.0, 5.0} <= {row["off_deg"] for row in annual["when_off"]}
    assert summary["mast"]["expected_loss_fraction"] <= summary["mast"]["worst_loss_fraction"]
    assert [row["label"] for row in summary["compare"]][-2:] == ["90, 45", "80, 300, 10"]
    assert abs(summary["accuracy"]["sweep_against_steps_fraction"]) < 2e-3


def test_best_is_what_estimate_delivers_there(folder: Path, summary: dict) -> None:
    best = summary["best"][0]
    text = (folder / "sites" / "wide.collector.toml").read_text()
    head, tail = text.split("[[mounts]]")[0], text[text.index("\n[acceptance]") :]
    units = summary["collector"]["unit_count"]
    mount = (
        f"[[mounts]]\ntilt_deg = {best['tilt_deg']}\nazimuth_deg = {best['azimuth_deg']}\ncount = {units}\n"
    )
    turned = folder / "sites" / "turned.collector.toml"
    turned.write_text(head + mount + tail)
    words = ["estimate", "sites/lantern-ridge.toml", "-c", str(turned), *SPAN]
    done = run(*words, "--json", "--no-report", "--out", "est", cwd=folder)
    assert done.returncode == 0, done.stderr
    known = json.loads(done.stdout)
    assert best["annual_kwh"] == pytest.approx(known["delivered_kwh"], rel=2e-3)
    assert best["longest_gap_hours"] == pytest.approx(known["longest_gap_hours"], abs=1.0)


def test_map_is_cf_and_agrees_with_the_best(results: Path, summary: dict) -> None:
    with netCDF4.Dataset(results / "facing.nc") as raw:
        assert raw.Conventions.startswith("CF-")
        assert raw["annual_kwh"].dimensions == ("tilt", "azimuth")
        assert raw["annual_kwh"].units == "kW h"
    with xr.open_dataset(results / "facing.nc") as ds:
        assert (ds.sizes["tilt"], ds.sizes["azimuth"]) == (61, 120)
        best = float(ds.annual_kwh.max())
        assert best <= summary["best"][0]["annual_kwh"] * 1.001
        assert best >= summary["best"][0]["annual_kwh"] * 0.97
        assert json.loads(ds.attrs["summary"]) == summary


def test_units_are_a_collector_that_estimate_takes(folder: Path, results: Path, summary: dict) -> None:
    units = summary["units"]
    assert {"set", "value", "upper_bound"} <= set(units)
    assert sum(mount["count"] for mount in units["set"]) == 3
    assert units["upper_bound"] <= units["value"]
    collector = read_collector(results / "units.collector.toml").noun
    assert collector.unit_count == 3
    given = read_collector(folder / "sites" / "wide.collector.toml").noun
    assert (collector.shield, collector.mass_kg, collector.name) == (given.shield, given.mass_kg, given.name)
    np.testing.assert_array_equal(
        collector.acceptance_table.acceptance_fraction, given.acceptance_table.acceptance_fraction
    )
    words = ["estimate", "sites/lantern-ridge.toml", "-c", "a/units.collector.toml", *SPAN]
    done = run(*words, "--json", "--no-report", "--out", "units", cwd=folder)
    assert done.returncode == 0, done.stderr
    known = json.loads(done.stdout)
    assert known["longest_gap_hours"] == pytest.approx(units["value"], abs=1.0)
    assert known["delivered_kwh"] == pytest.approx(units["annual_kwh"], rel=3e-3)
    curve = pd.read_csv(results / "units.csv")
    assert list(curve["units"]) == [1, 2, 3]
    assert (np.diff(curve["longest_gap_hours"]) <= 1e-9).all()
    assert "annual_kwh_per_kg" in curve


def test_following_stands_beside_fixed(summary: dict) -> None:
    found = summary["following"]
    both = found["followers"][0]
    assert both["axes"] == "two axes"
    assert both["annual_kwh_per_unit"] >= max(row["annual_kwh_per_unit"] for row in found["followers"])
    ratio = both["annual_kwh_per_unit"] / found["fixed_annual_kwh_per_unit"]
    assert both["fixed_units_for_same_energy"] == pytest.approx(ratio)
    assert found["best_single_axis"] == found["followers"][1]["axes"]
    assert both["longest_gap_hours"] == found["dark_gap_hours"]


def test_same_inputs_same_bytes_and_no_figures_when_not_wanted(folder: Path, results: Path) -> None:
    done = run(*ASKED, "--json", "--out", "b", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == json.loads((folder / "b" / "orient.json").read_text())
    for file in sorted(results.iterdir()):
        assert file.read_bytes() == (folder / "b" / file.name).read_bytes(), file.name
    plain = run(*RIDGE, "--end", "2027-01-15", "--step-deg", "10", "--no-figures", "--out", "d", cwd=folder)
    assert plain.returncode == 0
    assert {file.name for file in (folder / "d").iterdir()} == {"orient.json", "facing.nc", "facings.csv"}


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--goal", "anual"], "did you mean annual"),
        (["--goal", "load"], "without a load file"),
        (["--units", "0"], "units is 0; allowed: a whole number, 1 to 200"),
        (["--step-deg", "0"], "step_deg is 0"),
        (["--compare", "88"], "is not a facing"),
        (["--compare", "200,0"], "compare #1 tilt is 200"),
        (
            ["--tracker-downtime-fraction", "1.5"],
            "tracker_downtime_fraction is 1.5; allowed: 0 to 1 (a share of 1, not per cent: 0.015)",
        ),
        (["--levelling-deg", "-1"], "levelling_deg is -1"),
        (["--load", "nothing.toml"], "nothing.toml"),
    ],
)
def test_wrong_questions_are_refused_in_words(folder: Path, words: list[str], expected: str) -> None:
    done = run(*RIDGE, *words, "--out", "bad", cwd=folder)
    assert done.returncode == 2
    assert expected in done.stderr
    assert "Traceback" not in done.stderr
    assert not (folder / "bad").exists()


def test_nothing_is_left_where_writing_fails(folder: Path) -> None:
    (folder / "taken").write_text("a file")
    done = run(
        *RIDGE, "--end", "2027-01-15", "--step-deg", "10", "--no-figures", "--out", "taken", cwd=folder
    )
    assert done.returncode == 2
    assert "is a file, not a folder" in done.stderr
    assert (folder / "taken").read_text() == "a file"


# ---------------------------------------------------------------- rank

SITES = ["sites/lantern-ridge.toml", "sites/rust-plain.toml", "sites/long-meadow.toml"]


@pytest.fixture(scope="module")
def ranking(folder: Path) -> Path:
    done = run(
        "rank", *SITES, "-c", "sites/skyward.collector.toml", *SPAN, "--facing", "best",
        "--continuous-power-w", "5", "--out", "rank",
        cwd=folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "kept of the light that reaches each stage" in done.stdout
    return folder / "rank"


def test_an_hour_of_one_small_unit_is_told_in_figures_that_tell(folder: Path) -> None:
    done = run(
        "orient", "sites/lantern-ridge.toml", "-c", "sites/skyward.collector.toml", "--start", "2027-01-01",
        "--end", "2027-01-01T01", "--units", "1", "--no-figures", "--out", "hour", cwd=folder,
    )  # fmt: skip
    summary = json.loads((folder / "hour" / "orient.json").read_text())
    lines = done.stdout.splitlines()
    assert lines[1].startswith("2027-01-01T00:00 to 2027-01-01T01:00, 1 hour: ")
    bound = next(line for line in lines if "no orientation can have more" in line)
    shown = float(bound.split("more than ")[1].split()[0])
    assert shown == pytest.approx(summary["best"][0]["annual_upper_bound_kwh"], rel=1e-3)
    value = next(line for line in lines if line.startswith("  value "))
    assert float(value.split()[1]) == pytest.approx(summary["units"]["value"], rel=1e-3)


def test_rank_writes_table_figure_and_reasons(ranking: Path) -> None:
    assert {file.name for file in ranking.iterdir()} == {
        "rank.json",
        "rank.csv",
        "rank.nc",
        "rank.png",
        "rank.pdf",
    }
    summary = json.loads((ranking / "rank.json").read_text())
    assert faults(RESULTS["rank"], summary, whole=True) == []
    energies = [row["annual_kwh"] for row in summary["sites"]]
    assert energies == sorted(energies, reverse=True)
    table = pd.read_csv(ranking / "rank.csv")
    assert list(table["rank"]) == [1, 2, 3]
    for row in summary["sites"]:
        ledger = {entry["stage"]: entry["kwh"] for entry in row["ledger"]}
        product = ledger["sunlight"]
        for entry in row["kept_by_stage"]:
            product *= entry["kept_fraction"]
        assert product == pytest.approx(row["delivered_kwh"], rel=1e-9)
        assert row["units_for_power"] >= 1
    with xr.open_dataset(ranking / "rank.nc") as ds:
        assert list(ds.site.values) == [row["site"]["name"] for row in summary["sites"]]
        assert ds.ledger_kwh.dims == ("site", "stage")


def test_rank_as_given_is_the_estimate(folder: Path) -> None:
    words = [
        "-c",
        "sites/skyward.collector.toml",
        *SPAN,
        "--facing",
        "given",
        "--goal",
        "shortest-gap",
        "--json",
    ]
    done = run("rank", *SITES[:2], *words, "--no-figures", "--out", "given", cwd=folder)
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)["sites"]
    gaps = [row["longest_gap_hours"] for row in rows]
    assert gaps == sorted(gaps)
    est = run(
        "estimate", SITES[1], "-c", "sites/skyward.collector.toml", *SPAN, "--json", "--no-report", "--out", "one", cwd=folder
    )  # fmt: skip
    known = json.loads(est.stdout)
    row = next(row for row in rows if row["site"] == known["site"])
    assert row["delivered_kwh"] == known["delivered_kwh"]
    assert row["facing"] is None


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--goal", "units"], "without a power"),
        (["--goal", "hour"], "did you mean hours"),
        (["--facing", "any"], "given or best or set"),
        (["--continuous-power-w", "-3"], "continuous_power_w is -3"),
    ],
)
def test_rank_refuses_wrong_questions(folder: Path, words: list[str], expected: str) -> None:
    done = run("rank", *SITES[:1], "-c", "sites/skyward.collector.toml", *SPAN, *words, cwd=folder)
    assert done.returncode == 2
    assert expected in done.stderr


def test_rank_names_the_problems_of_all_files(folder: Path) -> None:
    (folder / "x.toml").write_text('name = "x"\n')
    (folder / "y.toml").write_text('nam = "y"\n')
    done = run("rank", "x.toml", "y.toml", "-c", "sites/skyward.collector.toml", cwd=folder)
    assert done.returncode == 2
    assert "x.toml" in done.stderr
    assert "y.toml" in done.stderr


def test_turns_by_hand_lie_between_fixed_and_tracking(folder: Path) -> None:
    """More turns gather more; none is the best fixed orientation, all are less than two axes."""
    result = run(*RIDGE, "--reaimings", "3", "--out", "turned", "--no-figures", cwd=folder)
    assert result.returncode == 0, result.stderr
    assert "turned by hand" in result.stdout
    summary = json.loads((folder / "turned" / "orient.json").read_text(encoding="utf-8"))
    rows = summary["reaimings"]
    energies = [row["annual_kwh_per_unit"] for row in rows]
    assert [len(row["stretches"]) for row in rows] == [1, 2, 3, 4]
    assert energies == sorted(energies)
    assert energies[0] == pytest.approx(summary["following"]["fixed_annual_kwh_per_unit"], rel=2e-3)
    assert energies[-1] < summary["following"]["followers"][0]["annual_kwh_per_unit"]
    wrong = run(*RIDGE, "--reaimings", "13", cwd=folder)
    assert wrong.returncode == 2
    assert "0 to 12" in wrong.stderr
