"""Everything wrong with a command's words, span and files comes in one message, whatever is found first."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click
import pytest

from yieldsim.base.errors import InputError
from yieldsim.cli.main import commands
from yieldsim.files.output.facing_file import read_facing
from yieldsim.files.starter import write_starter

SITE = "bad.toml line 7: latitude_deg is 200"
COLLECTOR = "none.toml: does not exist"
START = 'start "soon" is not a time'
NO_FOLDER = "bad.toml: is a file, not a folder for results"
SPAN = ("--start", "soon")
BOTH = ("bad.toml", "-c", "none.toml")


@pytest.fixture
def place(tmp_path: Path) -> Path:
    write_starter(tmp_path, optics=True)
    site = (tmp_path / "lantern-ridge.toml").read_text()
    lines = [
        line if not line.startswith("latitude_deg") else "latitude_deg = 200" for line in site.split("\n")
    ]
    assert lines[6] == "latitude_deg = 200"
    (tmp_path / "bad.toml").write_text("\n".join(lines))
    return tmp_path


CASES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "ranges of an estimate and its files": (
        (
            "estimate",
            *BOTH,
            *SPAN,
            "--tolerance",
            "9",
            "--interval-minutes",
            "-5",
            "--tracker-stop-hours",
            "-4",
        ),
        (SITE, COLLECTOR, START, "tolerance is 9", "interval_minutes is -5", "tracker_stop_hours is -4"),
    ),
    "words of an estimate and its files": (
        ("estimate", *BOTH, *SPAN, "--tolerance", "x", "--interval-minutes", "y", "--out", "bad.toml"),
        (SITE, COLLECTOR, START, NO_FOLDER, "'x' is not a valid float", "'y' is not a valid float"),
    ),
    "an unknown option, one missing and one wrong": (
        ("estimate", "bad.toml", "--foo", "3", "--tolerance", "x"),
        ("--foo", "Missing option '-c'", "'x' is not a valid float"),
    ),
    "words too many": (
        ("report", "none.nc", "more", "--out", "bad.toml"),
        ("unexpected extra argument (more)", NO_FOLDER, "none.nc: is not there"),
    ),
    "a name too long and a file": (
        ("estimate", "bad.toml", "-c", "n" * 300),
        (SITE, "--collector holds the name"),
    ),
    "questions about facings": (
        ("orient", *BOTH, *SPAN, "--units", "0", "--step-deg", "-1", "--load", "lode.toml"),
        (SITE, COLLECTOR, START, "units is 0", "step_deg is -1", "lode.toml: does not exist"),
    ),
    "facings that are none": (
        ("orient", *BOTH, "--compare", "x,1", "--compare", "88,180", "--compare", "1,2,3,4"),
        (SITE, COLLECTOR, '"x,1" is not a facing', '"1,2,3,4" is not a facing'),
    ),
    "names of sites that are none": (
        ("rank", "bad.toml", "n" * 300, "o" * 300, "-c", "none.toml"),
        (SITE, COLLECTOR, "SITE holds the name nnn", "SITE holds the name ooo"),
    ),
    "an order of sites": (
        ("rank", "bad.toml", "else.toml", "-c", "none.toml", *SPAN, "--goal", "best"),
        (SITE, COLLECTOR, START, "else.toml: does not exist", 'goal is "best"'),
    ),
    "a budget": (
        ("budget", "gone", "-l", "lode.toml", "--site", "bad.toml", "-c", "none.toml", "--units", "x"),
        (SITE, COLLECTOR, "gone: is not there", "lode.toml: does not exist", "'x' is not a valid integer"),
    ),
    "numbers of a budget": (
        ("budget", "gone", "-l", "lode.toml", "--units", "0", "--reliability", "7"),
        ("gone: is not there", "lode.toml: does not exist", "units is 0", "reliability is 7"),
    ),
    "a trace": (("trace", "none.toml", "--tolerance", "9"), (COLLECTOR, "tolerance is 9")),
    "a tuning": (
        ("tune", "half-metre-lens.optics.toml", "-s", "bad.toml", "-v", "foo", "--points", "0", *SPAN),
        (SITE, START, "points is 0", '--vary: is "foo"'),
    ),
}
GROUND: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "a skyline": (
        ("horizon", "bad.toml", "-t", "none.tif", "--reach-km", "-4", "--mast-height-m", "-3", *SPAN),
        (SITE, START, "none.tif: does not exist", "reach_km is -4", "mast_height_m is -3"),
    ),
    "maps": (
        ("survey", "none.tif", "-b", "moonn", "-c", "none.toml", *SPAN, "--stride", "0"),
        (COLLECTOR, START, "none.tif: does not exist", "body is 'moonn'", "stride is 0"),
    ),
    "words of maps": (
        ("survey", "none.tif", "-b", "moon", "-c", "none.toml", *SPAN, "--stride", "x", "--goal", "y"),
        (COLLECTOR, START, "none.tif: does not exist", "'x' is not a valid integer", "'y' is not one of"),
    ),
}


def told(words: tuple[str, ...], folder: Path) -> str:
    with contextlib.chdir(folder), pytest.raises((click.UsageError, InputError)) as refused:
        commands.main(list(words), prog_name="yieldsim", standalone_mode=False)
    error = refused.value
    return error.format_message() if isinstance(error, click.UsageError) else str(error)


@pytest.mark.parametrize("case", CASES)
def test_one_round(place: Path, case: str) -> None:
    _all_told(place, *CASES[case])


@pytest.mark.parametrize("case", GROUND)
def test_one_round_on_the_ground(place: Path, case: str) -> None:
    pytest.importorskip("rasterio")
    _all_told(place, *GROUND[case])


def _all_told(place: Path, words: tuple[str, ...], expected: tuple[str, ...]) -> None:
    lines = told(words, place).split("\n")
    for part in expected:
        assert sum(part in line for line in lines) == 1, (part, lines)
    assert len(lines) == len(expected), lines
    assert not (place / "reports").exists()


def test_long_runs_are_not_begun_for_a_folder_that_is_a_file(place: Path) -> None:
    words = ("orient", "lantern-ridge.toml", "-c", "narrow.collector.toml", "--out", "bad.toml")
    assert told(words, place) == NO_FOLDER


@pytest.mark.parametrize(
    "words",
    [
        ("rank", "lantern-ridge.toml", "-c", "narrow.collector.toml"),
        ("survey", "dem.tif", "--body", "moon"),
        ("design", "lantern-ridge.design.toml"),
        ("growth", "lantern-growth.design.toml"),
    ],
)
def test_no_address_of_a_scheduler_is_wrong_input(place: Path, words: tuple[str, ...]) -> None:
    line = told((*words, "--scheduler", "foo"), place)
    assert "scheduler is 'foo'; allowed: an address such as tcp://host:8786 (it has no port)" in line


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (("report", "lantern-ridge.toml"), "name an estimate.nc or the folder that holds it"),
        (("page", "lantern-ridge.toml"), "name an estimate.nc or the folder that holds it"),
        (("budget", "lantern-ridge.toml", "-l", "habitat.load.toml"), "name an estimate.nc or the folder"),
    ],
)
def test_another_file_is_no_damaged_estimate(place: Path, words: tuple[str, ...], hint: str) -> None:
    line = told(words, place)
    assert line.startswith("lantern-ridge.toml: cannot be read as NetCDF: ")
    assert hint in line
    assert "altered" not in line
    assert line.count("lantern-ridge.toml") == 1


def test_another_file_is_no_damaged_map(place: Path) -> None:
    with contextlib.chdir(place), pytest.raises(InputError) as refused:
        read_facing("lantern-ridge.toml")
    assert "name a facing.nc, or the folder that yieldsim orient wrote" in str(refused.value)


def test_help_comes_before_all_that_is_wrong(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    commands.main(["estimate", "--tolerance", "x", "--help"], prog_name="yieldsim", standalone_mode=False)
    assert "Light that COLLECTOR delivers" in capsys.readouterr().out
