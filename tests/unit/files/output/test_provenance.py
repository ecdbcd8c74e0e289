"""Digests of files, kept for a process while the files stay as they are."""

import hashlib
import os
import time

import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.output import provenance
from yieldsim.files.output.provenance import file_source
from yieldsim.files.text import file_cache

LONG_AGO_S = 60.0


def written(path, content, age_s=LONG_AGO_S):
    path.write_bytes(content)
    changed = time.time() - age_s
    os.utime(path, (changed, changed))
    return hashlib.sha256(content).hexdigest()


def reads(monkeypatch):
    """How often a file was read whole."""
    counted, real = [], provenance.opened
    monkeypatch.setattr(provenance, "opened", lambda path: counted.append(path) or real(path))
    return counted


def test_a_file_that_stays_is_read_once(tmp_path, monkeypatch):
    # times of change are of now, whatever a file says: let it count as settled
    monkeypatch.setattr(file_cache, "SETTLED_S", -60.0)
    digest, counted = written(tmp_path / "kernel.bsp", b"positions"), reads(monkeypatch)
    assert [file_source(tmp_path / "kernel.bsp", "kernel").sha256 for _ in range(3)] == [digest] * 3
    assert len(counted) == 1


@pytest.mark.parametrize("content", [b"other", b"positionS"])
def test_a_file_that_changed_is_read_anew(tmp_path, monkeypatch, content):
    """Of another size, and of the same one; its name is the same."""
    monkeypatch.setattr(file_cache, "SETTLED_S", -60.0)
    path = tmp_path / "kernel.bsp"
    before = written(path, b"positions")
    assert file_source(path, "kernel").sha256 == before
    after = written(path, content, age_s=0.5 * LONG_AGO_S)
    assert file_source(path, "kernel").sha256 == after != before


def test_a_file_that_changed_just_now_is_not_kept(tmp_path, monkeypatch):
    """A clock too coarse may hide that it changes again."""
    path, counted = tmp_path / "kernel.bsp", reads(monkeypatch)
    path.write_bytes(b"positions")
    file_source(path, "kernel")
    file_source(path, "kernel")
    assert len(counted) == 2


def test_a_file_that_went_is_refused(tmp_path, monkeypatch):
    """Though its digest was found before."""
    monkeypatch.setattr(file_cache, "SETTLED_S", -60.0)
    path = tmp_path / "kernel.bsp"
    written(path, b"positions")
    file_source(path, "kernel")
    path.unlink()
    with pytest.raises(InputError):
        file_source(path, "kernel")
