"""The page's scripts are typed: TypeScript's checker reads their comments, where it is installed."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from yieldsim.report.page.document import ASSETS, SCRIPTS

ASSETS_FOLDER = Path(__file__).resolve().parents[2] / "yieldsim" / "report" / "page" / "assets"
OPTIONS = (
    *(
        "--checkJs",
        "--allowJs",
        "--noEmit",
        "--strict",
        "--target",
        "ES2022",
        "--lib",
        "ES2022,DOM,DOM.Iterable",
    ),
    *("--moduleDetection", "legacy", "--types", ""),
)


def test_types_hold() -> None:
    checker = shutil.which("tsc")
    words = [checker] if checker else None
    if words is None and shutil.which("npx"):
        words = ["npx", "--no-install", "-p", "typescript", "tsc"]
        if subprocess.run([*words, "--version"], capture_output=True, timeout=60).returncode:
            words = None
    if words is None:
        pytest.skip("TypeScript's checker is not installed (npm install --global typescript)")
    files = [str(ASSETS_FOLDER / name) for name in SCRIPTS]
    done = subprocess.run([*words, *OPTIONS, *files], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout


def test_every_asset_is_listed() -> None:
    assert {path.name for path in ASSETS_FOLDER.iterdir()} == set(ASSETS)
    for name in SCRIPTS:
        lines = (ASSETS_FOLDER / name).read_text(encoding="utf-8").count("\n")
        assert lines <= 520, f"{name}: two topics?"
        assert "innerHTML" not in (ASSETS_FOLDER / name).read_text(encoding="utf-8")
