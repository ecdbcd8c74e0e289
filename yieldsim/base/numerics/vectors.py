"""Directions as unit vectors in the local east-north-up frame, and stable angles between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def direction_enu_xyz(azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> FloatArray:
    """Unit vectors (..., 3) in east-north-up from azimuth (clockwise from north) and elevation.

    >>> direction_enu_xyz(90.0, 0.0).round(6) + 0.0
    array([1., 0., 0.])
    """
    azimuth = np.radians(np.asarray(azimuth_deg, dtype=np.float64))
    elevation = np.radians(np.asarray(elevation_deg, dtype=np.float64))
    level = np.cos(elevation)
    return np.stack(
        np.broadcast_arrays(level * np.sin(azimuth), level * np.cos(azimuth), np.sin(elevation)), axis=-1
    )


def azimuth_elevation_deg(enu_xyz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Azimuth in [0, 360) and elevation, degrees, of east-north-up vectors (..., 3) of any length.

    Elevation by atan2, which keeps its digits near the zenith where arcsin loses them.
    """
    east, north, up = enu_xyz[..., 0], enu_xyz[..., 1], enu_xyz[..., 2]
    azimuth = np.degrees(np.arctan2(east, north)) % 360.0
    azimuth = np.where(azimuth >= 360.0, 0.0, azimuth)
    return azimuth, np.degrees(np.arctan2(up, np.hypot(east, north)))


def angle_between_deg(first_xyz: FloatArray, second_xyz: FloatArray) -> FloatArray:
    """Angle between vectors (..., 3), degrees, accurate at 0 and at 180.

        angle = 2 atan2(| a/|a| - b/|b| |, | a/|a| + b/|b| |)

    Source: W. Kahan, "How Futile are Mindless Assessments of Roundoff in Floating-Point Computation?",
    2006, section 12 (from memory).
    """
    first = first_xyz / np.linalg.norm(first_xyz, axis=-1, keepdims=True)
    second = second_xyz / np.linalg.norm(second_xyz, axis=-1, keepdims=True)
    half = np.arctan2(np.linalg.norm(first - second, axis=-1), np.linalg.norm(first + second, axis=-1))
    return np.asarray(np.degrees(2.0 * half))


def mount_axes_enu_xyz(tilt_deg: float, azimuth_deg: float, roll_deg: float) -> FloatArray:
    """Transverse axis, longitudinal axis and outward normal of a mount: rows of a (3, 3) rotation.

    The normal leans `tilt_deg` from the zenith towards `azimuth_deg`. At roll 0 the longitudinal axis (along the
    grooves or the trough of a linear optic) points up the slope of the aperture, the transverse axis is level;
    transverse x longitudinal = normal. A positive roll turns both about the normal by the right-hand rule
    (counter-clockwise for someone looking at the aperture from in front). With tilt 0 "up the slope" is the
    limit of a small tilt: it points away from `azimuth_deg`.

    >>> mount_axes_enu_xyz(90.0, 180.0, 0.0).round(6) + 0.0
    array([[ 1.,  0.,  0.],
           [ 0.,  0.,  1.],
           [ 0., -1.,  0.]])
    """
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    normal = np.array([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)])
    upslope = np.array([-np.cos(tilt) * np.sin(azimuth), -np.cos(tilt) * np.cos(azimuth), np.sin(tilt)])
    level = np.cross(upslope, normal)
    return np.stack(
        [np.cos(roll) * level + np.sin(roll) * upslope, np.cos(roll) * upslope - np.sin(roll) * level, normal]
    )
