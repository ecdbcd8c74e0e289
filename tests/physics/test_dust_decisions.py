"""Ageing, cycles, visits and films against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.errors import CannotCompute
from yieldsim.base.load_model import Life
from yieldsim.base.model import Collector, Dust, Fibre, Mount, RoundAcceptance, Shield
from yieldsim.energy import soiling
from yieldsim.energy.degradation import (
    CleanLight,
    clean_light,
    light_by_rate,
    mean_load_days,
    passed_by_mount,
)
from yieldsim.energy.soiling import history_of, removals
from yieldsim.planning.habitat.cleaning_schedule import (
    best_cycle,
    cycle_choice,
    film_break_even,
    visit_values,
)
from yieldsim.planning.habitat.dispatch import DEFERRABLE, ESSENTIAL, dispatch, needs_from, store_of
from yieldsim.planning.habitat.lifetime import aged, life_rows, shields_working
from yieldsim.planning.habitat.shield_service import cycles_of, cycles_run, shield_service

DAY_S = 86_400.0
SHIELD = Shield(film_transmittance=0.93, removal=0.9, cycle_hours=24.0, duty_minutes=10.0, power_w=3.0)


def collector(
    shield: Shield | None = None, fibre: Fibre | None = None, tilts: tuple[float, ...] = (0.0,)
) -> Collector:
    return Collector(
        name="flat",
        aperture_area_m2=1.0,
        mounts=tuple(Mount(tilt_deg=tilt, azimuth_deg=0.0) for tilt in tilts),
        acceptance=RoundAcceptance(incidence_deg=[0.0, 90.0], acceptance_fraction=[1.0, 1.0], source="disc"),
        shield=shield,
        fibre=fibre,
    )


def steady_light(
    days: float, dust: Dust | None, own: Collector, power_w: float = 100.0, row_hours: float = 1.0
) -> CleanLight:
    rows = round(days * 24.0 / row_hours)
    return CleanLight(
        power_w=np.full((rows, len(own.mounts)), power_w),
        edge_s=np.arange(rows + 1) * row_hours * 3600.0,
        collector=own,
        dust=dust,
        units=1,
    )


# ---------------------------------------------------------------- loads between removals


@pytest.mark.parametrize("cycle_hours", [0.3, 7.0, 24.0, 1000.0])
def test_mean_load_is_the_integral(cycle_hours: float) -> None:
    """Against the load read at 3000 moments of each row; a sawtooth finer than rows averages to its middle."""
    found = removals(replace(SHIELD, cycle_hours=cycle_hours), 10 * DAY_S, ((3.3 * DAY_S, 0.5),))
    history = history_of(found, 0.7)
    edges = np.arange(41) * 6.0 * 3600.0
    means = mean_load_days(history, edges)
    moments = edges[:-1, None] + (np.arange(3000) + 0.5) / 3000.0 * np.diff(edges)[:, None]
    fine = soiling.load_at(history, moments.ravel()).reshape(moments.shape).mean(axis=1)
    # a jump inside one of 3000 parts: its height times 1/6000
    np.testing.assert_allclose(means, fine, atol=2e-4 * max(fine.max(), 0.02))


def test_steady_residue() -> None:
    """Cycles of T days that remove f leave a load that climbs to T / f: mean T (1 / f - 1 / 2) (geometric series)."""
    history = history_of(removals(replace(SHIELD, cycle_hours=48.0), 400 * DAY_S), 1.0)
    last = mean_load_days(history, np.array([300.0, 398.0]) * DAY_S)[0]
    assert last == pytest.approx(2.0 * (1.0 / 0.9 - 0.5), rel=1e-9)


def test_outages_of_the_shield_stop_its_removals() -> None:
    found = removals(SHIELD, 10 * DAY_S, (), ((2.5 * DAY_S, 6.5 * DAY_S),))
    assert (found.at_s / DAY_S).tolist() == [1.0, 2.0, 7.0, 8.0, 9.0, 10.0]
    np.testing.assert_allclose(found.kept, 0.1)


# ---------------------------------------------------------------- clean light


def test_dust_and_darkening_come_out_as_they_went_in() -> None:
    dust = Dust(loss_per_day=0.01)
    fibre = Fibre(length_m=50.0, attenuation=8.0, darkening_db_per_km_per_year=20.0)
    own = collector(SHIELD, fibre, (0.0, 60.0))
    edges = np.arange(24 * 30 + 1) * 3600.0
    clean = np.stack([np.full(720, 50.0), np.linspace(0.0, 80.0, 720)], axis=1)
    light = CleanLight(power_w=clean, edge_s=edges, collector=own, dust=dust, units=2)
    passed = passed_by_mount(light, removals(SHIELD, edges[-1]))
    from yieldsim.energy.degradation import darkening

    delivered = clean * passed * darkening(own, edges)[:, None]
    again = clean_light(delivered, passed, edges, own, dust, 2)
    np.testing.assert_allclose(again.power_w, clean, rtol=1e-13)
    with pytest.raises(CannotCompute, match=r"lets through 1\.0% of the light at its worst"):
        clean_light(delivered, np.full_like(passed, 0.01), edges, own, dust, 2)


# ---------------------------------------------------------------- cycle, visit, film


@pytest.mark.parametrize(
    ("removal", "loss", "worth"),
    [
        (0.9, 1e-3, 3.0),
        *(pytest.param(*case, marks=pytest.mark.slow) for case in ((0.98, 3e-4, 5.0), (0.5, 2e-3, 1.0))),
    ],
)
def test_best_cycle(removal: float, loss: float, worth: float) -> None:
    """T = sqrt(x E / (P L (1 / f - 1 / 2))) for a slow loss and a run of many cycles.

    P 2.4 kWh of light a day, E 0.5 kWh an hour's run; the optimum is flat: 3 % of T are 5e-4 of what the
    shield nets.
    """
    shield = Shield(removal=removal, cycle_hours=24.0, duty_minutes=10.0, power_w=3.0)
    dust = Dust(loss_per_day=loss, model="linear")
    light = steady_light(1500.0, dust, collector(shield))
    choice, tried = best_cycle(light, shield, worth)
    per_cycle = 3.0 * 10.0 / 60.0 / 1000.0
    expected_days = math.sqrt(worth * per_cycle / (2.4 * loss * (1.0 / removal - 0.5)))
    assert choice["cycle_hours"] / 24.0 == pytest.approx(expected_days, rel=0.04)
    expected_net = 1500.0 * (
        2.4 * (1.0 - loss * expected_days * (1.0 / removal - 0.5)) - worth * per_cycle / expected_days
    )
    assert choice["net_kwh"] == pytest.approx(expected_net, rel=1e-4)
    assert choice["net_kwh"] >= max(one["net_kwh"] for one in tried)


def test_a_cycle_finer_than_rows_is_no_cleaner_than_it_is() -> None:
    """Cycles of a quarter of an hour in rows of an hour: the mean load is T (1 / f - 1 / 2), not that at one moment."""
    dust = Dust(loss_per_day=0.5, model="linear")
    light = steady_light(100.0, dust, collector(SHIELD))
    choice = cycle_choice(light, SHIELD, 0.25, 0.0)
    lost = 0.5 * 0.25 / 24.0 * (1.0 / 0.9 - 0.5)
    assert choice["delivered_kwh"] == pytest.approx(240.0 * (1.0 - lost), rel=1e-6)


def test_free_electricity_runs_the_shield_all_the_time() -> None:
    light = steady_light(100.0, Dust(loss_per_day=1e-3), collector(SHIELD))
    assert best_cycle(light, SHIELD, 0.0)[0]["cycle_hours"] == pytest.approx(1.0, rel=1e-2)


def test_value_of_a_visit() -> None:
    """Linear loss L, no shield: a visit on day t that takes all gives P L t for each of the N - t days that remain."""
    dust = Dust(loss_per_day=1e-3, model="linear")
    light = steady_light(100.0, dust, collector())
    for value in visit_values(light, 1.0):
        t = value["after_days"]
        assert value["gained_kwh"] == pytest.approx(2.4 * 1e-3 * t * (100.0 - t), rel=1e-6)
    best = max(visit_values(light, 0.5), key=lambda value: value["gained_kwh"])
    assert best["after_days"] == pytest.approx(50.0)
    assert best["gained_kwh"] == pytest.approx(0.5 * 2.4e-3 * 50.0 * 50.0, rel=1e-6)


def test_break_even_of_the_film() -> None:
    """Bare apertures lose P L N^2 / 2 in N days; a perfect shield's film must pass 1 - L N / 2 or better, and one of
    transmittance g has paid back when L t / 2 = 1 - g.
    """
    shield = Shield(film_transmittance=0.97, removal=1.0, cycle_hours=1.0, duty_minutes=1.0, power_w=1.0)
    dust = Dust(loss_per_day=1e-3, model="linear")
    # the estimate's light holds the film's loss
    found = film_break_even(steady_light(100.0, dust, collector(shield), power_w=97.0, row_hours=0.25))
    assert found["without_kwh"] == pytest.approx(240.0 * (1.0 - 0.05), rel=1e-6)
    # what settles within an hour: 1e-3 / 48
    assert found["break_even_transmittance"] == pytest.approx(0.95, rel=3e-5)
    assert found["paid_back_after_days"] == pytest.approx(60.0, abs=0.1)
    short = film_break_even(steady_light(50.0, dust, collector(shield), power_w=97.0))
    assert short["paid_back_after_days"] is None
    dark = film_break_even(steady_light(10.0, dust, collector(shield), power_w=0.0))
    assert (dark["break_even_transmittance"], dark["with_kwh"]) == (None, 0.0)


# ---------------------------------------------------------------- years


def test_years_of_darkening_glass() -> None:
    """Fibre: 20 dB/km/year over 50 m are 1 dB a year; lens: 2 % a year; each to the power of the years."""
    fibre = Fibre(length_m=50.0, darkening_db_per_km_per_year=20.0)
    life = Life(years=4, lens_darkening_per_year=0.02)
    light = steady_light(4 * 365.25, None, collector(None, fibre), row_hours=6.0)
    found = aged(light, life)
    assert len(found.power_w) == life_rows(life, 6.0) == 5844
    years = 4.0
    assert found.power_w[-1] == pytest.approx(100.0 * 10.0 ** (-0.1 * years) * 0.98**years, rel=1e-4)
    assert found.dust.min() == 1.0


def test_years_with_visits_and_a_failed_shield() -> None:
    dust = Dust(loss_per_day=1e-3, model="linear")
    light = steady_light(2 * 365.25, dust, collector(SHIELD), row_hours=1.0)
    fails_s = 365.25 * DAY_S
    without = aged(light, Life(years=2), (), ((fails_s, math.inf),))
    # until it fails the residue is steady; from then on dust grows by 1e-3 a day
    assert without.dust[365 * 24] == pytest.approx(1.0 - 1e-3 * (0.1 / 0.9 + 0.5), abs=7e-4)
    assert without.dust[-1] == pytest.approx(1.0 - 1e-3 * (365.5 + 0.1 / 0.9), abs=2e-3)
    visited = aged(
        light, Life(years=2, visit_every_days=100.0, visit_removes=1.0), (), ((fails_s, math.inf),)
    )
    assert visited.dust[-1] == pytest.approx(1.0 - 1e-3 * 30.5, abs=1e-3)
    assert visited.power_w.sum() > without.power_w.sum()


def test_repeated_light_begins_again() -> None:
    light = steady_light(10.0, None, collector())
    ramp = replace(light, power_w=np.arange(240.0)[:, None])
    long = ramp.repeated(500, 200)
    assert long.power_w[:, 0].tolist() == (np.arange(500) % 200).tolist()
    assert long.edge_s[-1] == 500 * 3600.0


# ---------------------------------------------------------------- whole cycles, shields without electricity


@pytest.mark.parametrize(
    "worth", [3.0, *(pytest.param(worth, marks=pytest.mark.slow) for worth in (0.5, 12.0))]
)
def test_no_length_of_the_cycle_beats_the_best(worth: float) -> None:
    """In a run of few cycles a smooth curve misses where one less fits in: against 3000 lengths, light by day only."""
    own = collector(SHIELD)
    light = steady_light(100.0, Dust(loss_per_day=4e-3), own, power_w=20.0)
    light = replace(light, power_w=light.power_w * (np.arange(2400)[:, None] % 708 < 354))
    best, tried = best_cycle(light, SHIELD, worth)
    others = [
        cycle_choice(light, SHIELD, float(hours), worth)["net_kwh"]
        for hours in np.geomspace(1.0, 2410.0, 3000)
    ]
    # lengths are found to a thousandth, which moves the light of a day's dust by far less than 1e-6
    assert best["net_kwh"] >= max(others) * (1.0 - 1e-6)
    assert best["runs"] == math.floor(2400.0 / best["cycle_hours"] + 1e-9)
    assert [one["cycle_hours"] for one in tried] == sorted(one["cycle_hours"] for one in tried)
    assert best_cycle(light, SHIELD, 1e6)[0]["runs"] == 0


def test_failed_shields_draw_nothing() -> None:
    edges = np.arange(11) * 3600.0
    outages = ((1.5 * 3600.0, 3.0 * 3600.0), (2.0 * 3600.0, 4.25 * 3600.0), (9.0 * 3600.0, math.inf))
    assert shields_working(edges, outages).tolist() == [1.0, 0.5, 0.0, 0.0, 0.75, 1.0, 1.0, 1.0, 1.0, 0.0]


@pytest.mark.parametrize(("window", "missed"), [(0, 5), (3, 4)])
def test_a_shield_without_electricity_cleans_nothing(window: int, missed: int) -> None:
    """No light on 5 of 20 days: their cycles have no electricity, but for the last where it can wait for the next light,
    and dust builds up from then on.
    """
    dust = Dust(loss_per_day=1e-2, model="linear")
    light = steady_light(20.0, dust, collector(SHIELD))
    dark = (np.arange(480) >= 5 * 24) & (np.arange(480) < 10 * 24)
    light = replace(light, power_w=np.where(dark[:, None], 0.0, light.power_w))
    asked = np.where(np.arange(480) % 24 == 23, 5e-4, 0.0)[:, None]
    needs = needs_from(
        asked, np.ones(1), np.ones(1), np.array([DEFERRABLE if window else ESSENTIAL]), np.array([window])
    )
    service = shield_service(light, (0,))
    assert service is not None
    every = light_by_rate(light).dusty_kwh(removals(SHIELD, 20 * DAY_S))
    light_kwh, flows, runs = service.settled(every, needs, store_of(None, 1.0))
    assert np.flatnonzero(~runs).tolist() == [5, 6, 7, 8, 9][:missed]
    assert flows.unserved.sum() == pytest.approx(missed * 5e-4)
    # at the end of day 10 there are a steady residue and the days since; a cycle that still runs leaves a tenth
    load = 0.1 * (1.0 + 0.1 + 0.01 + 0.001 + 1e-4) + 5.0
    load = load if missed == 5 else 0.1 * load
    assert light_kwh[240:264].sum() / 2.4 == pytest.approx(1.0 - 1e-2 * (load + 0.5), rel=1e-4)
    assert every[240:264].sum() / 2.4 == pytest.approx(1.0 - 1e-2 * (0.1 / 0.9 + 0.5), rel=1e-4)


def test_cycles_finer_than_rows_run_by_the_share_that_is_paid() -> None:
    shield = replace(SHIELD, cycle_hours=0.25, duty_minutes=5.0)
    cycles = cycles_of(shield, 3, 1.0, (0,))
    assert cycles.in_row.tolist() == [4] * 12
    needs = needs_from(np.ones((3, 1)), np.ones(1), np.ones(1), np.array([ESSENTIAL]))
    flows = dispatch(np.array([1.0, 0.5, 0.2]), needs, store_of(None, 1.0))
    assert cycles_run(cycles, needs, flows).reshape(3, 4).sum(axis=1).tolist() == [4, 2, 0]
