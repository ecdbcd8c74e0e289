"""`yieldsim budget`: what is wrong is told all at once, before the run; altered and foreign results are refused."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
import xarray as xr
from command_line import run

import yieldsim
from tests.cli.budget.conftest import FILES
from yieldsim.base.errors import InputError
from yieldsim.cli.main import main
from yieldsim.files.inputs.readers import read_collector
from yieldsim.runs.budget.run import budget as budget_run


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["budget", "nowhere", "-l", "sites/habitat.load.toml"], ["nowhere"]),
        (["budget", "e", "-l", "sites/lantern-ridge.toml"], ["looks like a site file; allowed: a load file here"]),
        (["budget", "e", "-l", "sites/habitat.load.toml", "--units", "0"], ["units is 0; allowed: a whole number, 1 to 10000000"]),
        (["budget", "e", "-l", "sites/habitat.load.toml", "--reliability", "99"],
         ["reliability is 99.0; allowed: more than 0, at most 1 (a share of 1, not per cent: 0.99)"]),
        (
            ["budget", "e", "-l", "sites/habitat.load.toml", "--uncertain", "doubts.toml"],
            ["uncertain is given alone; allowed: it beside site and collector"],
        ),
        (
            ["budget", "e", "-l", "sites/habitat.load.toml", "--site", "sites/lantern-ridge.toml", "-c",
             "sites/narrow.collector.toml"],
            ["mounts differ from those of the estimate"],
        ),
        (
            ["budget", "nowhere", "-l", "bad.load.toml", "--units", "-3"],
            ["nowhere", "power_w is -1", "kind is", "units is -3"],
        ),
    ],
)  # fmt: skip
def test_wrong_input_is_refused_all_at_once(
    folder: Path,
    words: list[str],
    expected: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (folder / "bad.load.toml").write_text('[[loads]]\nname = "a"\nkind = "warmth"\npower_w = -1\n')
    monkeypatch.chdir(folder)
    with pytest.raises(SystemExit) as left:
        main([*words, "--out", "never"])
    printed = capsys.readouterr()
    assert left.value.code == 2
    assert printed.out == ""
    for line in expected:
        assert line in printed.err, printed.err
    assert "Traceback" not in printed.err
    assert not (folder / "never").exists()


def test_an_uncertain_input_that_is_not_there(folder: Path) -> None:
    (folder / "air.toml").write_text(
        '[[uncertain]]\nwhat = "optical_depth"\ndistribution = "normal"\nmean = 1.0\nsd = 0.1\n'
    )
    found = run("budget", "e", "-l", "sites/habitat.load.toml", *FILES, "--uncertain", "air.toml", cwd=folder)
    assert found.returncode == 2
    assert (
        "air.toml: [[uncertain]] optical_depth can't be drawn (Lantern Ridge has no [atmosphere])"
        in found.stderr
    )


def test_a_series_that_ends_too_soon_cannot_be_computed(folder: Path) -> None:
    (folder / "short.csv").write_text("time_utc,power_w\n2027-04-20,5\n2027-04-21,6\n")
    (folder / "short.load.toml").write_text('[[loads]]\nname = "a"\nkind = "heat"\ntable = "short.csv"\n')
    found = run("budget", "e", "-l", "short.load.toml", "--out", "never", cwd=folder)
    assert found.returncode == 1
    assert "covers 2027-04-20T00:00 to 2027-04-22T00:00" in found.stderr
    assert not (folder / "never").exists()


def test_rows_of_a_day_are_too_long(folder: Path) -> None:
    sites = folder / "sites"
    collector = sites / "wide.collector.toml"
    daily = yieldsim.estimate(
        sites / "lantern-ridge.toml", collector, "2027-01-01", "2027-01-05", interval_minutes=1440
    )
    with pytest.raises(InputError, match=r"has rows of 24 h; allowed: rows of at most 6 h"):
        budget_run(daily, sites / "habitat.load.toml")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"estimate": None}, "estimate is None"),
        ({"load": None}, "load is None"),
        ({"estimate": xr.Dataset()}, "estimate: is not a result of yieldsim estimate"),
        ({"units": 2.5}, r"units is 2\.5; allowed: a whole number"),
        ({"units": True}, "units is True"),
        ({"reliability": "most"}, "reliability is 'most'"),
        ({"reliability": math.nan}, "reliability is nan"),
    ],
)
def test_wrong_arguments_from_python(folder: Path, done, options: dict[str, object], told: str) -> None:
    given = {"estimate": folder / "e", "load": folder / "sites" / "habitat.load.toml"} | options
    with pytest.raises(InputError, match=told):
        budget_run(given.pop("estimate"), given.pop("load"), **given)


def test_years_made_of_a_part_of_one_say_so(budget: dict[str, object]) -> None:
    told = [line for line in budget["warnings"] if "seasons" in line]  # type: ignore[union-attr]
    assert [line.split(":")[0] for line in told] == [
        "the span is not whole seasons",
        "what is repeated covers 16% of a year of Moon",
    ]
    assert told[1].endswith("the other seasons are missing from every year of [life]")


def test_a_budget_is_no_estimate(folder: Path, done) -> None:
    found = run("budget", "b/budget.nc", "-l", "sites/habitat.load.toml", "--out", "never", cwd=folder)
    assert found.returncode == 2
    assert (
        'budget.nc: is not a result of yieldsim estimate (it is one of "yieldsim budget 1")' in found.stderr
    )


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            lambda ds: ds.assign(delivered_power_w=ds.delivered_power_w.where(ds.time > ds.time[3])),
            "delivered_power_w holds",
        ),
        (
            lambda ds: ds.assign(shield_power_w=ds.shield_power_w - 5.0),
            "shield_power_w holds what is no number or out",
        ),
        (lambda ds: ds.drop_vars("clean_fraction"), "clean_fraction is missing"),
        (lambda ds: ds.assign_attrs(summary="{"), "is not a result of yieldsim estimate"),
        (
            lambda ds: ds.drop_attrs(deep=False).assign_attrs(summary=ds.attrs["summary"]),
            "interval_s is missing",
        ),
    ],
)
def test_an_estimate_that_was_altered_is_told(folder: Path, done, tmp_path: Path, change, told: str) -> None:
    with xr.open_dataset(folder / "e" / "estimate.nc") as ds:
        change(ds.load()).to_netcdf(tmp_path / "altered.nc")
    with pytest.raises(InputError, match=rf"altered\.nc: {told}"):
        budget_run(tmp_path / "altered.nc", folder / "sites" / "habitat.load.toml")


def test_a_file_in_the_place_of_the_folder_is_told_before_the_run(
    folder: Path, done, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    monkeypatch.setattr("yieldsim.runs.budget.run.budget", lambda *_, **__: pytest.fail("it ran"))
    with pytest.raises(SystemExit) as left:
        main(["budget", "e", "-l", "sites/habitat.load.toml", "--out", "doubts.toml"])
    assert left.value.code == 2
    assert "doubts.toml: is a file, not a folder for results" in capsys.readouterr().err


def test_a_collector_turned_about_its_normal_is_another(folder: Path, done) -> None:
    own = read_collector(folder / "sites" / "wide.collector.toml").noun
    turned = replace(own, mounts=tuple(replace(mount, roll_deg=30.0) for mount in own.mounts))
    with pytest.raises(InputError, match="mounts differ from those of the estimate"):
        budget_run(folder / "e", folder / "sites" / "habitat.load.toml", collector=turned)


def test_the_verb_is_public() -> None:
    assert yieldsim.budget is budget_run
