"""Every command on the demo inputs, and what differs from an earlier run: proof that a change moves no digit, or how far.

    python tests/benchmarks/compare_outputs.py before            # run all, keep the results in the folder `before`
    python tests/benchmarks/compare_outputs.py after before      # run all into `after`, print each difference
    python tests/benchmarks/compare_outputs.py --only estimate after before

Files that are the same byte for byte are counted; of others the values are compared: JSON by key, CSV by column, NetCDF
by variable, each with its largest absolute and relative difference. Exit status 1 where anything differs. Commands
that read terrain run where `../shared/data/terrain` lies beside the checkout.
"""

from __future__ import annotations

import argparse
import csv
import filecmp
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
SITES = ROOT / "sites"
TERRAIN = ROOT.parent / "shared" / "data" / "terrain"
RIDGE, PLAIN, MEADOW, RIM = (
    f"{SITES}/{name}.toml" for name in ("lantern-ridge", "rust-plain", "long-meadow", "ember-rim")
)
WIDE, NARROW, SKYWARD = (f"{SITES}/{name}.collector.toml" for name in ("wide", "narrow", "skyward"))
LENS, TROUGH, DOME = (
    f"{SITES}/{name}.optics.toml" for name in ("half-metre-lens", "wide-trough", "polar-dome")
)


def commands(out: Path) -> dict[str, list[str]]:
    """Name and arguments of each command; results go below `out`."""
    runs = {
        "estimate-ridge": ["estimate", RIDGE, "--collector", WIDE],
        "estimate-ridge-narrow": ["estimate", RIDGE, "--collector", NARROW, "--no-report"],
        "estimate-plain": ["estimate", PLAIN, "--collector", SKYWARD],
        "estimate-meadow": ["estimate", MEADOW, "--collector", SKYWARD, "--no-report"],
        "estimate-rim": ["estimate", RIM, "--collector", WIDE, "--no-report"],
        "orient-ridge": ["orient", RIDGE, "--collector", WIDE, "--units", "4"],
        "orient-ridge-month": ["orient", RIDGE, "--collector", NARROW, "--goal", "worst-month"],
        "orient-plain": ["orient", PLAIN, "--collector", SKYWARD, "--units", "2"],
        "orient-load": ["orient", RIDGE, "--collector", WIDE, "--goal", "load"],
        "rank": ["rank", RIDGE, MEADOW, "--collector", WIDE],
        "trace-lens": ["trace", LENS],
        "trace-trough": ["trace", TROUGH],
        "trace-dome": ["trace", DOME],
        "tune-lens": ["tune", LENS, "--site", MEADOW, "--vary", "funnel.outlet_width_m=0.015:0.03"],
    }
    runs["orient-load"] += ["--load", f"{SITES}/habitat.load.toml"]
    for name in ("trace-lens", "trace-trough", "trace-dome"):
        runs[name] += ["--out", str(out / name / "acceptance.csv")]
    for name, words in runs.items():
        if not name.startswith("trace"):
            words += ["--out", str(out / name)]
    estimated = str(out / "estimate-ridge")
    runs["budget"] = ["budget", estimated, "--load", f"{SITES}/habitat.load.toml", "--site", RIDGE]
    runs["budget"] += ["--collector", WIDE, "--uncertain", f"{SITES}/lantern-ridge.uncertain.toml"]
    runs["budget"] += ["--out", str(out / "budget")]
    if TERRAIN.is_dir():
        fine, coarse = TERRAIN / "lola_south_ridge_10m.tif", TERRAIN / "lola_south_pole_240m.tif"
        runs["horizon"] = ["horizon", RIDGE, "--terrain", str(fine), str(coarse)]
        runs["horizon"] += ["--out", str(out / "horizon" / "skyline.csv")]
        runs["survey"] = ["survey", str(coarse), "--body", "moon", "--collector", WIDE, "--stride", "40"]
        runs["survey"] += ["--window", "-40000", "-40000", "0", "0", "--out", str(out / "survey")]
    return runs


def run_all(out: Path, only: str) -> None:
    """Run the commands whose names contain `only`; stdout is kept beside the files."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "COLUMNS": "100"}
    for name, words in commands(out).items():
        if only not in name:
            continue
        folder = out / name
        folder.mkdir(parents=True, exist_ok=True)
        began = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "yieldsim", *words],
            capture_output=True,
            text=True,
            env=environment,
            cwd=ROOT,
        )
        text = done.stdout.replace(str(out), "OUT")
        (folder / "stdout.txt").write_text(text, encoding="utf-8")
        print(f"{name:24s} exit {done.returncode}  {time.perf_counter() - began:6.1f} s", flush=True)
        if done.returncode:
            print(done.stderr)


def flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Leaves of a JSON value by their path."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from flat(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from flat(inner, f"{path}[{place}]")
    else:
        yield path, value


def apart(one: Any, two: Any) -> str:
    """How two leaves differ; empty when they don't."""
    if one == two:
        return ""
    if isinstance(one, int | float) and isinstance(two, int | float):
        return f"{two:.8g} -> {one:.8g} ({(one - two) / abs(two) if two else np.inf:+.2e})"
    return f"{str(two)[:90]!r} -> {str(one)[:90]!r}"


def json_differences(new: Path, old: Path) -> Iterator[str]:
    """Differences of two JSON files by key."""
    one, two = (dict(flat(json.loads(path.read_text("utf-8")))) for path in (new, old))
    for key in sorted(one.keys() | two.keys()):
        if key not in one or key not in two:
            yield f"{key}: {'added' if key in one else 'gone'}"
        elif words := apart(one[key], two[key]):
            yield f"{key}: {words}"


def largest(one: Any, two: Any) -> str:
    """Largest difference of two arrays; empty when they are equal."""
    if one.shape != two.shape:
        return f"shape {two.shape} -> {one.shape}"
    if one.dtype.kind not in "fiu" or two.dtype.kind not in "fiu":
        return "" if np.array_equal(one, two) else "differs"
    if np.array_equal(one, two, equal_nan=True):
        return ""
    gap = np.nanmax(np.abs(one.astype(float) - two.astype(float)))
    return f"largest difference {gap:.3g}, {gap / np.nanmax(np.abs(two)):.2e} of the largest value"


def csv_differences(new: Path, old: Path) -> Iterator[str]:
    """Differences of two CSV files by column."""
    tables = []
    for path in (new, old):
        lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
        rows = list(csv.reader(lines))
        tables.append({name: np.array(column) for name, *column in zip(*rows, strict=True)})
    one, two = tables
    for name in sorted(one.keys() | two.keys()):
        if name not in one or name not in two:
            yield f"{name}: {'added' if name in one else 'gone'}"
            continue
        try:
            words = largest(one[name].astype(float), two[name].astype(float))
        except ValueError:
            words = largest(one[name], two[name])
        if words:
            yield f"{name}: {words}"


def netcdf_differences(new: Path, old: Path) -> Iterator[str]:
    """Differences of two NetCDF files by variable and attribute."""
    import xarray as xr

    with xr.open_dataset(new, decode_times=False) as one, xr.open_dataset(old, decode_times=False) as two:
        for name in sorted({*map(str, one.variables), *map(str, two.variables)}):
            if name not in one.variables or name not in two.variables:
                yield f"{name}: {'added' if name in one.variables else 'gone'}"
                continue
            if words := largest(one[name].values, two[name].values):
                yield f"{name}: {words}"
            if one[name].attrs != two[name].attrs:
                yield f"{name}: attributes differ"
        for key in sorted(one.attrs.keys() | two.attrs.keys()):
            if str(one.attrs.get(key)) != str(two.attrs.get(key)):
                yield f"attribute {key} differs"


def compare(new: Path, old: Path, only: str) -> int:
    """Print the differences of two result folders; how many files differ."""
    differing = same = 0
    files = {path.relative_to(old) for path in old.rglob("*") if path.is_file()}
    files |= {path.relative_to(new) for path in new.rglob("*") if path.is_file()}
    for file in sorted(path for path in files if only in path.parts[0]):
        one, two = new / file, old / file
        if one.is_file() and two.is_file() and filecmp.cmp(one, two, shallow=False):
            same += 1
            continue
        differing += 1
        if not (one.is_file() and two.is_file()):
            print(f"{file}: {'added' if one.is_file() else 'gone'}")
            continue
        print(f"{file}: differs")
        reader = {".json": json_differences, ".csv": csv_differences, ".nc": netcdf_differences}.get(
            file.suffix
        )
        for line in reader(one, two) if reader else ():
            print(f"    {line}")
    print(f"{same} files are the same byte for byte, {differing} are not")
    return differing


def main() -> None:
    """Run, then compare where an earlier folder is given."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("new", type=Path)
    parser.add_argument("old", type=Path, nargs="?")
    parser.add_argument("--only", default="", help="commands whose name contains this")
    words = parser.parse_args()
    run_all(words.new.resolve(), words.only)
    if words.old and compare(words.new.resolve(), words.old.resolve(), words.only):
        sys.exit(1)


if __name__ == "__main__":
    main()
