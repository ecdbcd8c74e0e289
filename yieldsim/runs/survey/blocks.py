"""Blocks of a survey's tile: cells near enough to share one horizontal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from yieldsim.ground.tile_grid import TileFrame

LEAN_SHARE, LEAST_LEAN_DEG, LEAN_DEG = 0.01, 0.02, 0.25
"""Across a block the cells' horizontals lean by at most the last of these on account of the air; on account of a collector, by
the first times its acceptance's half-width, within the other two."""
MOST_BLOCKS, LEAST_BLOCK_PIXELS, LEAST_BLOCK_CELLS = 16, 32, 8
"""Blocks a side of a tile at most, whatever that asks for, or as many as have so many pixels and cells a side: on coarse terrain a
narrow acceptance is followed less closely."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Cells of a tile that share a horizontal.

    part     rows and columns of the tile's maps
    middle   row and column of the tile's pixels
    inside   (rows, columns) whether the ground is known
    """

    part: tuple[slice, slice]
    middle: tuple[float, float]
    inside: NDArray[np.bool_]

    def horizons(
        self, horizon: NDArray[np.int16]
    ) -> tuple[NDArray[np.int16], NDArray[np.int64], NDArray[np.int64]]:
        """Horizons (azimuth, cells) of the block, and the extremes of those known (azimuth,)."""
        by_azimuth = np.ascontiguousarray(horizon[:, *self.part]).reshape(len(horizon), -1)
        seen = by_azimuth if self.inside.all() else by_azimuth[:, self.inside.ravel()]
        return by_azimuth, seen.min(axis=1).astype(np.int64), seen.max(axis=1).astype(np.int64)


def blocks(frame: TileFrame, known: NDArray[np.bool_], stride: int, lean_deg: float) -> Iterator[Block]:
    """Blocks of a tile across which the cells' horizontals lean by at most so much, without those of unknown ground."""
    side = _block_cells(frame, stride, lean_deg)
    for top in range(0, known.shape[0], side):
        for left in range(0, known.shape[1], side):
            part = (
                slice(top, min(top + side, known.shape[0])),
                slice(left, min(left + side, known.shape[1])),
            )
            if known[part].any():
                row, column = (stride * 0.5 * (one.start + one.stop - 1) for one in part)
                yield Block(part, (row, column), known[part])


def _block_cells(frame: TileFrame, stride: int, lean_deg: float) -> int:
    """Cells a side of a block."""
    cells = max(frame.rows, frame.columns) // stride + 1
    if np.isinf(lean_deg):
        return cells
    reach = np.radians(lean_deg) * frame.sphere.radius_m * np.sqrt(2.0) / (frame.pixel_m * stride)
    # equal blocks rather than a thin last one
    most = max(cells // max(LEAST_BLOCK_PIXELS // stride, LEAST_BLOCK_CELLS), MOST_BLOCKS)
    count = min(max(1, int(np.ceil(cells / reach))), most)
    return -(-cells // count)
