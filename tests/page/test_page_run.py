"""The page without a browser: sizes, refusals, one file written whole, what an estimate keeps for it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
import xarray as xr
from click.testing import CliRunner

import yieldsim
from tests.page.conftest import SITES, facing_map, ridge_collector, trough
from yieldsim.cli.main import commands
from yieldsim.runs.estimate.output import write_estimate
from yieldsim.runs.page.optics import optics_tables

YEAR_BYTES, MARTIAN_YEAR_BYTES = 1_500_000, 3_000_000


@pytest.fixture(scope="module")
def saved(ridge: xr.Dataset, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("saved")
    write_estimate(ridge, folder, report=False, page=True)
    return folder


def test_a_martian_year_with_its_budget_is_small() -> None:
    ds = yieldsim.estimate(SITES / "rust-plain.toml", SITES / "sol-fan.collector.toml")
    page = yieldsim.page(ds, load=SITES / "sol-house.load.toml")
    assert len(page.html.encode()) < MARTIAN_YEAR_BYTES / 3


def test_a_year_is_small() -> None:
    ds = yieldsim.estimate(SITES / "lantern-ridge.toml", SITES / "wide.collector.toml")
    assert len(yieldsim.page(ds).html.encode()) < YEAR_BYTES / 4


def test_estimate_writes_the_page_that_the_command_writes(saved: Path, tmp_path: Path) -> None:
    target = tmp_path / "again.html"
    done = CliRunner().invoke(commands, ["page", str(saved), "--out", str(target)])
    assert done.exit_code == 0, done.output
    assert "open it in a browser" in done.output
    assert target.read_bytes() == (saved / "page.html").read_bytes()
    told = json.loads(
        CliRunner().invoke(commands, ["page", str(saved), "--out", str(target), "--json"]).stdout
    )
    assert told["bytes"] == target.stat().st_size


def test_an_estimate_of_an_earlier_version_is_refused(ridge: xr.Dataset) -> None:
    summary = {key: value for key, value in ridge.yieldsim.summary.items() if key != "chain"}
    old = ridge.assign_attrs(summary=json.dumps(summary))
    with pytest.raises(yieldsim.InputError, match="run the estimate again"):
        yieldsim.page(old)


def test_all_that_is_wrong_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(yieldsim.InputError) as refused:
        yieldsim.page(tmp_path / "none", load=tmp_path / "none.load.toml", orient=tmp_path / "no-facing")
    words = str(refused.value)
    assert all(name in words for name in ("none", "none.load.toml", "facing.nc"))


def test_the_map_of_another_site_is_refused(ridge: xr.Dataset) -> None:
    facing = facing_map(ridge)
    assert '"bound_kwh":400.0' in yieldsim.page(ridge, orient=facing).html
    summary = json.loads(facing.attrs["summary"])
    facing.attrs["summary"] = json.dumps(summary | {"site": summary["site"] | {"name": "Ember Rim"}})
    with pytest.raises(yieldsim.InputError, match="site name is 'Ember Rim'"):
        yieldsim.page(ridge, orient=facing)
    with pytest.raises(yieldsim.InputError, match="is not a result of yieldsim orient"):
        yieldsim.page(ridge, orient=ridge)


@pytest.mark.parametrize("name", ["page.txt", "", "folder"])
def test_names_that_no_page_can_have(ridge: xr.Dataset, tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(yieldsim.InputError, match="--out"):
        yieldsim.page(ridge).save(tmp_path / name)


def test_the_same_estimate_gives_the_same_bytes(ridge: xr.Dataset) -> None:
    assert yieldsim.page(ridge).html == yieldsim.page(ridge).html


def test_a_page_of_colour_computes_with_the_energys_acceptance() -> None:
    """Optics with colour keep the table that energies are computed with, and the page's total is the estimate's."""
    from yieldsim.base.model import AcceptanceBands
    from yieldsim.energy.spectral_transmittance import energy_acceptance
    from yieldsim.runs.page.payload import acceptance_of

    own = ridge_collector()
    table = own.acceptance_table
    assert isinstance(table, yieldsim.RoundAcceptance)
    bands = AcceptanceBands(
        wavelength_nm=[[300.0, 700.0], [700.0, 2500.0]],
        acceptance_fraction=[table.acceptance_fraction, 0.6 * table.acceptance_fraction],
    )
    # the mean over the bands, for a table's two statements must agree
    mean = 0.78 * table.acceptance_fraction
    coloured = replace(own, acceptance=replace(table, acceptance_fraction=mean, bands=bands))
    ds = yieldsim.estimate(SITES / "lantern-ridge.toml", coloured, "2027-01-01", "2027-01-05")
    found = acceptance_of(ds, ds.yieldsim.summary["chain"])
    wanted = energy_acceptance(coloured)
    assert found.acceptance_fraction == pytest.approx(wanted.acceptance_fraction, rel=1e-12)


def test_a_wide_grid_stays_within_its_room() -> None:
    import numpy as np

    table = trough()
    wide = replace(
        table, transverse_deg=np.linspace(-80, 80, 81), longitudinal_deg=np.linspace(-80, 80, 81),
        acceptance_fraction=np.full((81, 81), 0.5),
    )  # fmt: skip
    words, arrays = optics_tables(wide, np.linspace(0.16, 0.19, 50))
    assert arrays["acceptance"].size < 500_000
    assert words["round"] is False
