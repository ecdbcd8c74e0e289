"""CSV tables: what is read, and each way a table can be wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.tables.csv_table import MOST_PROBLEMS
from yieldsim.files.tables.lookup_tables import (
    acceptance_cells,
    attenuation_table,
    horizon_mask,
    optical_depth_table,
)
from yieldsim.files.toml.context import Reading


def told(read: Callable[[Reading], object], path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(Reading(path))
    return str(caught.value).split("\n")


def test_order_comments_blank_lines_mark_line_ends_quotes_and_spaces(folder) -> None:
    header = "\ufeff# made by hand\r\n\r\n elevation_deg , azimuth_deg\r\n# rows\r\n"
    content = header + ' 1.5, 0\r\n-.5 ,"90"\r\n1e0,+270.\r\n'
    mask = horizon_mask(Reading(folder.write("t.csv", content)))
    np.testing.assert_array_equal(mask.azimuth_deg, [0, 90, 270])
    np.testing.assert_array_equal(mask.elevation_deg, [1.5, -0.5, 1.0])


def test_columns_not_used_are_a_warning(folder) -> None:
    reading = Reading(folder.write("t.csv", "azimuth_deg,note,elevation_deg,x\n0,hill,1,2\n"))
    horizon_mask(reading)
    assert reading.warnings.lines == ["t.csv: columns not used: note, x"]


def test_one_row_is_the_same_all_around(folder) -> None:
    reading = Reading(folder.write("t.csv", "azimuth_deg,elevation_deg\n120,1\n"))
    np.testing.assert_array_equal(horizon_mask(reading).elevation_deg, [1])
    assert reading.warnings.lines == []


def test_closing_row(folder) -> None:
    header = "azimuth_deg,elevation_deg\n"
    closed = horizon_mask(Reading(folder.write("t.csv", header + "0,1\n180,2\n360,1\n")))
    np.testing.assert_array_equal(closed.azimuth_deg, [0, 180])
    turned = horizon_mask(Reading(folder.write("t.csv", header + "90,1\n180,2\n360,3\n")))
    np.testing.assert_array_equal(turned.azimuth_deg, [0, 90, 180])
    np.testing.assert_array_equal(turned.elevation_deg, [3, 1, 2])
    assert told(horizon_mask, folder.write("t.csv", header + "0,1\n180,2\n360,3\n")) == [
        "t.csv line 4: elevation_deg is 3 at 360 but 1 at 0 (they are the same direction)"
    ]


def test_a_partial_skyline_is_a_warning(folder) -> None:
    reading = Reading(folder.write("t.csv", "azimuth_deg,elevation_deg\n10,1\n40,1\n60,1\n"))
    horizon_mask(reading)
    assert reading.warnings.lines == [
        "t.csv: no rows for 310 deg of azimuth after 60; a straight line is drawn across"
    ]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "t.csv: is empty"),
        (b"# only a comment\n", "t.csv: has no header row"),
        (b"azimuth_deg,elevation_deg\n", "t.csv: has a header but no rows"),
        (
            b"0,1\n10,2\n",
            "t.csv line 1: has numbers where the column names should be; allowed: azimuth_deg, elev",
        ),
        (
            b"azimuth_deg;elevation_deg\n0;1\n",
            "t.csv line 1: separates its columns by semicolons; allowed: commas",
        ),
        (
            b"azimuth_deg\televation_deg\n0\t1\n",
            "t.csv line 1: separates its columns by tabs; allowed: commas",
        ),
        (
            b"azimuth_deg,elevation\n0,1\n",
            'column "elevation_deg" is missing; allowed: azimuth_deg, elevation_deg',
        ),
        (b"azimuth_deg,elevation\n0,1\n", '(is it "elevation"?)'),
        (b"azimuth_deg,elevation_deg,azimuth_deg\n0,1,2\n", "t.csv line 1: azimuth_deg heads two columns"),
        (b"azimuth_deg,elevation_deg\n0,1\n10\n", "t.csv line 3: has 1 cells, the header 2"),
        (
            b"azimuth_deg,elevation_deg\n0,1,5\n",
            "line 2: has 3 cells, the header 2 (write decimals with a point)",
        ),
        (b"azimuth_deg,elevation_deg\n0,\n", "line 2: elevation_deg is empty; allowed: a number, -90 to 90"),
        (
            b"azimuth_deg,elevation_deg\n0,nan\n",
            'line 2: elevation_deg is "nan"; allowed: a number, -90 to 90',
        ),
        (b"azimuth_deg,elevation_deg\n0,1e999\n", 'line 2: elevation_deg is "1e999"; allowed: -90 to 90'),
        (b"azimuth_deg,elevation_deg\n0,1_0\n", 'line 2: elevation_deg is "1_0"; allowed: a number'),
        (b"azimuth_deg,elevation_deg\n0,0x1\n", 'line 2: elevation_deg is "0x1"; allowed: a number'),
        ("azimuth_deg,elevation_deg\n0,１\n".encode(), 'line 2: elevation_deg is "１"; allowed: a number'),
        (b"azimuth_deg,elevation_deg\n-1,1\n", 'line 2: azimuth_deg is "-1"; allowed: 0 to 360'),
        (
            b"azimuth_deg,elevation_deg\n20,1\n10,1\n",
            "line 3: azimuth_deg 10 follows 20; allowed: values that incr",
        ),
        (b"azimuth_deg,elevation_deg\n10,1\n10,2\n", "line 3: azimuth_deg 10 appears twice"),
        (b'azimuth_deg,elevation_deg\n0,"1\n', "line 2: is not a row of a CSV table"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "t.csv: is not text: a zero byte at offset 8"),
        (
            b"azimuth_deg,elevation_deg\n0,\xb5\n",
            "t.csv line 2: is not UTF-8 text: byte 0xb5 at offset 28 (save it",
        ),
        ("azimuth_deg,elevation_deg\n0,1\n".encode("utf-16"), "t.csv: is UTF-16 text; allowed: UTF-8"),
    ],
)
def test_each_wrong_table_is_told(folder, content: bytes, words: str) -> None:
    lines = told(horizon_mask, folder.write("t.csv", content))
    assert any(words in line for line in lines), lines


def test_a_table_wrong_throughout_is_told_briefly(folder) -> None:
    rows = "".join(f"{azimuth},95\n" for azimuth in range(100))
    lines = told(horizon_mask, folder.write("t.csv", "azimuth_deg,elevation_deg\n" + rows))
    assert len(lines) == MOST_PROBLEMS + 1
    assert lines[-1] == "t.csv: has 80 more problems of this kind"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (
            "incidence_deg,acceptance_fraction\n1,0.5\n2,0\n",
            "line 2: incidence_deg begins at 1; allowed: a first row at",
        ),
        (
            "incidence_deg,acceptance_fraction\n0,0\n4,0\n",
            "t.csv: acceptance_fraction is 0 in every row; allowed: a row above 0",
        ),
        ("incidence_deg,acceptance_fraction\n0,0.5\n", "t.csv: has one row; allowed: two or more angles"),
        ("incidence_deg,acceptance_fraction\n0,1.1\n1,0\n", 'acceptance_fraction is "1.1"; allowed: 0 to 1'),
        (
            "incidence_deg,acceptance_fraction\n0,-0.1\n1,0\n",
            'acceptance_fraction is "-0.1"; allowed: 0 to 1',
        ),
        ("incidence_deg,acceptance_fraction\n0,1\n91,0\n", 'incidence_deg is "91"; allowed: 0 to 90'),
        ("incidence_deg,acceptance_fraction\n5,0\n0,1\n", "line 3: incidence_deg 0 follows 5"),
        ("incidence_deg,acceptance\n0,1\n1,0\n", 'column "acceptance_fraction" is missing'),
    ],
)
def test_each_wrong_round_acceptance_is_told(folder, content: str, words: str) -> None:
    lines = told(acceptance_cells, folder.write("t.csv", content))
    assert any(words in line for line in lines), lines


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (
            "0,0,1 0,5,1 5,0,1",
            "t.csv: lacks 1 of the pairs of angles, first transverse_deg 5, longitudinal_deg 5",
        ),
        ("0,0,1 0,5,1 5,0,1 5,5,0 0,5,0", "line 6: repeats the angles of line 3 (keep one row)"),
        ("1,0,1 1,5,1 5,0,1 5,5,0", "transverse_deg begins at 1; allowed: 0 (mirrored) or below"),
        ("0,-5,1 0,0,1 5,-5,1 5,0,0", "longitudinal_deg ends at 0; allowed: more than 0"),
        ("0,0,1 0,5,1", "transverse_deg has one value; allowed: two or more"),
        ("0,0,1 0,95,1", 'longitudinal_deg is "95"; allowed: -90 to 90'),
    ],
)
def test_each_wrong_grid_is_told(folder, rows: str, words: str) -> None:
    content = "transverse_deg,longitudinal_deg,acceptance_fraction\n" + rows.replace(" ", "\n") + "\n"
    lines = told(acceptance_cells, folder.write("t.csv", content))
    assert any(words in line for line in lines), lines


def test_cut_off_grids_are_warned_about_at_outer_edges_only(folder) -> None:
    header = "transverse_deg,longitudinal_deg,acceptance_fraction\n"
    reading = Reading(folder.write("t.csv", header + "0,0,1\n0,5,0.25\n9,0,0\n9,5,0\n"))
    acceptance_cells(reading)
    assert reading.warnings.lines == [
        "t.csv: cut off: acceptance is still 0.25 at longitudinal_deg 5, and counts as 0 beyond"
    ]


def test_dated_optical_depth_must_go_forward(folder) -> None:
    content = "time_utc,optical_depth\n2027-01-02,0.4\n2027-01-01T12:00:00,0.5\nsoon,0.5\n"
    assert told(optical_depth_table, folder.write("t.csv", content)) == [
        "t.csv line 3: time_utc 2027-01-01T12:00:00 follows 2027-01-02T00:00:00; "
        "allowed: values that increase (sort the rows)",
        't.csv line 4: time_utc is "soon"; allowed: a date or a date and time, like 2027-03-01T12:00:00',
    ]


def test_header_of_no_layout_names_both(folder) -> None:
    assert told(optical_depth_table, folder.write("t.csv", "ls,tau\n0,1\n")) == [
        f't.csv line 1: column "{name}" is missing; allowed: solar_longitude_deg, optical_depth or time_utc, '
        "optical_depth"
        for name in ("solar_longitude_deg", "optical_depth")
    ]


def test_attenuation_in_micrometres_is_refused(folder) -> None:
    lines = told(
        attenuation_table, folder.write("t.csv", "wavelength_nm,attenuation_db_per_km\n0.4,100\n0.8,10\n")
    )
    assert lines[0] == 't.csv line 2: wavelength_nm is "0.4"; allowed: 100 to 100000'
    lines = told(attenuation_table, folder.write("t.csv", "wavelength_nm,attenuation_db_per_km\n400,100\n"))
    assert lines == ["t.csv: has one row; allowed: two or more wavelengths"]


@pytest.mark.parametrize(
    ("read", "header", "name"),
    [
        (horizon_mask, "azimuth_deg,elevation_deg", "elevation_deg"),
        (optical_depth_table, "solar_longitude_deg,optical_depth", "optical_depth"),
    ],
)
def test_the_closing_row_repeats_the_first_to_rounding(folder, read: Any, header: str, name: str) -> None:
    """Rounding of a table made elsewhere passes; the row at 0 counts. Anything more is told in figures that differ."""
    rows = "0,{first}\n90,1\n180,2\n270,1\n360,{last}\n"
    path = folder.write("t.csv", header + "\n" + rows.format(first="1.2345678", last="1.23456829"))
    found = read(Reading(path))
    values = found.elevation_deg if read is horizon_mask else found.optical_depth
    assert values.tolist() == [1.2345678, 1.0, 2.0, 1.0]
    path = folder.write("t.csv", header + "\n" + rows.format(first="1.2345678", last="1.2345708"))
    assert told(read, path) == [
        f"t.csv line 6: {name} is 1.2345708 at 360 but 1.2345678 at 0 (they are the same direction)"
    ]


@pytest.mark.parametrize("moment", ["2016-12-31T23:59:60", "2016-12-31 23:59:60Z"])
def test_a_leap_second_is_told_as_one(folder, moment: str) -> None:
    path = folder.write("t.csv", f"time_utc,optical_depth\n{moment},0.5\n")
    assert told(optical_depth_table, path) == [
        f't.csv line 2: time_utc is "{moment}"; allowed: seconds 00 to 59; '
        "a moment within a leap second cannot be named"
    ]
