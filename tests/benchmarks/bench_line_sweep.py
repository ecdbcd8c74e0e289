"""Nanoseconds a cell and azimuth: the hull sweep against a plain ray march over the same ground, in the same run.

    python tests/benchmarks/bench_line_sweep.py [cells a side] [reach in km ...]    (128 20: a small run)

Made ground at the lunar south pole, 10 m a pixel near and the same function far. The march steps through every pixel for the first
2 km and by one part in 200 of the distance beyond, the sweep's own detail, compiled as well. The answers are compared first; beyond
the reach both see a sphere at the lowest height within it, as the sweep takes unknown ground to be.
"""

from __future__ import annotations

import math
import sys
import time

import numpy as np
from numba import get_num_threads, njit, prange

from yieldsim.ground.line_points import KNOWN_M
from yieldsim.ground.line_sweep import ANGLE_UNIT_DEG, sweep
from yieldsim.ground.tile_grid import cells_of, level_count, levels_of, tile_frame

R = 1_737_400.0
PIXEL_M = 10.0
AZIMUTHS = 360


def heights(latitude_deg, longitude_deg):
    """Rolling ground with ridges of several sizes, metres."""
    rho = 2.0 * R * np.tan(np.radians(90.0 + latitude_deg) / 2.0)
    x, y = rho * np.sin(np.radians(longitude_deg)), rho * np.cos(np.radians(longitude_deg))
    return relief(x, y)


@njit(cache=True)
def relief(x, y):
    """The same from map coordinates."""
    ground = 900.0 * np.sin(x / 9000.0) * np.cos(y / 11000.0) + 120.0 * np.sin(x / 1300.0 + y / 2100.0)
    return ground + 12.0 * np.sin(x / 190.0) * np.sin(y / 170.0) + 1.5 * np.sin(x / 31.0 + y / 23.0)


FINE_M, COARSE_M, HALF = 10.0, 320.0, 1100
"""The march's grids: fine within 11 km of the tile's centre, coarse out to 352 km."""


def grids():
    """Heights on the two grids, centred on the tile."""
    steps = np.arange(-HALF, HALF + 1.0)
    east, north = np.meshgrid(steps, steps)
    return [relief(3000.0 + east * size, north * size) for size in (FINE_M, COARSE_M)]


@njit(cache=True)
def bilinear(grid, x, y):
    """Height between the nodes of a grid, places in its steps from its middle."""
    i, j = math.floor(y) + HALF, math.floor(x) + HALF
    u, v = y + HALF - i, x + HALF - j
    low = grid[i, j] * (1.0 - v) + grid[i, j + 1] * v
    return low * (1.0 - u) + (grid[i + 1, j] * (1.0 - v) + grid[i + 1, j + 1] * v) * u


@njit(cache=True, parallel=True)
def march(fine, coarse, x0, y0, mast_m, azimuth_rad, reach_m):
    """Horizon by stepping outward along each ray; map plane taken as flat near the pole, curvature as d^2 / 2R."""
    found = np.empty((azimuth_rad.shape[0], x0.shape[0]))
    for a in prange(azimuth_rad.shape[0]):
        east, north = math.sin(azimuth_rad[a]), math.cos(azimuth_rad[a])
        for c in range(x0.shape[0]):
            eye = bilinear(fine, (x0[c] - 3000.0) / FINE_M, y0[c] / FINE_M) + mast_m
            best, far = -1e9, PIXEL_M
            while True:
                x, y = x0[c] - 3000.0 + far * east, y0[c] + far * north
                aside = max(abs(x), abs(y))
                if math.hypot(x, y) > reach_m:
                    break
                if aside < FINE_M * HALF:
                    up = bilinear(fine, x / FINE_M, y / FINE_M) - eye
                else:
                    up = bilinear(coarse, x / COARSE_M, y / COARSE_M) - eye
                best = max(best, up / far - far / (2.0 * R))
                far += max(PIXEL_M, far / 200.0)
            found[a, c] = math.degrees(math.atan(best))
    return found


def tile(size, reach_m):
    """A tile around the pole, centred at x = 3 km, y = 0."""

    def place(row, column):
        x, y = 3000.0 + (column - (size - 1) / 2) * PIXEL_M, ((size - 1) / 2 - row) * PIXEL_M
        return -90.0 + np.degrees(2.0 * np.arctan(np.hypot(x, y) / (2.0 * R))), np.degrees(np.arctan2(x, y))

    frame = tile_frame(R, R, place, size, size)
    return frame, cells_of(frame, heights), levels_of(frame, [heights] * level_count(frame, reach_m), reach_m)


def main() -> None:
    """Compare, then time."""
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 512
    reaches_km = [float(word) for word in sys.argv[2:]] or [20.0, 80.0, 320.0]
    azimuth = np.arange(AZIMUTHS) * 360.0 / AZIMUTHS
    rng = np.random.default_rng(0)
    sample = rng.integers(0, size, (2000, 2))
    print(
        f"{size} x {size} cells, {AZIMUTHS} azimuths, {get_num_threads()} threads; ns a cell and azimuth, wall clock"
    )
    fine, coarse = grids()
    print(" reach km    sweep    march   ratio   19 of 20 within")
    for reach_km in reaches_km:
        frame, cells, levels = tile(size, reach_km * 1000.0)

        def swept(frame=frame, cells=cells, levels=levels):
            return sweep(levels, cells, frame.to_gnomonic, R, 0.0, 2.0, azimuth)

        horizon = swept()
        start = time.perf_counter()
        horizon = swept()
        sweep_ns = (time.perf_counter() - start) * 1e9 / size**2 / AZIMUTHS
        x = 3000.0 + (sample[:, 1] - (size - 1) / 2) * PIXEL_M
        y = ((size - 1) / 2 - sample[:, 0]) * PIXEL_M
        # the tile's north is the meridian of its centre, east on the map
        map_azimuth = np.radians(azimuth + 90.0)
        march(fine, coarse, x[:2], y[:2], 2.0, map_azimuth, 1000.0)
        start = time.perf_counter()
        # ground that any pixel reaches counts for all
        farthest_m = reach_km * 1000.0 + np.hypot(*[(size - 1) / 2 * PIXEL_M] * 2)
        marched = march(fine, coarse, x, y, 2.0, map_azimuth, farthest_m)
        march_ns = (time.perf_counter() - start) * 1e9 / len(sample) / AZIMUTHS
        # the sweep measures against the tile's horizontal: lean it back to each cell's
        along = np.outer(np.cos(map_azimuth), y) + np.outer(np.sin(map_azimuth), x - 3000.0)
        own = horizon[:, sample[:, 0], sample[:, 1]] * ANGLE_UNIT_DEG + np.degrees(np.arctan(along / R))
        lowest_m = float(levels.heights_m[levels.heights_m > KNOWN_M].min())
        eye_m = relief(x, y) + 2.0
        dip_deg = np.degrees(np.arccos((R + lowest_m) / (R + np.maximum(eye_m, lowest_m))))
        marched = np.maximum(marched, -dip_deg)
        off = np.percentile(np.abs(own - marched), 95.0)
        assert off < 0.1, f"the two disagree by {off:.3f} deg"
        print(f"{reach_km:9.0f} {sweep_ns:8.1f} {march_ns:8.1f} {march_ns / sweep_ns:7.1f}   {off:.3f} deg")


if __name__ == "__main__":
    main()
