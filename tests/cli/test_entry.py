"""How the command begins and ends: what is looked through for garbage, and when."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator

import pytest

from yieldsim.cli import entry, main


@pytest.fixture
def garbage_as_before() -> Iterator[None]:
    threshold = gc.get_threshold()
    yield
    gc.unfreeze()
    gc.set_threshold(*threshold)


@pytest.mark.usefixtures("garbage_as_before")
def test_a_command_ends_without_a_look_through_what_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    def run() -> None:
        assert gc.isenabled()
        assert gc.get_threshold()[0] == entry.YOUNG_OBJECTS
        raise SystemExit(3)

    # one that uses dask, which is shut out of the process else
    monkeypatch.setattr(sys, "argv", ["yieldsim", "survey"])
    monkeypatch.setattr(entry, "safe_streams", lambda: None)
    monkeypatch.setattr(entry, "watch", lambda: None)
    monkeypatch.setattr(main, "main", run)
    kept = len(gc.get_objects())
    with pytest.raises(SystemExit, match="3"):
        entry.main()
    assert gc.get_freeze_count() > 0.9 * kept
