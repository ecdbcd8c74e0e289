"""Pages of real estimates in a real browser: made once, opened without a network; skipped with a reason where no browser is."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import yieldsim
from yieldsim.base.model import Acceptance, AcceptanceBands
from yieldsim.base.solar_spectrum import band_weights

ROOT = Path(__file__).resolve().parents[2]
SITES = ROOT / "sites"
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


@dataclass
class Opened:
    """A page in the browser and everything that it asked for or complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def state(self, expression: str) -> Any:
        """The value of an expression over the page's store and model."""
        return self.page.evaluate(f"() => {{ const {{store, model}} = yieldsimPage; return {expression}; }}")


def ridge_collector(**changes: Any) -> yieldsim.Collector:
    return replace(yieldsim.read_collector(SITES / "wide.collector.toml"), **changes)


@pytest.fixture(scope="session")
def ridge() -> xr.Dataset:
    """Three mounts of wide funnels at the polar ridge through spring, its darkest time."""
    own = ridge_collector()
    chosen = ridge_collector(mounts=(own.mounts[0], own.mounts[3], own.mounts[6]))
    return yieldsim.estimate(SITES / "lantern-ridge.toml", chosen, "2027-03-20", "2027-05-20")


@pytest.fixture(scope="session")
def plan() -> yieldsim.LoadPlan:
    return yieldsim.read_load(SITES / "habitat.load.toml")


def facing_map(ds: xr.Dataset) -> xr.Dataset:
    """A map of orientations as `orient` returns it, of an estimate's site and collector: best near the horizon to the north."""
    tilt, azimuth = np.arange(0.0, 181.0, 5.0), np.arange(0.0, 360.0, 5.0)
    height = np.exp(-(((tilt - 88.0) / 20.0) ** 2))[:, None]
    kwh = 380.0 * height * (0.8 + 0.2 * np.cos(np.radians(azimuth)))
    told = ds.yieldsim.summary
    best = {
        "goal": "annual",
        "words": "most energy in a year",
        "tilt_deg": 88.0,
        "azimuth_deg": 0.0,
        "roll_deg": 0.0,
    }
    summary = {
        "schema": "yieldsim orient 1",
        "site": told["site"],
        "collector": told["collector"],
        "best": [best | {"annual_kwh": 380.0, "annual_upper_bound_kwh": 400.0}],
        "warnings": [],
    }
    return xr.Dataset(
        {"annual_kwh": (("tilt", "azimuth"), kwh)},
        {"tilt": tilt, "azimuth": azimuth},
        {"summary": json.dumps(summary)},
    )


def reddening(table: Acceptance) -> Acceptance:
    """The table in two bands, of which the bluer falls off to a tenth of the other along its first angle."""
    share = np.linspace(0.9, 0.1, len(table.acceptance_fraction))
    blue = table.acceptance_fraction * (share if table.acceptance_fraction.ndim == 1 else share[:, None])
    bands = AcceptanceBands(
        wavelength_nm=[[400.0, 600.0], [600.0, 1100.0]], acceptance_fraction=[blue, table.acceptance_fraction]
    )
    weights = [float(band_weights(ends)[0]) for ends in bands.wavelength_nm]
    whole = np.tensordot(weights, bands.acceptance_fraction, axes=1)
    return replace(table, acceptance_fraction=whole, bands=bands)


def trough() -> yieldsim.BiaxialAcceptance:
    """A linear lens: narrow across its grooves, wide along them."""
    transverse, longitudinal = np.linspace(0.0, 8.0, 17), np.linspace(0.0, 40.0, 21)
    across = np.clip((8.0 - transverse) / 3.0, 0.0, 1.0)
    along = np.clip((40.0 - longitudinal) / 15.0, 0.0, 1.0)
    return yieldsim.BiaxialAcceptance(
        transverse_deg=transverse,
        longitudinal_deg=longitudinal,
        acceptance_fraction=0.8 * across[:, None] * along[None, :],
        source="point",
    )


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed (the extra test)"
    )
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("no Chromium on this machine (Debian: apt-get install chromium)")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=found, args=["--no-sandbox"] if os.geteuid() == 0 else []
        )
        yield started
        started.close()


@pytest.fixture(scope="session")
def opening(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Opened]]:
    """Opens a page from a file, offline."""
    contexts = []

    def opened(html: str, **how: Any) -> Opened:
        path = tmp_path_factory.mktemp("page") / "page.html"
        path.write_text(html, encoding="utf-8")
        context = browser.new_context(
            **{"viewport": {"width": 1280, "height": 900}, "accept_downloads": True, **how}
        )
        context.set_offline(True)
        contexts.append(context)
        seen = Opened(context.new_page())
        seen.page.on("request", lambda request: seen.requests.append(request.url))
        seen.page.on(
            "console",
            lambda line: seen.complaints.append(line.text) if line.type in ("error", "warning") else None,
        )
        seen.page.on("pageerror", lambda error: seen.complaints.append(str(error)))
        seen.page.goto(path.as_uri())
        seen.page.wait_for_function("document.documentElement.dataset.ready === 'yes'", timeout=20_000)
        return seen

    yield opened
    for context in contexts:
        context.close()


@pytest.fixture(scope="module")
def ridge_page(opening: Callable[..., Opened], ridge: xr.Dataset, plan: yieldsim.LoadPlan) -> Opened:
    return opening(yieldsim.page(ridge, load=plan).html)


@pytest.fixture
def fresh(ridge_page: Opened) -> Opened:
    """The ridge's page as the file has it."""
    ridge_page.page.evaluate(
        "() => { const { store } = yieldsimPage; if (store.changed) document.getElementById('reset').click(); }"
    )
    return ridge_page


def mounts_kwh(ds: xr.Dataset) -> np.ndarray:
    return ds["mount_delivered_power_w"].values.sum(axis=0) * ds.attrs["interval_s"] / 3.6e6


def turned(
    ds: xr.Dataset, site: str, collector: yieldsim.Collector, mounts: list[yieldsim.Mount]
) -> np.ndarray:
    """kWh of mounts by an estimate of their own, over the same run."""
    ends = (str(ds["time_bnds"].values[0, 0])[:19], str(ds["time_bnds"].values[-1, 1])[:19])
    made = yieldsim.estimate(SITES / site, replace(collector, mounts=tuple(mounts)), *ends, tolerance=1e-4)
    return mounts_kwh(made)
