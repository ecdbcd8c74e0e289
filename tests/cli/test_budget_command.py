"""`yieldsim budget` as a real process: files, words, exit codes, the same bytes twice, nothing half-written."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import yieldsim
from yieldsim.base.errors import InputError
from yieldsim.base.results.checks import faults
from yieldsim.cli.main import main
from yieldsim.files.inputs.readers import read_collector
from yieldsim.files.output.result_schemas import RESULTS
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.budget.run import budget as budget_run

SPAN = ["--start", "2027-04-20", "--end", "2027-06-23"]
FILES = ["--site", "sites/lantern-ridge.toml", "-c", "sites/wide.collector.toml"]
DOUBTS = """draws = 64
seed = 5
[[uncertain]]
what = "horizon_height_deg"
distribution = "normal"
mean = 0.0
sd = 0.1
[[uncertain]]
what = "acceptance_scale"
distribution = "uniform"
low = 0.9
high = 1.0
"""


def run(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "yieldsim", *words], cwd=cwd, capture_output=True, text=True, timeout=300
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    there = tmp_path_factory.mktemp("budget")
    shutil.copytree(sites_folder(), there / "sites")
    (there / "doubts.toml").write_text(DOUBTS)
    done = run(
        "estimate", "sites/lantern-ridge.toml", "-c", "sites/wide.collector.toml", *SPAN, "--no-report", "--out", "e",
        cwd=there,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return there


@pytest.fixture(scope="module")
def done(folder: Path) -> subprocess.CompletedProcess[str]:
    found = run(
        "budget",
        "e",
        "--load",
        "sites/habitat.load.toml",
        *FILES,
        "--uncertain",
        "doubts.toml",
        "--out",
        "b",
        cwd=folder,
    )
    assert found.returncode == 0, found.stderr
    return found


@pytest.fixture(scope="module")
def budget(folder: Path, done: subprocess.CompletedProcess[str]) -> dict[str, object]:
    found: dict[str, object] = json.loads((folder / "b" / "budget.json").read_text())
    assert faults(RESULTS["budget"], found, whole=True) == []
    return found


def test_files_are_those_promised(folder: Path, done: subprocess.CompletedProcess[str]) -> None:
    names = {file.name for file in (folder / "b").iterdir()}
    assert names == {
        "budget.json", "budget.csv", "budget.nc", "budget.parquet", "budget.pdf", "draws.csv",
    }  # fmt: skip
    assert "wrote budget.csv" in done.stderr


def test_the_words_say_what_matters(done: subprocess.CompletedProcess[str]) -> None:
    for words in (
        "salad rack",
        "longest outage",
        "smallest storage",
        "fewest units",
        "autonomy",
        "least mass",
        "shield cycle",
        "64 draws, seed 5",
        "Never look into a lit fibre end",
        "not a basis for life support",
    ):
        assert words in done.stdout, words
    assert "note: essential loads rest on an estimate" in done.stderr


def test_the_names_of_budget_json(budget: dict[str, object]) -> None:
    for name in (
        "served_fraction",
        "unserved_kwh",
        "longest_outage_hours",
        "smallest_storage_kwh",
        "smallest_units",
    ):
        assert name in budget
    served = budget["served_fraction"]
    assert isinstance(served, dict)
    assert set(served) == {
        "salad rack",
        "sensors and radio",
        "water warming",
        "reading light",
        "dust shields",
    }
    assert all(0.0 <= share <= 1.0 for share in served.values())
    sure = budget["uncertainty"]
    assert isinstance(sure, dict)
    assert (sure["seed"], sure["draws"]) == (5, 64)
    assert {"p50", "p90", "p99"} <= set(sure["outcomes"]["delivered_kwh"])
    assert sure["outcomes"]["delivered_kwh"]["p99"] <= sure["outcomes"]["delivered_kwh"]["p50"]
    assert len(budget["life"]["table"]) == 10  # type: ignore[index]


def test_nothing_is_lost_between_the_files(folder: Path, budget: dict[str, object]) -> None:
    table = pd.read_csv(folder / "b" / "budget.csv")
    assert list(table.columns[:4]) == [
        "time_utc",
        "solar_day",
        "local_true_solar_time_hours",
        "solar_longitude_deg",
    ]
    light = budget["light"]
    assert isinstance(light, dict)
    assert table["delivered_power_w"].sum() / 1000.0 == pytest.approx(light["delivered_kwh"], rel=1e-8)
    parts = table[["used_light_power_w", "charging_light_power_w", "curtailed_light_power_w"]].sum(axis=1)
    # ten digits are written
    np.testing.assert_allclose(parts, table["delivered_power_w"], rtol=1e-8, atol=1e-8)
    for load in budget["loads"]:  # type: ignore[attr-defined]
        word = load["name"].replace(" ", "_")
        unserved = table[f"{word}_unserved_power_w"].sum() / 1000.0
        assert unserved == pytest.approx(load["unserved_kwh"], rel=1e-7, abs=1e-9)
    columns = {note["column"] for note in budget["columns"]}  # type: ignore[attr-defined]
    assert columns == set(table.columns)


def test_other_tools_read_the_series(folder: Path, budget: dict[str, object]) -> None:
    import pyarrow.parquet as pq

    table = pq.read_table(folder / "b" / "budget.parquet")
    field = table.schema.field("stored_energy_kwh")
    assert field.metadata[b"unit"] == b"kWh"
    assert str(table.schema.field("time_utc").type) == "timestamp[ms, tz=UTC]"
    with xr.open_dataset(folder / "b" / "budget.nc") as ds:
        assert ds["unserved_power_w"].dims == ("time", "load")
        assert ds["stored_energy_kwh"].attrs["units"] == "kW h"
        assert ds.sizes["draw"] == 64
        assert json.loads(ds.attrs["summary"]) == budget
    draws = pd.read_csv(folder / "b" / "draws.csv")
    assert list(draws.columns) == [
        "horizon_height_deg", "acceptance_scale", "delivered_kwh", "longest_gap_hours", "served_fraction", "unserved_kwh",
        "longest_outage_hours",
    ]  # fmt: skip


def test_the_same_bytes_twice(folder: Path, done: subprocess.CompletedProcess[str]) -> None:
    again = run(
        "budget",
        "e",
        "--load",
        "sites/habitat.load.toml",
        *FILES,
        "--uncertain",
        "doubts.toml",
        "--out",
        "c",
        cwd=folder,
    )
    assert again.returncode == 0, again.stderr
    for file in (folder / "b").iterdir():
        assert file.read_bytes() == (folder / "c" / file.name).read_bytes(), file.name


def test_json_for_pipelines_and_no_report(folder: Path, budget: dict[str, object]) -> None:
    found = run(
        "budget",
        "e/estimate.nc",
        "-l",
        "sites/habitat.load.toml",
        "--json",
        "--no-report",
        "--out",
        "d",
        cwd=folder,
    )
    assert found.returncode == 0, found.stderr
    printed = json.loads(found.stdout)
    # without site and collector the dust that unserved shields leave is not counted
    for name, share in budget["served_fraction"].items():  # type: ignore[attr-defined]
        assert printed["served_fraction"][name] == pytest.approx(share, rel=1e-5)
        assert printed["served_fraction"][name] >= share
    assert any("the dust shields lack" in line for line in printed["warnings"])
    assert (printed["life"], printed["dust"], printed["uncertainty"]) == (None, None, None)
    assert any("rest on one estimate without stated uncertainty" in line for line in printed["warnings"])
    assert not (folder / "d" / "budget.pdf").exists()


def test_more_units_serve_more(folder: Path, budget: dict[str, object]) -> None:
    found = run(
        "budget",
        "e",
        "-l",
        "sites/habitat.load.toml",
        "--units",
        "1000",
        "--json",
        "--no-report",
        "--out",
        "u",
        cwd=folder,
    )
    printed = json.loads(found.stdout)
    assert printed["light"]["delivered_kwh"] == pytest.approx(
        (budget["light"]["delivered_kwh"] + budget["dust_shields"]["lost_kwh"]) * 1000.0 / 216.0,  # type: ignore[index]
        rel=1e-12,
    )
    assert printed["served_fraction"]["salad rack"] >= budget["served_fraction"]["salad rack"]  # type: ignore[index]
    assert printed["smallest_storage_kwh"] <= budget["smallest_storage_kwh"]  # type: ignore[index]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["budget", "nowhere", "-l", "sites/habitat.load.toml"], ["nowhere"]),
        (["budget", "e", "-l", "sites/lantern-ridge.toml"], ["looks like a site file; allowed: a load file here"]),
        (["budget", "e", "-l", "sites/habitat.load.toml", "--units", "0"], ["units is 0; allowed: a whole number, 1 to 10000000"]),
        (["budget", "e", "-l", "sites/habitat.load.toml", "--reliability", "1.5"], ["reliability is 1.5"]),
        (
            ["budget", "e", "-l", "sites/habitat.load.toml", "--uncertain", "doubts.toml"],
            ["uncertain is given alone; allowed: it beside site and collector"],
        ),
        (
            ["budget", "e", "-l", "sites/habitat.load.toml", "--site", "sites/lantern-ridge.toml", "-c",
             "sites/narrow.collector.toml"],
            ["mounts differ from those of the estimate"],
        ),
        (
            ["budget", "nowhere", "-l", "bad.load.toml", "--units", "-3"],
            ["nowhere", "power_w is -1", "kind is", "units is -3"],
        ),
    ],
)  # fmt: skip
def test_wrong_input_is_refused_all_at_once(
    folder: Path,
    words: list[str],
    expected: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (folder / "bad.load.toml").write_text('[[loads]]\nname = "a"\nkind = "warmth"\npower_w = -1\n')
    monkeypatch.chdir(folder)
    with pytest.raises(SystemExit) as left:
        main([*words, "--out", "never"])
    printed = capsys.readouterr()
    assert left.value.code == 2
    assert printed.out == ""
    for line in expected:
        assert line in printed.err, printed.err
    assert "Traceback" not in printed.err
    assert not (folder / "never").exists()


def test_an_uncertain_input_that_is_not_there(folder: Path) -> None:
    (folder / "air.toml").write_text(
        '[[uncertain]]\nwhat = "optical_depth"\ndistribution = "normal"\nmean = 1.0\nsd = 0.1\n'
    )
    found = run("budget", "e", "-l", "sites/habitat.load.toml", *FILES, "--uncertain", "air.toml", cwd=folder)
    assert found.returncode == 2
    assert (
        "air.toml: [[uncertain]] optical_depth can't be drawn (Lantern Ridge has no [atmosphere])"
        in found.stderr
    )


def test_a_series_that_ends_too_soon_cannot_be_computed(folder: Path) -> None:
    (folder / "short.csv").write_text("time_utc,power_w\n2027-04-20,5\n2027-04-21,6\n")
    (folder / "short.load.toml").write_text('[[loads]]\nname = "a"\nkind = "heat"\ntable = "short.csv"\n')
    found = run("budget", "e", "-l", "short.load.toml", "--out", "never", cwd=folder)
    assert found.returncode == 1
    assert "covers 2027-04-20T00:00 to 2027-04-22T00:00" in found.stderr
    assert not (folder / "never").exists()


def test_rows_of_a_day_are_too_long(folder: Path, done: subprocess.CompletedProcess[str]) -> None:
    with xr.open_dataset(folder / "e" / "estimate.nc") as ds:
        daily = ds.load().isel(time=slice(None, None, 24)).assign_attrs(interval_s=86_400.0)
    daily["time_bnds"] = daily["time_bnds"].copy(
        data=daily["time"].values[:, None] + np.timedelta64(24, "h") * np.arange(2)
    )
    with pytest.raises(InputError, match=r"has rows of 24 h; allowed: rows of at most 6 h"):
        budget_run(daily, folder / "sites" / "habitat.load.toml")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"estimate": None}, "estimate is None"),
        ({"load": None}, "load is None"),
        ({"estimate": xr.Dataset()}, "estimate: is not a result of yieldsim estimate"),
        ({"units": 2.5}, r"units is 2\.5; allowed: a whole number"),
        ({"units": True}, "units is True"),
        ({"reliability": "most"}, "reliability is 'most'"),
        ({"reliability": math.nan}, "reliability is nan"),
    ],
)
def test_wrong_arguments_from_python(folder: Path, done, options: dict[str, object], told: str) -> None:
    given = {"estimate": folder / "e", "load": folder / "sites" / "habitat.load.toml"} | options
    with pytest.raises(InputError, match=told):
        budget_run(given.pop("estimate"), given.pop("load"), **given)


def test_years_made_of_a_part_of_one_say_so(budget: dict[str, object]) -> None:
    told = [line for line in budget["warnings"] if "seasons" in line]  # type: ignore[union-attr]
    assert [line.split(":")[0] for line in told] == [
        "the span is not whole seasons",
        "what is repeated covers 16% of a year of Moon",
    ]
    assert told[1].endswith("the other seasons are missing from every year of [life]")


def test_a_budget_is_no_estimate(folder: Path, done) -> None:
    found = run("budget", "b/budget.nc", "-l", "sites/habitat.load.toml", "--out", "never", cwd=folder)
    assert found.returncode == 2
    assert (
        'budget.nc: is not a result of yieldsim estimate (it is one of "yieldsim budget 1")' in found.stderr
    )


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            lambda ds: ds.assign(delivered_power_w=ds.delivered_power_w.where(ds.time > ds.time[3])),
            "delivered_power_w holds",
        ),
        (
            lambda ds: ds.assign(shield_power_w=ds.shield_power_w - 5.0),
            "shield_power_w holds what is no number or out",
        ),
        (lambda ds: ds.drop_vars("clean_fraction"), "clean_fraction is missing"),
        (lambda ds: ds.assign_attrs(summary="{"), "is not a result of yieldsim estimate"),
        (
            lambda ds: ds.drop_attrs(deep=False).assign_attrs(summary=ds.attrs["summary"]),
            "interval_s is missing",
        ),
    ],
)
def test_an_estimate_that_was_altered_is_told(folder: Path, done, tmp_path: Path, change, told: str) -> None:
    with xr.open_dataset(folder / "e" / "estimate.nc") as ds:
        change(ds.load()).to_netcdf(tmp_path / "altered.nc")
    with pytest.raises(InputError, match=rf"altered\.nc: {told}"):
        budget_run(tmp_path / "altered.nc", folder / "sites" / "habitat.load.toml")


def test_a_file_in_the_place_of_the_folder_is_told_before_the_run(
    folder: Path, done, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    monkeypatch.setattr("yieldsim.runs.budget.run.budget", lambda *_, **__: pytest.fail("it ran"))
    with pytest.raises(SystemExit) as left:
        main(["budget", "e", "-l", "sites/habitat.load.toml", "--out", "doubts.toml"])
    assert left.value.code == 2
    assert "doubts.toml: is a file, not a folder for results" in capsys.readouterr().err


def test_a_collector_turned_about_its_normal_is_another(folder: Path, done) -> None:
    own = read_collector(folder / "sites" / "wide.collector.toml").noun
    turned = replace(own, mounts=tuple(replace(mount, roll_deg=30.0) for mount in own.mounts))
    with pytest.raises(InputError, match="mounts differ from those of the estimate"):
        budget_run(folder / "e", folder / "sites" / "habitat.load.toml", collector=turned)


def test_the_verb_is_public() -> None:
    assert yieldsim.budget is budget_run


def test_the_sizes_answered_hold_when_the_budget_is_run_again(
    folder: Path, budget: dict[str, object]
) -> None:
    """Set in the load file and on the command line, with site and collector: it holds, and with one unit less it does not."""
    files = ("--site", "sites/lantern-ridge.toml", "-c", "sites/wide.collector.toml", "--json", "--no-report")
    text = (folder / "sites" / "habitat.load.toml").read_text().split("[life]")[0]

    def again(capacity_kwh: float, units: int, target: str) -> bool:
        kept = text.replace("capacity_kwh = 2.0", f"capacity_kwh = {capacity_kwh!r}").replace(
            "reliability = 0.99", f"reliability = {target}"
        )
        (folder / "again.load.toml").write_text(kept)
        found = run(
            "budget",
            "e",
            "-l",
            "again.load.toml",
            "--units",
            str(units),
            *files,
            "--out",
            "again",
            cwd=folder,
        )
        assert found.returncode == 0, found.stderr
        return bool(json.loads(found.stdout)["reliability"]["holds_as_given"])

    capacity, units = budget["smallest_storage_kwh"], budget["smallest_units"]
    assert isinstance(capacity, float)
    assert isinstance(units, int)
    assert again(capacity, 216, "0.99")
    assert not again(capacity * 0.999, 216, "0.99")
    assert again(2.0, units, "0.99")
    assert not again(2.0, units - 1, "0.99")
