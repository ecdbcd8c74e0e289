"""Few units: a bound by cases within two per cent of the design, a certificate whose cases NumPy alone follows, and the front of
shares served: no share has a heavier design than a larger one, and every row serves its share."""

from __future__ import annotations

import importlib.util
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.model import Notes
from yieldsim.files.text.bundled import sites_folder
from yieldsim.planning.system.terms import Terms
from yieldsim.runs.design import search
from yieldsim.runs.design.certificate import certificate_of
from yieldsim.runs.design.combinations import Span, combinations_of, laid_out, prices_of
from yieldsim.runs.design.run import read_plan
from yieldsim.runs.design.search import design_one
from yieldsim.runs.design.tradeoffs import by_reliability, worths

CHECKER = Path(__file__).parents[2] / "planning" / "system" / "check_certificate.py"
SPAN = Span(start="2027-03-01", end="2027-03-21", interval_minutes=120.0)
TEN_DAYS = Span(start="2027-03-01", end="2027-03-11", interval_minutes=120.0)


def lower_bound(path):
    """By the stand-alone checker."""
    spec = importlib.util.spec_from_file_location("check_certificate", CHECKER)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.lower_bound(path)


def small_design(folder, *changes, span=SPAN):
    """The demo with larger and fewer units, light fixed masses, and other changes: plan, combination, design."""
    for path in sites_folder().iterdir():
        if path.suffix in (".toml", ".csv"):
            shutil.copy(path, folder / path.name)
    for name, *swaps in (
        (
            "wide.collector.toml",
            ("aperture_area_m2 = 0.00503", "aperture_area_m2 = 0.045"),
            ("= 46.0", "= 280.0"),
        ),
        (
            "lantern-ridge.design.toml",
            ("unit_kg = 0.25 ", "unit_kg = 0.75 "),
            ("mast_kg_per_m = 0.8 ", "mast_kg_per_m = 0.05 "),
            ("converter_kg = 1.5", "converter_kg = 0.1"),
            *changes,
        ),
    ):
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in swaps:
            assert old in text
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    plan = read_plan(folder / "lantern-ridge.design.toml", Notes())[0]
    combination = combinations_of(plan)[0]
    return plan, combination, design_one(plan, combination, span, math.inf)


def designed(folder, *changes, span=SPAN):
    """A small design and its certificate."""
    plan, combination, found = small_design(folder, *changes, span=span)
    return found, certificate_of(plan, combination, found)


@pytest.fixture(scope="module")
def four(tmp_path_factory):
    return small_design(tmp_path_factory.mktemp("four"))


@pytest.fixture(scope="module")
def front(four):
    plan, combination, found = four
    _, serving, sunlight = laid_out(plan, combination, SPAN)
    return by_reliability(plan, combination, found, serving, sunlight, prices_of(plan, combination)[0])


def test_four_units_are_proven_without_cases(four, tmp_path):
    """What one whole unit serves directly is no more than is asked: that alone proves them."""
    _, _, found = four
    certificate = certificate_of(*four)
    assert found.units <= 5
    assert 0.98 * found.cost <= found.least <= found.cost
    assert len(found.branches.cases) == 1
    path = tmp_path / "certificate.npz"
    np.savez(path, **certificate)
    assert lower_bound(path)[1] == pytest.approx(found.least, rel=1e-9)
    # what serves directly has a price, and more light than is asked has it once only
    assert certificate["case1_price_direct"].any()
    needed = (certificate["asked_kwh"] / certificate["direct"]).sum(axis=1)
    assert (certificate["light_kwh"].max(axis=1) > 1.2 * needed).any()


def test_more_served_is_never_lighter(front):
    masses = [row["mass_kg"] for row in front]
    assert len(masses) >= 7
    assert masses == sorted(masses)
    assert masses[0] < masses[-1]


def test_the_design_is_the_row_of_its_own_share(four, front):
    found = four[2]
    own = next(row for row in front if row["reliability"] == 0.99)
    assert own["units"] == found.units
    assert own["mass_kg"] == pytest.approx(found.mass_kg, rel=1e-9)
    assert front[-1]["longest_outage_hours"] == 0.0


def test_no_larger_share_is_lighter_than_what_is_sought_for_its_light(tmp_path):
    """A design of most light for its mass has a larger store than its share takes: the front has the lightest there, too."""
    plan, combination, found = small_design(
        tmp_path,
        ('objective = "mass" ', 'objective = "mass-per-kwh" '),
        ("# most_units = 200 ", "most_units = 6 "),
        span=TEN_DAYS,
    )
    _, serving, sunlight = laid_out(plan, combination, TEN_DAYS)
    heavy = replace(found, capacity_kwh=found.capacity_kwh + 0.05)
    rows = by_reliability(plan, combination, heavy, serving, sunlight, prices_of(plan, combination)[0])
    masses = [row["mass_kg"] for row in rows if row["mass_kg"] is not None]
    assert len(masses) >= 3
    assert masses == sorted(masses)
    # six units serve with light to spare: no light has a price, and the least there is for each kWh is found all the same
    assert found.units == 6
    assert 0.99 * found.cost <= found.least <= found.cost


def test_light_that_serves_directly_is_worth_what_whole_units_are_paid_for_it(tmp_path):
    """Four units without a store, that serve half the time, were told to have light enough at all times."""
    plan, combination, found = small_design(tmp_path, span=TEN_DAYS)
    load = replace(plan.load, storage=None, reliability=0.5)
    plan = replace(plan, load=load)
    found = design_one(plan, combination, TEN_DAYS, math.inf)
    ready, serving, _ = laid_out(plan, combination, TEN_DAYS)
    prices = found.split.prices
    assert prices.direct.any()
    worth = worths(plan, combination, found, serving, [], ready.grid.edge_utc)
    rows_a_day = 12
    light = found.split.light_kwh
    served = np.minimum(light, found.terms.unit_serves_kwh[:, None]) @ found.split.units
    by_day = np.add.reduceat(
        prices.light * (light @ found.split.units) + prices.direct * served,
        np.arange(0, len(light), rows_a_day),
    )
    dearest = np.sort(by_day)[::-1]
    days = worth["half_the_lights_worth_in_days"]
    assert days >= 1
    assert dearest[:days].sum() >= 0.5 * by_day.sum() > dearest[: days - 1].sum()


def test_few_units_are_proven_by_cases(tmp_path, monkeypatch):
    """Where it can't be told how often they fill the store, as beside loads of each unit."""
    monkeypatch.setattr(Terms, "fills", False)
    dearer = ("store_kg_per_kwh = 7.0", "store_kg_per_kwh = 20.0")
    found, certificate = designed(tmp_path, dearer, span=TEN_DAYS)
    assert found.units <= 6
    assert 0.98 * found.cost <= found.least <= found.cost
    assert len(found.branches.cases) > 2
    path = tmp_path / "certificate.npz"
    np.savez(path, **certificate)
    listed, everywhere = lower_bound(path)
    assert everywhere == pytest.approx(found.least, rel=1e-9)
    assert everywhere <= listed
    # a case left out, and a case that assumes a unit more than what led to it
    np.savez(
        path,
        **certificate
        | {
            "branch_to": np.full_like(certificate["branch_to"], -1),
            "case1_units": np.array([[0.0, np.inf]] * len(certificate["case1_units"])),
        },
    )
    with pytest.raises(AssertionError, match="missing"):
        lower_bound(path)
    last = f"case{certificate['cases']}_units"
    np.savez(path, **certificate | {last: certificate[last] + [1.0, 0.0]})
    with pytest.raises(AssertionError, match="assumes"):
        lower_bound(path)


def test_the_least_mass_for_each_kwh_is_proven_closely(tmp_path):
    found, certificate = designed(
        tmp_path,
        ('objective = "mass" ', 'objective = "mass-per-kwh" '),
        ("# most_units = 200 ", "most_units = 12 "),
    )
    assert found.units == 12
    assert 0.95 * found.cost <= found.least <= found.cost
    path = tmp_path / "certificate.npz"
    np.savez(path, **certificate)
    assert lower_bound(path)[1] == pytest.approx(found.least, rel=1e-9)
    # a rate a hundredth higher is not proven
    np.savez(path, **certificate | {"rate": 1.01 * certificate["rate"]})
    with pytest.raises(AssertionError, match="not proven"):
        lower_bound(path)


def test_a_set_that_an_estimate_finds_short_by_a_hair_gives_way_to_one_that_serves(four, monkeypatch):
    """It was left off, and with it the whole design: nothing was said to serve."""
    plan, combination, nominal = four
    own, short = search.checked, []

    def refusing_the_first(ready, mounts, serving, near_kwh):
        if not short:
            short.append(mounts)
            return None
        return own(ready, mounts, serving, near_kwh)

    monkeypatch.setattr(search, "checked", refusing_the_first)
    found = design_one(plan, combination, SPAN, math.inf)
    assert short
    assert found.mounts is not None
    assert nominal.cost * (1.0 - 1e-3) <= found.cost <= 1.01 * nominal.cost


def test_how_often_whole_units_fill_a_store_is_proven(tmp_path):
    """Two units that give some times what is asked: split ones need next to no store, a third of what whole ones cost."""
    plan, combination, _ = small_design(tmp_path, span=TEN_DAYS)
    loads = tuple(replace(one, amount=0.5 * one.amount) for one in plan.load.loads)
    plan = replace(plan, load=replace(plan.load, loads=loads))
    found = design_one(plan, combination, TEN_DAYS, math.inf)
    assert found.units == 2
    assert found.by_fillings
    assert found.split.least < 0.5 * found.cost
    assert 0.95 * found.cost <= found.least <= found.cost
    certificate, path = certificate_of(plan, combination, found), tmp_path / "certificate.npz"
    np.savez(path, **certificate)
    listed, everywhere = lower_bound(path)
    assert everywhere == pytest.approx(found.least, rel=1e-9)
    assert everywhere <= listed
    # any numbers and any prices prove something, and nothing that is not so
    rng = np.random.default_rng(1)
    priced = [name for name in certificate if name.endswith("price_fillings") and certificate[name].any()]
    assert priced
    for _ in range(10):
        other = {name: certificate[name] * rng.uniform(0.5, 2.0, certificate[name].shape) for name in priced}
        other["fillings"] = certificate["fillings"] + rng.integers(-1, 4, certificate["fillings"].shape)
        np.savez(path, **certificate | other)
        assert lower_bound(path)[0] <= found.cost
    # but of any number of units they prove nothing
    limits = priced[0].replace("price_fillings", "units")
    np.savez(path, **certificate | {limits: np.full_like(certificate[limits], [0.0, np.inf])})
    with pytest.raises(AssertionError, match=r"assumes|without a number"):
        lower_bound(path)
