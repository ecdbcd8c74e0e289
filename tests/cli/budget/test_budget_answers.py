"""`yieldsim budget` as a real process: files, words, the same bytes twice, nothing lost between the files."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from command_line import Done, run

from tests.cli.budget.conftest import FILES


def test_files_are_those_promised(folder: Path, done: Done) -> None:
    names = {file.name for file in (folder / "b").iterdir()}
    assert names == {
        "budget.json", "budget.csv", "budget.nc", "budget.parquet", "budget.pdf", "draws.csv",
    }  # fmt: skip
    assert "wrote budget.csv" in done.stderr


def test_the_words_say_what_matters(done: Done) -> None:
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


def test_the_same_bytes_twice(folder: Path, done: Done) -> None:
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
