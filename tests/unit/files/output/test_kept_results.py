"""Results of a long run's parts, kept until it is done."""

from __future__ import annotations

from pathlib import Path

import pytest

from yieldsim.base.errors import WriteFailed
from yieldsim.files.output.kept_results import Kept


def test_a_folder_that_can_not_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(WriteFailed, match="cannot write"):
        Kept(tmp_path / "file" / ".design-1").put("one", {})


def test_a_folder_made_for_kept_results_goes_with_them(tmp_path: Path) -> None:
    kept = Kept(tmp_path / "made" / ".design-1")
    kept.put("one", {"mass_kg": 1.0})
    assert kept.get("one") == {"mass_kg": 1.0}
    kept.clear()
    assert list(tmp_path.iterdir()) == []
