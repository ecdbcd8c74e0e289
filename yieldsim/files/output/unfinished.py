"""Files and folders that are not finished yet: named so, known to this process, locked against being cleared by others."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import time
from collections.abc import Iterator
from pathlib import Path

if sys.platform != "win32":
    import fcntl

PREFIX = ".unfinished."

YOUNG_S = 1.0
"""Between being made and being locked a file may look abandoned."""

_known: set[Path] = set()


@contextlib.contextmanager
def held(path: Path) -> Iterator[None]:
    """Known as unfinished and locked while the block runs; gone after it if still there."""
    # absolute, for the working directory may change
    own = Path(os.path.abspath(path))
    _known.add(own)
    try:
        with locked(path):
            yield
    finally:
        _remove(own)
        _known.discard(own)


def take_away() -> None:
    """Remove all that this process has not finished: for an end without unwinding."""
    for path in list(_known):
        _remove(path)


def clear_abandoned(folder: Path) -> None:
    """Remove what processes that are no more left unfinished in a folder."""
    if sys.platform == "win32":
        # no such locks there: nothing is taken for abandoned
        return
    for path in folder.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError):
            if time.time() - path.stat().st_mtime > YOUNG_S:
                with locked(path, wait=False):
                    _remove(path)


@contextlib.contextmanager
def locked(path: Path, *, wait: bool = True) -> Iterator[None]:
    """Hold the lock of a file or folder, which the system gives back when a process ends. Raises OSError."""
    if sys.platform == "win32":
        yield
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            raise
        except OSError:
            # a file system without locks, as some network ones: go on as before there were any
            if not wait:
                raise
        yield
    finally:
        os.close(handle)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
