"""What every ray carries, and the elementary steps it takes: move, refract at a face, lose light, end.

A ray is one array `ray`: position (0-2), direction (3-5), weight (6), wavelength in nm (7), index and
absorption per m of the lens (8, 9) and of the funnel (10, 11), slope errors of the lens's working face as
tangents (12, 13). Depth z grows along the light. What a ray loses goes to `ledger` by cause, so that the
ledger adds up to what came in.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.fresnel import face_reflectance, refract

WEIGHT, WAVELENGTH, LENS_INDEX, LENS_ABSORPTION = 6, 7, 8, 9
FUNNEL_INDEX, FUNNEL_ABSORPTION, ERROR_1, ERROR_2 = 10, 11, 12, 13
RAY_LENGTH = 14

FACE = np.dtype([("kind", np.int64), ("first", np.float64), ("second", np.float64)], align=True)
"""A face's coating: see `fresnel.face_reflectance`."""

Record = Any
"""One record of a structured array; its fields are those of its dtype."""
Ray = NDArray[np.float64]


@njit(cache=True)
def move(ray: Ray, distance: float) -> None:
    """Move the ray along its direction."""
    ray[0] += distance * ray[3]
    ray[1] += distance * ray[4]
    ray[2] += distance * ray[5]


@njit(cache=True)
def end_here(ray: Ray, ledger: FloatArray, cause: int) -> bool:
    """Give all that is left to one cause; False, for the ray is over."""
    ledger[cause] += ray[6]
    ray[6] = 0.0
    return False


@njit(cache=True)
def lose(ray: Ray, ledger: FloatArray, share: float, cause: int) -> None:
    """Give a share of the weight to a cause."""
    lost = ray[6] * share
    ledger[cause] += lost
    ray[6] -= lost


@njit(cache=True)
def absorb(ray: Ray, ledger: FloatArray, absorption: float, distance: float, cause: int) -> None:
    """Absorption along a path: exp(-absorption * distance) is left."""
    if absorption > 0.0:
        lose(ray, ledger, -math.expm1(-absorption * distance), cause)


@njit(cache=True)
def cross(
    ray: Ray,
    ledger: FloatArray,
    nx: float,
    ny: float,
    nz: float,
    n1: float,
    n2: float,
    face: Record,
    cause: int,
) -> bool:
    """Refract at a face whose unit normal points along the travel; the reflected share goes to `cause`."""
    cos_i = ray[3] * nx + ray[4] * ny + ray[5] * nz
    if cos_i <= 0.0:
        return end_here(ray, ledger, cause)
    reflectance = face_reflectance(cos_i, n1, n2, face.kind, face.first, face.second, ray[7])
    if reflectance >= 1.0:
        return end_here(ray, ledger, cause)
    lose(ray, ledger, reflectance, cause)
    ray[3], ray[4], ray[5] = refract(ray[3], ray[4], ray[5], nx, ny, nz, cos_i, n1 / n2)
    return True
