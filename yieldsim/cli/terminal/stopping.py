"""Ctrl-C and termination end every command within seconds, whatever it is in the middle of.

The first signal unwinds the stack, so that temporary files go. Python runs its handlers between steps of its own code only,
and a library may swallow what they raise: so the signal also wakes a thread that, where the process is still there after
GRACE_S, takes unfinished files and child processes away and ends it. Kernels release the interpreter's lock for that.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from types import FrameType
from typing import NoReturn

from yieldsim.files.output.unfinished import take_away

GRACE_S = 1.5
SIGNALS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
TOLD = "yieldsim: interrupted; nothing was left half-written"

_asked: list[int] = []
_watching = False


def watch() -> None:
    """From now on signals end the process. Once is enough; in the main thread only."""
    global _watching
    if _watching or threading.current_thread() is not threading.main_thread():
        return
    _watching = True
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    threading.Thread(target=_end_hard, args=(reader,), daemon=True, name="stopping").start()
    for number in SIGNALS:
        # a run that shall outlive its terminal (nohup) does
        if not (number == getattr(signal, "SIGHUP", None) and signal.getsignal(number) == signal.SIG_IGN):
            signal.signal(number, _unwind)
    signal.set_wakeup_fd(writer, warn_on_full_buffer=False)
    sys.unraisablehook = _unraisable


def asked() -> bool:
    """Whether a signal has come."""
    return bool(_asked)


def status() -> int:
    """Exit status after an interruption: 128 and the signal's number, as shells count."""
    return 128 + (_asked[0] if _asked else signal.SIGINT)


def leave() -> NoReturn:
    """End at once after the stack has unwound: what libraries still want to do at the end could take long."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(Exception):
            stream.flush()
    _end_children()
    os._exit(status())


def _unwind(number: int, _frame: FrameType | None) -> None:
    """Termination unwinds like Ctrl-C; a second signal does not disturb the first one's clearing up."""
    if number not in _asked:
        _asked.append(number)
    if len(_asked) == 1:
        raise KeyboardInterrupt


def _unraisable(raised: sys.UnraisableHookArgs) -> None:
    """An interruption that meets the end of an object can go no farther and needs no telling: the thread ends the process."""
    if not (_asked and issubclass(raised.exc_type, KeyboardInterrupt)):
        sys.__unraisablehook__(raised)


def _end_hard(reader: int) -> None:
    """Wait for a signal, give the process its time, and end it."""
    while True:
        got = [number for number in os.read(reader, 64) if number in SIGNALS]
        if got:
            break
    time.sleep(GRACE_S)
    if not _asked:
        _asked.append(got[0])
    take_away()
    _end_children()
    with contextlib.suppress(OSError):
        os.write(2, f"{TOLD}\n".encode())
    os._exit(status())


def _end_children() -> None:
    """Worker processes don't outlive the command."""
    children = sys.modules.get("multiprocessing.process")
    for child in list(getattr(children, "_children", ())):
        with contextlib.suppress(Exception):
            child.kill()
            child.join(0.5)
