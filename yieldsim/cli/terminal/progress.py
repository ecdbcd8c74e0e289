"""Progress on stderr of work that takes longer than two seconds: a bar on a terminal, a line a minute elsewhere.

A clock of its own keeps it moving: work whose share stands still for a while still shows the time going by. On the first run
after an installation it says that kernels are being compiled.
"""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

PATIENCE_S = 2.0
LINE_EVERY_S = 60.0
COMPILING = ", compiling once"

Advance = Callable[[int, int], None]


@contextlib.contextmanager
def progress(label: str) -> Iterator[Advance]:
    """Yield `advance(done, total)`, to be called as the work goes; shown when the work is long."""
    began = time.monotonic()
    state = [0, 0]
    over = threading.Event()

    def advance(done: int, total: int) -> None:
        state[:] = done, total

    show = _draw if sys.stderr.isatty() else _tell
    clock = threading.Thread(target=show, args=(label, state, began, over), daemon=True, name="progress")
    clock.start()
    try:
        yield advance
    finally:
        over.set()
        clock.join(timeout=5.0)


def _draw(label: str, state: list[int], began: float, over: threading.Event) -> None:
    """A bar, drawn anew several times a second until the work is over."""
    if over.wait(PATIENCE_S):
        return
    bar = _bar()
    task = bar.add_task(label, total=None, times="")
    with bar:
        while True:
            done, total = state
            times = _times(done, total, time.monotonic() - began)
            words = f"{label}{_compiling()}"
            bar.update(task, description=words, completed=done, total=total or None, times=times)
            if over.wait(0.25):
                return


def _tell(label: str, state: list[int], began: float, over: threading.Event) -> None:
    """A line a minute."""
    while not over.wait(LINE_EVERY_S):
        done, total = state
        share = f"{100.0 * done / total:.0f} %, " if total else ""
        with contextlib.suppress(OSError, ValueError):
            words = f"{label}{_compiling()}: {share}{_times(done, total, time.monotonic() - began)}"
            print(words, file=sys.stderr, flush=True)


def _compiling() -> str:
    """Words while kernels are compiled; nothing where no kernel is loaded at all."""
    jit = sys.modules.get("yieldsim.base.numerics.jit")
    return COMPILING if jit is not None and jit.compiling() else ""


def _times(done: int, total: int, elapsed_s: float) -> str:
    """Time gone and, where the share done tells it, time to go."""
    words = f"elapsed {_clock(elapsed_s)}"
    if 0 < done < total:
        words += f", left about {_clock(elapsed_s * (total - done) / done)}"
    return words


def _clock(seconds: float) -> str:
    """Hours, minutes and seconds.

    >>> _clock(3725.0)
    '1:02:05'
    """
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"


def _bar() -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn

    from yieldsim.cli.terminal.streams import raw_stderr

    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=20),
        TextColumn("{task.percentage:3.0f} %", markup=False),
        TextColumn("{task.fields[times]}", markup=False),
    )
    return Progress(*columns, console=Console(file=raw_stderr()), transient=True)
