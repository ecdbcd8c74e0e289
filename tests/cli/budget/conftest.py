"""One estimate and one budget of it, made once for all tests of the command."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from yieldsim.base.results.checks import faults
from yieldsim.files.output.result_schemas import RESULTS
from yieldsim.files.text.bundled import sites_folder

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


@pytest.fixture(scope="session")
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


@pytest.fixture(scope="session")
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


@pytest.fixture(scope="session")
def budget(folder: Path, done: subprocess.CompletedProcess[str]) -> dict[str, object]:
    found: dict[str, object] = json.loads((folder / "b" / "budget.json").read_text())
    assert faults(RESULTS["budget"], found, whole=True) == []
    return found
