"""Whatever bytes a file holds, reading it gives a noun or an InputError; what is good reads back."""

from __future__ import annotations

import contextlib
import math
import os
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from yieldsim.base.errors import InputError
from yieldsim.base.model import HorizonMask
from yieldsim.files.describe import recognised
from yieldsim.files.inputs.readers import read_body, read_collector, read_site
from yieldsim.files.tables.lookup_tables import (
    acceptance_cells,
    attenuation_table,
    horizon_mask,
    optical_depth_table,
)
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.line_numbers import key_lines

QUICK = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
DEMO = {path.name: path.read_bytes() for path in sites_folder().iterdir() if path.suffix in (".toml", ".csv")}
READERS = {"site": read_site, "collector": read_collector, "body": read_body, "any": recognised}
TABLE_READERS = (horizon_mask, acceptance_cells, attenuation_table, optical_depth_table)
TOML_NAMES = sorted(name for name in DEMO if name.endswith(".toml"))

VALUES = (
    *(
        "true",
        '""',
        '"x"',
        "nan",
        "-inf",
        "1e999",
        "-1",
        "0",
        "1e-320",
        "[]",
        "[[1]]",
        "{}",
        "{a = 1}",
        "[{}]",
        "",
    ),
    *(
        "2027-03-01",
        "2027-13-01",
        "12:00:00",
        "99999999999999999999999999",
        "1" + "0" * 400,
        '"\\u0000"',
        '"../../etc/passwd"',
    ),
    *('"/"', '"."', '["a", 1]', '"""', "'", "0x1F", "1_000", '"moon"'),
)


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Path]:
    """A copy of the demo files, which is also the working directory."""
    for name, content in DEMO.items():
        (tmp_path / name).write_bytes(content)
    with contextlib.chdir(tmp_path):
        yield tmp_path


def read_or_told(read, path: Path) -> None:
    """Read; only an InputError with worded problems may come out."""
    told: InputError | None = None
    try:
        read(path)
    except InputError as error:
        told = error
    if told is not None:
        assert told.problems
        for problem in told.problems:
            assert str(problem).isprintable(), repr(str(problem))
            assert problem.where, str(problem)


@QUICK
@given(content=st.binary(max_size=300), kind=st.sampled_from(sorted(READERS)))
def test_any_bytes(demo: Path, content: bytes, kind: str) -> None:
    (demo / "junk.toml").write_bytes(content)
    read_or_told(READERS[kind], demo / "junk.toml")


@QUICK
@given(name=st.sampled_from(TOML_NAMES), data=st.data())
def test_any_byte_of_a_good_file_spoilt(demo: Path, name: str, data: st.DataObject) -> None:
    content = bytearray(DEMO[name])
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(content) - 1))
        end = data.draw(st.integers(start, min(start + 20, len(content))))
        content[start:end] = data.draw(st.binary(max_size=8))
        content = content or bytearray(b"x")
    (demo / name).write_bytes(bytes(content))
    read_or_told(recognised, demo / name)
    (demo / name).write_bytes(DEMO[name])


@QUICK
@given(name=st.sampled_from(TOML_NAMES), data=st.data())
def test_any_value_of_a_good_file_replaced(demo: Path, name: str, data: st.DataObject) -> None:
    lines = DEMO[name].decode().split("\n")
    numbers = [number for number, line in enumerate(lines) if "=" in line and not line.startswith("#")]
    for _ in range(data.draw(st.integers(1, 3))):
        number = data.draw(st.sampled_from(numbers))
        lines[number] = lines[number].split("=")[0] + "= " + data.draw(st.sampled_from(VALUES))
    (demo / name).write_text("\n".join(lines))
    read_or_told(recognised, demo / name)
    (demo / name).write_bytes(DEMO[name])


CELL = st.one_of(
    st.floats(-100, 400).map(str),
    st.sampled_from(
        ["0", "360", "nan", "inf", "", "x", "1,2", '"', "#", "1e5", "2027-01-01", " 5 ", "\x00", "1;2"]
    ),
)
HEADERS = st.sampled_from(
    [
        "azimuth_deg,elevation_deg",
        "incidence_deg,acceptance_fraction",
        "transverse_deg,longitudinal_deg,acceptance_fraction",
        "wavelength_nm,attenuation_db_per_km",
        "solar_longitude_deg,optical_depth",
        "time_utc,optical_depth",
        "",
    ]
)


@QUICK
@given(
    header=HEADERS, rows=st.lists(st.lists(CELL, max_size=4), max_size=8), read=st.sampled_from(TABLE_READERS)
)
def test_any_table(demo: Path, header: str, rows: list[list[str]], read) -> None:
    text = "\n".join([header, *(",".join(row) for row in rows)])
    (demo / "junk.csv").write_text(text)
    read_or_told(lambda path: read(Reading(path)), demo / "junk.csv")
    read_or_told(recognised, demo / "junk.csv")


@QUICK
@given(st.dictionaries(st.floats(0, 359.99), st.floats(-90, 90), min_size=1, max_size=20))
def test_a_written_skyline_reads_back_bit_for_bit(demo: Path, rows: dict[float, float]) -> None:
    azimuth_deg = sorted(rows)
    text = "elevation_deg,azimuth_deg\n" + "".join(
        f"{rows[azimuth]!r},{azimuth!r}\n" for azimuth in azimuth_deg
    )
    (demo / "made.csv").write_text(text)
    mask = horizon_mask(Reading(demo / "made.csv"))
    assert mask.azimuth_deg.tolist() == azimuth_deg
    assert mask.elevation_deg.tolist() == [rows[azimuth] for azimuth in azimuth_deg]


@QUICK
@given(
    latitude_deg=st.floats(-90, 90),
    longitude_deg=st.floats(-180, 360),
    elevation_m=st.one_of(st.integers(-9000, 9000), st.floats(-1e5, 1e5)),
    mast_height_m=st.floats(0, 1e4),
    name=st.text(
        st.characters(exclude_categories=("C", "Z"), exclude_characters='"\\'), min_size=1, max_size=60
    ),
)
def test_a_written_site_reads_back(
    demo: Path, latitude_deg: float, longitude_deg: float, elevation_m: float, mast_height_m: float, name: str
) -> None:
    (demo / "made.toml").write_text(
        f'name = "{name}"\nbody = "Moon"\n'
        f"latitude_deg = {latitude_deg!r}\nlongitude_deg = {longitude_deg!r}\n"
        f"elevation_m = {elevation_m!r}\nmast_height_m = {mast_height_m!r}\n[horizon]\nflat = true\n",
        encoding="utf-8",
    )
    site = read_site(demo / "made.toml").noun
    read = (site.name, site.latitude_deg, site.longitude_deg, site.elevation_m, site.mast_height_m)
    assert read == (name, latitude_deg, longitude_deg, elevation_m, mast_height_m)


@QUICK
@given(st.floats(-90, 90), st.sampled_from(["mars", "earth", "mercury", "moon"]))
def test_planetographic_latitude_is_monotone_and_between_zero_and_itself(
    demo: Path, graphic_deg: float, body: str
) -> None:
    (demo / "made.toml").write_text(
        f'name = "a"\nbody = "{body}"\nlatitude_planetographic_deg = {graphic_deg!r}\nlongitude_deg = 0\n'
        "[horizon]\nflat = true\n"
    )
    centric_deg = read_site(demo / "made.toml").noun.latitude_deg
    # one part in 1e14 of 90 deg for the way through the tangent and back
    assert abs(centric_deg) <= abs(graphic_deg) + 1e-12
    assert math.copysign(1.0, centric_deg) == math.copysign(1.0, graphic_deg) or centric_deg == 0.0
    assert abs(graphic_deg - centric_deg) < 0.35


KEYS = st.text("abcdefgh_-", min_size=1, max_size=6)


@QUICK
@given(st.recursive(st.integers(), lambda inner: st.dictionaries(KEYS, inner, max_size=4), max_leaves=12))
def test_every_key_of_a_written_document_has_its_line(tree: object) -> None:
    document = tree if isinstance(tree, dict) else {"a": tree}
    lines: list[str] = []
    expected: dict[tuple[str | int, ...], int] = {}

    def write(table: dict[str, object], path: tuple[str, ...]) -> None:
        for key, value in table.items():
            if not isinstance(value, dict):
                lines.append(f"{key} = {value}")
                expected[(*path, key)] = len(lines)
        for key, value in table.items():
            if isinstance(value, dict):
                lines.append(f"[{'.'.join((*path, key))}]")
                expected[(*path, key)] = len(lines)
                write(value, (*path, key))

    write(document, ())
    text = "\n".join(lines)
    assert tomllib.loads(text) == document
    found = key_lines(text)
    assert {path: found[path] for path in expected} == expected


def test_the_fuzz_reaches_both_sides(demo: Path) -> None:
    """The demo files read; a planted fault of each kind is told: the properties above can fail."""
    assert isinstance(read_site(demo / "lantern-ridge.toml").noun.horizon, HorizonMask)
    np.testing.assert_array_less(-91.0, read_site(demo / "ember-rim.toml").noun.horizon.elevation_deg)
    (demo / "lantern-ridge.horizon.csv").write_text("azimuth_deg,elevation_deg\n0,nan\n")
    with pytest.raises(InputError, match=r'lantern-ridge\.horizon\.csv line 2: elevation_deg is "nan"'):
        read_site(demo / "lantern-ridge.toml")
    with pytest.raises(AssertionError):
        read_or_told(lambda path: (_ for _ in ()).throw(InputError(())), demo)
    assert os.getcwd() == str(demo)
