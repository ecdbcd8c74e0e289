"""The best places of a map in tiles are those of the map as a whole, chosen by plain search."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.planning.survey import site_selection as module
from yieldsim.planning.survey.site_selection import Area, best_cell, best_places


def plainly(value, spacing, count):
    """The best cell, then the best of those far enough away, with the whole map at hand."""
    left, chosen = np.where(np.isfinite(value), value, -np.inf), []
    row, column = np.indices(value.shape)
    while len(chosen) < count and np.isfinite(left.max()):
        i, j = np.unravel_index(int(np.argmax(left)), value.shape)
        chosen.append((int(i), int(j)))
        left[np.hypot(row - i, column - j) < max(spacing, 1e-9)] = -np.inf
        left[i, j] = -np.inf
    return chosen


def in_tiles(value, side):
    return [
        Area(r, c, min(side, value.shape[0] - r), min(side, value.shape[1] - c))
        for r in range(0, value.shape[0], side)
        for c in range(0, value.shape[1], side)
    ]


def of(value, area):
    return value[area.row : area.row + area.rows, area.column : area.column + area.columns]


def chosen(value, side, spacing, count):
    """By tiles; and how many of them were looked into."""
    looked = []

    def values(area):
        looked.append(area)
        return of(value, area)

    areas = in_tiles(value, side)
    best = [best_cell(of(value, area), area) for area in areas]
    found = best_places(areas, best, values, lambda r, c: np.stack([r, c, 0.0 * r], axis=-1), spacing, count)
    return found, len(looked)


@pytest.mark.parametrize("side", [1, 7, 16, 100])
@pytest.mark.parametrize("spacing", [0.0, 3.0, 17.0, 60.0])
def test_tiles_give_the_places_of_the_whole_map(side, spacing):
    rng = np.random.default_rng(4)
    value = np.round(rng.normal(size=(45, 60)), 1)  # with ties, which go by reading order
    value[rng.random(value.shape) < 0.1] = np.nan
    value[16:32, :16] = np.nan
    found, _ = chosen(value, side, spacing, 9)
    assert found == plainly(value, spacing, 9)


@pytest.mark.parametrize("spacing", [0.0, 1.0, 1.5, 4.2])
@pytest.mark.parametrize("ties", [0, 3])
def test_many_places_are_those_of_the_whole_map(monkeypatch, spacing, ties):
    """Until none is left, over tiles that are read several times."""
    monkeypatch.setattr(module, "FIRST_KEPT", 8)
    value = np.round(np.random.default_rng(8).normal(size=(40, 50)), ties)
    value[10:15, 20:] = np.nan
    found, _ = chosen(value, 20, spacing, 3000)
    assert found == plainly(value, spacing, 3000)


def test_as_many_places_as_cells_take_each_tile_a_few_times():
    """And each cell is placed a few times, however many are chosen."""
    value = np.random.default_rng(2).normal(size=(100, 100))
    found, looked = chosen(value, 50, 0.0, 10_000)
    assert len(found) == 10_000
    assert looked <= 20  # of 2500 cells each
    placed = [0]

    def counted(row, column):
        placed[0] += row.size
        return np.stack([row, column, 0.0 * row], axis=-1)

    areas = in_tiles(value, 50)
    best = [best_cell(of(value, area), area) for area in areas]
    best_places(areas, best, lambda area: of(value, area), counted, 1.5, 10_000)
    assert placed[0] < 5 * value.size


def test_few_tiles_are_looked_into():
    value = np.random.default_rng(1).normal(size=(300, 300))
    found, looked = chosen(value, 10, 5.0, 6)
    assert found == plainly(value, 5.0, 6)
    assert looked < 20  # of 900


def test_no_known_cell_no_place():
    assert chosen(np.full((4, 4), np.nan), 2, 1.0, 3)[0] == []
    assert chosen(np.ones((4, 4)), 2, 100.0, 3)[0] == [(0, 0)]
