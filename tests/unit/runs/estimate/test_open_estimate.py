"""A saved estimate that was altered or damaged: refused in words that name the file, before anything large is loaded."""

from __future__ import annotations

import json
import random
import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import xarray as xr

import yieldsim
from yieldsim.base.errors import InputError
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.estimate.output import write_estimate
from yieldsim.runs.open_estimate import open_estimate


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder, sites = tmp_path_factory.mktemp("estimate"), sites_folder()
    ds = yieldsim.estimate(
        sites / "lantern-ridge.toml", sites / "wide.collector.toml", "2027-06-01", "2027-06-03"
    )
    write_estimate(ds, folder, report=False)
    return folder / "estimate.nc"


@pytest.fixture
def copied(saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    shutil.copy(saved, tmp_path / "estimate.nc")
    return Path("estimate.nc")


def refused(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        open_estimate(path)
    lines = [str(problem) for problem in caught.value.problems]
    assert all(line.startswith("estimate.nc: ") for line in lines)
    return lines


def altered(path: Path, change: Callable[[xr.Dataset], xr.Dataset]) -> Path:
    """The file written anew after a change to the plain numbers in it."""
    with xr.open_dataset(path, decode_cf=False) as ds:
        plain = ds.load()
    made = change(plain)
    for variable in made.variables.values():
        variable.encoding = {}
    made.to_netcdf(path)
    return path


def test_as_written_it_opens(copied: Path) -> None:
    assert open_estimate(copied).sizes["time"] == 48
    assert open_estimate(copied.absolute().parent).sizes["time"] == 48


def every_float_variable() -> list[str]:
    from yieldsim.files.output.estimate_check import MOMENTS, ROUND_CURVE, SHAPES, TEXTS

    return [name for name in (*SHAPES, *ROUND_CURVE) if name not in (*MOMENTS, *TEXTS, "mount_count")]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e300, -1e9])
@pytest.mark.parametrize("name", every_float_variable())
def test_no_variable_holds_what_is_no_number_or_out_of_range(copied: Path, name: str, value: float) -> None:
    with netCDF4.Dataset(copied, "r+") as raw:
        raw.set_auto_maskandscale(False)
        values = raw[name][...]
        values.reshape(-1)[values.size // 2] = value
        raw[name][...] = values
    lines = refused(copied)
    assert any(
        line.startswith(f"estimate.nc: {name} holds what is no number or out of its range") for line in lines
    )


def with_summary(change: Callable[[dict[str, Any]], object]) -> Callable[[xr.Dataset], xr.Dataset]:
    def spoil(ds: xr.Dataset) -> xr.Dataset:
        summary = json.loads(ds.attrs["summary"])
        change(summary)
        return ds.assign_attrs(summary=json.dumps(summary))

    return spoil


def with_time(change: Callable[[np.ndarray], np.ndarray]) -> Callable[[xr.Dataset], xr.Dataset]:
    return lambda ds: ds.assign_coords(time=("time", change(ds["time"].values), ds["time"].attrs))


FAULTS: dict[str, tuple[Callable[[xr.Dataset], xr.Dataset], str]] = {
    "no rows": (lambda ds: ds.isel(time=slice(0)), "time is empty"),
    "one row less": (lambda ds: ds.isel(time=slice(47)), "time has 47 of the 48 rows of the run"),
    "equal times": (with_time(np.zeros_like), r"time goes from 2000-01-01T00:00:00 to 2000-01-01T00:00:00"),
    "times backwards": (with_time(lambda t: t[::-1]), "time goes from 2027-06-02T23:00:00 to 2027-06-02T22:00:00"),
    "a jump in time": (with_time(lambda t: t + 60 * (np.arange(len(t)) > 5)), "steps of interval_s, 3600 s"),
    "years beyond": (with_time(lambda t: t + 3600 * 8766 * 900), "time holds values of the type|runs from the year|decode time"),
    "another start": (with_time(lambda t: t + 3600), "time_bnds are not the ends of the intervals"),
    "no variable": (lambda ds: ds.drop_vars("stage_power_w"), "stage_power_w is missing"),
    "no coordinate": (lambda ds: ds.drop_vars("time"), "time is missing"),
    "another shape": (lambda ds: ds.assign(delivered_power_w=ds["stage_power_w"]), r"has the dimensions \(time, stage\)"),
    "a single value": (lambda ds: ds.assign(horizon_elevation_deg=1.0), r"has the dimensions \(\)"),
    "text for numbers": (
        lambda ds: ds.assign(delivered_power_w=("time", np.full(48, "x", dtype=object))),
        "delivered_power_w holds values of the type .*; allowed: numbers",
    ),
    "letters for numbers": (
        lambda ds: ds.assign(shield_power_w=("time", np.full(48, b"x"))),
        "shield_power_w holds values of the type",
    ),
    "numbers for text": (lambda ds: ds.assign_coords(stage=("stage", np.arange(13.0))), "stage holds values of the type"),
    "no interval": (lambda ds: ds.assign_attrs(interval_s=np.nan), "interval_s is 'nan'; allowed: whole minutes"),
    "interval as text": (lambda ds: ds.assign_attrs(interval_s="soon"), "interval_s is 'soon'"),
    "another interval": (lambda ds: ds.assign_attrs(interval_s=1800.0), "steps of interval_s, 1800 s"),
    "no history": (lambda ds: ds.drop_attrs().assign_attrs({k: v for k, v in ds.attrs.items() if k != "history"}),
                   "history is missing|is missing"),
    "history in numbers": (lambda ds: ds.assign_attrs(history=5), "history is no text"),
    "no JSON": (lambda ds: ds.assign_attrs(summary="{"), "is not a result of yieldsim estimate"),
    "JSON of something else": (lambda ds: ds.assign_attrs(summary="[1]"), "is not a result of yieldsim estimate"),
    "JSON nested beyond reading": (lambda ds: ds.assign_attrs(summary="[" * 100_000), "is not a result"),
    "a huge number": (with_summary(lambda s: s.update(delivered_kwh=10**400)), "summary: delivered_kwh is not a number"),
    "no such day": (with_summary(lambda s: s.update(start_utc="2027-02-31T00:00:00Z")), "start_utc is not a moment"),
    "a total that is not the sum": (with_summary(lambda s: s.update(delivered_kwh=9.0)), "adds up to .* says 9"),
    "another start in words": (with_summary(lambda s: s.update(start_utc="2027-07-01T00:00:00Z")),
                               "summary start_utc is 2027-07-01T00:00:00Z, and the series say 2027-06-01"),
    "more units in words": (with_summary(lambda s: s["collector"].update(unit_count=7)), "summary collector unit_count is 7"),
    "negative light figures": (
        with_summary(lambda s: s["delivered_light"].update(photon_yield_umol_per_j=-1.0)),
        "photon_yield_umol_per_j is not a number, 0 or more",
    ),
    "no mounts": (lambda ds: ds.isel(mount=slice(0)), "is empty"),
    "half a unit": (lambda ds: ds.assign(mount_count=ds["mount_count"] * 0), "mount_count holds what is no number"),
    "skyline the wrong way": (
        lambda ds: ds.assign(horizon_azimuth_deg=ds["horizon_azimuth_deg"][::-1]), "horizon_azimuth_deg does not increase"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_told(copied: Path, name: str) -> None:
    change, words = FAULTS[name]
    lines = refused(altered(copied, change))
    assert re.search(words, "\n".join(lines)), lines


@pytest.mark.parametrize("name", FAULTS)
def test_a_changed_dataset_is_refused_by_a_budget_too(copied: Path, name: str) -> None:
    """The same faults in a Dataset of a program's own; what only a file can hold (totals beside series) apart."""
    change, _ = FAULTS[name]
    altered(copied, change)
    try:
        ds = xr.load_dataset(copied)
    except ValueError:
        return
    only_of_files = (
        "one row less",
        "a total that is not the sum",
        "another start in words",
        "more units in words",
    )
    if name in only_of_files:
        return
    with pytest.raises(InputError):
        yieldsim.budget(ds, sites_folder() / "habitat.load.toml")


@pytest.mark.parametrize("files", [80, pytest.param(400, marks=pytest.mark.slow)])
def test_flipped_bits_are_read_right_or_refused(copied: Path, files: int) -> None:
    """Files with one to three bits turned, seeded: only an answer or a refusal comes out."""
    content, rng = copied.read_bytes(), random.Random(16)
    refusals: list[str] = []
    for _ in range(files):
        data = bytearray(content)
        for _ in range(rng.randint(1, 3)):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        copied.write_bytes(data)
        try:
            open_estimate(copied)
        except InputError as error:
            refusals.append(str(error))
    assert all(words.startswith("estimate.nc: ") for words in refusals)
    assert len(refusals) > files // 4


@pytest.mark.parametrize("kept", [0, 1, 100, 0.5, 0.999])
def test_a_file_cut_short(copied: Path, kept: float) -> None:
    content = copied.read_bytes()
    copied.write_bytes(content[: int(kept * len(content)) if 0 < kept < 1 else int(kept)])
    assert "cannot be read as NetCDF" in refused(copied)[0]


@pytest.mark.parametrize(
    ("rows", "chunk", "words"),
    [
        (3_000_000_000, 1_000_000, r"declares 1\.4\de\+03 GB of values \(time 3000000000, "),
        (800_000, 40_000_000, "is stored in pieces of"),
    ],
)
def test_a_small_file_that_declares_what_no_memory_holds(
    copied: Path, rows: int, chunk: int, words: str
) -> None:
    with netCDF4.Dataset(copied) as old, netCDF4.Dataset("large.nc", "w") as new:
        for name, dim in old.dimensions.items():
            new.createDimension(name, (rows if chunk < rows else None) if name == "time" else len(dim))
        for name, variable in old.variables.items():
            along = "time" in variable.dimensions
            sizes = [chunk if dim == "time" else len(old.dimensions[dim]) for dim in variable.dimensions]
            new.createVariable(name, variable.dtype, variable.dimensions, chunksizes=sizes if along else None)
        new.setncatts(old.__dict__)
    Path("large.nc").replace(copied)
    assert copied.stat().st_size < 200_000
    began = time.process_time()
    assert re.search(words, "\n".join(refused(copied)))
    assert time.process_time() - began < 2.0


def test_a_name_that_no_file_system_takes() -> None:
    with pytest.raises(InputError, match="cannot be read: file name too long"):
        open_estimate("n" * 300)
