"""TOML text and the files themselves: syntax, encodings, what is not a file, paths that climb out."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.inputs.readers import read_body, read_collector, read_site
from yieldsim.files.text import decode as text_decode
from yieldsim.files.text.paths import shown
from yieldsim.files.toml.line_numbers import key_lines, line_of


def told(path: Path | str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_site(path)
    return str(caught.value).split("\n")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"name = \nbody = 1\n", "bad.toml line 1 column 8: is not valid TOML: invalid value"),
        (b'name = "a', "bad.toml: is not valid TOML: unterminated string at the end of the file"),
        (
            b"name = 'a'\nname = 'b'\n",
            "bad.toml line 2 column 11: is not valid TOML: cannot overwrite a value",
        ),
        (b"[a\n", "bad.toml line 1 column 3: is not valid TOML"),
        (b"x = " + b"[" * 5000, "bad.toml: is not valid TOML: nested too deeply"),
        (b"x = " + b"9" * 5000, "bad.toml: is not valid TOML: "),
        (b"x = 2027-02-30\n", "bad.toml"),
        (b"", "bad.toml: is empty"),
        (b" \n\t\n", "bad.toml: is empty"),
        (b"\x7fELF\x02\x01\x01\x00", "bad.toml: is not text: a zero byte at offset 7"),
        (b'name = "\xe9"\n', "bad.toml line 1: is not UTF-8 text: byte 0xe9 at offset 8 (save it as UTF-8)"),
        ('name = "a"'.encode("utf-16"), "bad.toml: is UTF-16 text; allowed: UTF-8"),
        (b"# nothing but a comment\n", "bad.toml: needs latitude_deg"),
    ],
)
def test_syntax_and_encoding(folder, content: bytes, words: str) -> None:
    lines = told(folder.write("bad.toml", content))
    assert lines[0].startswith(words), lines


def test_byte_order_mark_and_windows_line_ends_are_read(folder) -> None:
    text = folder.site().read_text()
    path = folder.write("site.toml", b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert read_site(path).noun.name == "Test Ridge"


def test_what_is_not_a_file(folder) -> None:
    assert told("nowhere.toml") == ["nowhere.toml: does not exist"]
    assert told("site.tml") == ["site.tml: does not exist (did you mean site.toml?)"]
    assert told(folder.path) == [f"{folder.path}: is a folder, not a file"]
    os.mkfifo(folder.path / "pipe.toml")
    assert told("pipe.toml") == ["pipe.toml: is not an ordinary file"]
    assert told("no\x00where") == ["no\x00where: cannot be read: embedded null byte"]
    assert "cannot be read" in told("x" * 5000)[0]
    (folder.path / "gone.toml").symlink_to("elsewhere")
    assert told("gone.toml") == ["gone.toml: does not exist"]
    (folder.path / "loop.toml").symlink_to("loop.toml")
    assert "cannot be read" in told("loop.toml")[0]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(folder) -> None:
    path = folder.site()
    path.chmod(0)
    assert told(path) == ["site.toml: cannot be read: permission denied"]


def test_a_huge_file_is_refused_before_it_is_read_whole(folder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_decode, "LARGEST_BYTES", 1_000_000)
    path = folder.write("big.toml", b"#" * 1_000_001)
    assert told(path) == ["big.toml: is 1 MB; allowed: at most 1 MB for an input file or table"]


@pytest.mark.parametrize(
    "name", ["../outside.csv", "/etc/hostname", "sub/../../outside.csv", "link.csv", "linked/o.csv"]
)
def test_named_files_stay_under_the_folder_or_the_working_directory(
    folder, name: str, tmp_path: Path
) -> None:
    inner = folder.path / "inner"
    (inner / "sub").mkdir(parents=True)
    (tmp_path / "outside.csv").write_text("azimuth_deg,elevation_deg\n0,1\n")
    (tmp_path / "far").mkdir()
    (tmp_path / "far" / "o.csv").write_text("azimuth_deg,elevation_deg\n0,1\n")
    (inner / "link.csv").symlink_to(tmp_path / "outside.csv")
    (inner / "linked").symlink_to(tmp_path / "far")
    path = folder.write("inner/site.toml", folder.site().read_text().replace("horizon.csv", name))
    os.chdir(inner)
    lines = told("site.toml")
    assert len(lines) == 1
    assert lines[0].startswith(
        f'site.toml line 9: [horizon] table names "{name}", which lies outside its folder'
    )
    os.chdir(tmp_path)
    if name != "/etc/hostname":
        assert read_site(path).noun.name == "Test Ridge"


def test_paths_are_relative_to_the_naming_file(folder) -> None:
    folder.write("deep/site.toml", folder.site().read_text())
    folder.write("deep/horizon.csv", "azimuth_deg,elevation_deg\n0,7\n")
    horizon = read_site("deep/site.toml").noun.horizon
    assert horizon.elevation_deg[0] == 7.0


def test_shown_paths(folder, tmp_path: Path) -> None:
    assert shown(tmp_path / "a.toml") == "a.toml"
    assert shown(Path("sub/a.toml")) == "sub/a.toml"
    assert shown(Path("/etc/hostname")) == "/etc/hostname"


def test_body_argument(folder, tmp_path: Path) -> None:
    assert read_body("MOON").noun.name == "Moon"
    with pytest.raises(InputError, match=r"^body is 'mrs'; allowed: earth, .*\(did you mean mars\?\)$"):
        read_body("mrs")
    with pytest.raises(InputError, match=r'names "x\.toml", which does not exist'):
        read_body("x.toml", beside=tmp_path)


def test_lines_of_every_key() -> None:
    text = '''\
title = "x" # [not.a.table]
many = [
  1, # ]
  "]",
]
words = """
[no]
key = 1
"""
[a.b] # comment
c.d = 1
"e f" = { g = 1 }
[[list]]
x = 1
[[list]]
x = 2
[list.deep]
y = 3
'''
    lines = key_lines(text)
    assert tomllib.loads(text)["list"][1]["deep"]["y"] == 3
    assert {path: line for path, line in lines.items() if len(path) > 1 or path == ("many",)} == {
        ("many",): 2,
        ("a", "b"): 10,
        ("a", "b", "c", "d"): 11,
        ("a", "b", "e f"): 12,
        ("list", 0): 13,
        ("list", 0, "x"): 14,
        ("list", 1): 15,
        ("list", 1, "x"): 16,
        ("list", 1, "deep"): 17,
        ("list", 1, "deep", "y"): 18,
    }
    assert line_of(("a", "b", "e f", "g"), lines) == 12
    assert line_of(("nothing",), lines) is None


def test_both_readers_take_text_paths(folder) -> None:
    assert read_collector(str(folder.collector())).noun.name == "Test lens"
