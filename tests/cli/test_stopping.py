"""Signals end every command within seconds, at any moment; closed streams and vanished folders are said plainly."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "YIELDSIM_DEBUG"} | {
    "PYTHONPATH": str(ROOT)
}
COMMAND = (sys.executable, "-m", "yieldsim")
SOON_S = 6.0
"""Two seconds of grace, and as much again twice for a loaded machine."""
PLANTED = """
import sys, time, os, click
from yieldsim.cli import main as module
@click.command()
def planted():
    {body}
sys.modules['planted'] = type(sys)('planted')
sys.modules['planted'].planted = planted
module.COMMANDS['planted'] = ('planted:planted', 'planted')
from yieldsim.cli.entry import main
sys.argv[1:] = ['planted']
main()
"""
STUBBORN = {
    "a library that swallows what handlers raise": """
    print('ready', flush=True)
    while True:
        try:
            time.sleep(0.01)
        except BaseException:
            pass
""",
    "a long native call": """
    import ctypes
    print('ready', flush=True)
    for _ in range(40):
        # sleeps again when a signal wakes it
        end = time.monotonic() + 60
        while time.monotonic() < end:
            ctypes.CDLL(None).sleep(60)
""",
    "a compiled kernel": """
    import numpy as np
    from yieldsim.base.numerics.jit import njit
    @njit()
    def turn(n):
        x = 1.0
        for i in range(n):
            x = np.sin(x + i)
        return x
    turn(1)
    print('ready', flush=True)
    turn(20_000_000_000)
""",
    "the end of an object": """
    class Library:
        def __del__(self):
            print('ready', flush=True)
            while True:
                time.sleep(0.01)
    del [Library()][0]
    while True:
        time.sleep(0.01)
""",
    "a library that fails for what it swallowed": """
    print('ready', flush=True)
    try:
        time.sleep(60)
    except BaseException:
        pass
    raise RuntimeError('no compiled object yet')
""",
    "unfinished files and a worker process": """
    import multiprocessing
    from pathlib import Path
    from yieldsim.files.output.result_folder import staged_folder
    from yieldsim.files.output.atomic_write import whole_file
    child = multiprocessing.get_context('fork').Process(target=time.sleep, args=(120,))
    child.start()
    with staged_folder('out') as stage, whole_file('table.csv') as partial:
        (stage / 'half').write_text('half')
        print('ready', child.pid, flush=True)
        while True:
            try:
                time.sleep(0.01)
            except BaseException:
                pass
""",
}


def ended(process: subprocess.Popen[str], number: int) -> str:
    """Send a signal once; what stderr says. The process must end soon."""
    process.send_signal(number)
    sent = time.monotonic()
    try:
        _, told = process.communicate(timeout=60)
    finally:
        process.kill()
    assert time.monotonic() - sent < SOON_S
    assert process.returncode == 128 + number, told
    assert "Traceback" not in told
    return told


def start(*words: str, cwd: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        words, cwd=cwd, env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("body", STUBBORN.values(), ids=STUBBORN)
def test_what_does_not_unwind_is_ended(tmp_path: Path, body: str, number: int) -> None:
    process = start(sys.executable, "-c", PLANTED.format(body=body.strip()), cwd=tmp_path)
    assert process.stdout is not None
    ready = process.stdout.readline().split()
    assert ready[:1] == ["ready"]
    told = ended(process, number)
    assert told.count("yieldsim: interrupted; nothing was left half-written") == 1
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == []
    assert not list(tmp_path.glob("**/.unfinished.*"))
    if len(ready) > 1:
        with pytest.raises(ProcessLookupError):
            os.kill(int(ready[1]), 0)


@pytest.mark.parametrize("number", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.slow)])
def test_signals_at_any_moment(tmp_path: Path, number: int) -> None:
    """While libraries load, while it computes, while pages are drawn."""
    subprocess.run([*COMMAND, "new", "set"], cwd=tmp_path, env=ENVIRONMENT, check=True, capture_output=True)
    site = next(
        path for path in sorted((tmp_path / "set").glob("*.toml")) if "latitude_deg" in path.read_text()
    )
    collector = next(iter(sorted((tmp_path / "set").glob("*collector*.toml"))))
    draw = random.Random(number)
    for name in ("estimate", "orient", "estimate"):
        words = (name, str(site), "-c", str(collector), "--years", "10", "--out", "out")
        process = start(*COMMAND, *words, cwd=tmp_path)
        time.sleep(draw.uniform(0.5, 5.0))
        if process.poll() is None:
            ended(process, number)
        assert not list(tmp_path.glob("out/.*"))


def test_output_closed_from_the_start(tmp_path: Path) -> None:
    subprocess.run([*COMMAND, "new", "set"], cwd=tmp_path, env=ENVIRONMENT, check=True, capture_output=True)
    line = f'"{sys.executable}" -m yieldsim check set/*.toml >&-'
    done = subprocess.run(
        ["bash", "-c", line], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 141
    assert "error" not in done.stderr


def test_a_working_directory_that_is_gone(tmp_path: Path) -> None:
    line = f'mkdir gone && cd gone && rmdir ../gone && "{sys.executable}" -m yieldsim check a.toml'
    done = subprocess.run(
        ["bash", "-c", line], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert (
        done.stderr.splitlines()[-1] == "yieldsim: the working directory is gone; change to one that exists"
    )


def test_control_characters_are_spelt(tmp_path: Path) -> None:
    name = "a\x1b[31m\x9b2J\u202eb.toml"
    (tmp_path / name).write_text("latitude_deg = ")
    for words in (("check", name), ("check", "--json", name), (name,), ("estimate", name, "-c", name)):
        done = subprocess.run(
            [*COMMAND, *words], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True, check=False
        )
        assert done.returncode == 2
        shown = done.stdout + done.stderr
        assert not set(shown) & set("\x1b\x9b\u202e")
        assert "\\u009b2J" in shown or "\\x9b2J" in shown
        if "--json" in words:
            [row] = json.loads(done.stdout)["files"]
            assert (row["file"], row["valid"]) == (name, False)
            assert row["problems"]


def test_names_over_255_letters_are_wrong_input(tmp_path: Path) -> None:
    long = "x" * 256
    for words in (
        ("new", long),
        ("estimate", "s.toml", "-c", "c.toml", "--out", long),
        ("check", long + ".toml"),
    ):
        done = subprocess.run(
            [*COMMAND, *words], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True, check=False
        )
        assert done.returncode == 2, done.stderr
        assert "error of the program" not in done.stderr


def test_quiet_and_verbose(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("incidence_deg,acceptance_fraction\n0,1\n2,1\n")

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*COMMAND, *words], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True, check=False
        )

    plain, quiet, verbose = run("check", "a.csv"), run("-q", "check", "a.csv"), run("-v", "check", "a.csv")
    assert plain.stderr.startswith("note: a.csv")
    assert (quiet.stdout, quiet.stderr) == (plain.stdout, "")
    assert plain.stderr in verbose.stderr
    assert "numpy" in verbose.stderr
    assert "took" in verbose.stderr
    assert "does not exist" in run("-q", "check", "none.toml").stderr
    assert run("-q", "-v", "check", "a.csv").returncode == 2
    assert run("-V").stdout == run("--version").stdout
