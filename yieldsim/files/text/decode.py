"""Input files as text: one clear error when missing, not a file, empty, too large or not text."""

from __future__ import annotations

import contextlib
import datetime as dt
import stat
from collections.abc import Iterator
from io import BufferedReader
from pathlib import Path

from yieldsim.base.errors import refusal
from yieldsim.files.text.paths import neighbour, shown

LARGEST_BYTES = 64_000_000
"""No hand-made input file or table comes near this; it stops a raster or a kernel given by mistake."""


PACKAGE = Path(__file__).resolve().parents[2]


def last_changed(path: Path) -> str:
    """Day on which a file was last changed, UTC, as YYYY-MM-DD; empty for files of the package itself, whose day is that of
    its installation, and where it can't be told."""
    try:
        if PACKAGE in path.resolve().parents:
            return ""
        return dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC).date().isoformat()
    except (OSError, ValueError, OverflowError):
        return ""


@contextlib.contextmanager
def opened(path: Path) -> Iterator[BufferedReader]:
    """An ordinary, not empty file, open for reading bytes. Raises InputError."""
    where = shown(path)
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise refusal(where, found="is a folder, not a file")
        if not stat.S_ISREG(status.st_mode):
            raise refusal(where, found="is not an ordinary file")
        if status.st_size == 0:
            raise refusal(where, found="is empty")
        with path.open("rb") as file:
            yield file
    except FileNotFoundError:
        raise refusal(where, found="does not exist", hint=neighbour(path)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise refusal(where, found=f"cannot be read: {reason.lower()}") from None


def read_bytes(path: Path) -> bytes:
    """Content of a small file. Raises InputError."""
    with opened(path) as file:
        content = file.read(LARGEST_BYTES + 1)
    if len(content) > LARGEST_BYTES:
        allowed = f"at most {LARGEST_BYTES / 1e6:.0f} MB for an input file or table"
        raise refusal(shown(path), found=f"is {path.stat().st_size / 1e6:.0f} MB", allowed=allowed)
    return content


def decode(content: bytes, where: str) -> str:
    """UTF-8 text, a byte-order mark taken off and line ends made plain. Raises InputError."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise refusal(where, found="is UTF-16 text", allowed="UTF-8", hint="save it as UTF-8")
    nul = content.find(b"\x00")
    if nul >= 0:
        raise refusal(where, found=f"is not text: a zero byte at offset {nul}")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"is not UTF-8 text: byte 0x{content[error.start]:02x} at offset {error.start}"
        raise refusal(f"{where} line {line}", found=found, hint="save it as UTF-8") from None
    text = text.replace("\r\n", "\n")
    if not text.strip():
        raise refusal(where, found="is empty")
    return text
