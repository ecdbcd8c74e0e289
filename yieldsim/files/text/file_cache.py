"""What a process has found in files, kept while they stay as they are: digests, descriptions, and whole terrain files thinned.

The tiles of a survey and the sites of a ranking ask for the same again and again. A file counts as unchanged by its size and times
and those of its folder, where labels and overviews may appear beside it.
"""

from __future__ import annotations

import os
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

Found = TypeVar("Found")
SETTLED_S = 2.0
"""What changed so shortly before it was read is not kept: a clock too coarse may hide that it changes again."""

Stamp = tuple[tuple[int, ...], ...]


class Kept:
    """Findings by key, the least lately used dropped first.

    most   of their sizes together
    """

    def __init__(self, most: int) -> None:
        """Nothing yet."""
        self._most, self._held = most, 0
        self._found: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable) -> Any:
        """What was put under a key; None where nothing is."""
        with self._lock:
            if key not in self._found:
                return None
            self._found.move_to_end(key)
            return self._found[key][0]

    def put(self, key: Hashable, found: Any, size: int = 1) -> None:
        """Keep a finding, unless it is larger than all may be together."""
        if size > self._most:
            return
        with self._lock:
            self._held += size - self._found.pop(key, (None, 0))[1]
            self._found[key] = found, size
            while self._held > self._most:
                self._held -= self._found.popitem(last=False)[1][1]


def while_unchanged(
    kept: Kept,
    key: Hashable,
    find: Callable[[], Found],
    files_of: Callable[[Found], Iterable[Path | str]],
) -> Found:
    """What `find` finds, or found before in files that are the same still. Raises what `find` raises."""
    before: tuple[Found, Stamp] | None = kept.get(key)
    if before is not None and _stamp(files_of(before[0])) == before[1]:
        return before[0]
    began_ns = time.time_ns()
    found = find()
    stamp = _stamp(files_of(found))
    if _settled(stamp, began_ns):
        kept.put(key, (found, stamp))
    return found


def untouched_since(files: Iterable[Path | str], began_ns: int) -> bool:
    """Whether files and their folders are what they were at a moment, for all that clocks tell."""
    return _settled(_stamp(files), began_ns)


def _settled(stamp: Stamp, began_ns: int) -> bool:
    return all(changed_ns < began_ns - int(1e9 * SETTLED_S) for *_, changed_ns in stamp)


def _stamp(files: Iterable[Path | str]) -> Stamp:
    """Of files and their folders: which they are, size, times of change. Addresses, which are no paths, were asked for once."""
    there = [file for file in files if isinstance(file, Path)]
    told: list[tuple[int, ...]] = []
    for path in dict.fromkeys([*there, *(file.parent for file in there)]):
        try:
            of = os.stat(path)
        except OSError:
            told.append((0, 0))
            continue
        # a folder's size and times tell what lies in it
        told.append((of.st_dev, of.st_ino, of.st_size, of.st_mtime_ns, max(of.st_mtime_ns, of.st_ctime_ns)))
    return tuple(told)
