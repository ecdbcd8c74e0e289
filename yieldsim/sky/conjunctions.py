"""When a body comes near the Sun's disc, so that eclipses cost nothing the rest of the time."""

from __future__ import annotations

import numpy as np

from yieldsim.base.constants import AU_KM, SOLAR_RADIUS_KM
from yieldsim.base.numerics.vectors import FloatArray, angle_between_deg
from yieldsim.sky.chebyshev import Pieces

NEAR = 3.0
"""An occulter is near while its centre is within this many times the sum of the two angular radii."""
RATE_SAMPLES = 400
RATE_STEP = 1e-3
RATE_MARGIN = 2.0
BLOCK = 100_000


def angular_radii_deg(
    sun_enu_au: FloatArray, body_enu_au: FloatArray, radius_km: float
) -> tuple[FloatArray, FloatArray]:
    """Angular radii asin(R / d) of the Sun and of a sphere, from vectors (n, 3)."""
    sun = SOLAR_RADIUS_KM / AU_KM / np.linalg.norm(sun_enu_au, axis=-1)
    body = radius_km / AU_KM / np.linalg.norm(body_enu_au, axis=-1)
    return np.degrees(np.arcsin(sun)), np.degrees(np.arcsin(np.minimum(body, 1.0)))


def near_windows_s(
    sun: Pieces, body: Pieces, radius_km: float, start_s: float, end_s: float
) -> tuple[tuple[float, float], ...]:
    """Spans of time in which a body is near the Sun's disc and in front of it, a little wider than need be.

    Looked for in steps in which the body moves by less than half its reach, its fastest motion being taken as
    twice the fastest of a sample; every passage across the disc lasts several such steps.
    """
    sample_s = np.linspace(start_s, end_s, RATE_SAMPLES)
    step_s = RATE_STEP * min(sun.piece_s, max(end_s - start_s, 1.0))
    here, there = (
        _separation(sun, body, radius_km, sample_s),
        _separation(sun, body, radius_km, sample_s + step_s),
    )
    rate = RATE_MARGIN * float(np.abs(there[0] - here[0]).max()) / step_s
    reach = NEAR * float(here[1].min())
    count = int(np.ceil((end_s - start_s) * rate / (reach / 2.0))) + 2
    grid_s = np.linspace(start_s, end_s, count)
    near = np.concatenate(
        [_is_near(sun, body, radius_km, grid_s[i : i + BLOCK]) for i in range(0, count, BLOCK)]
    )
    edges = np.flatnonzero(np.diff(np.concatenate([[False], near, [False]]).astype(np.int8)))
    return tuple(
        (float(grid_s[max(first - 1, 0)]), float(grid_s[min(last, count - 1)]))
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    )


def _separation(
    sun: Pieces, body: Pieces, radius_km: float, seconds: FloatArray
) -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Angle between the centres, sum of the radii, and whether the body is nearer than the Sun."""
    sun_enu, body_enu = sun.at(seconds).T, body.at(seconds).T
    radii = sum(angular_radii_deg(sun_enu, body_enu, radius_km))
    in_front = np.linalg.norm(body_enu, axis=1) < np.linalg.norm(sun_enu, axis=1)
    return angle_between_deg(sun_enu, body_enu), np.asarray(radii), in_front


def _is_near(sun: Pieces, body: Pieces, radius_km: float, seconds: FloatArray) -> np.ndarray:
    separation, radii, in_front = _separation(sun, body, radius_km, seconds)
    return np.asarray((separation < NEAR * radii) & in_front)
