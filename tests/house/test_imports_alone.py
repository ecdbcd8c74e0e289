"""Every module imports first and alone; the doors stay light; the examples in docstrings are true."""

from __future__ import annotations

import doctest
import importlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MODULES = [
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for path in sorted((ROOT / "yieldsim").rglob("*.py"))
    if path.name not in ("__init__.py", "__main__.py")
]
COMMAND_LINE = [name for name in MODULES if name.split(".")[1] == "cli"]
HEAVY = (
    "numpy",
    "scipy",
    "pandas",
    "xarray",
    "numba",
    "skyfield",
    "pydantic",
    "matplotlib",
    "rasterio",
    "rich",
)

EACH_ALONE = """
import importlib, json, sys
faults = {}
for name in json.loads(sys.argv[1]):
    for known in [module for module in sys.modules if module.split(".")[0] == "yieldsim"]:
        del sys.modules[known]
    try:
        importlib.import_module(name)
    except Exception as error:
        faults[name] = f"{type(error).__name__}: {error}"
print(json.dumps(faults))
"""

WHAT_IS_LOADED = """
import importlib, json, sys
for name in json.loads(sys.argv[1]):
    importlib.import_module(name)
print(json.dumps(sorted(sys.modules)))
"""


def answer(script: str, names: list[str]) -> object:
    """What a fresh interpreter prints."""
    command = [sys.executable, "-c", script, json.dumps(names)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True)
    return json.loads(done.stdout)


@pytest.mark.slow
def test_every_module_imports_alone() -> None:
    """Each after all others are forgotten; where no modules import in a circle, and `test_house` sees to that, it follows."""
    assert answer(EACH_ALONE, MODULES) == {}


def test_command_line_loads_nothing_heavy() -> None:
    loaded = answer(WHAT_IS_LOADED, ["yieldsim", *COMMAND_LINE])
    assert isinstance(loaded, list)
    assert "yieldsim.cli.main" in loaded
    assert [name for name in HEAVY if name in loaded] == []


def test_runs_load_only_arrays_before_they_run() -> None:
    from yieldsim import VERBS

    loaded = answer(WHAT_IS_LOADED, [f"yieldsim.runs.{verb}.run" for verb in VERBS])
    assert isinstance(loaded, list)
    assert [name for name in HEAVY if name in loaded] == ["numpy"]


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0
