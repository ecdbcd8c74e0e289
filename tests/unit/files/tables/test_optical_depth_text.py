"""Published series as plain text: separators, titles, sols, missing values, and what is refused."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from click.testing import CliRunner

from yieldsim.base.errors import InputError
from yieldsim.cli.commands.inputs import optical_depth
from yieldsim.files.tables.lookup_tables import dated_optical_depth
from yieldsim.files.tables.optical_depth_text import Columns, Series, read_series, series_text
from yieldsim.files.toml.context import Reading

SOL_H = 24.6597897


def series(tmp_path: Path, text: str, **columns) -> Series:
    path = tmp_path / "series.txt"
    path.write_text(text, encoding="utf-8")
    return read_series(Reading(path), Columns(**columns))


@pytest.mark.parametrize("between", [" ", ",", ";", "\t", " , "])
def test_separators_titles_and_missing_values(tmp_path: Path, between: str) -> None:
    lines = [
        "# a comment",
        between.join(["time", "Ls", "tau"]),
        between.join(["2008-05-26", "76.3", "0.51"]),
        between.join(["2008-05-27T12:00:00", "76.8", "-9.99"]),
        between.join(["2008-05-28T06:30:00", "77.2", "0.55"]),
        between.join(["2008-05-28T06:30:00", "77.2", "0.57"]),
        between.join(["2008-05-29", "77.7", "nan"]),
    ]
    if between == ",":
        # a cell may hold blanks where something else parts the cells
        lines = [line.replace("T12:00:00", " 12:00:00") for line in lines]
    found = series(tmp_path, "\n".join(lines), time=1, depth=3)
    assert [moment for moment, _ in found.rows] == ["2008-05-26T00:00:00", "2008-05-28T06:30:00"]
    assert [depth for _, depth in found.rows] == pytest.approx([0.51, 0.56])
    assert (found.titles, found.absent) == (1, 2)


def test_sols_count_from_the_midnight_that_is_told(tmp_path: Path) -> None:
    """A whole number is that sol's noon, a broken one its moment."""
    found = series(
        tmp_path,
        "10 0.5\n0 0.4\n10.25 0.6\n",
        time=1,
        depth=2,
        sol_zero_utc="2012-08-05T00:00:00Z",
        sol_hours=24.0,
    )
    assert [moment for moment, _ in found.rows] == [
        "2012-08-05T12:00:00",
        "2012-08-15T06:00:00",
        "2012-08-15T12:00:00",
    ]


def test_the_table_is_read_as_a_series(tmp_path: Path) -> None:
    found = series(tmp_path, "1 0.5\n2 0.6\n", time=1, depth=2, sol_zero_utc="2012-08-05", sol_hours=SOL_H)
    table = tmp_path / "table.csv"
    table.write_text(series_text(found, ["from here"]), encoding="utf-8")
    read = dated_optical_depth(Reading(table))
    assert read.optical_depth.tolist() == [0.5, 0.6]
    assert read.x[1] - read.x[0] == pytest.approx(SOL_H * 3600.0, abs=1.0)


PANCAM = """\
MER-2 PANCAM OPACITY, FILTER L8
TAU0 0.94, F0 1.0
PARAMETERS, 1, 2, -3, 4, 5, 6, 7
 IMAGE                      ,  LS   ,  R   ,  SOL   , AIRM, FLUX , TAU  , ERR
"2P126471340EFF0200P2600L8C1",-32.080,1.4776,  2.5418, 1.20,  8.91, 0.941, 0.030
"2P126560000EFF0200P2600L8C1",-31.520,1.4790,  3.5731, 1.31,  8.77, 0.927, 0.030
"2P126649999 EFF200P2600L8C1",-30.960,1.4803,  4.6044, 1.31,  0.00, 0.000, 0.000
"2P126740000EFF0200P2600L8C1",-30.400,1.4816,  5.6357, 1.31,  8.77,-9.999, 0.030
"""
MASTCAM = """\
0001ML0000001000100001E01, 1.6103, 151.21, 0.701, 0.031
0003ML0000003000100003E01, 3.5500, 152.25, 0.688, 0.031
"""
VIKING = """\
 VL1  1 A    6  6.8  0.12  0.49  0.05 1  99.4
 VL2  2 P    6  6.8  0.12  0.31  0.05 1 120.5
 VL1  3 P    9 17.1  0.12  0.52  0.05 1 100.8
"""
"""Made up in the layouts that the module's head describes: no measured number is in them."""


def test_the_layout_of_the_rovers_cameras(tmp_path: Path) -> None:
    """Titles and parameters with numbers in the columns asked for, quoted names, seasons below 0, values that were not measured."""
    zero = "2004-01-03T13:46"
    found = series(tmp_path, PANCAM, time=4, depth=7, sol_zero_utc=zero)
    assert [depth for _, depth in found.rows] == [0.941, 0.927]
    assert (found.titles, found.absent) == (4, 2)
    first = dt.datetime.fromisoformat(found.rows[0][0]) - dt.datetime.fromisoformat(zero)
    assert first.total_seconds() == pytest.approx(2.5418 * SOL_H * 3600.0, abs=1.0)
    # parameters that look like a measurement are passed over by their number of lines
    misleading = "A, 0, 0, 1.0, 0, 0, 5.0\n" + PANCAM
    again = series(tmp_path, misleading, time=4, depth=7, sol_zero_utc=zero, skip=5)
    assert (again.rows, again.titles) == (found.rows, 0)
    with pytest.raises(InputError, match="line 3"):
        series(tmp_path, misleading, time=4, depth=7, sol_zero_utc=zero)


def test_the_layout_of_curiositys_camera(tmp_path: Path) -> None:
    found = series(tmp_path, MASTCAM, time=2, depth=4, sol_zero_utc="2012-08-05T13:16")
    # by hand: 1.6103 and 3.55 times 24.6597897 h are 39:42:34.8 and 87:32:32.1
    assert found.rows == (("2012-08-07T04:58:34", 0.701), ("2012-08-09T04:48:32", 0.688))
    assert found.titles == 0


def test_one_place_of_a_file_of_two(tmp_path: Path) -> None:
    found = series(tmp_path, VIKING, time=4, depth=7, sol_zero_utc="1976-07-19T19:41", only=(1, "VL1"))
    assert [depth for _, depth in found.rows] == [0.49, 0.52]
    assert found.elsewhere == 1
    with pytest.raises(InputError, match="holds 0 measurements"):
        series(tmp_path, VIKING, time=4, depth=7, sol_zero_utc="1976-07-19T19:41", only=(1, "VL3"))


@pytest.mark.parametrize("only", ["VL1", "=VL1", "1=", "one=VL1", "0=VL1"])
def test_what_lines_to_keep_is_a_column_and_a_text(tmp_path: Path, only: str) -> None:
    (tmp_path / "vl.dat").write_text(VIKING, encoding="utf-8")
    words = [
        "--out",
        str(tmp_path / "t.csv"),
        "--time-column",
        "4",
        "--depth-column",
        "7",
        "--sol-zero",
        "1976-07-19",
    ]
    run = CliRunner().invoke(optical_depth, [str(tmp_path / "vl.dat"), *words, "--only", only])
    assert isinstance(run.exception, InputError)
    assert "only" in str(run.exception)


@pytest.mark.parametrize(
    ("text", "columns", "words"),
    [
        (
            "1 0.5\n2 x\n3 0.6\n",
            {"time": 1, "depth": 2, "sol_zero_utc": "2012-08-05"},
            "line 2: column 2 holds no number",
        ),
        ("1 0.5\n2 0.6\n", {"time": 1, "depth": 2}, "needs --sol-zero"),
        ("1 0.5\n-2 0.6\n", {"time": 1, "depth": 2, "sol_zero_utc": "2012-08-05"}, "a sol, 0 to 100000"),
        ("1 0.5\n", {"time": 1, "depth": 2, "sol_zero_utc": "2012-08-05"}, "holds 1 measurements"),
        ("1 0.5\n", {"time": 0, "depth": 2}, "1 to 1000"),
        ("1 0.5\n", {"time": 2, "depth": 2}, "another column"),
        ("1 0.5\n", {"time": 1, "depth": 2, "sol_zero_utc": "yesterday"}, "sol_zero"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, text: str, columns: dict, words: str) -> None:
    with pytest.raises(InputError) as told:
        series(tmp_path, text, **columns)
    assert words in str(told.value)


def test_the_command_writes_the_table(tmp_path: Path) -> None:
    (tmp_path / "msl.txt").write_text("sol tau\n1 0.61\n3 -9.99\n5 0.66\n", encoding="utf-8")
    out = tmp_path / "table.csv"
    run = CliRunner().invoke(
        optical_depth,
        [
            str(tmp_path / "msl.txt"),
            "--out",
            str(out),
            "--time-column",
            "1",
            "--depth-column",
            "2",
            "--sol-zero",
            "2012-08-05",
        ],
    )
    assert run.exit_code == 0, run.output
    assert "2 measurements, 2012-08-06 to 2012-08-10, optical depth 0.61 to 0.66" in run.output
    lines = out.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# from msl.txt, SHA-256 ")
    assert lines[1] == "time_utc,optical_depth"
    assert len(lines) == 4
