"""Laws of the whole run: linearity, sums, symmetry, darkness, and no loss that brings light."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from yieldsim.base.model import Collector, Dust, Fibre, HorizonMask, Mount, RoundAcceptance, Shield, Site
from yieldsim.files.inputs.readers import read_body
from yieldsim.runs.estimate.output import summary_of
from yieldsim.runs.estimate.run import estimate

MOON, MARS = read_body("moon").noun, read_body("mars").noun
SPAN = ("2027-01-05", "2027-01-19")
WIDE = RoundAcceptance(
    incidence_deg=[0, 20, 40, 60], acceptance_fraction=[0.9, 0.8, 0.3, 0.0], source="point"
)
RIDGE = Site(
    name="ridge",
    body=MOON,
    latitude_deg=-89.2,
    longitude_deg=120.0,
    mast_height_m=5.0,
    horizon=HorizonMask(azimuth_deg=[0, 90, 200, 300], elevation_deg=[0.5, -1.0, 0.8, -0.5]),
    dust=Dust(loss_per_day=5e-3),
)
PLAIN = Site(
    name="plain",
    body=MARS,
    latitude_deg=18.0,
    longitude_deg=77.0,
    optical_depth=0.5,
    dust=Dust(loss_per_day=2e-3),
)
UNIT = Collector(
    name="unit",
    aperture_area_m2=0.2,
    mounts=(Mount(tilt_deg=80.0, azimuth_deg=30.0),),
    acceptance=WIDE,
    shield=Shield(film_transmittance=0.93, removal=0.9, cycle_hours=24.0, duty_minutes=10.0, power_w=3.0),
    fibre=Fibre(length_m=20.0, attenuation=8.0, packing=0.85, end_reflection=0.035, coupling=0.95),
)
SKYWARD = replace(UNIT, mounts=(Mount(tilt_deg=25.0, azimuth_deg=150.0),))
CASES = [(RIDGE, UNIT), (PLAIN, SKYWARD)]
FEW = settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def delivered_kwh(site, collector, span=SPAN):
    return summary_of(estimate(site, collector, *span))["delivered_kwh"]


@cache
def case_kwh(case):
    """What a row of CASES delivers."""
    return delivered_kwh(*CASES[case])


@cache
def mount_kwh(tilt_deg, azimuth_deg):
    """What the unit delivers on the ridge from one mount."""
    mounts = (Mount(tilt_deg=tilt_deg, azimuth_deg=azimuth_deg),)
    return delivered_kwh(RIDGE, replace(UNIT, mounts=mounts))


@cache
def polar_kwh(turn_deg):
    """At the pole, the site's meridian turned, and mask and mount turned against it."""
    # at the south pole azimuth runs clockwise from above as longitude does
    azimuth = (np.array([10.0, 100.0, 250.0]) + turn_deg) % 360.0
    order = np.argsort(azimuth)
    mask = HorizonMask(azimuth_deg=azimuth[order], elevation_deg=np.array([0.3, -0.8, 0.6])[order])
    site = replace(RIDGE, latitude_deg=-90.0, longitude_deg=(50.0 - turn_deg) % 360.0, horizon=mask)
    mounts = (Mount(tilt_deg=80.0, azimuth_deg=(30.0 + turn_deg) % 360.0),)
    return delivered_kwh(site, replace(UNIT, mounts=mounts))


@FEW
@given(factor=st.floats(0.1, 20.0), case=st.sampled_from(range(len(CASES))))
def test_energy_is_linear_in_area(factor, case):
    site, unit = CASES[case]
    larger = replace(unit, aperture_area_m2=unit.aperture_area_m2 * factor)
    assert case_kwh(case) > 0.1
    assert delivered_kwh(site, larger) == pytest.approx(factor * case_kwh(case), rel=1e-12)


@FEW
@given(count=st.integers(2, 9))
def test_energy_is_linear_in_count_and_mounts_add_up(count):
    mounts = (Mount(tilt_deg=80.0, azimuth_deg=30.0), Mount(tilt_deg=85.0, azimuth_deg=330.0))
    alone = [mount_kwh(mount.tilt_deg, mount.azimuth_deg) for mount in mounts]
    both = replace(UNIT, mounts=(replace(mounts[0], count=count), mounts[1]))
    # the step may be chosen anew: within the 0.1 % that halving holds
    assert delivered_kwh(RIDGE, both) == pytest.approx(count * alone[0] + alone[1], rel=2e-3)


@FEW
@given(turn=st.floats(0.0, 360.0))
def test_turning_site_and_mount_together_changes_nothing(turn):
    """At the pole, north is the meridian of the stated longitude: turn it, and turn mask and mount against it."""
    assert polar_kwh(turn) == pytest.approx(polar_kwh(0.0), rel=1e-6)


@FEW
@given(
    loss=st.sampled_from(
        [
            "film",
            "dust",
            "removal",
            "packing",
            "ends",
            "attenuation",
            "coupling",
            "darkening",
            "mask",
            "floor",
        ]
    ),
    more=st.floats(0.05, 0.9),
)
def test_no_loss_brings_light(loss, more):
    shield, fibre, dust = UNIT.shield, UNIT.fibre, RIDGE.dust
    site, unit = RIDGE, UNIT
    if loss == "film":
        unit = replace(unit, shield=replace(shield, film_transmittance=0.93 * (1 - more)))
    elif loss == "removal":
        unit = replace(unit, shield=replace(shield, removal=0.9 * (1 - more)))
    elif loss == "packing":
        unit = replace(unit, fibre=replace(fibre, packing=0.85 * (1 - more)))
    elif loss == "ends":
        unit = replace(unit, fibre=replace(fibre, end_reflection=0.035 + more / 2))
    elif loss == "attenuation":
        unit = replace(unit, fibre=replace(fibre, attenuation=8.0 + 100 * more))
    elif loss == "coupling":
        unit = replace(unit, fibre=replace(fibre, coupling=0.95 * (1 - more)))
    elif loss == "darkening":
        unit = replace(unit, fibre=replace(fibre, darkening_db_per_km_per_year=100 * more))
    elif loss == "dust":
        site = replace(site, dust=replace(dust, loss_per_day=5e-3 + more / 10))
    elif loss == "mask":
        raised = HorizonMask(
            azimuth_deg=site.horizon.azimuth_deg, elevation_deg=site.horizon.elevation_deg + 1.0 + more
        )
        site = replace(site, horizon=raised)
    else:
        floored = replace(site, dust=replace(dust, loss_per_day=0.2, floor=0.95))
        site = replace(floored, dust=replace(floored.dust, floor=0.95 * (1 - more)))
        assert delivered_kwh(site, unit) <= delivered_kwh(floored, unit) * (1 + 1e-12)
        return
    assert delivered_kwh(site, unit) < case_kwh(0)


@pytest.mark.parametrize(("site", "unit"), CASES, ids=["ridge", "plain"])
def test_ledger_adds_up_and_only_falls(site, unit):
    ds = estimate(site, unit, *SPAN)
    summary = summary_of(ds)
    kwh = np.array([row["kwh"] for row in summary["ledger"]])
    assert (np.diff(kwh) <= 1e-9 * kwh[0]).all()
    assert kwh[-1] == pytest.approx(summary["delivered_kwh"], rel=1e-12)
    assert sum(row["kwh"] for row in summary["monthly_kwh"]) == pytest.approx(
        summary["delivered_kwh"], rel=1e-12
    )
    np.testing.assert_allclose(ds.mount_delivered_power_w.sum("mount"), ds.delivered_power_w, rtol=1e-12)
    # sunlight on a Sun-facing aperture with an open horizon, from the hourly series themselves: means of products differ from
    # products of means only in the hours when the Sun rises
    first = (ds.solar_irradiance_w_m2 * ds.open_horizon_fraction).sum() * UNIT.aperture_area_m2 / 1000.0
    assert kwh[0] == pytest.approx(float(first), rel=1e-6)


@pytest.mark.parametrize(("site", "unit"), CASES, ids=["ridge", "plain"])
def test_no_light_below_the_horizon(site, unit):
    ds = estimate(site, unit, *SPAN)
    sunk = ds.solar_elevation_deg < -4.0
    assert sunk.any() or site is RIDGE
    assert float(ds.delivered_power_w.where(sunk, 0.0).max()) == 0.0
    behind = (ds.incidence_deg > 100.0).all("mount")
    assert float(ds.delivered_power_w.where(behind, 0.0).max()) == 0.0


def test_capture_is_one_for_a_mount_that_cannot_miss():
    """A flat acceptance on an aperture without cosine loss would capture all; the cosine alone makes the difference."""
    flat = replace(
        UNIT, acceptance=RoundAcceptance(incidence_deg=[0, 90], acceptance_fraction=[1, 1], source="disc")
    )
    ds = estimate(RIDGE, flat, *SPAN)
    cosine = np.maximum(np.cos(np.radians(ds.incidence_deg[:, 0])), 0)
    expected = float((ds.sun_following_power_w * cosine).sum() / ds.sun_following_power_w.sum())
    # hourly means of the product against the product at mid-hour
    assert summary_of(ds)["capture_fraction"] == pytest.approx(expected, rel=2e-3)


def test_gaps_and_hours_share_out_the_span():
    ds = estimate(PLAIN, SKYWARD, *SPAN)
    summary = summary_of(ds)
    assert summary["hours_delivering"] == pytest.approx(float(ds.delivering_fraction.sum()), rel=1e-9)
    assert summary["hours_delivering"] + sum(gap["hours"] for gap in summary["gaps"]) <= 14 * 24 + 1e-6
    assert summary["longest_gap_hours"] == summary["gaps"][0]["hours"]
    # a fixed aperture facing one way on Mars waits for more than half a sol, less than one and a bit
    assert 12.0 < summary["longest_gap_hours"] < 26.0


def test_etendue_bound_holds_whatever_the_acceptance():
    fibre = replace(UNIT.fibre, numerical_aperture=0.37, face_diameter_mm=30.0)
    limit = np.pi * 0.37**2 * np.pi * 0.015**2
    for half_deg in (2.0, 5.0, 9.0):
        share = limit / (0.2 * np.pi * np.sin(np.radians(half_deg)) ** 2)
        height = min(1.0, 0.98 * share)
        table = RoundAcceptance(
            incidence_deg=[0, half_deg - 0.2, half_deg],
            acceptance_fraction=[height, height, 0],
            source="point",
        )
        summary = summary_of(estimate(RIDGE, replace(UNIT, acceptance=table, fibre=fibre), *SPAN))
        assert summary["etendue"]["used_fraction"] <= 1.0
        assert summary["delivered_kwh"] <= summary["etendue_limited_kwh"]
