"""Only finished tiles are kept and read: whatever else lies in their place is computed again."""

from __future__ import annotations

import pickle
from concurrent.futures import CancelledError
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from yieldsim.base.errors import CannotCompute
from yieldsim.files.output.tile_store import (
    StoredMap,
    TileGrid,
    append_to_manifest,
    load_tile,
    make_store,
    read_manifest,
    save_tile,
)
from yieldsim.runs.survey import workers as module
from yieldsim.runs.survey.tile_report import report_of, told_again
from yieldsim.runs.survey.tiles import Tile
from yieldsim.runs.survey.workers import finish_tile, survey_tiles

TILE = Tile(0, 8, 5, 7)
SHAPE = (9, 3, 4)
JOB: Any = SimpleNamespace(shape=lambda tile: SHAPE, stride=2, unknown_ground="refuse")
MAPS = np.arange(np.prod(SHAPE), dtype=np.float32).reshape(SHAPE)


def spoil(path: Path, how: str) -> None:
    whole = path.read_bytes()
    if how == "pickled":
        path.write_bytes(pickle.dumps(CancelledError("lost")))
    elif how == "object array":
        with path.open("wb") as file:
            np.save(file, np.array(CancelledError("lost"), dtype=object), allow_pickle=True)
    elif how == "short":
        path.write_bytes(whole[:-100])
    elif how == "flipped":
        path.write_bytes(whole[:200] + bytes([whole[200] ^ 1]) + whole[201:])
    elif how == "gone":
        path.unlink()
    elif how == "empty":
        path.write_bytes(b"")
    elif how == "of another shape":
        save_tile(path, MAPS[:, :2])
    elif how == "of another type":
        save_tile(path, MAPS.astype(np.float64))  # type: ignore[arg-type]
    elif how == "of another place":
        other = path.parent / "tile-9-9.npy"
        save_tile(other, MAPS)
        other.replace(path)


@pytest.mark.parametrize(
    "how",
    [
        "pickled",
        "object array",
        "short",
        "flipped",
        "empty",
        "of another shape",
        "of another type",
        "of another place",
    ],
)
def test_a_spoilt_tile_is_computed_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    path = tmp_path / TILE.name
    save_tile(path, MAPS)
    found = load_tile(path, SHAPE)
    assert found is not None
    np.testing.assert_array_equal(found, MAPS)
    good = path.read_bytes()
    spoil(path, how)
    assert load_tile(path, SHAPE) is None
    computed = []

    def compute(job: Any, tile: Tile) -> Any:
        computed.append(tile)
        return MAPS

    monkeypatch.setattr(module, "survey_tile", compute)
    for _ in range(2):
        [report] = survey_tiles(JOB, [TILE], tmp_path, 1, None, None)
        assert report == report_of(JOB, TILE, (TILE.row, TILE.column), MAPS)
    assert computed == [TILE]
    assert path.read_bytes() == good


def test_a_tile_spoilt_after_it_was_listed_is_computed_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A resumed survey takes tiles from the manifest; before their maps count, their digests are looked at."""
    computed = []

    def compute(job: Any, tile: Tile) -> Any:
        computed.append(tile)
        return MAPS

    monkeypatch.setattr(module, "survey_tile", compute)
    [before] = survey_tiles(JOB, [TILE], tmp_path, 1, None, None)
    for how in ("flipped", "short", "gone"):
        spoil(tmp_path / TILE.name, how)
        assert survey_tiles(JOB, [TILE], tmp_path, 1, None, None) == [before]
        assert load_tile(tmp_path / TILE.name, SHAPE) is not None
    assert len(computed) == 4


def test_a_store_that_spoils_everything_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def save(path: Path, maps: Any) -> None:
        save_tile(path, maps)
        spoil(path, "flipped")

    monkeypatch.setattr(module, "survey_tile", lambda job, tile: MAPS)
    monkeypatch.setattr(module, "save_tile", save)
    with pytest.raises(CannotCompute, match=r"altered or lost, tile-0-8\.npy among them; start it again"):
        survey_tiles(JOB, [TILE], tmp_path, 1, None, None)


def test_maps_of_workers_that_do_not_see_the_store_come_home(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "survey_tile", lambda job, tile: MAPS)
    token = make_store(tmp_path)
    here = finish_tile(JOB, TILE, (0, 8), str(tmp_path), token)
    assert here.maps is None
    assert (tmp_path / TILE.name).is_file()
    (tmp_path / TILE.name).unlink()
    for folder, other in ((tmp_path, "of another survey"), (tmp_path / "elsewhere", token)):
        away = finish_tile(JOB, TILE, (0, 8), str(folder), other)
        np.testing.assert_array_equal(away.maps, MAPS)
        assert away.report == here.report
    assert not (tmp_path / TILE.name).exists()
    monkeypatch.setattr(module, "sees_store", lambda *_: False)
    assert survey_tiles(JOB, [TILE], tmp_path, 1, None, None) == [here.report]
    np.testing.assert_array_equal(load_tile(tmp_path / TILE.name, SHAPE), MAPS)


def test_the_manifest_tells_what_was_found_and_nothing_else(tmp_path: Path) -> None:
    report = report_of(JOB, TILE, (0, 8), MAPS)
    append_to_manifest(tmp_path, TILE.name, report.told())
    append_to_manifest(tmp_path, "other", {"cells": 3})
    found = read_manifest(tmp_path)
    assert told_again(found[TILE.name]) == report
    assert told_again(found["other"]) is None
    path = tmp_path / "manifest.jsonl"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0].replace('"cells": 12', '"cells": 13'), "", "{", lines[1][:-5]]))
    assert report.cells == 12
    assert read_manifest(tmp_path) == {}
    elsewhere = tmp_path / "another"
    elsewhere.mkdir()
    (elsewhere / "manifest.jsonl").write_text("\n".join(lines))
    assert read_manifest(elsewhere) == {}


def test_stored_maps_are_read_as_arrays_are_sliced(tmp_path: Path) -> None:
    """Bands of tiles of different widths, any slice with any step, against the whole array."""
    whole = np.random.default_rng(2).random((2, 11, 13)).astype(np.float32)
    grid = TileGrid(
        (0, 4, 5, 11), ((0, 6, 12, 13), (0, 13), (0, 1, 13)), (("a", "b", "c"), ("d",), ("e", "f"))
    )
    for band, edges in enumerate(grid.columns):
        for k, name in enumerate(grid.names[band]):
            rows = slice(*grid.rows[band : band + 2])
            save_tile(tmp_path / name, np.ascontiguousarray(whole[:, rows, edges[k] : edges[k + 1]]))
    stored = StoredMap(tmp_path, grid, 1)
    assert stored.shape == (11, 13)
    for down in (1, 2, 3, 7):
        for top, bottom in ((0, 11), (3, 10), (4, 5), (9, 9), (0, 4)):
            for left, right, across in ((0, 13, 1), (5, 13, 4), (12, 13, 1), (0, 12, 5)):
                part = slice(top, bottom, down), slice(left, right, across)
                np.testing.assert_array_equal(stored[part], whole[1][part])


def test_what_is_no_tile_is_never_saved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A scheduler that goes hands out errors in the place of results."""
    monkeypatch.setattr(module, "finish_tile", lambda *_: CancelledError("lost"))
    with pytest.raises(CannotCompute, match=r"lost \(CancelledError instead of a tile\); start it again"):
        survey_tiles(JOB, [TILE], tmp_path, 1, None, None)
    assert [path.name for path in tmp_path.iterdir()] == ["token"]


def test_the_next_tiles_ground_is_read_meanwhile_and_a_fault_in_it_spoils_no_tile_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In one process: each ground is read once, for its own tile; what reading refuses is told when the tile's turn comes."""
    tiles = [Tile(0, 8 * number, 6, 8) for number in range(4)]
    reading, begun = Event(), []

    def read(job: Any, tile: Tile) -> Any:
        begun.append(tile)
        if tile is tiles[1]:
            reading.set()
        if tile is tiles[2]:
            raise CannotCompute("no ground there")
        return tile

    def compute(job: Any, tile: Tile, ground: Any) -> Any:
        assert ground is tile
        if tile is tiles[0]:
            assert reading.wait(30.0), "the second tile's ground is read while the first is computed"
        return MAPS

    monkeypatch.setattr(module, "read_ground", read)
    monkeypatch.setattr(module, "survey_tile", compute)
    with pytest.raises(CannotCompute, match="no ground there"):
        survey_tiles(JOB, tiles, tmp_path, 1, None, None)
    assert begun == tiles[:3]
    assert [load_tile(tmp_path / tile.name, SHAPE) is not None for tile in tiles] == [
        True,
        True,
        False,
        False,
    ]
