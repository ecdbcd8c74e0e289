"""What native libraries print past Python's streams, kept from a program's output."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator

STDOUT = 1


@contextlib.contextmanager
def prints_unheard() -> Iterator[None]:
    """Nothing that native code prints to standard output in the block is heard; exceptions are, and standard error.

    The integer solver inside scipy (HiGHS) prints a line of its own on some cases whatever its options say: it would
    stand before a command's JSON. For the main thread: another thread's output is lost meanwhile.
    """
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stdout.flush()
    try:
        heard = os.dup(STDOUT)
    except OSError:
        # closed: there is nothing to hear
        yield
        return
    try:
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, STDOUT)
        os.close(silence)
        yield
    finally:
        # the solver writes through the C library, whose buffer is filled while output is no terminal
        _flush_native()
        os.dup2(heard, STDOUT)
        os.close(heard)


def _flush_native() -> None:
    import ctypes

    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).fflush(None)
