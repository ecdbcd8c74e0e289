"""`yieldsim estimate` and `report` as real processes: files, exit codes, same bytes twice, nothing half-written."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from command_line import process, run, with_sites
from PIL import Image

from yieldsim.base.results.checks import faults
from yieldsim.files.output.result_schemas import RESULTS

FEW_DAYS = ["--start", "2027-01-10", "--end", "2027-01-13"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return with_sites(tmp_path_factory.mktemp("run"))


@pytest.fixture(scope="module")
def results(folder: Path) -> Path:
    done = process(
        "estimate",
        "sites/rust-plain.toml",
        "-c",
        "sites/skyward.collector.toml",
        *FEW_DAYS,
        "--out",
        "a",
        cwd=folder,
    )
    assert done.returncode == 0, done.stderr
    assert "delivered" in done.stdout
    assert "Never look into a lit fibre end" in done.stdout
    return folder / "a"


def test_files_are_those_promised(results: Path) -> None:
    names = {file.name for file in results.iterdir()}
    assert names == {
        "estimate.nc", "hourly.csv", "hourly.parquet", "daily.csv", "monthly.csv", "yearly.csv", "solar_days.csv", "seasons.csv",
            "summary.json",
        "csv-metadata.json", "report.pdf", "report.png",
    }  # fmt: skip


def test_every_column_is_described_with_its_unit(results: Path) -> None:
    described = json.loads((results / "csv-metadata.json").read_text(encoding="utf-8"))
    assert described["dc:provenance"] == json.loads((results / "summary.json").read_text())["provenance"]
    tables = {table["url"]: table["tableSchema"]["columns"] for table in described["tables"]}
    assert set(tables) == {file.name for file in results.glob("*.csv")}
    for name, columns in tables.items():
        assert [column["titles"] for column in columns] == list(pd.read_csv(results / name).columns)
        for column in columns:
            assert column["dc:description"]
            if column["titles"].endswith("_deg"):
                assert column["schema:unitText"] == "degree"


def test_the_picture_carries_its_provenance(results: Path) -> None:
    with Image.open(results / "report.png") as picture:
        picture.verify()
    with Image.open(results / "report.png") as picture:
        found = json.loads(picture.text["Provenance"])
    assert found == json.loads((results / "summary.json").read_text(encoding="utf-8"))["provenance"]


def test_a_disk_that_fills_is_told_and_nothing_stays(folder: Path) -> None:
    """A limit on the size of files stands for a full disk, which the NetCDF library words as a fault of its own."""
    code = """if True:
        import resource, signal
        import yieldsim
        from yieldsim.base.errors import WriteFailed
        from yieldsim.runs.estimate.output import write_estimate

        ds = yieldsim.estimate("sites/rust-plain.toml", "sites/skyward.collector.toml", "2027-01-10", "2027-01-13")
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
        try:
            write_estimate(ds, "full", report=False)
        except WriteFailed as error:
            print(error)
    """
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, timeout=300
    )
    assert "cannot write into full: the disk refuses estimate.nc" in done.stdout, done.stderr
    assert list((folder / "full").iterdir()) == []


def test_hourly_columns_start_as_specified(results: Path) -> None:
    table = pd.read_csv(results / "hourly.csv")
    assert list(table.columns[:8]) == [
        "time_utc",
        "solar_azimuth_deg",
        "solar_elevation_deg",
        "sun_distance_au",
        "disc_visible_fraction",
        "beam_irradiance_w_m2",
        "incidence_deg",
        "delivered_power_w",
    ]
    assert len(table) == 72
    assert table["time_utc"][0] == "2027-01-10T00:00:00Z"
    assert not table.isna().any().any()


def test_tables_agree_with_the_summary(results: Path) -> None:
    summary = json.loads((results / "summary.json").read_text())
    assert faults(RESULTS["estimate"], summary, whole=True) == []
    total = summary["delivered_kwh"]
    assert total > 0
    hourly = pd.read_csv(results / "hourly.csv")
    assert hourly["delivered_power_w"].sum() / 1000.0 == pytest.approx(total, rel=1e-8)
    for name in ("daily", "monthly", "yearly", "solar_days"):
        assert pd.read_csv(results / f"{name}.csv")["delivered_kwh"].sum() == pytest.approx(total, rel=1e-8)
    assert summary["ledger"][-1]["kwh"] == pytest.approx(total, rel=1e-12)
    assert {row["role"] for row in summary["provenance"]["inputs"]} >= {"site", "collector"}
    assert summary["provenance"]["kernels"][0]["sha256"]


def test_netcdf_opens_with_units_and_bounds(results: Path) -> None:
    with netCDF4.Dataset(results / "estimate.nc") as raw:
        assert raw.Conventions.startswith("CF-")
        assert raw["time"].bounds == "time_bnds"
        assert "_FillValue" not in raw["time"].ncattrs()
        for name, variable in raw.variables.items():
            if name not in ("time_bnds", "stage", "mount"):
                assert variable.units, name
    with xr.open_dataset(results / "estimate.nc") as ds:
        assert ds.sizes["time"] == 72
        assert ds.time_bnds.dtype.kind == "M"
        assert (ds.time_bnds[:, 1] - ds.time_bnds[:, 0] == np.timedelta64(1, "h")).all()
        assert ds.delivered_power_w.attrs["cell_methods"] == "time: mean"
        assert ds.solar_azimuth_deg.attrs["standard_name"] == "solar_azimuth_angle"


def test_same_inputs_same_bytes(folder: Path, results: Path) -> None:
    again = run(
        "estimate",
        "sites/rust-plain.toml",
        "-c",
        "sites/skyward.collector.toml",
        *FEW_DAYS,
        "--out",
        "b",
        cwd=folder,
    )
    assert again.returncode == 0
    for file in sorted(results.iterdir()):
        assert file.read_bytes() == (folder / "b" / file.name).read_bytes(), file.name


def test_report_redraws_the_same_bytes(folder: Path, results: Path) -> None:
    done = run("report", "a", "--out", "redrawn", "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["delivered_kwh"] > 0
    for name in ("report.pdf", "report.png"):
        assert (folder / "redrawn" / name).read_bytes() == (results / name).read_bytes()


def test_json_is_the_summary_and_nothing_else(folder: Path) -> None:
    words = ["estimate", "sites/lantern-ridge.toml", "-c", "sites/wide.collector.toml", *FEW_DAYS]
    done = run(*words, "--json", "--no-report", "--out", "c", cwd=folder)
    assert done.returncode == 0
    assert json.loads(done.stdout) == json.loads((folder / "c" / "summary.json").read_text())
    assert not (folder / "c" / "report.pdf").exists()


WRONG = {
    "reversed span": (["--start", "2027-02-01", "--end", "2027-01-01"], 2, "not after start"),
    "not a date": (["--start", "soon"], 2, "ISO 8601"),
    "two ends": (["--end", "2027-02-01", "--years", "2"], 2, "beside end"),
    "no years": (["--years", "0"], 2, "above 0"),
    "uneven span": (["--start", "2027-01-01", "--end", "2027-01-02T00:30"], 2, "whole intervals"),
    "interval": (["--interval-minutes", "0.5"], 2, "whole minutes"),
    "tolerance": (["--tolerance", "2"], 2, "0.000001"),
    "after the kernel": (["--start", "2060-01-01"], 1, "2053"),
    "before the kernel": (["--start", "1850-01-01", "--years", "1"], 1, "1899"),
    "missing kernel": (["--kernel", "none.bsp"], 2, "none.bsp"),
    "unknown option": (["--yaer", "2"], 2, "--yaer"),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_arguments(folder: Path, case: str) -> None:
    words, status, says = WRONG[case]
    done = run(
        "estimate",
        "sites/long-meadow.toml",
        "-c",
        "sites/wide.collector.toml",
        *words,
        "--out",
        "wrong",
        cwd=folder,
    )
    assert done.returncode == status, done.stderr
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert not (folder / "wrong").exists()


@pytest.mark.parametrize("content", [b"\x00\x01\x02binary" * 1000, b"", b"DAF/SPK " + b"\xff" * 3000])
def test_junk_kernels(folder: Path, content: bytes) -> None:
    (folder / "junk.bsp").write_bytes(content)
    words = [
        "estimate",
        "sites/long-meadow.toml",
        "-c",
        "sites/wide.collector.toml",
        *FEW_DAYS,
        "--kernel",
        "junk.bsp",
    ]
    done = run(*words, "--out", "wrong", cwd=folder)
    assert done.returncode in (1, 2)
    assert "junk.bsp" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (folder / "wrong").exists()


def test_both_files_wrong_are_told_together(folder: Path) -> None:
    wrong = [folder / "sites" / name for name in ("misspelt.toml", "out-of-range.toml")]
    site = (folder / "sites/long-meadow.toml").read_text().replace("latitude_deg", "lattitude_deg")
    wrong[0].write_text(site)
    design = (folder / "sites/wide.collector.toml").read_text().replace("packing = 0.85", "packing = 1.85")
    wrong[1].write_text(design)
    done = run("estimate", str(wrong[0]), "-c", str(wrong[1]), cwd=folder)
    assert done.returncode == 2
    assert "did you mean latitude_deg" in done.stderr
    assert "1.85" in done.stderr
    wrong[0].unlink()
    wrong[1].unlink()


def test_report_of_something_else(folder: Path) -> None:
    (folder / "junk.nc").write_bytes(b"not netcdf")
    for what in ("junk.nc", "nowhere", "sites"):
        done = run("report", what, cwd=folder)
        assert done.returncode == 2, what
        assert "Traceback" not in done.stderr


def test_a_file_in_the_way_of_the_results(folder: Path) -> None:
    (folder / "taken").write_text("mine")
    words = [
        "estimate",
        "sites/long-meadow.toml",
        "-c",
        "sites/wide.collector.toml",
        *FEW_DAYS,
        "--no-report",
    ]
    done = run(*words, "--out", "taken", cwd=folder)
    assert done.returncode == 2
    assert (folder / "taken").read_text() == "mine"


def test_an_interrupted_run_leaves_nothing(folder: Path) -> None:
    words = [
        "estimate",
        "sites/rust-plain.toml",
        "-c",
        "sites/narrow.collector.toml",
        "--years",
        "20",
        "--span",
        "calendar-year",
        "--out",
        "half",
    ]
    running = subprocess.Popen(
        [sys.executable, "-m", "yieldsim", *words], cwd=folder, stderr=subprocess.PIPE, start_new_session=True
    )
    time.sleep(4.0)
    # as one does at the keyboard: again if the first was swallowed, as a library may do while it loads
    for _ in range(5):
        os.kill(running.pid, signal.SIGINT)
        try:
            _, told = running.communicate(timeout=5)
            break
        except subprocess.TimeoutExpired:
            continue
    assert running.returncode == 130
    assert b"interrupted" in told
    assert not (folder / "half").exists()


def test_a_flat_horizon_is_the_bare_body(folder: Path) -> None:
    """The bare Moon seen from a mast: the lit share of a year on the equator is just above a half."""
    done = run(
        "estimate", "sites/long-meadow.toml", "-c", "sites/wide.collector.toml", "--json", "--no-report", "--out", "d",
        cwd=folder,
    )  # fmt: skip
    assert done.returncode == 0
    lit = pd.read_csv(folder / "d" / "monthly.csv")["hours_lit"].sum() / 8760.0
    assert 0.49 < lit < 0.52
