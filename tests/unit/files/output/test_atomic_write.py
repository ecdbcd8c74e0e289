"""Whole-or-nothing writes, provenance, bundled files, recognition."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from pathlib import Path

import numpy as np
import pytest
import skyfield_data

from yieldsim.base.errors import InputError, WriteFailed
from yieldsim.base.model import Source
from yieldsim.files.describe import recognised
from yieldsim.files.inputs.load import read_load
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.inputs.uncertainty import read_uncertain
from yieldsim.files.output.atomic_write import whole_file, write_new_folder, write_text_whole
from yieldsim.files.output.provenance import file_source, package_version, provenance
from yieldsim.files.starter import STARTERS, write_starter
from yieldsim.files.text.bundled import bodies_folder, body_names, ephemeris_folder, sites_folder


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def test_text_is_written_whole_with_ordinary_rights(tmp_path: Path) -> None:
    target = tmp_path / "new" / "out.json"
    write_text_whole(target, "a\nµ\n")
    assert target.read_bytes() == "a\nµ\n".encode()
    umask = os.umask(0)
    os.umask(umask)
    assert stat.S_IMODE(target.stat().st_mode) == 0o666 & ~umask
    assert names(target.parent) == ["out.json"]


@pytest.mark.parametrize("failure", [ValueError("no"), KeyboardInterrupt()])
def test_a_failure_leaves_what_was_there(tmp_path: Path, failure: BaseException) -> None:
    target = tmp_path / "out.csv"
    write_text_whole(target, "old")

    def spoil() -> None:
        with whole_file(target) as partial:
            partial.write_bytes(b"half")
            assert partial.suffix == ".csv"
            raise failure

    with pytest.raises(type(failure)):
        spoil()
    assert target.read_bytes() == b"old"
    assert names(tmp_path) == ["out.csv"]


def test_where_nothing_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(
        WriteFailed, match=r"cannot write .*file/out.csv: .*what was there before is untouched"
    ):
        write_text_whole(tmp_path / "file" / "out.csv", "x")
    (tmp_path / "taken").mkdir()
    with pytest.raises(WriteFailed, match=r"cannot write .*taken"):
        write_text_whole(tmp_path / "taken", "x")
    assert names(tmp_path) == ["file", "taken"]


def test_a_new_folder_is_written_whole(tmp_path: Path) -> None:
    write_new_folder(tmp_path / "a" / "b", {"x": b"1", "y": b"2"})
    assert names(tmp_path / "a" / "b") == ["x", "y"]
    write_new_folder(tmp_path / "a" / "b", {"z": b"3"})
    assert names(tmp_path / "a" / "b") == ["x", "y", "z"]


def test_a_new_folder_replaces_nothing(tmp_path: Path) -> None:
    (tmp_path / "y").write_bytes(b"mine")
    with pytest.raises(InputError, match="y: is already there and is kept"):
        write_new_folder(tmp_path, {"x": b"1", "y": b"2"})
    assert names(tmp_path) == ["y"]
    assert (tmp_path / "y").read_bytes() == b"mine"
    with pytest.raises(InputError, match="is a file, not a folder"):
        write_new_folder(tmp_path / "y", {"x": b"1"})


def test_a_new_folder_that_fails_half_way_is_taken_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    true_rename, seen = os.rename, []

    def failing(source: Path, target: Path) -> None:
        seen.append(target)
        if len(seen) == 2:
            raise OSError(28, "No space left on device")
        true_rename(source, target)

    monkeypatch.setattr(os, "rename", failing)
    with pytest.raises(WriteFailed, match="no space left on device"):
        write_new_folder(tmp_path / "new" / "deep", {"x": b"1", "y": b"2"})
    assert names(tmp_path) == []


def test_provenance_is_sorted_and_says_no_place_and_no_time_but_the_newest_inputs_day(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"abc")
    os.utime(tmp_path / "a.csv", (1.8e9, 1.8e9))
    source = file_source(tmp_path / "a.csv", "table", "note")
    # SHA-256 of "abc": FIPS 180-2, appendix B.1
    assert source.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    kernel = Source(role="kernel", name="k.bsp", sha256="0")
    site = Source(role="site", name="s.toml", sha256="1")
    record = provenance([source, kernel, site, site], {"years": 1, "end": None})
    # 1.8e9 s after 1970 is 2027-01-15T08:00:00Z
    assert record.pop("inputs_date") == "2027-01-15"
    assert record.pop("libraries")["numpy"] == np.__version__
    digest = record.pop("digest")
    assert record == {
        "version": package_version(),
        "inputs": [
            {"role": "site", "name": "s.toml", "sha256": "1"},
            {"role": "table", "name": "a.csv", "sha256": source.sha256, "note": "note"},
        ],
        "kernels": [{"role": "kernel", "name": "k.bsp", "sha256": "0"}],
        "options": {"end": None, "years": 1},
    }
    assert list(record["options"]) == ["end", "years"]
    assert provenance([site, kernel, source], {"end": None, "years": 1})["digest"] == digest
    # the digest is that of what the record holds, and of nothing that changes when a file is copied
    canonical = json.dumps(record, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    assert digest == hashlib.sha256(canonical.encode()).hexdigest()
    os.utime(tmp_path / "a.csv", (1.9e9, 1.9e9))
    later = provenance([file_source(tmp_path / "a.csv", "table", "note"), kernel, site], record["options"])
    assert later["digest"] == digest
    assert later["inputs_date"] == "2030-03-17"
    assert provenance([site, kernel], record["options"])["digest"] != digest


def test_bundled_folders() -> None:
    assert body_names() == ["earth", "mars", "mercury", "moon"]
    assert (ephemeris_folder() / "moon_080317.tf").is_file()
    assert {name for names in STARTERS.values() for name in names} <= {
        path.name for path in sites_folder().iterdir()
    }
    assert bodies_folder().is_dir()


def test_every_demo_file_is_recognised_without_warning() -> None:
    for path in sorted(sites_folder().glob("*.*")):
        if path.suffix in (".toml", ".csv"):
            assert recognised(path).warnings == (), path.name


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "site.toml",
            'site "Test Ridge" on the Moon at 89.5 S 222.5 E, elevation 1900 m, mast 10 m, horizon',
        ),
        (
            "collector.toml",
            'collector "Test lens", 4 units of 0.05 m2 on 2 mounts, acceptance to 4 deg for a point',
        ),
        ("horizon.csv", "horizon table, 4 rows, mean 0.81 deg"),
        ("acceptance.csv", "acceptance table, 3 angles, highest 0.8"),
    ],
)
def test_recognition_by_content(folder, name: str, words: str) -> None:
    assert recognised(Path(name)).words.startswith(words)


def test_kernels_are_recognised_by_what_they_hold() -> None:
    folder = ephemeris_folder()
    assert recognised(folder / "moon_080317.tf").words.startswith("kernel of frames, MOON_ME, MOON_ME_DE421")
    found = recognised(folder / "moon_pa_de421_1900-2050.bpc").words
    assert found == "kernel of orientation, 1900-01-01 to 2051-01-01"
    positions = recognised(Path(skyfield_data.__path__[0]) / "data" / "de421.bsp").words
    assert positions.endswith("301, 399, 499, 1899-07-29 to 2053-10-09")


def test_recognition_of_misspelt_and_foreign_files(folder) -> None:
    with pytest.raises(InputError, match="did you mean aperture_area_m2"):
        recognised(folder.collector(("aperture_area_m2", "aperture_aera_m2")))
    with pytest.raises(InputError, match="is of no known kind"):
        recognised(folder.write("x.toml", "[tool.x]\na = 1\n"))
    with pytest.raises(InputError, match="is a table of no known kind"):
        recognised(folder.write("x.csv", "a,b\n1,2\n"))


@pytest.mark.parametrize("body", STARTERS)
def test_starter_sets_are_copies_of_the_demo_files_and_hold_together(tmp_path: Path, body: str) -> None:
    folder = tmp_path / "mine"
    written = write_starter(folder, body=body)
    assert names(folder) == sorted(written)
    for name in written:
        assert (folder / name).read_bytes() == (sites_folder() / name).read_bytes()
        assert "#" in (folder / name).read_text()
    site, collector, load = (folder / name for name in written[:3])
    assert read_site(site).noun.body.name.lower() == body
    assert read_collector(collector).noun.unit_count > 0
    assert read_load(load).noun.loads
    for name in written:
        if name.endswith(".uncertain.toml"):
            assert read_uncertain(folder / name).noun


def test_no_starter_set_for_another_world(tmp_path: Path) -> None:
    with pytest.raises(
        InputError, match=r'body is "mras"; allowed: moon, mars, mercury \(did you mean mars\?\)'
    ):
        write_starter(tmp_path / "mine", body="mras")
    assert not (tmp_path / "mine").exists()
