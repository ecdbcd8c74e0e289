"""The progress bar: silent when nobody watches or the work is short, drawn on a terminal's stderr otherwise."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = """
import sys, time
from yieldsim.cli.terminal import progress as module
module.PATIENCE_S = float(sys.argv[1])
with module.progress("Integrating") as advance:
    for done in range(5):
        advance(done, 5)
        time.sleep(0.1)
print("answer", "rich" in sys.modules)
"""


def watched(patience_s: str, script: str = SCRIPT) -> tuple[str, str]:
    """What a terminal on stderr shows, and stdout."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", script, patience_s],
        stdout=subprocess.PIPE,
        stderr=theirs,
        env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm"},
        text=True,
    )
    os.close(theirs)
    out, _ = process.communicate(timeout=60)
    seen = b""
    try:
        while chunk := os.read(ours, 4096):
            seen += chunk
    except OSError:
        pass
    os.close(ours)
    assert process.returncode == 0
    return seen.decode(), out


def test_a_terminal_sees_long_work() -> None:
    seen, out = watched("0")
    assert "Integrating" in seen
    assert "%" in seen
    assert out == "answer True\n"


def test_a_terminal_sees_nothing_of_short_work() -> None:
    assert watched("60") == ("", "answer False\n")


@pytest.mark.parametrize("patience_s", ["0", "60"])
def test_a_pipe_sees_nothing(patience_s: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, patience_s],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=True,
    )
    assert (done.stdout, done.stderr) == ("answer False\n", "")


def test_a_pipe_sees_a_line_a_minute() -> None:
    script = SCRIPT.replace("module.PATIENCE_S", "module.LINE_EVERY_S")
    done = subprocess.run(
        [sys.executable, "-c", script, "0.15"],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=True,
    )
    lines = done.stderr.splitlines()
    assert 1 <= len(lines) <= 4
    assert all(line.startswith("Integrating: ") and " %, elapsed 0:00:0" in line for line in lines)
    assert "left about" in lines[-1]


def test_a_terminal_sees_time_go_by_while_the_share_stands_still() -> None:
    script = SCRIPT.replace("advance(done, 5)", "advance(1, 5)").replace("sleep(0.1)", "sleep(0.5)")
    seen, _ = watched("0", script)
    assert "elapsed 0:00:01" in seen
    assert "elapsed 0:00:02" in seen
    assert "left about" in seen


def test_a_terminal_is_told_of_compilation() -> None:
    script = """
import sys, time
from yieldsim.base.numerics.jit import njit
from yieldsim.cli.terminal import progress as module
module.PATIENCE_S = float(sys.argv[1])

def slow(x):
    for a in range(3):
        x = x + a * (x > 2) - (x < a)
    return x

with module.progress("Sampling") as advance:
    advance(0, 1)
    for rate in range(6):
        njit()(slow)(float(rate))
    time.sleep(0.6)
print("answer", "rich" in sys.modules)
"""
    seen, _ = watched("0", script)
    assert ", compiling once" in seen
    # and no longer once it is over
    assert "compiling" not in seen[seen.rindex("Sampling") :]
