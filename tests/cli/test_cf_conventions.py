"""Every NetCDF file that a command writes against an outside checker of the Climate and Forecast conventions."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import yieldsim
from yieldsim.files.output.dataset import write_dataset
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.survey.options import SurveyOptions

runner = pytest.importorskip("compliance_checker.runner", reason="the CF checker is not installed")

SITE, COLLECTOR = sites_folder() / "lantern-ridge.toml", sites_folder() / "wide.collector.toml"
ALLOWED = (
    "spatio-temporal dimensions are not in the recommended order",  # (time, mount): rows of a table are times
    "should have at least two dimensions",  # bounds of a scalar time: CF-1.11, section 7.1, allows (bnds)
)
"""Recommendations not followed, each with its reason."""


def faults(path: Path, report: Path) -> list[str]:
    """What the checker has against a file, all its levels."""
    runner.CheckSuite.load_all_available_checkers()
    runner.ComplianceChecker.run_checker(
        str(path), ["cf:1.11"], 0, "strict", output_filename=str(report), output_format="json"
    )
    found = json.loads(report.read_text(encoding="utf-8"))["cf:1.11"]
    rows = [row for level in ("high", "medium", "low") for row in found[f"{level}_priorities"]]
    lines = [f"{row['name']}: {line}" for row in rows for line in row["msgs"]]
    return [line for line in lines if not any(word in line for word in ALLOWED)]


def ground(path: Path) -> Path:
    """Rolling ground in polar stereographic metres, true to scale at a parallel."""
    rasterio = pytest.importorskip("rasterio", reason="needs the extra terrain")
    from rasterio.transform import Affine

    x, y = np.meshgrid(np.arange(24.0), np.arange(24.0))
    heights = (300.0 * np.sin(x / 3.0) * np.cos(y / 4.0)).astype(np.float32)
    crs = "+proj=stere +lat_0=-90 +lat_ts=-80 +lon_0=0 +R=1737400 +units=m +no_defs"
    made = Affine(500.0, 0.0, -6000.0, 0.0, -500.0, 6000.0)
    with rasterio.open(
        path, "w", driver="GTiff", width=24, height=24, count=1, dtype="float32", crs=crs, transform=made
    ) as file:
        file.write(heights, 1)
    return path


@pytest.mark.parametrize(
    "command",
    [
        "estimate",
        *(pytest.param(name, marks=pytest.mark.slow) for name in ("orient", "rank", "budget")),
        "survey",
    ],
)
def test_files_keep_to_the_conventions(command: str, tmp_path: Path) -> None:
    span = ("2027-01-01", "2027-02-01")
    if command == "survey":
        options = SurveyOptions(stride=4, azimuths=72, workers=1)
        made = ground(tmp_path / "ground.tif")
        ds = yieldsim.survey([made], "moon", COLLECTOR, *span, options=options, work_folder=tmp_path)
    elif command == "rank":
        ds = yieldsim.rank([SITE, sites_folder() / "long-meadow.toml"], COLLECTOR, *span)
    elif command == "orient":
        ds = yieldsim.orient(SITE, COLLECTOR, *span)
    else:
        ds = yieldsim.estimate(SITE, COLLECTOR, *span)
    if command == "budget":
        doubts = tmp_path / "some.uncertain.toml"
        text = (sites_folder() / "lantern-ridge.uncertain.toml").read_text(encoding="utf-8")
        doubts.write_text(text.replace("draws = 1024", "draws = 64"), encoding="utf-8")
        load = sites_folder() / "habitat.load.toml"
        ds = yieldsim.budget(ds, load, site=SITE, collector=COLLECTOR, uncertain=doubts)
    path = tmp_path / f"{command}.nc"
    write_dataset(ds, path)
    assert faults(path, tmp_path / "report.json") == []


def test_the_checker_finds_a_fault(tmp_path: Path) -> None:
    ds = yieldsim.estimate(SITE, COLLECTOR, "2027-01-01", "2027-01-02")
    ds["delivered_power_w"].attrs["units"] = "watts of light"
    write_dataset(ds, tmp_path / "wrong.nc")
    assert any(
        "delivered_power_w" in line for line in faults(tmp_path / "wrong.nc", tmp_path / "report.json")
    )
