"""Folders of results change as one: killed anywhere, the next start finds the old or makes the new complete."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from yieldsim.base.errors import InputError, WriteFailed
from yieldsim.files.output.atomic_write import whole_file
from yieldsim.files.output.result_folder import mend, publish, refuse_file, staged_folder

ROOT = Path(__file__).resolve().parents[4]
NAMES = ("a.csv", "b.nc", "c.json")
KILLED = """
import os, signal, sys
from yieldsim.files.output import result_folder as module
left = int(sys.argv[1])
def dying(kind):
    true = getattr(os, kind)
    def call(source, target):
        global left
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        left -= 1
        true(source, target)
    setattr(os, kind, call)
dying("rename"), dying("replace")
with module.staged_folder("out") as stage:
    for name in ("a.csv", "b.nc", "c.json"):
        (stage / name).write_text("new")
"""


def fill(folder: Path, text: str) -> None:
    with staged_folder(folder) as stage:
        for name in NAMES:
            (stage / name).write_text(text)


def content(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()}


@pytest.mark.parametrize("moves", range(5))
def test_killed_between_any_two_renames_the_next_start_finds_one_state(tmp_path: Path, moves: int) -> None:
    out = tmp_path / "out"
    fill(out, "old")
    (out / "mine.txt").write_text("mine")
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(moves)],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert done.returncode == (0 if moves == 4 else -9)
    left = list(out.glob(".*"))
    for path in left:
        os.utime(path, (time.time() - 60.0,) * 2)
    mend(out)
    text = "old" if moves == 0 else "new"
    assert content(out) == dict.fromkeys(NAMES, text) | {"mine.txt": "mine"}
    assert not list(out.glob(".*"))


def test_a_live_run_is_not_taken_for_abandoned(tmp_path: Path) -> None:
    with staged_folder(tmp_path) as stage, whole_file(tmp_path / "t.csv") as partial:
        for path in (stage, partial):
            os.utime(path, (time.time() - 3600.0,) * 2)
        mend(tmp_path)
        assert stage.is_dir()
        assert partial.is_file()
        (stage / "x").write_text("1")
        partial.write_text("2")
    assert content(tmp_path) == {"x": "1", "t.csv": "2"}


def test_runs_at_the_same_time_into_one_folder_leave_one_of_them_whole(tmp_path: Path) -> None:
    script = (
        "import sys\n"
        "from yieldsim.files.output.result_folder import staged_folder\n"
        "for turn in range(15):\n"
        "    with staged_folder('out') as stage:\n"
        "        [(stage / f'{n}').write_text(f'{sys.argv[1]} {turn}') for n in range(6)]\n"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    runs = [
        subprocess.Popen([sys.executable, "-c", script, name], cwd=tmp_path, env=environment)
        for name in ("first", "second", "third")
    ]
    assert [run.wait(timeout=120) for run in runs] == [0, 0, 0]
    texts = content(tmp_path / "out")
    assert len(texts) == 6
    assert len(set(texts.values())) == 1
    assert not list((tmp_path / "out").glob(".*"))


def test_a_folder_in_the_way_leaves_what_was_there(tmp_path: Path) -> None:
    fill(tmp_path, "old")
    (tmp_path / "d").mkdir()
    stage = tmp_path / ".unfinished.x"
    stage.mkdir()
    (stage / "a.csv").write_text("new")
    (stage / "d").write_text("new")
    with pytest.raises(InputError, match="is a folder where a result shall go"):
        publish(stage, tmp_path)
    assert content(tmp_path) == dict.fromkeys(NAMES, "old")


def test_names_that_no_disk_takes_are_refused(tmp_path: Path) -> None:
    refuse_file(tmp_path / ("é" * 127))
    with pytest.raises(InputError, match=r"--out holds the name .* of 256 bytes; allowed: up to 255"):
        refuse_file(tmp_path / ("é" * 128) / "x")


def test_a_folder_that_can_not_be_made_is_told_before_a_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match=r"can't be a folder for results: .*file is a file"):
        refuse_file(tmp_path / "file" / "out")
    refuse_file(tmp_path / "new" / "out")
    # the root user may write anywhere
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(WriteFailed, match=r"cannot write into .*: permission denied"):
        refuse_file(tmp_path / "new" / "out")
