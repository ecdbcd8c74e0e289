"""The chunked store of a survey while it runs: one file a tile, written by whoever computed it, and a manifest of those finished.

A tile's file holds its maps and a digest of them, of its own name and of its folder's, which is the digest of all that the survey
depends on: what is damaged, or belongs elsewhere, is never taken for a result. The manifest is lines of JSON, each with its own
digest; the client alone writes it.
"""

from __future__ import annotations

import bisect
import contextlib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import WriteFailed
from yieldsim.files.output.atomic_write import whole_file

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from yieldsim.base.numerics.height_grid import Float32Array

MANIFEST = "manifest.jsonl"
TOKEN = "token"
"""A file of random text: who reads the same text from it sees the same folder."""
WHOLE_CELLS = 256
"""Pieces in which maps are read and stored are whole tiles, at least so many cells a side."""


def save_tile(path: Path, maps: Float32Array) -> None:
    """Keep a finished tile, its digest behind it; into place only when whole. Raises WriteFailed."""
    import numpy as np

    with whole_file(path) as partial, partial.open("wb") as file:
        np.save(file, maps, allow_pickle=False)
        file.write(_digest(path, maps))


def load_tile(path: Path, shape: tuple[int, ...]) -> Float32Array | None:
    """A finished tile's maps; None where there is none, or not this one whole: then it is to be computed."""
    import numpy as np

    try:
        with path.open("rb") as file:
            maps = np.load(file, allow_pickle=False)
            digest = file.read()
    except (OSError, ValueError, EOFError, SyntaxError, MemoryError):
        return None
    if not is_tile(maps, shape) or digest != _digest(path, maps):
        return None
    found: Float32Array = maps
    return found


def is_tile(maps: object, shape: tuple[int, ...]) -> bool:
    """Whether something is the finished maps of a tile."""
    import numpy as np

    return isinstance(maps, np.ndarray) and maps.dtype == np.float32 and maps.shape == shape


def _digest(path: Path, maps: Float32Array) -> bytes:
    """Of the maps, of the tile's name and of its folder's, which holds the digest of all inputs."""
    digest = hashlib.sha256(f"{path.parent.name}/{path.name}".encode())
    digest.update(maps.data if maps.flags.c_contiguous else maps.tobytes())
    return digest.digest()


# ---------------------------------------------------------------- who sees the store


def make_store(folder: Path) -> str:
    """The store's folder, made where there is none, and its token. Raises WriteFailed."""
    path = folder / TOKEN
    with contextlib.suppress(OSError):
        return path.read_text(encoding="ascii")
    with whole_file(path) as partial:
        partial.write_text(os.urandom(16).hex(), encoding="ascii")
    return path.read_text(encoding="ascii")


def sees_store(folder: Path, token: str) -> bool:
    """Whether a folder of this name is the store of this token, from wherever this process looks at it."""
    try:
        return (folder / TOKEN).read_text(encoding="ascii") == token
    except (OSError, ValueError):
        return False


# ---------------------------------------------------------------- the manifest


def append_to_manifest(folder: Path, name: str, told: Mapping[str, Any]) -> None:
    """Add what is known of a finished tile. Raises WriteFailed."""
    line = json.dumps({"tile": name, "told": told}, sort_keys=True)
    try:
        with (folder / MANIFEST).open("a", encoding="ascii") as file:
            file.write(f"{_line_digest(folder, line)} {line}\n")
    except OSError as error:
        raise WriteFailed(f"cannot write into {folder}: {error.strerror}") from None


def read_manifest(folder: Path) -> dict[str, dict[str, Any]]:
    """What was known of each finished tile, by its name; damaged lines tell of none."""
    found: dict[str, dict[str, Any]] = {}
    try:
        lines = (folder / MANIFEST).read_text(encoding="ascii").splitlines()
    except (OSError, ValueError):
        return found
    for line in lines:
        digest, _, text = line.partition(" ")
        if digest == _line_digest(folder, text):
            row = json.loads(text)
            found[row["tile"]] = row["told"]
    return found


def _line_digest(folder: Path, line: str) -> str:
    return hashlib.sha256(f"{folder.name}/{line}".encode()).hexdigest()[:16]


# ---------------------------------------------------------------- maps out of tiles


@dataclass(frozen=True, slots=True)
class TileGrid:
    """Which cells each tile of a store holds: bands of rows, each cut into tiles of its own.

    rows      edges of the bands in cells, from 0 to the maps' height
    columns   for each band the edges of its tiles, from 0 to the maps' width
    names     for each band the files of its tiles
    """

    rows: tuple[int, ...]
    columns: tuple[tuple[int, ...], ...]
    names: tuple[tuple[str, ...], ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the maps."""
        return self.rows[-1], self.columns[0][-1]

    @property
    def chunks(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Heights and widths of pieces of whole tiles, WHOLE_CELLS a side or the next more: where bands differ, of the first's."""
        return _pieces(self.rows), _pieces(self.columns[0])


def _pieces(edges: Sequence[int]) -> tuple[int, ...]:
    found, begin = [], 0
    for edge in edges[1:]:
        if edge - begin >= WHOLE_CELLS or edge == edges[-1]:
            found.append(edge - begin)
            begin = edge
    return tuple(found)


@dataclass(frozen=True, slots=True)
class StoredMap:
    """One layer of a store, read piece by piece as an array is sliced; verified when it was finished, not at each reading."""

    folder: Path
    grid: TileGrid
    layer: int

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in cells."""
        return self.grid.shape

    @property
    def ndim(self) -> int:
        """Two."""
        return 2

    @property
    def dtype(self) -> np.dtype[np.float32]:
        """32 bits."""
        import numpy as np

        return np.dtype(np.float32)

    def __getitem__(self, part: tuple[slice, slice]) -> NDArray[np.float32]:
        """Cells of two slices with positive steps."""
        import numpy as np

        (top, bottom, down), (left, right, across) = (
            one.indices(size) for one, size in zip(part, self.shape, strict=True)
        )
        out = np.full((len(range(top, bottom, down)), len(range(left, right, across))), np.nan, np.float32)
        for j, r, to_r in _met(self.grid.rows, top, bottom, down):
            for i, c, to_c in _met(self.grid.columns[j], left, right, across):
                tile = np.load(self.folder / self.grid.names[j][i], mmap_mode="r", allow_pickle=False)
                out[to_r, to_c] = tile[self.layer, r, c]
        return out


def _met(edges: Sequence[int], first: int, last: int, step: int) -> Iterator[tuple[int, slice, slice]]:
    """Tiles that a slice meets: which, the slice within it, and where that goes in the result."""
    at = bisect.bisect_right(edges, first) - 1
    while at < len(edges) - 1 and edges[at] < last:
        skipped = max(0, -(-(edges[at] - first) // step))
        begin, end = first + skipped * step, min(last, edges[at + 1])
        count = len(range(begin, end, step))
        if count:
            yield at, slice(begin - edges[at], end - edges[at], step), slice(skipped, skipped + count)
        at += 1
