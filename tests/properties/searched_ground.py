"""What the sweep of lines is held to: random ground, and what a cell sees of it by looking at every point.

Plain NumPy with its own geometry: cells and points as places in space, elevations by atan2, no hull, no series.
"""

from __future__ import annotations

import numpy as np

from yieldsim.ground.cell_rays import MOST_SPARE
from yieldsim.ground.line_points import (
    LINES,
    MISSING_M,
    NEAR_PIXELS,
    begin_pixels,
    reach_pixels,
    sharing_lines,
)
from yieldsim.ground.line_sweep import LEVEL_SLOPE
from yieldsim.ground.tile_grid import cells_of, levels_of, tile_frame

R = 1_737_400.0


class Ground:
    """A tile near the pole in plane pixels of `pixel_m`, with random relief and holes."""

    def __init__(
        self,
        seed: int,
        size: int = 9,
        pixel_m: float = 40.0,
        rough_m: float = 30.0,
        holes: float = 0.02,
        depth: int = 3,
    ):
        rng = np.random.default_rng(seed)
        self.rng = rng
        self.size, self.pixel_m = size, pixel_m
        step = pixel_m / R

        def place(row, column):
            # a plane that touches at the tile's middle: its pixels are exactly gnomonic
            middle = (size - 1) / 2.0
            x, y = (column - middle) * step, (middle - row) * step
            a0, b0 = np.radians([-89.2, 40.0])
            up = np.array([np.cos(a0) * np.cos(b0), np.cos(a0) * np.sin(b0), np.sin(a0)])
            east = np.array([-np.sin(b0), np.cos(b0), 0.0])
            north = np.cross(up, east)
            point = up + np.multiply.outer(x, east) + np.multiply.outer(y, north)
            flat = np.hypot(point[..., 0], point[..., 1])
            return np.degrees(np.arctan2(point[..., 2], flat)), np.degrees(
                np.arctan2(point[..., 1], point[..., 0])
            )

        self.frame = tile_frame(R, R, place, size, size)
        relief = rng.normal(0.0, rough_m, 4096)
        hole = rng.random(4096) < holes
        spread = rng.integers(1, 2**31, 2)

        def heights(latitude, longitude):
            # one random number to a pixel, the same for every level that has a node there
            east, north = self.frame.sphere.gnomonic(latitude, longitude)
            column = np.rint(east / step).astype(np.int64)
            row = np.rint(north / step).astype(np.int64)
            key = (column * spread[0] + row * spread[1]) % 4096
            slow = 40.0 * rough_m * np.sin(column / 90.0) * np.cos(row / 70.0)
            return np.where(hole[key], np.nan, relief[key] + slow)

        self.levels = levels_of(self.frame, [heights] * depth)
        self.cells = cells_of(self.frame, heights)

    def node(self, level, row, column):
        """Height of a level's node, NaN where missing or outside."""
        lv = self.levels
        r, c = (row - lv.first_row[level]) // 2**level, (column - lv.first_column[level]) // 2**level
        inside = (r >= 0) & (r < lv.rows[level]) & (c >= 0) & (c < lv.columns[level])
        at = (
            lv.start[level]
            + np.clip(r, 0, lv.rows[level] - 1) * lv.columns[level]
            + np.clip(c, 0, lv.columns[level] - 1)
        )
        height = lv.heights_m[at].astype(np.float64)
        return np.where(inside & (height > 0.1 * MISSING_M), height, np.nan)

    def point(self, row, column, height):
        """Places in space (east, north, up from the body's centre)."""
        east, north = self.frame.to_gnomonic @ np.stack([column, row, np.ones_like(column)])
        direction = np.stack([east, north, np.ones_like(east)]) / np.sqrt(1.0 + east**2 + north**2)
        return direction * (R + height)

    def seen_deg(self, row, column, azimuth_deg, mast_m, rays=False):
        """Plain search for one cell: near ground on its own line, far ground on the nearest whole line, or its own; NaN on a hole."""
        a = np.radians(azimuth_deg)
        towards = np.array([np.sin(a), np.cos(a), 0.0])
        step = np.linalg.solve(self.frame.to_gnomonic[:, :2], towards[:2])  # column, row
        major = 0 if abs(step[0]) >= abs(step[1]) else 1
        sign = 1 if step[major] > 0.0 else -1
        slope = step[1 - major] / abs(step[major])
        slope = slope if abs(slope) >= LEVEL_SLOPE else 0.0
        own = (float(column), float(row))
        ground = self.node(0, np.array([row]), np.array([column]))[0]
        if np.isnan(ground):
            return np.nan
        eye = self.point(np.array([float(row)]), np.array([float(column)]), ground + mast_m)[:, 0]
        start = sign * own[major]
        low = 0 if sign > 0 else -(self.size - 1)
        line = np.floor(own[1 - major] - slope * (start - low) + 0.5)
        best = -np.inf
        through = own[1 - major] - slope * (start - low)
        reaches = (
            self._ray_reaches(own[1 - major], through, slope, low, start)
            if rays
            else self._reaches(line, slope, low, start)
        )
        for level, (first, last, base) in enumerate(reaches):
            size = 2**level
            p = np.arange(np.ceil(first / size) * size, last + 1, size)
            far = p - start > NEAR_PIXELS
            near = p[~far]
            for chosen, number in ((near, through), (p[far], base)):
                if chosen.size == 0:
                    continue
                point = self._along(level, chosen, number, slope, low, major, sign, chosen is near)
                if chosen is not near and not rays:
                    columns = self._columns(level, line, slope, low)
                    whole = self._along(level, columns, number, slope, low, major, sign)
                    point[:, np.isin(chosen, columns[hidden(whole)])] = np.nan
                rise = point[2] - eye[2]
                ahead = (point[:2] - eye[:2, None]).T @ towards[:2]
                with np.errstate(invalid="ignore"):
                    angle = np.degrees(np.arctan2(rise, ahead))
                if np.isfinite(angle).any():
                    best = max(best, float(np.nanmax(angle)))
        return max(best, self.least_deg(eye, a))

    def least_deg(self, eye, azimuth_rad):
        """Dip of a sphere at the lowest known ground, against the tile's horizontal: the cell's own leans by its angle."""
        known = self.levels.heights_m[self.levels.heights_m > 0.1 * MISSING_M]
        dip = np.degrees(np.arccos(min((R + float(known.min())) / np.linalg.norm(eye), 1.0)))
        along = (eye[0] * np.sin(azimuth_rad) + eye[1] * np.cos(azimuth_rad)) / eye[2]
        return -dip - np.degrees(np.arctan(along))

    def _along(self, level, columns, number, slope, low, major, sign, is_near=False):
        """The ground of a line at some columns, in space; NaN where unknown."""
        size = 2**level
        cross = number + slope * (columns - low)
        lower = np.floor(cross / size + 1e-12) * size
        share = (cross - lower) / size
        along = sign * columns
        low_h = self._at(level, major, along, lower)
        high_h = self._at(level, major, along, lower + size)
        if is_near:
            # near ground: a hole weighs on its neighbours by its share of the way, and not at all on a row itself
            low_h, high_h = (np.where(np.isnan(h), MISSING_M, h) for h in (low_h, high_h))
        places = (cross, along.astype(float)) if major == 0 else (along.astype(float), cross)
        return self.point(*places, low_h * (1.0 - share) + high_h * share)

    def _columns(self, level, line, slope, low):
        """Columns of a level that are read for the LINES lines that a line is one of."""
        first_line = np.floor(min(0.0, -slope * (self.size - 1))) - 1
        group, size = line - (line - first_line) % LINES, 2**level
        begin, end = low, low + self.size - 1
        if slope != 0.0:
            edges = [
                low + (edge - group - k) / slope for edge in (-1.0, float(self.size)) for k in (0, LINES)
            ]
            begin, end = max(begin, int(np.floor(min(edges)))), min(end, int(np.ceil(max(edges))))
        first = begin + NEAR_PIXELS + 1
        if level > 0:
            lines = sharing_lines(level)
            leaves = [
                max(min(self._leave(one, lines, slope, low), end), begin)
                for one in (group, group + LINES - lines)
            ]
            first = -(-(min(leaves) + begin_pixels(level)) // size) * size
        return np.arange(first, end + reach_pixels(level) + 1, size)

    def _at(self, level, major, along, cross):
        row, column = (cross, along) if major == 0 else (along, cross)
        return self.node(level, row.astype(np.int64), column.astype(np.int64))

    def _reaches(self, line, slope, low, start):
        """(first, last, number) of each level: columns, and the middle of the lines that share it with this one."""
        first_line = np.floor(min(0.0, -slope * (self.size - 1))) - 1
        out, begin = [], int(start) + 1
        for level in range(len(self.levels.start)):
            lines, last_level = sharing_lines(level), level + 1 == len(self.levels.start)
            group = line - (line - first_line) % lines
            beyond = LINES if last_level else sharing_lines(level + 1)
            end = self._leave(line - (line - first_line) % beyond, beyond, slope, low)
            if level > 0:
                begin = self._leave(group, lines, slope, low) + begin_pixels(level)
            out.append((begin, end + reach_pixels(level), group + 0.5 * (lines - 1)))
        return out

    def _ray_reaches(self, across, through, slope, low, start):
        """The same for a cell's own line: every level reaches as much farther as it is to the tile's edge."""
        left = low + self.size - 1 - start
        if slope != 0.0:
            left = min(left, int((self.size - 1 - across if slope > 0.0 else across) / abs(slope)))
        ends = [
            int(start) + reach_pixels(level) + min(left, MOST_SPARE)
            for level in range(len(self.levels.start))
        ]
        return [(first + 1, last, through) for first, last in zip([int(start), *ends], ends, strict=False)]

    def _leave(self, first, lines, slope, low):
        """The last column in which one of neighbouring lines is within a row of the tile."""
        leave = low + self.size - 1
        if slope != 0.0:
            ends = [
                low + (edge - first - more) / slope
                for edge in (-1.0, float(self.size))
                for more in (0, lines)
            ]
            leave = min(leave, int(np.ceil(max(ends))))
        return leave


def hidden(point):
    """Which of a line's points (3, n) lie on or below a chord between two that are as far before as behind, 32 at most.

    Below: seen from the body's centre, a, b and c along a plane through it, where |b x (c - a)| <= |a x c|.
    """
    count = point.shape[1]
    room = np.minimum(np.arange(count), np.arange(count)[::-1])
    out = np.zeros(count, dtype=bool)
    for most in (1, 2, 4, 8, 16, 32):
        length = np.minimum(room, most)
        here = np.flatnonzero(length > 0)
        a, b, c = point[:, here - length[here]], point[:, here], point[:, here + length[here]]
        chord, across = np.cross(a, c, axis=0), np.cross(b, c - a, axis=0)
        out[here] |= np.linalg.norm(across, axis=0) <= np.linalg.norm(chord, axis=0)
    return out
