"""Gathering light into cells of the sky, block by block: rows of equal height, cells of nearly equal area,
sorted sums."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray

RADIUS_CLASS_RATIO = 1.04
"""Radii of the Sun's disc within one class differ by at most this factor."""
SPREAD_PER_CELL = 2.0
"""A step's light is spread along the Sun's way over points at most a cell over this apart."""
MOST_SPREAD = 64
ROWS_HELD = 1_000_000
"""Rows gathered before they are added up."""
MOST_ROWS = 2_000_000
"""Cells kept over all rates; when a long run needs more, cells are made wider."""
CLASS_BASE, PERIOD_BASE = 1 << 28, 1 << 12
"""Cells of one class of radius, classes of one period, in a key."""

FINEST_CELL_DEG = 0.02
"""Of narrower ones a class would hold more than CLASS_BASE."""

Keys = NDArray[np.int64]


class SkyCells:
    """Light gathered so far.

    cell_deg   height of the rows and, about, width of the cells
    rates      number of weights that each step carries
    """

    def __init__(self, cell_deg: float, rates: int) -> None:
        """Start with an empty sky. Raises ValueError for cells that can't be told apart by their keys."""
        if cell_deg < FINEST_CELL_DEG:
            raise ValueError(f"cells of {cell_deg} deg: {FINEST_CELL_DEG} deg at least")
        self.cell_deg = cell_deg
        self._rates = rates
        self._keys: list[Keys] = []
        self._sums: list[FloatArray] = []
        self._held = 0
        self._class_light: dict[int, FloatArray] = {}

    def add(
        self,
        sun_enu_xyz: FloatArray,
        lit: NDArray[np.int64],
        kwh: FloatArray,
        period: NDArray[np.int64],
        radius_deg: FloatArray,
    ) -> None:
        """Add a block of even steps.

        sun_enu_xyz   (steps, 3)  directions of all steps, lit or not: the Sun's way through a step is half
            that to its neighbours
        lit           (lit,)  which of them hold light
        kwh           (rates, lit)  their light
        period, radius_deg   (lit,)
        """
        if len(lit) == 0:
            return
        classes = radius_class(radius_deg)
        for number in np.unique(classes):
            own = classes == number
            light = kwh[0][own]
            part = np.array([light.sum(), (light * radius_deg[own]).sum()])
            self._class_light[int(number)] = self._class_light.get(int(number), np.zeros(2)) + part
        before, after = (
            sun_enu_xyz[np.maximum(lit - 1, 0)],
            sun_enu_xyz[np.minimum(lit + 1, len(sun_enu_xyz) - 1)],
        )
        spans = np.minimum(lit + 1, len(sun_enu_xyz) - 1) - np.maximum(lit - 1, 0)
        way = (after - before) / np.maximum(spans, 1)[:, None]
        longest = math.degrees(float(np.sqrt((way**2).sum(axis=1).max())))
        spread = min(max(1, math.ceil(longest * SPREAD_PER_CELL / self.cell_deg)), MOST_SPREAD)
        chapter = (period * PERIOD_BASE + classes) * CLASS_BASE
        keys, points = spread_keys(sun_enu_xyz[lit], way, chapter, spread, self.cell_deg)
        order = np.argsort(keys, kind="stable")
        found, sums = spread_sums(keys, points, order, np.ascontiguousarray(kwh), spread)
        self._keys.append(found)
        self._sums.append(sums)
        self._held += len(found)
        if self._held * self._rates > ROWS_HELD + MOST_ROWS:
            self._settle()

    def finished(
        self,
    ) -> tuple[FloatArray, NDArray[np.int32], NDArray[np.int32], NDArray[np.int64], FloatArray]:
        """Sums (rates, cells, 4), period (cells,), class (cells,) counted from 0, and of each class its
        number and mean radius, degrees."""
        self._settle()
        if not self._keys:
            none = np.zeros(0, dtype=np.int32)
            return np.zeros((self._rates, 0, 4)), none, none, np.zeros(1, dtype=np.int64), np.array([0.25])
        keys, sums = self._keys[0], self._sums[0]
        numbers = np.array(sorted(self._class_light))
        mean = np.array([self._class_light[int(n)][1] / self._class_light[int(n)][0] for n in numbers])
        period, rest = np.divmod(keys // CLASS_BASE, PERIOD_BASE)
        return sums, period.astype(np.int32), np.searchsorted(numbers, rest).astype(np.int32), numbers, mean

    def _settle(self) -> None:
        if not self._keys:
            return
        keys, sums = added_up(np.concatenate(self._keys), np.concatenate(self._sums, axis=1))
        while len(keys) * self._rates > MOST_ROWS:
            self.cell_deg *= math.sqrt(2.0)
            keys, sums = added_up(
                keys - keys % CLASS_BASE + cell_numbers(sums[0, :, :3], self.cell_deg), sums
            )
        self._keys, self._sums, self._held = [keys], [sums], len(keys)


def radius_class(radius_deg: FloatArray) -> NDArray[np.int64]:
    """Number of the class a radius falls in, the same for every run."""
    return np.floor(np.log(np.maximum(radius_deg, 1e-6) / 1e-6) / math.log(RADIUS_CLASS_RATIO)).astype(
        np.int64
    )


def cell_numbers(directions_xyz: FloatArray, cell_deg: float) -> Keys:
    """Number of the cell that each direction (n, 3), of any length, falls in."""
    return np.asarray(_cell_numbers(np.ascontiguousarray(directions_xyz), cell_deg))


def added_up(keys: Keys, sums: FloatArray) -> tuple[Keys, FloatArray]:
    """Distinct keys, sorted, and the sums (rates, rows, 4) added up over equal ones."""
    order = np.argsort(keys, kind="stable")
    keys, sums = keys[order], sums[:, order]
    starts = np.flatnonzero(np.diff(keys, prepend=keys[:1] - 1))
    return keys[starts], np.add.reduceat(sums, starts, axis=1)


@njit(cache=True)
def _cell_number(x: float, y: float, z: float, cell_deg: float) -> int:
    elevation = math.degrees(math.atan2(z, math.hypot(x, y)))
    rows = math.ceil(180.0 / cell_deg)
    row = min(int((elevation + 90.0) / cell_deg), rows - 1)
    middle = math.radians((row + 0.5) * cell_deg - 90.0)
    across = max(1, math.floor(360.0 * max(math.cos(middle), 0.0) / cell_deg + 0.5))
    azimuth = math.degrees(math.atan2(x, y)) % 360.0
    widest = math.ceil(360.0 / cell_deg) + 1
    return row * widest + min(int(azimuth / 360.0 * across), across - 1)


@njit(cache=True)
def _cell_numbers(directions_xyz: FloatArray, cell_deg: float) -> Keys:
    numbers = np.empty(directions_xyz.shape[0], dtype=np.int64)
    for i in range(directions_xyz.shape[0]):
        numbers[i] = _cell_number(directions_xyz[i, 0], directions_xyz[i, 1], directions_xyz[i, 2], cell_deg)
    return numbers


@njit(cache=True)
def spread_keys(
    sun_xyz: FloatArray, way_xyz: FloatArray, chapter: Keys, spread: int, cell_deg: float
) -> tuple[Keys, FloatArray]:
    """Each step as `spread` unit directions along its way: keys (steps * spread,) and directions (steps *
    spread, 3)."""
    count = sun_xyz.shape[0]
    keys = np.empty(count * spread, dtype=np.int64)
    points = np.empty((count * spread, 3))
    for i in range(count):
        for j in range(spread):
            share = (j + 0.5) / spread - 0.5
            x = sun_xyz[i, 0] + share * way_xyz[i, 0]
            y = sun_xyz[i, 1] + share * way_xyz[i, 1]
            z = sun_xyz[i, 2] + share * way_xyz[i, 2]
            length = math.sqrt(x * x + y * y + z * z)
            at = i * spread + j
            points[at, 0], points[at, 1], points[at, 2] = x / length, y / length, z / length
            keys[at] = chapter[i] + _cell_number(x, y, z, cell_deg)
    return keys, points


@njit(cache=True)
def spread_sums(
    keys: Keys, points: FloatArray, order: NDArray[np.int64], kwh: FloatArray, spread: int
) -> tuple[Keys, FloatArray]:
    """Distinct keys in order, and sums (rates, keys, 4) of light times direction and of light."""
    count, rates = keys.shape[0], kwh.shape[0]
    distinct = 1
    for k in range(1, count):
        if keys[order[k]] != keys[order[k - 1]]:
            distinct += 1
    found = np.empty(distinct, dtype=np.int64)
    sums = np.zeros((rates, distinct, 4))
    row = -1
    for k in range(count):
        at = order[k]
        if row < 0 or keys[at] != found[row]:
            row += 1
            found[row] = keys[at]
        for r in range(rates):
            light = kwh[r, at // spread] / spread
            sums[r, row, 0] += light * points[at, 0]
            sums[r, row, 1] += light * points[at, 1]
            sums[r, row, 2] += light * points[at, 2]
            sums[r, row, 3] += light
    return found, sums
