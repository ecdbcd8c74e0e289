"""Sizes hold when they are set and the run is made again, and the next smaller do not; the order of loads is nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.base.load_model import Storage
from yieldsim.base.model import Collector, Dust, Mount, RoundAcceptance, Shield
from yieldsim.energy.degradation import CleanLight, light_by_rate
from yieldsim.energy.soiling import removals
from yieldsim.planning.habitat import sizing
from yieldsim.planning.habitat.dispatch import (
    DEFERRABLE,
    ESSENTIAL,
    SHEDDABLE,
    Needs,
    dispatch,
    needs_from,
    some_of,
    store_of,
)
from yieldsim.planning.habitat.shield_service import ShieldService, shield_service

ROWS = 24 * 20
CLOCK = (np.arange(ROWS) + 0.5) % 24.0


def sunny(rng: np.random.Generator, kwh: float) -> np.ndarray:
    """Days of 12 hours, some of them dim."""
    day = np.where(np.arange(ROWS) % 24 < 12, 1.0, 0.0)
    return kwh * day * np.repeat(rng.uniform(0.3, 1.0, ROWS // 24), 24)


@st.composite
def cases(draw: st.DrawFn) -> sizing.Case:
    """Units with shields that draw, an essential load or two, and a store with every loss."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    units = draw(st.integers(2, 30))
    shield = np.where(np.arange(ROWS) % 12 == 11, 0.004, 0.0) * units * draw(st.floats(0.0, 3.0))
    asked = np.stack([rng.uniform(0.0, 0.3, ROWS), np.full(ROWS, 0.05), shield], axis=1)
    needs = needs_from(
        asked,
        np.array([1.0, 0.3, 0.3]),
        np.array([0.9, draw(st.sampled_from([0.0, 1.0])), 1.0]),
        np.array(
            [
                ESSENTIAL,
                draw(st.sampled_from([ESSENTIAL, SHEDDABLE])),
                draw(st.sampled_from([ESSENTIAL, DEFERRABLE])),
            ]
        ),
        np.array([0, 0, draw(st.sampled_from([0, 6]))]),
    )
    storage = Storage(
        capacity_kwh=draw(st.floats(0.5, 10.0)), converter_efficiency=0.5, charge_efficiency=0.95,
        discharge_efficiency=0.95, standing_loss_per_day=draw(st.sampled_from([0.0, 0.3])),
        least_fraction=draw(st.sampled_from([0.0, 0.4])), reserve_fraction=draw(st.sampled_from([0.5, 1.0])),
    )  # fmt: skip
    by_units = np.array([False, False, True])
    light = sunny(rng, 0.12 * units)
    service = service_of(light, needs, units) if draw(st.booleans()) else None
    reliability = draw(st.sampled_from([0.95, 1.0]))
    return sizing.case_of(light, units, needs, storage, CLOCK, 1.0, reliability, "energy", by_units, service)


def service_of(light_kwh: np.ndarray, needs: Needs, units: int) -> ShieldService:
    shield = Shield(film_transmittance=1.0, removal=0.9, cycle_hours=12.0, duty_minutes=10.0, power_w=3.0)
    own = Collector(
        name="flat",
        aperture_area_m2=1.0,
        mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0, count=units),),
        acceptance=RoundAcceptance(incidence_deg=[0.0, 90.0], acceptance_fraction=[1.0, 1.0], source="disc"),
        shield=shield,
    )
    edges = np.arange(ROWS + 1) * 3600.0
    clean = CleanLight(
        power_w=np.ones((ROWS, 1)), edge_s=edges, collector=own, dust=Dust(loss_per_day=0.05), units=units
    )
    passed = light_by_rate(clean).dusty_kwh(removals(shield, float(edges[-1]))) * 1000.0
    found = shield_service(replace(clean, power_w=(light_kwh * 1000.0 / passed)[:, None]), (2,))
    assert found is not None
    return found


def again(case: sizing.Case, units: int) -> sizing.Case:
    """The case as a new run with so many units lays it out."""
    ratio = units / case.units
    needs = case.needs_of(units)
    service = case.service
    if service is not None:
        clean = replace(service.light, power_w=service.light.power_w * ratio, units=units)
        service = shield_service(clean, service.cycles.loads)
    return replace(case, light_kwh=case.light_kwh * ratio, units=units, needs=needs, service=service)


@settings(max_examples=60, deadline=None)
@given(cases())
def test_units_hold_when_set_and_one_less_does_not(case: sizing.Case) -> None:
    capacity = case.storage.capacity_kwh
    units = sizing.smallest_units(case, capacity)
    if units is None:
        assert sizing.why_no_units(case, capacity)
        assert not sizing.holds(case, case.units, capacity)
        return
    assert sizing.holds(again(case, units), units, capacity)
    if units > 1:
        assert not sizing.holds(again(case, units - 1), units - 1, capacity)


@settings(max_examples=60, deadline=None)
@given(cases())
def test_storage_holds_when_set_and_less_does_not(case: sizing.Case) -> None:
    given_kwh = case.storage.capacity_kwh
    size = sizing.smallest_storage_kwh(case, case.units, there_kwh=given_kwh)
    if size is None:
        assert sizing.why_no_storage(case, case.units)
        # what holds as given is a size
        assert not sizing.holds(case, case.units, given_kwh)
        return
    set_again = replace(case, storage=replace(case.storage, capacity_kwh=size))
    assert sizing.holds(set_again, case.units, size)
    if size > 1e-6:
        assert not sizing.holds(case, case.units, size * (1.0 - 2e-6))


@settings(max_examples=60, deadline=None)
@given(cases(), st.permutations(range(3)))
def test_the_order_of_loads_changes_nothing(case: sizing.Case, order: list[int]) -> None:
    needs = case.needs
    assert len(needs.rank) <= 3
    order = [j for j in order if j < len(needs.rank)]
    turned = needs_from(
        needs.asked_kwh[:, order],
        needs.direct_efficiency[order],
        needs.store_efficiency[order],
        needs.rank[order],
        needs.window_rows[order],
    )
    store = store_of(case.storage, 1.0)
    one, other = dispatch(case.light_kwh, needs, store), dispatch(case.light_kwh, turned, store)
    # sums of the same terms in another order
    np.testing.assert_allclose(other.unserved, one.unserved[:, order], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(other.stored, one.stored, rtol=1e-9, atol=1e-9)


def test_shields_of_more_units_draw_more() -> None:
    """1 kWh asked an hour through nights of 12 h, units that bring 3 kWh an hour by day and whose shields draw
    0.02 kWh an hour: u of them need  12 (1 + 0.02 u)  of a store of 15 kWh, so at most 12 hold, and by day light for
    (1 + 0.02 u) 24 <= 36 u  takes one.
    """
    day = np.arange(ROWS) % 24 < 12
    for units in (1, 8, 20):
        asked = np.stack([np.ones(ROWS), np.full(ROWS, 0.02 * units)], axis=1)
        needs = needs_from(asked, np.ones(2), np.ones(2), np.array([ESSENTIAL, ESSENTIAL]))
        case = sizing.case_of(
            np.where(day, 3.0 * units, 0.0), units, needs, Storage(capacity_kwh=15.0), CLOCK, 1.0, 1.0, "energy",
            np.array([False, True]),
        )  # fmt: skip
        assert [sizing.holds(case, u, 15.0) for u in (1, 12, 13, 20)] == [True, True, False, False]
        assert sizing.smallest_units(case, 15.0) == 1
        assert sizing.smallest_storage_kwh(case, units) == pytest.approx(
            12.0 * (1.0 + 0.02 * units), rel=2e-6
        )


def test_a_narrow_band_of_sizes_is_found() -> None:
    """0.4 of the store is never drawn and it loses 30 % a day: larger stores lose more than there is light for."""
    day = np.arange(ROWS) % 24 < 12
    needs = needs_from(np.where(day, 0.0, 0.1)[:, None], np.ones(1), np.ones(1), np.array([ESSENTIAL]))
    storage = Storage(capacity_kwh=1.0, standing_loss_per_day=0.3, least_fraction=0.4)
    light = np.where(day, 0.155, 0.0)
    case = sizing.case_of(light, 1, needs, storage, CLOCK, 1.0, 1.0, "energy")
    band = [size for size in np.geomspace(0.5, 20.0, 400) if sizing.holds(case, 1, float(size))]
    assert band
    assert max(band) < 1.1 * min(band)
    for there in (None, band[len(band) // 2]):
        size = sizing.smallest_storage_kwh(case, 1, there_kwh=there)
        assert size is not None
        assert size <= min(band)
        assert not sizing.holds(case, 1, size * (1.0 - 2e-6))


def test_no_practical_number_of_units_says_why() -> None:
    day = np.arange(ROWS) % 24 < 12
    needs = needs_from(np.ones((ROWS, 1)), np.ones(1), np.ones(1), np.array([ESSENTIAL]))
    dim = sizing.case_of(
        np.where(day, 1e-4, 0.0), 1, needs, Storage(capacity_kwh=12.5), CLOCK, 1.0, 1.0, "energy"
    )
    assert sizing.smallest_units(dim, 12.5) is None
    assert "even 1000 units deliver too little" in sizing.why_no_units(dim, 12.5)
    assert sizing.smallest_units(dim, 11.0) is None
    assert "12 hours without light" in sizing.why_no_units(dim, 11.0)


def test_a_rank_puts_one_load_first() -> None:
    """Both the same; the store holds half of what both ask: they share it, or who is ranked first has it all."""
    asked = np.array([[1.0, 1.0]])
    store = store_of(Storage(capacity_kwh=1.0), 1.0)
    both = np.array([ESSENTIAL, ESSENTIAL])
    shared = dispatch(np.zeros(1), needs_from(asked, np.ones(2), np.ones(2), both), store)
    assert shared.from_store.tolist() == [[0.5, 0.5]]
    ranked = needs_from(asked, np.ones(2), np.ones(2), both, file_rank=np.array([2, 1]))
    assert dispatch(np.zeros(1), ranked, store).from_store.tolist() == [[0.0, 1.0]]
    assert some_of(ranked, np.array([True, False])).file_rank.tolist() == [2]
