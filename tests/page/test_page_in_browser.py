"""The live page in a real browser, held to what Python computes: totals, turns, sliders, rows, names, rules of accessibility."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import yieldsim
from tests.page.conftest import SITES, Opened, facing_map, reddening, ridge_collector, trough, turned

TURN = 3e-3
"""What the page promises of a turned mount, relative to an estimate in that orientation."""
UNCHANGED = 1e-3
"""And of its own sum of the file's mounts."""


# ---------------------------------------------------------------- alone, quiet, small


def test_one_request_offline_and_no_complaint(ridge_page: Opened) -> None:
    assert [url.partition(":")[0] for url in ridge_page.requests if not url.startswith("data:")] == ["file"]
    assert ridge_page.complaints == []


def test_the_policy_forbids_the_network(ridge_page: Opened) -> None:
    """A request that the page's own script would make is refused by its policy, offline or not."""
    words = ridge_page.page.evaluate("() => fetch('https://example.org/').then(() => 'went', (e) => e.name)")
    assert words == "TypeError"
    assert any("Content Security Policy" in line for line in ridge_page.complaints)
    ridge_page.complaints.clear()
    content = ridge_page.page.get_attribute("meta[http-equiv]", "content")
    assert content.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in content


def test_nothing_is_stored(ridge_page: Opened) -> None:
    assert (
        ridge_page.page.evaluate("() => localStorage.length + sessionStorage.length + document.cookie.length")
        == 0
    )


# ---------------------------------------------------------------- the unchanged state


def test_unchanged_totals_are_the_files(fresh: Opened, ridge: xr.Dataset) -> None:
    told = ridge.yieldsim.summary
    assert float(fresh.page.get_attribute("#delivered", "data-kwh")) == pytest.approx(
        told["delivered_kwh"], rel=1e-12
    )
    own = float(fresh.page.get_attribute("#check", "data-kwh"))
    assert own == pytest.approx(told["delivered_kwh"], rel=UNCHANGED)
    assert "from the file's" in fresh.page.inner_text("#check")
    assert fresh.page.is_hidden("#preview")


def test_the_pages_own_ledger_and_outages_are_the_files(fresh: Opened, ridge: xr.Dataset) -> None:
    told = ridge.yieldsim.summary
    ledger = fresh.state("model.unchanged.ledgerKwh")
    assert ledger == pytest.approx([row["kwh"] for row in told["ledger"]], rel=UNCHANGED)
    longest = fresh.state("model.unchanged.gaps[0].hours")
    # the estimate tells outages to its step, the page to its own
    assert longest == pytest.approx(
        told["longest_gap_hours"], abs=0.25 + told["convergence"]["step_s"] / 3600
    )
    assert fresh.state("model.unchanged.hoursDelivering") == pytest.approx(told["hours_delivering"], rel=2e-3)


def test_a_ledger_of_coloured_optics_behind_a_darkening_lens_is_the_files(
    opening: Callable[..., Opened],
) -> None:
    """Acceptance that reddens towards its edge, a fibre that takes blue away and dose in the lens: each line by itself."""
    from yieldsim.base.radiation_model import Radiation

    collector = ridge_collector(
        acceptance=reddening(ridge_collector().acceptance_table),
        radiation=Radiation(dose_gy_per_year=1000.0, lens_loss_per_kgy=0.5),
        mounts=(
            yieldsim.Mount(tilt_deg=80.0, azimuth_deg=0.0),
            yieldsim.Mount(tilt_deg=88.0, azimuth_deg=120.0),
        ),
    )
    ds = yieldsim.estimate(SITES / "lantern-ridge.toml", collector, "2027-03-20", "2027-04-20")
    opened = opening(yieldsim.page(ds).html)
    told = [row["kwh"] for row in ds.yieldsim.summary["ledger"]]
    assert opened.state("model.unchanged.ledgerKwh") == pytest.approx(told, rel=UNCHANGED)
    assert opened.complaints == []


def test_hover_tells_the_hourly_row(fresh: Opened, ridge: xr.Dataset) -> None:
    box = fresh.page.locator("#strip").bounding_box()
    fresh.page.locator("#strip").hover(position={"x": 0.5 * box["width"], "y": 60})
    row = int(fresh.page.get_attribute("#readout", "data-row"))
    power_w = float(fresh.page.get_attribute("#readout", "data-power-w"))
    assert power_w == pytest.approx(float(ridge["delivered_power_w"].values[row]), rel=1e-6)
    words = fresh.page.inner_text("#readout")
    assert str(ridge["time"].values[row])[:16].replace("T", " ") in words
    azimuth = re.search(r"azimuth ([\d.]+)°", words)
    assert azimuth is not None
    assert float(azimuth.group(1)) == pytest.approx(float(ridge["solar_azimuth_deg"].values[row]), abs=0.006)


# ---------------------------------------------------------------- budget


@pytest.mark.parametrize(
    ("slider", "value"), [("capacityKwh", 1.25), ("units", 100), ("loadScale", 0.6), ("capacityKwh", 0.0)]
)
def test_sliders_are_the_budget_of_the_command(
    fresh: Opened, ridge: xr.Dataset, plan: yieldsim.LoadPlan, slider: str, value: float
) -> None:
    assert plan.storage is not None
    names = {
        "capacityKwh": "storage, kWh",
        "units": "units, in this mix of mounts",
        "loadScale": "loads, times the file's",
    }
    fresh.page.fill(f'[aria-label="{names[slider]}, as a number"]', str(value))
    fresh.page.keyboard.press("Tab")
    assert fresh.state(f"store.state.sliders.{slider}") == value
    units = None
    changed = plan
    if slider == "capacityKwh":
        changed = replace(plan, storage=replace(plan.storage, capacity_kwh=value))
    elif slider == "units":
        units = int(value)
    else:
        changed = replace(plan, loads=tuple(scaled_load(load, value) for load in plan.loads))
    told = json.loads(yieldsim.budget(ridge, changed, units=units).attrs["summary"])
    shown = [
        float(row.get_attribute("data-served")) for row in fresh.page.query_selector_all("#loads tbody tr")
    ]
    assert shown == pytest.approx(list(told["served_fraction"].values()), abs=1e-6)
    longest = float(fresh.page.get_attribute("#store-words", "data-longest-hours"))
    assert longest == pytest.approx(told["longest_outage_hours"], abs=1e-9)
    reached = float(fresh.page.get_attribute("#verdict", "data-reached"))
    assert reached == pytest.approx(told["verdict"]["cases"][0]["reached"], abs=1e-6)
    assert fresh.page.is_visible("#preview")


def scaled_load(load: yieldsim.Load, factor: float) -> yieldsim.Load:
    """A load that asks so many times as much; a shield's follows its own electricity."""
    if load.is_shield:
        return load
    most = None if load.most_power_w is None else load.most_power_w * factor
    amount: Any = (
        load.amount * factor
        if isinstance(load.amount, float | int)
        else replace(load.amount, amount=load.amount.amount * factor)
    )
    return replace(load, amount=amount, most_power_w=most)


def test_the_store_row_by_row_is_the_commands(
    fresh: Opened, ridge: xr.Dataset, plan: yieldsim.LoadPlan
) -> None:
    series = yieldsim.budget(ridge, plan)
    stored = np.array(fresh.state("Array.from(store.flows.stored)"))
    np.testing.assert_allclose(stored, series["stored_energy_kwh"].values, atol=1e-6)


# ---------------------------------------------------------------- what leaves the page


def test_mounts_copied_as_toml_are_a_collector_files(fresh: Opened, tmp_path: Path) -> None:
    fresh.page.focus("#sky")
    fresh.page.keyboard.press("ArrowRight")
    fresh.page.click("#copy")
    text = fresh.page.input_value("#toml")
    fresh.page.click("#toml-close")
    for name in ("wide.collector.toml", "wide.acceptance.csv", "wide.attenuation.csv"):
        (tmp_path / name).write_bytes((SITES / name).read_bytes())
    own = (tmp_path / "wide.collector.toml").read_text(encoding="utf-8")
    head, _, rest = own.partition("[[mounts]]")
    path = tmp_path / "turned.collector.toml"
    path.write_text(head + text + "\n[acceptance]" + rest.partition("\n[acceptance]")[2], encoding="utf-8")
    mounts = yieldsim.read_collector(path).mounts
    assert [(m.tilt_deg, m.azimuth_deg, m.count) for m in mounts] == [
        (88, 1, 24),
        (88, 120, 24),
        (88, 240, 24),
    ]


def test_exports(fresh: Opened, ridge: xr.Dataset) -> None:
    with fresh.page.expect_download() as waited:
        fresh.page.click("#csv")
    rows = list(csv.DictReader(io.StringIO(Path(waited.value.path()).read_text(encoding="utf-8"))))
    assert waited.value.suggested_filename == "lantern-ridge.csv"
    assert len(rows) == ridge.sizes["time"]
    power_w = [float(row["delivered_power_w"]) for row in rows]
    np.testing.assert_allclose(power_w, ridge["delivered_power_w"].values, rtol=1e-6, atol=1e-9)
    with fresh.page.expect_download() as waited:
        fresh.page.click("#png")
    assert Path(waited.value.path()).read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


# ---------------------------------------------------------------- names, everyone


HOSTILE = '</script><script>window.broken = 1</script><img src=x onerror="window.broken = 2">&amp;${1}`'


def test_hostile_names_stay_text(opening: Callable[..., Opened], plan: yieldsim.LoadPlan) -> None:
    site = replace(yieldsim.read_site(SITES / "lantern-ridge.toml"), name=HOSTILE)
    collector = ridge_collector(name=f"{HOSTILE}]]>")
    hostile_plan = replace(
        plan,
        name=HOSTILE,
        loads=tuple(replace(load, name=f"{HOSTILE}{k}") for k, load in enumerate(plan.loads)),
    )
    ds = yieldsim.estimate(site, collector, "2027-01-01", "2027-01-03")
    opened = opening(yieldsim.page(ds, load=hostile_plan).html)
    assert opened.page.evaluate("() => window.broken") is None
    assert opened.page.inner_text("#title") == f"{HOSTILE}]]> at {HOSTILE}"
    assert opened.page.title() == f"{HOSTILE}]]> at {HOSTILE}"
    assert HOSTILE in opened.page.inner_text("#loads")
    assert opened.complaints == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_rules_of_accessibility(fresh: Opened, scheme: str) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    fresh.page.emulate_media(color_scheme=scheme)
    fresh.page.focus("#sky")
    fresh.page.keyboard.press("ArrowRight")
    found = axe.Axe().run(fresh.page).response["violations"]
    fresh.page.emulate_media(color_scheme="light")
    assert [(rule["id"], [node["html"][:90] for node in rule["nodes"][:3]]) for rule in found] == []


def test_everything_is_reached_by_the_keyboard(fresh: Opened) -> None:
    """Tab comes to every control and view, and keys alone move the cursor of each view."""
    fresh.page.evaluate("() => document.body.focus()")
    seen = set()
    for _ in range(90):
        fresh.page.keyboard.press("Tab")
        seen.add(
            fresh.page.evaluate(
                "() => document.activeElement.id || document.activeElement.getAttribute('aria-label')"
            )
        )
    assert {"copy", "csv", "png", "sky", "raster", "strip", "zoom-in", "storage, kWh", "mount 1 tilt"} <= seen
    for view, key in (
        ("raster", "ArrowRight"),
        ("raster", "ArrowDown"),
        ("strip", "ArrowLeft"),
        ("strip", "PageUp"),
        ("strip", "End"),
    ):
        before = fresh.state("store.cursor")
        fresh.page.focus(f"#{view}")
        fresh.page.keyboard.press(key)
        assert fresh.state("store.cursor") != before, (view, key)


def test_small_screens_scroll_down_only(
    opening: Callable[..., Opened], ridge: xr.Dataset, plan: yieldsim.LoadPlan
) -> None:
    opened = opening(yieldsim.page(ridge, load=plan).html, viewport={"width": 360, "height": 700})
    for view in ("stretched", "equal", "dome"):
        opened.page.check(f"#view-{view}")
        assert opened.page.evaluate("() => document.documentElement.scrollWidth") <= 360


def test_roll_keys_turn_a_trough(opening: Callable[..., Opened]) -> None:
    collector = ridge_collector(acceptance=trough(), mounts=(yieldsim.Mount(tilt_deg=88.0, azimuth_deg=0.0),))
    ds = yieldsim.estimate(SITES / "lantern-ridge.toml", collector, "2027-01-01", "2027-01-06")
    opened = opening(yieldsim.page(ds).html)
    opened.page.focus("#sky")
    opened.page.keyboard.press("]")
    opened.page.keyboard.press("Shift+}")
    mount = opened.state("store.state.mounts[0]")
    assert mount["roll_deg"] == 6.0
    wanted = turned(ds, "lantern-ridge.toml", collector, [replace(collector.mounts[0], roll_deg=6.0)])[0]
    assert opened.state("store.results.deliveredKwh") == pytest.approx(wanted, rel=TURN)


def test_the_map_of_orientations_lies_under_the_sky(
    opening: Callable[..., Opened], ridge: xr.Dataset
) -> None:
    opened = opening(yieldsim.page(ridge, orient=facing_map(ridge)).html)
    words = opened.page.inner_text("#facing-words")
    assert "tilt 88°, azimuth 0°" in words
    assert "no orientation of all units can have more than 400.0" in words
    assert opened.complaints == []
    # a place of the sky where no Sun, ground or mark is, with the map and without
    pixel = """(() => { const v = yieldsimPage.views.sky; const [x, y] = v.projection.to(12, v.projection.high - 0.4);
        return Array.from(v.canvas.getContext('2d').getImageData(x * v.ratio, y * v.ratio, 1, 1).data); })()"""
    with_map = opened.state(pixel)
    opened.page.uncheck("#facing-shown")
    opened.page.wait_for_timeout(100)
    assert with_map[2] > opened.state(pixel)[2] + 30


def test_a_notebooks_frame_shows_it(opening: Callable[..., Opened], browser: Any, ridge: xr.Dataset) -> None:
    page = browser.new_context().new_page()
    page.set_content(yieldsim.page(ridge)._repr_html_())
    frame = page.frame_locator("iframe")
    frame.locator("#delivered").wait_for(timeout=20_000)
    assert "kWh" in frame.locator("#delivered").inner_text()
    page.context.close()
