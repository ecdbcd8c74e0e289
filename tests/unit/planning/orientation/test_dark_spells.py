"""What could leave the store beyond some fillings: in patches of facings no less than at any facing in them."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.model import Dust, RoundAcceptance
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.planning.orientation.dark_spells import Spells
from yieldsim.planning.orientation.mount_frames import facings

STEP_H, STEPS = 0.5, 2
DUST = Dust(loss_per_day=0.05, tilt_exponent=1.0, floor=0.2)
ACCEPTANCE = RoundAcceptance(
    incidence_deg=np.array([0.0, 10.0, 14.0, 15.0]),
    acceptance_fraction=np.array([0.9, 0.85, 0.6, 0.0]),
    source="disc",
)


@pytest.fixture(params=[False, True], ids=["clean", "dusty"])
def place(weighed, request):
    """The Sun ten times around the horizon at a few degrees, behind hills now and then."""
    rng = np.random.default_rng(7)
    steps = STEPS * 600
    azimuth = 360.0 * np.arange(steps) / (STEPS * 60)
    sun = direction_enu_xyz(azimuth, 4.0 + 3.0 * np.sin(np.arange(steps) / 190.0))
    power = np.where(np.isin((azimuth % 360.0) // 20.0, [3.0, 8.0]), 0.0, 5.0 + rng.random(steps))
    dust = {}
    if request.param:
        rates = DustRates(
            dust=DUST, rates=np.array([0.0, 0.5, 1.0]), by_tilt=True, polynomial=True, error=0.0
        )
        dust = {"dust": rates, "load_days": np.linspace(0.0, 12.0, steps)}
    return weighed(sun, power, ACCEPTANCE, step_minutes=30, steps=STEPS, **dust)


def spells_of(place, rows=600):
    rng = np.random.default_rng(2)
    asked = 0.0012 * (0.6 + 0.8 * rng.random(rows))
    return Spells(
        needed_kwh=asked, drawn_kwh=0.45 * asked, take_in=0.4, fillings=np.array([1, 2, 4, 7, 10, 15])
    )


def light_kwh(place, some):
    return np.ascontiguousarray(place.power_w(some).T) * (STEP_H * STEPS / 1000.0)


def test_a_patch_of_one_facing_is_that_facing(place):
    spells, rng = spells_of(place), np.random.default_rng(5)
    some = facings(rng.uniform(60.0, 110.0, 40), rng.uniform(0.0, 360.0, 40))
    exact = spells.beyond_kwh(light_kwh(place, some))
    found = spells.most_beyond(
        place.track, place.year.ready, np.asarray(some.tilt_deg), np.asarray(some.azimuth_deg), 0.0
    )
    assert (exact.max(axis=1) > 0.0).all()
    assert pytest.approx(exact, rel=1e-5, abs=1e-9) == found.T


@pytest.mark.parametrize("half_deg", [4.0, 1.0, 0.1])
def test_no_facing_of_a_patch_is_above_it(place, half_deg):
    spells, rng = spells_of(place), np.random.default_rng(6)
    tilt, azimuth = rng.uniform(60.0, 110.0, 30), rng.uniform(0.0, 360.0, 30)
    most = spells.most_beyond(place.track, place.year.ready, tilt, azimuth, half_deg)
    over = []
    for _ in range(40):
        # as wide on the ground as it is high
        aside = rng.uniform(-half_deg, half_deg, (2, 30))
        widest = np.sin(np.radians(np.clip(90.0, tilt - half_deg, tilt + half_deg)))
        some = facings(tilt + aside[0], azimuth + aside[1] / widest)
        over.append(spells.beyond_kwh(light_kwh(place, some)).T - most)
    assert max(one.max() for one in over) <= 1e-9
    # small ones tell nearly as much as the facings in them
    if half_deg == 0.1:
        assert np.max(over, axis=0).mean() > -0.05 * most.mean()
