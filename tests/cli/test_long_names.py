"""Names that no file system takes, for every argument that is a path: one line, exit status 2, soon."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import run

from yieldsim.files.starter import write_starter

LONG = "n" * 300
SITE, COLLECTOR = "lantern-ridge.toml", "narrow.collector.toml"
CALLS = {
    "SITE": ("estimate", LONG, "-c", COLLECTOR),
    "--collector": ("estimate", SITE, "-c", LONG),
    "--kernel": ("estimate", SITE, "-c", COLLECTOR, "--kernel", LONG),
    "--out": ("estimate", SITE, "-c", COLLECTOR, "--out", f"folder/{LONG}/results"),
    "ESTIMATE": ("report", LONG),
    "--load": ("budget", "here", "-l", LONG),
    "--uncertain": ("budget", "here", "-l", "habitat.load.toml", "--uncertain", LONG),
    "OPTICS": ("trace", LONG),
    "--site": ("tune", "a.toml", "--site", LONG, "-v", "fibre.packing=0.5:0.9"),
    "--terrain": ("horizon", SITE, "--terrain", LONG),
    "TERRAIN": ("survey", LONG, "--body", "moon"),
    "FILE": ("check", SITE, LONG),
    "DIR": ("new", LONG),
}


@pytest.mark.parametrize("key", CALLS)
def test_a_long_name_is_told(tmp_path: Path, key: str) -> None:
    write_starter(tmp_path / "set")
    before = sorted(path.name for path in (tmp_path / "set").iterdir())
    done = run(*CALLS[key], cwd=tmp_path / "set")
    assert done.returncode == 2, done.stderr
    lines = done.stderr.strip().split("\n")
    assert [line for line in lines if "of 300 bytes" in line] == [
        f"{key} holds the name {'n' * 40}... of 300 bytes; allowed: up to 255"
    ]
    # of the other files, those that aren't there
    assert all("here: is not there" in line or "a.toml: does not exist" in line for line in lines[1:])
    assert not done.stdout
    assert sorted(path.name for path in (tmp_path / "set").iterdir()) == before


def test_a_long_path_of_short_names(tmp_path: Path) -> None:
    done = run("check", "a/" * 3000 + "b", cwd=tmp_path)
    assert done.returncode == 2
    assert "is a path of 6001 bytes; allowed: up to 4095" in done.stderr


def test_a_folder_of_kernels_with_a_long_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YIELDSIM_KERNELS", LONG)
    write_starter(tmp_path / "set")
    words = ("estimate", SITE, "-c", COLLECTOR, "--start", "2027-01-01", "--end", "2027-01-02", "--no-report")
    done = run(*words, cwd=tmp_path / "set")
    assert done.returncode == 2, done.stderr
    assert "YIELDSIM_KERNELS: names 'nnn" in done.stderr
    assert len(done.stderr) < 200
