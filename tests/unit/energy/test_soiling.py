"""Dust in closed form: compound and linear loss, geometric series of a cleaning cycle, events, floor, tilt, duty."""

import numpy as np
import pytest
from agreement.published import value

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.constants import SECONDS_PER_DAY
from yieldsim.base.model import CleaningEvent, Dust, Shield
from yieldsim.energy.soiling import (
    clean_fraction,
    cycle_ends_tdb_s,
    deposition_rate,
    dust_history,
    load_at,
    shield_duty_fraction,
)

DAY = SECONDS_PER_DAY
START = float(tdb_seconds(np.datetime64("2000-01-01")))


def test_compound_and_linear_loss_over_published_spans():
    # arithmetic of the 0.28 % per sol of Landis & Jenkins 2000 over 30 and 90 sols
    days = np.array([30.0, 90.0])
    compound = clean_fraction(Dust(loss_per_day=0.0028), days)
    linear = clean_fraction(Dust(loss_per_day=0.0028, model="linear"), days)
    np.testing.assert_allclose(
        compound, [value("mars-dust-compound-30"), value("mars-dust-compound-90")], atol=5e-5
    )
    np.testing.assert_allclose(
        linear, [value("mars-dust-linear-30"), value("mars-dust-linear-90")], atol=1e-12
    )


def test_steady_cycles_follow_the_geometric_series():
    shield = Shield(removal=0.7, cycle_hours=48.0)
    history = dust_history(Dust(loss_per_day=0.01), shield, 0.0, 0.0, 60 * DAY)
    n = np.arange(1, 31)
    period, kept = 2.0, 0.3
    before = load_at(history, n * 2 * DAY - 1e-3)
    np.testing.assert_allclose(before, period * (1 - kept**n) / (1 - kept), rtol=1e-7)
    after = load_at(history, n * 2 * DAY + 1e-3)
    np.testing.assert_allclose(after, period * kept * (1 - kept**n) / (1 - kept), rtol=1e-6)
    # far out: load T / f before a cycle, residue T (1 - f) / f after it
    # (taken a millisecond before it, 4e-9 of the load)
    assert before[-1] == pytest.approx(period / 0.7, rel=1e-8)


def test_events_interleave_with_cycles():
    dust = Dust(loss_per_day=0.01, events=(CleaningEvent(time_utc="2000-01-02T12:00:00", removes=1.0),))
    shield = Shield(removal=0.5, cycle_hours=24.0)
    history = dust_history(dust, shield, 0.0, START, START + 3 * DAY)
    at = load_at(history, START + np.array([0.5, 1.25, 1.75, 2.5]) * DAY)
    # by hand: 0.5; (1)*0.5+0.25; 0+0.25; (0+0.5)*0.5+0.5
    np.testing.assert_allclose(at, [0.5, 0.75, 0.25, 0.75], atol=1e-8)


def test_events_outside_the_run_do_nothing():
    dust = Dust(loss_per_day=0.01, events=(CleaningEvent(time_utc="1999-01-02", removes=1.0),))
    history = dust_history(dust, None, 0.0, START, START + 3 * DAY)
    assert load_at(history, START + np.array([2.0 * DAY]))[0] == pytest.approx(2.0)


def test_floor_stops_the_loss_but_not_the_load():
    dust = Dust(loss_per_day=0.1, floor=0.4)
    np.testing.assert_allclose(clean_fraction(dust, np.array([1.0, 50.0])), [0.9, 0.4])


@pytest.mark.parametrize(
    ("tilt_deg", "exponent", "expected"),
    [
        (0.0, 1.0, 1.0),
        (60.0, 1.0, 0.5),
        (60.0, 2.0, 0.25),
        (90.0, 0.01, 0.0),
        (120.0, 1.0, 0.0),
        (120.0, 0.0, 1.0),
    ],
)
def test_deposition_by_tilt(tilt_deg, exponent, expected):
    assert deposition_rate(tilt_deg, exponent) == pytest.approx(expected, abs=1e-12)


def test_cycles_end_at_whole_multiples_and_energy_is_counted_once():
    shield = Shield(removal=0.9, cycle_hours=24.0, duty_minutes=10.0, power_w=3.0)
    ends = cycle_ends_tdb_s(shield, 0.0, 365 * DAY)
    assert len(ends) == 365
    assert ends[0] == DAY
    edges = np.arange(0.0, 365 * DAY + 1, 3600.0)
    duty = shield_duty_fraction(shield, edges, 0.0, 365 * DAY)
    # 365 runs of ten minutes at 3 W are 0.1825 kWh
    assert (duty * 3.0).sum() / 1000.0 == pytest.approx(0.1825, rel=1e-9)
    assert duty[22] == 0.0
    assert duty[23] == pytest.approx(1 / 6)


def test_duty_longer_than_an_interval_spreads_over_several():
    shield = Shield(removal=0.9, cycle_hours=6.0, duty_minutes=90.0, power_w=2.0)
    duty = shield_duty_fraction(shield, np.arange(0.0, 6.1) * 3600.0, 0.0, 6 * 3600.0)
    np.testing.assert_allclose(duty, [0, 0, 0, 0, 0.5, 1.0], atol=1e-9)
