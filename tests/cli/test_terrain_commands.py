"""`yieldsim horizon` and `yieldsim survey` as a person runs them: small made terrain, real processes, exit codes, same bytes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from command_line import run as here
from pictures import inked_quarters

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")
xr = pytest.importorskip("xarray")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.base.results.checks import faults  # noqa: E402
from yieldsim.files.output.result_schemas import RESULTS  # noqa: E402

SITE = """name = "Test Rim"
body = "moon"
latitude_deg = -89.9
longitude_deg = 40.0
elevation_m = 120.0
mast_height_m = 5.0

[horizon]
terrain = ["fine.tif", "coarse.tif"]
azimuth_step_deg = 2.0
"""
COLLECTOR = """name = "Test lens"
aperture_area_m2 = 0.2

[[mounts]]
tilt_deg = 88.0
azimuth_deg = 10.0

[acceptance]
table = "acceptance.csv"
source = "disc"
"""


def raster(
    path: Path,
    pixel_m: float,
    size: int,
    crs: str = "+proj=stere +lat_0=-90 +R=1737400 +units=m",
    seed: int = 0,
):
    """Rolling ground around the pole with a ring of hills."""
    half = 0.5 * pixel_m * size
    x = -half + pixel_m * (np.arange(size) + 0.5)
    east, north = np.meshgrid(x, -x)
    rough = np.random.default_rng(seed).normal(0.0, 1.0, (size, size))
    height = 100.0 + 40.0 * np.sin(east / 900.0) * np.cos(north / 700.0) + rough
    height += 450.0 * np.exp(-(((np.hypot(east, north) - 25_000.0) / 3_000.0) ** 2))
    place = Affine(pixel_m, 0.0, -half, 0.0, -pixel_m, half)
    with rasterio.open(
        path, "w", driver="GTiff", width=size, height=size, count=1, dtype="float32", crs=crs, transform=place
    ) as file:
        file.write(height.astype(np.float32), 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("terrain")
    raster(folder / "fine.tif", 40.0, 200)
    raster(folder / "coarse.tif", 400.0, 250, seed=1)
    raster(folder / "mars.tif", 400.0, 50, "+proj=stere +lat_0=-90 +R=3396190 +units=m")
    (folder / "site.toml").write_text(SITE)
    (folder / "lens.toml").write_text(COLLECTOR)
    (folder / "acceptance.csv").write_text("incidence_deg,acceptance_fraction\n0,0.9\n15,0.8\n30,0\n")
    return folder


def start(folder: Path, *words: str) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "yieldsim", *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | {"COLUMNS": "120"},
    )


def run(folder: Path, *words: str, expect: int = 0) -> tuple[str, str]:
    done = here(*words, cwd=folder)
    assert done.returncode == expect, done.stderr
    return done.stdout, done.stderr


SURVEY = (
    "survey",
    "fine.tif",
    "coarse.tif",
    "--body",
    "moon",
    "-c",
    "lens.toml",
    "--start",
    "2026-01-01",
    "--end",
    "2026-03-01",
)
SMALL = (*SURVEY, "--mast-height-m", "5", "--window", "-1200", "-1200", "1200", "1200", "--azimuths", "360")


def test_horizon_table_and_figure(folder):
    out, _ = run(folder, "horizon", "site.toml", "--out", "rim.csv", "--json")
    summary = json.loads(out)
    assert faults(RESULTS["horizon"], summary, whole=True) == []
    assert summary["lowest_deg"] > -0.2
    # the ring of hills 25 km off, 450 m above it: 1 deg less 0.4 of curvature
    assert 0.3 < summary["highest_deg"] < 4.0
    # head, skyline, names of its axes: something from top to bottom, most of it paper
    assert all(0.01 < share < 0.8 for share in inked_quarters(folder / "rim.png"))
    lines = (folder / "rim.csv").read_text().splitlines()
    assert lines[0].startswith("# Skyline computed by yieldsim")
    assert any("fine.tif sha256" in line for line in lines)
    assert sum(not line.startswith("#") for line in lines) == 181
    # the table is one that a site file takes, and gives what naming the terrain gives
    (folder / "table.toml").write_text(SITE.split("[horizon]")[0] + '[horizon]\ntable = "rim.csv"\n')
    assert "horizon table of 180 rows" in run(folder, "check", "table.toml")[0]
    span = ("-c", "lens.toml", "--start", "2026-01-01", "--end", "2026-01-11", "--no-report", "--json")
    by_terrain = json.loads(run(folder, "estimate", "site.toml", *span, "--out", "a")[0])
    by_table = json.loads(run(folder, "estimate", "table.toml", *span, "--out", "b")[0])
    assert by_terrain["delivered_kwh"] == pytest.approx(by_table["delivered_kwh"], rel=1e-4)
    assert any(row["name"] == "coarse.tif" for row in by_terrain["provenance"]["inputs"])


def test_horizon_to_stdout_with_files_in_a_row(folder):
    out, _ = run(
        folder, "horizon", "site.toml", "--terrain", "fine.tif", "coarse.tif", "--azimuth-step-deg", "10"
    )
    assert out.count("\n") > 36
    assert "azimuth_deg,elevation_deg" in out


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (
            ("horizon", "site.toml", "-t", "mars.tif"),
            2,
            "is of another body: its coordinate system has a radius of 3396.2 km",
        ),
        (("horizon", "site.toml", "-t", "none.tif"), 2, "none.tif: does not exist"),
        (
            ("horizon", "site.toml", "--azimuth-step-deg", "7"),
            2,
            "azimuth_step_deg is 7; allowed: a whole part of 360",
        ),
        (
            ("horizon", "site.toml", "--out", "rim.png"),
            2,
            "--out: is rim.png; allowed: a name ending in .csv",
        ),
        (("horizon", "away.toml", "-t", "fine.tif"), 1, "lies outside fine.tif; use a file that covers it"),
        (("survey", "fine.tif", "--body", "mars"), 2, "is of another body"),
        (("survey", "fine.tif"), 2, "body is not given"),
        (
            ("survey", "fine.tif", "--body", "moon", "--window", "0", "0", "9e6", "9e6"),
            2,
            "x -4000 to 4000, y -4000 to 4000",
        ),
        (
            ("survey", "fine.tif", "--body", "moon", "--window", "0", "0", "nan", "1"),
            2,
            "window is 0 0 nan 1",
        ),
        (
            ("survey", "fine.tif", "--body", "moon", "--window", "0", "0", "inf", "1"),
            2,
            "window is 0 0 inf 1",
        ),
        (("survey", "fine.tif", "--body", "moon", "--spacing-m", "nan"), 2, "spacing_m is nan"),
        (("survey", "fine.tif", "--body", "moon", "--write-sites", "-1"), 2, "-1 is not in the range"),
        (
            ("survey", "fine.tif", "--body", "moon", "--stride", "0"),
            2,
            "stride is 0; allowed: a whole number, 1 or more",
        ),
        (("survey", "fine.tif", "--body", "moon", "--goal", "delivered"), 2, "collector is not given"),
        (("survey", "fine.tif", "--body", "moon", "--start", "2100-01-01"), 1, "covers"),
        ((*SMALL, "--scheduler", "tcp://127.0.0.1:9"), 1, "cannot reach a scheduler at tcp://127.0.0.1:9"),
    ],
)
def test_what_is_wrong_is_said(folder, words, status, told):
    (folder / "away.toml").write_text(
        SITE.replace("-89.9", "-60.0").split("[horizon]")[0] + "[horizon]\nflat = true\n"
    )
    _, err = run(folder, *words, expect=status)
    assert told in err


def test_reach_warning(folder):
    _, err = run(folder, "horizon", "site.toml", "--reach-km", "5", "--out", "near.csv", "--no-figure")
    assert "ground beyond the reach could still show at" in err
    assert "needs to be above" in err
    assert "# note: ground beyond the reach" in (folder / "near.csv").read_text()


def test_survey_writes_everything(folder):
    out, _ = run(
        folder, *SMALL, "--out", "whole", "--write-sites", "2", "--spacing-m", "500", "--workers", "1"
    )
    assert "best by delivered" in out
    files = {path.name for path in (folder / "whole").iterdir()}
    assert {
        "survey.nc",
        "places.csv",
        "survey.pdf",
        "survey.png",
        "lit_fraction.tif",
        "delivered_kwh.tif",
        "place-01.toml",
    } <= files
    assert not any(name.startswith(".") for name in files), "tiles are taken away at the end"
    with xr.open_dataset(folder / "whole" / "survey.nc") as ds:
        assert ds.attrs["Conventions"].startswith("CF-1.")
        assert ds.sizes == {"y": 60, "x": 60, "bnds": 2}
        for name in (
            "lit_fraction",
            "any_light_fraction",
            "sun_following_kwh_m2",
            "delivered_kwh",
            "longest_dark_hours",
        ):
            assert ds[name].dims == ("y", "x")
            assert ds[name].attrs["grid_mapping"] == "crs"
            assert np.isfinite(ds[name].values).all()
        assert (ds.any_light_fraction >= ds.lit_fraction - 0.02).all()
        assert float(ds.lit_fraction.max()) <= 1.0
        assert ds["crs"].attrs["grid_mapping_name"] == "polar_stereographic"
        lit, x, y = ds.lit_fraction.values, ds.x.values, ds.y.values
        survey = json.loads(ds.attrs["summary"])
        assert faults(RESULTS["survey"], survey, whole=True) == []
        places = survey["places"]
    with rasterio.open(folder / "whole" / "lit_fraction.tif") as file:
        np.testing.assert_array_equal(file.read(1), lit)
        assert file.crs is not None
        assert file.xy(3, 5) == pytest.approx((x[5], y[3]))
    apart = [np.hypot(a["x"] - b["x"], a["y"] - b["y"]) for k, a in enumerate(places) for b in places[:k]]
    assert min(apart) >= 500.0
    assert places[0]["delivered_kwh"] == max(place["delivered_kwh"] for place in places)
    rows = (folder / "whole" / "places.csv").read_text().splitlines()
    assert rows[0].startswith("rank,latitude_deg,longitude_deg,x,y,elevation_m,lit_fraction")
    assert len(rows) == len(places) + 1
    # a written site is ready for an estimate, and gets there what the map says
    mount = places[0]["best_azimuth_deg"]
    (folder / "turned.toml").write_text(COLLECTOR.replace("azimuth_deg = 10.0", f"azimuth_deg = {mount}"))
    span = ("--start", "2026-01-01", "--end", "2026-03-01", "--no-report", "--json")
    out, _ = run(folder, "estimate", "whole/place-01.toml", "-c", "turned.toml", *span, "--out", "c")
    assert json.loads(out)["delivered_kwh"] == pytest.approx(
        places[0]["delivered_kwh"] * 59.0 / 365.25, rel=0.02
    )


def test_a_survey_to_the_edge_of_its_only_file(folder):
    """Cells on the file's rim are as good as others: known, written as sites, and told to see no ground beyond."""
    words = (
        "survey",
        "fine.tif",
        "-b",
        "moon",
        "--start",
        "2026-01-01",
        "--end",
        "2026-01-15",
        "--window",
        "-4000",
        "-4000",
        "-3920",
        "4000",
    )
    _, err = run(
        folder,
        *words,
        "--azimuths",
        "72",
        "--out",
        "rim",
        "--places",
        "1",
        "--write-sites",
        "3",
        "--spacing-m",
        "1000",
        "--no-figure",
    )
    assert "note: at the best place, no terrain at all at" in err
    with xr.open_dataset(folder / "rim" / "survey.nc") as ds:
        assert (ds.sizes["x"], ds.sizes["y"]) == (2, 200)
        assert np.isfinite(ds.lit_fraction.values).all()
        summary = json.loads(ds.attrs["summary"])
    assert len(summary["places"]) == 3
    out, _ = run(folder, "check", "rim/place-01.toml", "rim/place-03.toml")
    assert "horizon table of 720 rows" in out
    # a rim of rolling ground: one that saw straight down would be lit by a Sun below the horizon, always
    lowest = min(
        float(line.split(",")[1])
        for line in (folder / "rim" / "place-01.horizon.csv").read_text().splitlines()
        if line[0].isdigit()
    )
    assert lowest > -1.0


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_same_bytes_from_any_number_of_workers_and_after_an_interruption(folder):
    # the whole fine file has one tile; the coarse one first makes a grid whose pixels bend, and so several tiles
    words = (*SURVEY, "--azimuths", "72", "--stride", "8", "--no-figure")
    words = ("survey", "coarse.tif", *words[3:], "--window", "-49000", "-49000", "49000", "49000")
    run(folder, *words, "--workers", "1", "--out", "one")
    run(folder, *words, "--workers", "2", "--out", "two")
    assert bytes_of(folder / "one") == bytes_of(folder / "two")

    process = start(folder, *words, "--workers", "1", "--out", "three")
    kept: list[Path] = []
    for _ in range(1200):
        kept = list((folder / "three").glob(".survey-*/tile-*.npy"))
        if kept or process.poll() is not None:
            break
        time.sleep(0.05)
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGINT)
    process.communicate(timeout=60)
    if process.returncode == 0:
        pytest.skip("the survey was done before it could be interrupted")
    assert process.returncode == 130
    assert kept
    assert not (folder / "three" / "survey.nc").exists()
    made = kept[0].stat().st_mtime_ns
    again = start(folder, *words, "--workers", "1", "--out", "three")
    seen = [made]
    while again.poll() is None:
        if kept[0].exists():
            seen.append(kept[0].stat().st_mtime_ns)
        time.sleep(0.05)
    again.communicate()
    assert again.returncode == 0
    assert set(seen) == {made}, "a finished tile is not computed again"
    assert bytes_of(folder / "three") == bytes_of(folder / "one")
