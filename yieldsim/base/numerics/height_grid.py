"""What terrain is made of: a window of heights over the body's reference ellipsoid, and that ellipsoid's radius."""

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
