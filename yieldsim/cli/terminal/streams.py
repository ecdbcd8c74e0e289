"""Standard streams that can be trusted: open ones, and no control character reaches a terminal raw.

Names in files, of files and in other people's messages may hold sequences that a terminal obeys. They are shown as JSON writes
them (\\u001b), so that JSON on stdout stays JSON.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
from typing import TextIO

# C0 but for tab and line feed, DEL, C1, and the marks that turn the direction of writing (Unicode, UAX 9)
CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def plain(text: str) -> str:
    """Text with its control characters spelt.

    >>> plain("a" + chr(27) + "[31m")
    'a\\\\u001b[31m'
    """
    return CONTROLS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


class PlainStream(io.TextIOWrapper):
    """A text stream that spells control characters, and what its encoding lacks."""

    def write(self, text: str) -> int:
        """Write and give the length of what was asked for."""
        super().write(plain(text))
        return len(text)


class Unheard(io.StringIO):
    """A text stream that keeps nothing."""

    def write(self, text: str) -> int:
        """Give the length of what was asked for."""
        return len(text)


def safe_streams() -> None:
    """Put plain streams in the place of stdout and stderr; a closed stdout becomes an output that nobody reads."""
    _fill_closed()
    sys.stdout = _plain(sys.stdout, 1)
    sys.stderr = _plain(sys.stderr, 2)


def raw_stderr() -> TextIO:
    """The stream below, for what draws with control characters of its own."""
    raw = sys.__stderr__
    return sys.stderr if raw is None or not isinstance(sys.stderr, PlainStream) else raw


def _fill_closed() -> None:
    """Occupy closed standard streams, whose numbers the next files opened would get."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            if number == 1:
                reader, writer = os.pipe()
                if writer != number:
                    os.dup2(writer, number)
                # then a write fails as it does when a reader has left
                for handle in {reader, writer} - {number}:
                    os.close(handle)
            else:
                handle = os.open(os.devnull, os.O_RDWR)
                if handle != number:
                    os.dup2(handle, number)
                    os.close(handle)


def _plain(stream: TextIO | None, number: int) -> TextIO:
    if isinstance(stream, PlainStream):
        return stream
    if stream is None:
        return PlainStream(os.fdopen(number, "wb", closefd=False), "utf-8", "backslashreplace")
    with contextlib.suppress(OSError, ValueError):
        stream.flush()
    buffer = getattr(stream, "buffer", None)
    if buffer is None:
        return stream
    return PlainStream(
        buffer,
        stream.encoding,
        "backslashreplace",
        line_buffering=bool(getattr(stream, "line_buffering", False)),
    )
