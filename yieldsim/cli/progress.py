"""A progress bar on stderr: only on a terminal, and only when the work takes longer than two seconds."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

PATIENCE_S = 2.0

Advance = Callable[[int, int], None]


@contextlib.contextmanager
def progress(label: str) -> Iterator[Advance]:
    """Yield `advance(done, total)`, to be called as the work goes; drawn when there is someone to see it."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    began = time.monotonic()
    bar: Any = None
    task: Any = None

    def advance(done: int, total: int) -> None:
        nonlocal bar, task
        if bar is None:
            if time.monotonic() - began < PATIENCE_S:
                return
            bar = _bar()
            bar.start()
            task = bar.add_task(label, total=total)
        bar.update(task, completed=done, total=total)

    try:
        yield advance
    finally:
        if bar is not None:
            bar.stop()


def _bar() -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    return Progress(*columns, console=Console(stderr=True), transient=True)
