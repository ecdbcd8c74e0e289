"""A round compound parabolic mirror in plain NumPy, from its surface's equation: what made tests/authorities/round_cpc.csv.

    (r cos t + z sin t)^2 + 2 a (1 + sin t)^2 r - 2 a cos t (2 + sin t) z - a^2 (1 + sin t)(3 + sin t) = 0

with r from the axis, z above the outlet of radius a, t the acceptance angle: Winston, Minano & Benitez, Nonimaging Optics, 2005,
chapter 4 (from memory; it holds at r = a, z = 0, at the mouth r = a / sin t, and the rows below meet other laws). Nothing of the
package is used. Run it to write the table: some minutes.
"""

from __future__ import annotations

import sys
from typing import NamedTuple

import numpy as np

ANGLES_DEG = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
SHARES = (0.5, 0.9, 1.0)
"""Of the acceptance angle, at which the transmission is read; the last is the design angle itself."""
RAYS, STEPS, MOST_REFLECTIONS = 200_000, 300, 60


class Passed(NamedTuple):
    """Of parallel light: share that reaches the outlet, and the mean number of reflections of that."""

    share: float
    reflections: float


def surface(t: float, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """The equation's left side for an outlet of radius 1: negative inside."""
    r, s, c = np.hypot(x, y), np.sin(t), np.cos(t)
    return (r * c + z * s) ** 2 + 2 * (1 + s) ** 2 * r - 2 * c * (2 + s) * z - (1 + s) * (3 + s)


def normal(t: float, point: np.ndarray) -> np.ndarray:
    """Unit gradient of the equation at points (n, 3)."""
    x, y, z = point.T
    r, s, c = np.hypot(x, y), np.sin(t), np.cos(t)
    along_r = 2 * (r * c + z * s) * c + 2 * (1 + s) ** 2
    along_z = 2 * (r * c + z * s) * s - 2 * c * (2 + s)
    found = np.stack([along_r * x / r, along_r * y / r, along_z], axis=1)
    return found / np.linalg.norm(found, axis=1)[:, None]


def passed(acceptance_deg: float, incidence_deg: float, rays: int = RAYS, seed: int = 5) -> Passed:
    """Parallel light at an angle to the axis, even over the mouth."""
    t = np.radians(acceptance_deg)
    mouth, height = 1.0 / np.sin(t), (1.0 + 1.0 / np.sin(t)) / np.tan(t)
    rng = np.random.default_rng(seed)
    radius, turn = mouth * np.sqrt(rng.uniform(size=rays)), rng.uniform(0.0, 2.0 * np.pi, rays)
    point = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.full(rays, height)], axis=1)
    way = np.tile([np.sin(np.radians(incidence_deg)), 0.0, -np.cos(np.radians(incidence_deg))], (rays, 1))
    count, out = np.zeros(rays), np.zeros(rays, dtype=bool)
    alive = np.arange(rays)
    for _ in range(MOST_REFLECTIONS):
        if not len(alive):
            break
        p, d = point[alive], way[alive]
        # as far as the outlet's plane or the mouth's
        with np.errstate(divide="ignore"):
            most = np.where(d[:, 2] < 0.0, -p[:, 2] / d[:, 2], (height - p[:, 2]) / d[:, 2])
        most = np.minimum(most, 4.0 * (mouth + height))
        low, hit = np.full(len(alive), 1e-9), np.zeros(len(alive), dtype=bool)
        high = most.copy()
        for step in range(1, STEPS + 1):
            at = most * step / STEPS
            outside = ~hit & (surface(t, *(p + at[:, None] * d).T) > 0.0)
            high[outside] = at[outside]
            hit |= outside
            low = np.where(hit, low, at)
        for _ in range(45):
            middle = 0.5 * (low + high)
            beyond = surface(t, *(p + middle[:, None] * d).T) > 0.0
            high, low = np.where(beyond, middle, high), np.where(beyond, low, middle)
        gone = ~hit
        out[alive[gone]] = d[gone, 2] < 0.0
        struck = alive[hit]
        point[struck] = p[hit] + low[hit, None] * d[hit]
        across = normal(t, point[struck])
        way[struck] = d[hit] - 2.0 * (d[hit] * across).sum(axis=1)[:, None] * across
        count[struck] += 1
        alive = struck
    return Passed(float(out.mean()), float(count[out].mean()))


def main() -> None:
    """Write the table to stdout."""
    print("acceptance_deg,share_of_angle,transmission,mean_reflections")
    for angle in ANGLES_DEG:
        for share in SHARES:
            print(
                f"{angle:g},{share:g},{','.join(f'{number:.4f}' for number in passed(angle, share * angle))}"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
