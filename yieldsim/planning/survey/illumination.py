"""Light of every cell of a tile from its horizons and the Sun's tables: sums over azimuths, and the longest dark in order of time."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.survey.horizon_tables import TOGETHER, EnergyTables, LightTables
from yieldsim.planning.survey.longest_dark import Passage, longest_dark

BLOCK_CELLS, ENERGY_CELLS = 256, 64
NO_CELL = -32768
"""A horizon of a cell whose ground is unknown."""


class CellLight(NamedTuple):
    """Totals over the span, (cells,) each; NaN where the ground is unknown.

    lit_hours, any_hours   by share of the disc, and with any part of it in sight
    beam_kwh_m2            on an aperture that follows the Sun
    longest_dark_hours     without any part of the disc
    longest_dark_cut_fraction       1 where an end of the span cuts that dark, so that it lasts longer, else 0
    """

    lit_hours: FloatArray
    any_hours: FloatArray
    beam_kwh_m2: FloatArray
    longest_dark_hours: FloatArray
    longest_dark_cut_fraction: FloatArray


class CellEnergy(NamedTuple):
    """What a collector delivers over the span, (cells,); NaN where the ground is unknown.

    turn   how far the collector is turned for that, in steps of the tables' turns
    """

    delivered_kwh: FloatArray
    turn: FloatArray


def cell_light(horizon: NDArray[np.int16], tables: LightTables, passage: Passage) -> CellLight:
    """Light of cells with horizons (azimuth, cells)."""
    out = np.full((5, horizon.shape[1]), np.nan)
    _cell_light(np.ascontiguousarray(horizon), tables, passage, out)
    return CellLight(*out)


def cell_energy(
    horizon: NDArray[np.int16], tables: EnergyTables, turns: int, wanted_turn: FloatArray | None
) -> CellEnergy:
    """Energy of a collector in cells with horizons (azimuth, cells).

    turns         how many turns make a full circle
    wanted_turn   (cells,) the turn to read, in steps; None: the best
    """
    count = horizon.shape[1]
    out = np.full((2, count), np.nan)
    wanted = np.full(count, np.nan) if wanted_turn is None else np.asarray(wanted_turn, dtype=np.float64)
    _cell_energy(np.ascontiguousarray(horizon), tables, turns, wanted, out)
    return CellEnergy(*out)


@njit(cache=True, parallel=True)
def _cell_light(horizon: NDArray[np.int16], tables: LightTables, passage: Passage, out: FloatArray) -> None:
    cells = horizon.shape[1]
    for block in prange((cells + BLOCK_CELLS - 1) // BLOCK_CELLS):
        begin, end = block * BLOCK_CELLS, min((block + 1) * BLOCK_CELLS, cells)
        own = np.ascontiguousarray(horizon[:, begin:end])
        dark, cut = longest_dark(own, passage)
        sums = np.zeros((end - begin, 3))
        _add_light(own, tables.light, tables.lowest, tables.rows_step, sums)
        for c in range(end - begin):
            if own[0, c] == NO_CELL:
                continue
            for k in range(3):
                out[k, begin + c] = sums[c, k]
            out[3, begin + c] = dark[c] * passage.hours
            out[4, begin + c] = 1.0 if cut[c] else 0.0


@njit(cache=True)
def _add_light(
    own: NDArray[np.int16], light: Float32Array, lowest: int, rows_step: int, sums: FloatArray
) -> None:
    """Add the light of every azimuth to the sums (cells, 3): an azimuth's table is small enough to stay at hand for all cells."""
    last = light.shape[1] - 1
    a_row, off = np.float32(1.0 / rows_step), np.float32(rows_step // 2 + 0.5 - lowest)
    for a in range(own.shape[0]):
        for c in range(own.shape[1]):
            row = np.uintp(_row_at(own[a, c], off, a_row, last))
            for k in range(3):
                sums[c, k] += light[a, row, k]


@njit(inline="always")
def _row_at(horizon: int, off: np.float32, a_row: np.float32, last: int) -> int:
    """Row of a horizon: whole rows in (horizon + off) times the share of a row in a unit, within the table.

    off   half a row and half a unit less the table's lowest horizon: half a unit keeps whole rows clear of rounding
    """
    row = int((np.float32(horizon) + off) * a_row)
    row = row if row > 0 else 0
    return row if row < last else last


@njit(cache=True, parallel=True)
def _cell_energy(
    horizon: NDArray[np.int16], tables: EnergyTables, turns: int, wanted: FloatArray, out: FloatArray
) -> None:
    """Azimuths are added TOGETHER at a time: reading and writing the sums costs as much as adding to them."""
    cells = horizon.shape[1]
    groups, rows, width = tables.turned.shape[0] // TOGETHER, tables.turned.shape[1], tables.turned.shape[2]
    flat = tables.turned.reshape(-1)
    a_row = np.float32(1.0 / tables.rows_step)
    off = np.float32(tables.rows_step // 2 + 0.5 - tables.lowest)
    for block in prange((cells + ENERGY_CELLS - 1) // ENERGY_CELLS):
        begin, end = block * ENERGY_CELLS, min((block + 1) * ENERGY_CELLS, cells)
        room = turns + width
        sums = np.zeros((end - begin) * room, dtype=np.float32)
        place = np.empty((TOGETHER, end - begin), dtype=np.int64)
        for group in range(groups):
            first = group * TOGETHER
            for j in range(TOGETHER):
                base, dark = (first + j) * rows, tables.dark_row[first + j]
                azimuth = min(first + j, horizon.shape[0] - 1)
                for c in range(end - begin):
                    place[j, c] = (base + _row_at(horizon[azimuth, begin + c], off, a_row, dark)) * width
            n0, n1 = (
                (first * rows + tables.dark_row[first]) * width,
                ((first + 1) * rows + tables.dark_row[first + 1]) * width,
            )
            n2 = ((first + 2) * rows + tables.dark_row[first + 2]) * width
            n3 = ((first + 3) * rows + tables.dark_row[first + 3]) * width
            for c in range(end - begin):
                p0, p1, p2, p3 = place[0, c], place[1, c], place[2, c], place[3, c]
                if p0 == n0 and p1 == n1 and p2 == n2 and p3 == n3:
                    continue
                at, t0, t1 = np.uintp(c * room + tables.first_turn[group]), np.uintp(p0), np.uintp(p1)
                t2, t3 = np.uintp(p2), np.uintp(p3)
                for k in range(np.uintp(width)):
                    sums[at + k] = sums[at + k] + flat[t0 + k] + flat[t1 + k] + flat[t2 + k] + flat[t3 + k]
        for c in range(end - begin):
            if horizon[0, begin + c] == NO_CELL:
                continue
            own = sums[c * room : c * room + room]
            for k in range(width):
                own[k] += own[turns + k]
            turn = wanted[begin + c]
            if np.isnan(turn):
                turn = best_turn(own[:turns])
            out[0, begin + c], out[1, begin + c] = at_turn(own[:turns], turn), turn


@njit(cache=True)
def best_turn(sums: Float32Array) -> float:
    """Place of the largest sum on the circle of turns: the top of the parabola through it and its neighbours."""
    turns = sums.shape[0]
    top = np.argmax(sums)
    before, here, after = (
        np.float64(sums[top - 1]),
        np.float64(sums[top]),
        np.float64(sums[(top + 1) % turns]),
    )
    bend = before - 2.0 * here + after
    offset = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return float(top + min(max(offset, -0.5), 0.5))


@njit(cache=True)
def at_turn(sums: Float32Array, turn: float) -> float:
    """Sum at a place between turns, by the cubic through the four nearest; never negative."""
    turns = sums.shape[0]
    low = math.floor(turn)
    t = turn - low
    p0, p1 = np.float64(sums[(low - 1) % turns]), np.float64(sums[low % turns])
    p2, p3 = np.float64(sums[(low + 1) % turns]), np.float64(sums[(low + 2) % turns])
    value = p1 + 0.5 * t * (
        p2 - p0 + t * (2.0 * p0 - 5.0 * p1 + 4.0 * p2 - p3 + t * (3.0 * (p1 - p2) + p3 - p0))
    )
    return float(max(value, 0.0))
