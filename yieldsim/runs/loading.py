"""Libraries loaded beside compiled work: what a run needs next comes in while its loops hold no lock of the interpreter's."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Iterator
from importlib import import_module

SERIES = ("xarray",)
FIGURE = ("typst", "PIL.PngImagePlugin")
"""What series in time need, a third of a second, and pages of a skyline."""


@contextlib.contextmanager
def loading(*modules: str) -> Iterator[None]:
    """Load modules in a thread beside the block, and wait for them at its end.

    One that can't be loaded says so where it is imported.
    """
    missing = [name for name in modules if name not in sys.modules]

    def load() -> None:
        for name in missing:
            with contextlib.suppress(Exception):
                import_module(name)

    thread = threading.Thread(target=load, daemon=True)
    if missing:
        thread.start()
    try:
        yield
    finally:
        if missing:
            thread.join()
