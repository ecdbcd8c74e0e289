"""One estimate and one budget of it, made once for all tests of the command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import Done, process, run, with_sites

from yieldsim.base.results.checks import faults
from yieldsim.files.output.result_schemas import RESULTS

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


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    there = with_sites(tmp_path_factory.mktemp("budget"))
    (there / "doubts.toml").write_text(DOUBTS)
    done = run(
        "estimate", "sites/lantern-ridge.toml", "-c", "sites/wide.collector.toml", *SPAN, "--no-report", "--out", "e",
        cwd=there,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return there


@pytest.fixture(scope="session")
def done(folder: Path) -> Done:
    found = process(
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


@pytest.fixture(scope="session")
def budget(folder: Path, done: Done) -> dict[str, object]:
    found: dict[str, object] = json.loads((folder / "b" / "budget.json").read_text())
    assert faults(RESULTS["budget"], found, whole=True) == []
    return found
