"""Only finished tiles are kept and read: whatever else lies in their place is computed again."""

from __future__ import annotations

import pickle
from concurrent.futures import CancelledError
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from yieldsim.base.errors import CannotCompute, DataMissing
from yieldsim.files.output.survey import load_tile, save_tile
from yieldsim.runs.survey import workers as module
from yieldsim.runs.survey.tiles import Tile
from yieldsim.runs.survey.workers import survey_tiles

TILE = Tile(0, 8, 5, 7)
SHAPE = (7, 3, 4)
JOB: Any = SimpleNamespace(shape=lambda tile: SHAPE)
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
        [(_, maps)] = survey_tiles(JOB, [TILE], tmp_path, 1, None, None)
        np.testing.assert_array_equal(maps, MAPS)
    assert computed == [TILE]
    assert path.read_bytes() == good


@pytest.mark.parametrize("status", ["cancelled", "lost", "finished"])
def test_what_is_no_tile_is_never_saved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, status: str) -> None:
    """A scheduler that goes hands out errors in the place of results."""
    future = SimpleNamespace(status=status, release=lambda: None)
    client = SimpleNamespace(submit=lambda *_, **__: Hashed(future), cancel=lambda _: None, status="closed")

    class Hashed:
        def __init__(self, inner: Any) -> None:
            self.status, self.release = inner.status, inner.release

    @contextmanager
    def cluster(*_: Any) -> Any:
        yield client

    library = SimpleNamespace(
        as_completed=lambda futures, with_results: [(futures[0], CancelledError("lost"))],
        KilledWorker=MemoryError,
    )
    monkeypatch.setattr(module, "_cluster_library", lambda: library)
    monkeypatch.setattr(module, "_client", cluster)
    with pytest.raises(CannotCompute, match=r"the scheduler or its workers were lost .*; start it again"):
        list(survey_tiles(JOB, [TILE], tmp_path, 1, "tcp://nowhere:1", None))
    assert not list(tmp_path.iterdir())


def test_a_missing_cluster_library_is_not_wrong_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_cluster_library", lambda: None)
    with pytest.raises(DataMissing, match=r"--scheduler needs .*pip install 'yieldsim\[terrain\]'") as caught:
        list(survey_tiles(JOB, [TILE], tmp_path, 1, "tcp://nowhere:1", None))
    assert caught.value.exit_status == 1
