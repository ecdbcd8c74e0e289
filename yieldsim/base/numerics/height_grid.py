"""What terrain is made of: a window of heights over the body's reference ellipsoid, and that ellipsoid's radius.

Small holes in it are filled from their neighbours, larger ones told from where the data end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.base.numerics.vectors import FloatArray

Float32Array = NDArray[np.float32]
Pair = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]

EDGE_PIXELS = 1e-3
"""A place this far outside the outermost pixel centres is on them: projections and places in files are rounded to less."""
SMALL_HOLE_PIXELS = 9
"""A hole of so many connected pixels is filled: a few lost soundings, no lost crest."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HeightGrid:
    """A window of one raster.

    heights_m   (rows, columns) float32; float32 holds heights to a millimetre, so add radii only after widening to float64
    pixel_m     size of a pixel on the ground
    to_pixel    (planetocentric latitude, longitude in degrees) -> (row, column), whole numbers at pixel centres
    to_place    the other way round
    wrapped     the columns close on themselves: a whole turn of longitude
    holes       (rows, columns) unknown ground with known ground around it; None: there is none
    filled      pixels of holes so small that their neighbours fill them
    name        of the file
    """

    heights_m: Float32Array
    pixel_m: float
    to_pixel: Pair
    to_place: Pair
    wrapped: bool = False
    holes: NDArray[np.bool_] | None = None
    filled: int = 0
    name: str = ""


def ellipsoid_radius_m(latitude_deg: ArrayLike, equatorial_m: float, polar_m: float) -> FloatArray:
    """Distance of the ellipsoid's surface from the body's centre at a planetocentric latitude.

        radius = a c / sqrt((c cos)^2 + (a sin)^2)

    >>> ellipsoid_radius_m([0.0, 90.0], 3396190.0, 3376200.0)
    array([3396190., 3376200.])
    """
    latitude = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    return np.asarray(
        equatorial_m * polar_m / np.hypot(polar_m * np.cos(latitude), equatorial_m * np.sin(latitude))
    )


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
