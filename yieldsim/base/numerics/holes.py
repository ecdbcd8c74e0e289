"""Holes in a height grid: small ones filled from their neighbours, larger ones told from where the data end."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.height_grid import Float32Array

SMALL_HOLE_PIXELS = 9
"""A hole of so many connected pixels is filled: a few lost soundings, no lost crest."""


def with_small_holes_filled(
    heights_m: Float32Array, wrapped: bool, open_edge: bool
) -> tuple[Float32Array, NDArray[np.bool_], int]:
    """Heights (rows, columns) with small holes filled, what is left of holes (rows, columns), and how many pixels were filled.

    open_edge   unknown pixels connected to the grid's edge lie beyond the data: they are neither filled nor holes

    A pixel is filled with the highest of its eight neighbours, from the rim inwards: a gap in a crest lets no light through.
    """
    unknown = ~np.isfinite(heights_m)
    if not unknown.any():
        return heights_m, unknown, 0
    if open_edge and _unbroken(unknown.T if wrapped else unknown):
        return heights_m, np.zeros_like(unknown), 0
    from scipy.ndimage import label, maximum_filter

    around = np.ones((3, 3), dtype=bool)
    part, count = label(unknown, structure=around)
    sizes = np.bincount(part.ravel(), minlength=count + 1)
    hole = np.ones(count + 1, dtype=bool)
    hole[0] = False
    if open_edge:
        edges = [part[0], part[-1]] if wrapped else [part[0], part[-1], part[:, 0], part[:, -1]]
        hole[np.unique(np.concatenate(edges))] = False
    small = (hole & (sizes <= SMALL_HOLE_PIXELS))[part]
    heights, left = heights_m.copy(), small.copy()
    while left.any():
        best = maximum_filter(
            np.where(np.isfinite(heights), heights, -np.inf), footprint=around, mode="nearest"
        )
        now = left & np.isfinite(best)
        if not now.any():
            break
        heights[now] = best[now]
        left &= ~now
    return heights, hole[part] & ~(small & ~left), int(np.sum(small & ~left))


def _unbroken(unknown: NDArray[np.bool_]) -> bool:
    """Whether what is known in each row lies together, so that all that is unknown reaches an end of its row: a rectangle, a cap."""
    begins = ~unknown
    begins[:, 1:] &= unknown[:, :-1]
    return bool((begins.sum(axis=1) <= 1).all())
