"""Published series as plain text: separators, titles, sols, missing values, and what is refused."""

from __future__ import annotations

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
