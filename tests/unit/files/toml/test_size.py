"""More than an input file can hold is refused at once, with the reason that is right, in a few words."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.describe import recognised
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.prescription.read import read_prescription
from yieldsim.files.text.bundled import sites_folder

SITE = 'name = "a"\nbody = "moon"\nlatitude_deg = 0\nlongitude_deg = 0\n[horizon]\nflat = true\n'
COLLECTOR = """name = "a"
aperture_area_m2 = 1
[[mounts]]
tilt_deg = 0
azimuth_deg = 0
[acceptance]
table = "curve.csv"
source = "point"
"""
LONGEST_S, LONGEST_WORDS = 5.0, 4000
"""Seconds of processor and letters of message for a refusal: generous against a busy machine, a fraction of what a
search for misspelt keys or the whole of a file in the message would take (19 s and 200 kB, measured)."""


def mounts(count: int, extra: str = "") -> str:
    return "".join(f"[[mounts]]\ntilt_deg = 0\nazimuth_deg = {i % 360}\n{extra}" for i in range(count))


MANY_KEYS = "".join(f"zebra_{i} = {i}\n" for i in range(12_000))
TOO_MUCH = {
    "keys at the top": (MANY_KEYS + SITE, "the top of the file holds 12005 keys; allowed: up to 100 in one table"),
    "keys in a table": (SITE + MANY_KEYS, "horizon holds 12001 keys"),
    "tables": (COLLECTOR + mounts(1200), "mounts holds 1201 entries; allowed: up to 1000"),
    "events": (
        SITE + "[dust]\nloss_per_day = 0.1\nevents = ["
        + ", ".join("{ time = 2027-01-01, removes = 0.5 }" for _ in range(3000)) + "]",
        "dust events holds 3000 entries; allowed: up to 1000",
    ),
    "numbers": (SITE + "x = [" + "1, " * 200_000 + "]", "horizon x holds 200000 entries; allowed: up to 100000"),
    "letters": (SITE + 'x = "' + "a" * 100_000 + '"', "horizon x is text of 100000 letters; allowed: up to 4000"),
    "letters of a key": ("a" * 100_000 + " = 1\n" + SITE, '"aaaaaaaaaaaaaaaaaaaa..." is a key of 100000 letters'),
    "letters of a document": (SITE + "# " + "a" * 3_000_000, "is 3.0 MB of text; allowed: up to 2 MB"),
    "levels of tables": (SITE + "[" + ".".join("a" * 500) + "]\nx = 1", "is nested too deeply"),
    "levels of lists": (SITE + "x = " + "[" * 400 + "]" * 400, "nested too deeply"),
    "levels beyond the parser's": (SITE + "x = " + "[" * 100_000, "nested too deeply"),
}  # fmt: skip


def refused(path: Path) -> str:
    """The words of the refusal of a file, given soon and short."""
    began = time.process_time()
    with pytest.raises(InputError) as caught:
        recognised(path)
    assert time.process_time() - began < LONGEST_S
    words = str(caught.value)
    assert len(words) < LONGEST_WORDS
    return words


@pytest.mark.parametrize("name", TOO_MUCH)
def test_a_toml_file_of_too_much(tmp_path: Path, name: str) -> None:
    text, words = TOO_MUCH[name]
    (tmp_path / "much.toml").write_text(text)
    told = refused(tmp_path / "much.toml")
    assert words in told
    assert told.count("\n") < 3


def test_many_problems_are_told_up_to_a_number(tmp_path: Path) -> None:
    """A thousand mounts, an unknown key and a wrong number in each: fifty lines, the first ones, and a count."""
    (tmp_path / "curve.csv").write_text("incidence_deg,acceptance_fraction\n0,1\n5,0\n")
    (tmp_path / "wrong.toml").write_text(COLLECTOR + mounts(900, "zebra = 1\nroll_deg = 999\n"))
    began = time.process_time()
    with pytest.raises(InputError) as caught:
        read_collector(tmp_path / "wrong.toml")
    assert time.process_time() - began < LONGEST_S
    lines = [str(problem) for problem in caught.value.problems]
    assert len(lines) == 51
    assert '[[mounts]] #2 has an unknown key "zebra"' in lines[0]
    assert "[[mounts]] #2 roll_deg is 999" in lines[1]
    assert lines[-1].endswith("wrong.toml: has 1750 more problems")


def test_what_input_files_hold_is_let_through(tmp_path: Path) -> None:
    """The largest files that make sense: a thousand mounts; a slope for each of a hundred thousand grooves."""
    (tmp_path / "curve.csv").write_text("incidence_deg,acceptance_fraction\n0,1\n5,0\n")
    (tmp_path / "large.toml").write_text(COLLECTOR + mounts(999))
    assert len(read_collector(tmp_path / "large.toml").noun.mounts) == 1000
    lens = (sites_folder() / "half-metre-lens.optics.toml").read_text()
    lines = [line for line in lens.split("\n") if "radius_m" not in line]
    slopes = "facet_angles_deg = [" + ", ".join(["10.0"] * 100_000) + "]"
    text = "\n".join(slopes if line.startswith("groove_count") else line for line in lines)
    (tmp_path / "fine.toml").write_text(text)
    assert read_prescription(tmp_path / "fine.toml").noun.lens.groove_count == 100_000


def test_a_pitch_of_more_grooves_than_a_count_may_be(tmp_path: Path) -> None:
    lens = (sites_folder() / "half-metre-lens.optics.toml").read_text()
    lines = [line for line in lens.split("\n") if "radius_m" not in line]
    text = "\n".join("groove_pitch_m = 1e-12" if line.startswith("groove_count") else line for line in lines)
    (tmp_path / "fine.toml").write_text(text)
    assert "groove_pitch_m is 1e-12; allowed: 2.5e-06 or more" in refused(tmp_path / "fine.toml")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("azimuth_deg,elevation_deg\n" + "0,0\n" * 1_200_000, "has 1200001 lines; allowed: up to 1000000"),
        ("azimuth_deg,elevation_deg\n" + "x,y\n" * 5000, "has 9980 more problems of this kind"),
        (",".join(f"c{i}" for i in range(200_000)) + "\n", "heads 200000 columns; allowed: up to 100"),
        ("azimuth_deg,elevation_deg\n0," + "1" * 5_000_000 + "\n", "line 2: is not a row of a CSV table"),
    ],
    ids=["lines", "problems", "columns", "one long cell"],
)
def test_a_table_of_too_much(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "much.csv").write_text(text)
    assert words in refused(tmp_path / "much.csv")


@pytest.mark.parametrize("wide_deg", [1e-9, 1e-6, 1e-4, 0.04])
@pytest.mark.parametrize("angles", ["incidence", "both"])
def test_an_acceptance_too_narrow_to_follow(tmp_path: Path, wide_deg: float, angles: str) -> None:
    """Such a table asked for steps of milliseconds: 41 s for 1e-4 deg, 272 GiB for 1e-6 (measured)."""
    if angles == "incidence":
        rows = ["incidence_deg,acceptance_fraction", "0,0.8", f"{wide_deg!r},0.8", f"{1.01 * wide_deg!r},0"]
    else:
        rows = ["transverse_deg,longitudinal_deg,acceptance_fraction"]
        rows += [f"{t!r},{el!r},{0.8 * (t == 0)}" for t in (-wide_deg, 0.0, wide_deg) for el in (0.0, 5.0)]
    (tmp_path / "curve.csv").write_text("\n".join(rows) + "\n")
    words = refused(tmp_path / "curve.csv")
    assert "holds all light within" in words
    assert "allowed: 0.05 deg or more" in words
    assert "radians?" in words
    (tmp_path / "narrow.toml").write_text(COLLECTOR)
    assert "curve.csv" in refused(tmp_path / "narrow.toml")


def test_a_narrow_acceptance_that_is_let_through(tmp_path: Path) -> None:
    (tmp_path / "curve.csv").write_text("incidence_deg,acceptance_fraction\n0,0.8\n0.05,0.8\n0.0500001,0\n")
    assert "acceptance table, 3 angles" in recognised(tmp_path / "curve.csv").words


def test_a_site_of_ordinary_size_is_read(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    assert read_site(tmp_path / "site.toml").noun.name == "a"
