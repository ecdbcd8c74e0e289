"""Small places to design for, made from plain arrays: a Sun that rolls around the horizon, hidden now and then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from yieldsim.base.load_model import Storage
from yieldsim.base.model import RoundAcceptance
from yieldsim.planning.habitat.dispatch import needs_from
from yieldsim.planning.orientation.mount_frames import Facings, facings
from yieldsim.planning.system.pricing import Sunlight
from yieldsim.planning.system.serving import Serving

DAY_HOURS = 60


@dataclass(frozen=True)
class Place:
    """Sunlight at candidate facings and what must be served."""

    sunlight: Sunlight
    serving: Serving

    @property
    def light_kwh(self):
        return self.sunlight.light_kwh(self.sunlight.candidates)


def small_place(
    weighed,
    *,
    seed=0,
    days=6,
    candidates=12,
    reliability=0.97,
    asked_w=1.0,
    measure="energy",
    choices_kwh=(0.01, 0.02, 0.04),
    least=0.1,
    loss=0.02,
    shield_w=0.0,
    given: Facings | None = None,
    charge_power_w=None,
    discharge_power_w=None,
):
    """Some days of 60 hours at a pole: the Sun a few degrees above the horizon, hills before it, passing clouds of rock."""
    rng = np.random.default_rng(seed)
    rows = days * DAY_HOURS
    azimuth = 2.0 * np.pi * (np.arange(rows) + 0.5) / DAY_HOURS
    elevation = np.radians(3.0 + 2.0 * np.sin(np.arange(rows) / 97.0))
    sun = np.stack(
        [np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)], axis=1
    )
    hidden = np.isin((np.arange(rows) % DAY_HOURS) // 6, rng.choice(10, 3, replace=False))
    hidden |= rng.random(rows) < 0.03
    power = np.where(hidden, 0.0, 6.0 * (0.8 + 0.4 * rng.random(rows)))
    acceptance = RoundAcceptance(
        incidence_deg=np.array([0.0, 25.0, 40.0, 45.0]),
        acceptance_fraction=np.array([0.9, 0.85, 0.5, 0.0]),
        source="disc",
    )
    prospect = weighed(sun, power, acceptance)
    some = facings(87.0, np.arange(candidates) * 360.0 / candidates) if given is None else given
    loads = [(asked_w * (0.7 + 0.6 * rng.random(rows)) / 1000.0, 0.4, 1.0)]
    grows = [False]
    if shield_w > 0.0:
        loads.append((np.where(np.arange(rows) % 24 == 0, shield_w / 1000.0, 0.0), 0.4, 1.0))
        grows.append(True)
    needs = needs_from(
        np.stack([one[0] for one in loads], axis=1),
        np.array([one[1] for one in loads]),
        np.array([one[2] for one in loads]),
        np.zeros(len(loads), np.int64),
    )
    storage = Storage(
        capacity_kwh=0.02,
        converter_efficiency=0.4,
        charge_efficiency=0.95,
        discharge_efficiency=0.95,
        standing_loss_per_day=loss,
        initial_fraction=0.9,
        least_fraction=least,
        fade_per_year=0.05,
        fade_per_cycle=0.0002,
        charge_power_w=charge_power_w,
        discharge_power_w=discharge_power_w,
    )
    serving = Serving(
        needs=needs,
        by_units=np.array(grows),
        storage=storage,
        solar_time_hours=((np.arange(rows) + 0.5) * 24.0 / DAY_HOURS) % 24.0,
        row_hours=1.0,
        reliability=reliability,
        measure=measure,
        choices_kwh=choices_kwh,
        most_kwh=choices_kwh[-1] if choices_kwh else np.inf,
    )
    return Place(Sunlight(prospect=prospect, row_hours=1.0, candidates=some, step_deg=0.0), serving)


@pytest.fixture
def place(weighed):
    """The maker of small places."""

    def made(**given):
        return small_place(weighed, **given)

    return made
