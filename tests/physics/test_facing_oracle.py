"""The best facings and sets of units against brute force over the estimate's own series: no cells of sky, no lookups, no
grid of directions in common with the search."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from yieldsim.base.model import (
    BiaxialAcceptance,
    CleaningEvent,
    Collector,
    Dust,
    HorizonMask,
    Mount,
    RoundAcceptance,
    Shield,
    Site,
)
from yieldsim.base.numerics.vectors import direction_enu_xyz, mount_axes_enu_xyz
from yieldsim.energy import soiling
from yieldsim.energy.integration import beam_block
from yieldsim.files.inputs.readers import read_body
from yieldsim.optics.acceptance import acceptance_at
from yieldsim.planning.orientation.best_facing import best_facing
from yieldsim.planning.orientation.objectives import FacingProblem, Prospect
from yieldsim.planning.sunlight.cumulative_sky import weigh
from yieldsim.planning.unit_sets.design import choose_units
from yieldsim.runs.setup.prepare import prepare

LOPSIDED = BiaxialAcceptance(
    transverse_deg=[-5, -3, 0, 2, 6, 9],
    longitudinal_deg=[-40, -20, 0, 15, 25],
    acceptance_fraction=[
        [0, 0, 0, 0, 0],
        [0.1, 0.4, 0.5, 0.4, 0],
        [0.3, 0.6, 0.8, 0.7, 0.1],
        [0.3, 0.65, 0.85, 0.75, 0.2],
        [0.1, 0.3, 0.5, 0.3, 0.05],
        [0, 0, 0, 0, 0],
    ],
    source="point",
)
TROUGH = BiaxialAcceptance(
    transverse_deg=[-15, -10, 0, 12, 20],
    longitudinal_deg=[0, 20, 40, 60],
    acceptance_fraction=[
        [0, 0, 0, 0],
        [0.5, 0.45, 0.3, 0],
        [0.8, 0.75, 0.5, 0],
        [0.6, 0.55, 0.3, 0],
        [0, 0, 0, 0],
    ],
    source="disc",
)
WIDE = RoundAcceptance(
    incidence_deg=[0, 8, 15, 22, 28], acceptance_fraction=[0.88, 0.85, 0.7, 0.35, 0.0], source="point"
)
HILLS = HorizonMask(
    azimuth_deg=[0, 40, 80, 120, 180, 230, 270, 320], elevation_deg=[4, 12, 3, 18, 6, 2, 25, 8]
)
DUST = Dust(
    loss_per_day=0.008,
    tilt_exponent=1.2,
    floor=0.2,
    events=(CleaningEvent(time_utc="2027-06-20", removes=0.6),),
)
MOON = {"body": "moon", "latitude_deg": -41.0, "longitude_deg": 75.0, "horizon": HILLS}
MARS = {"body": "mars", "latitude_deg": -35.0, "longitude_deg": 20.0, "optical_depth": 0.6, "dust": DUST}
CASES = {
    "moon, lopsided": (MOON, {"acceptance": LOPSIDED}, ("2027-01-01", "2027-04-01")),
    "moon, round": (MOON, {"acceptance": WIDE}, ("2027-01-01", "2027-04-01")),
    "mars, trough": (
        MARS,
        {"acceptance": TROUGH, "shield": Shield(film_transmittance=0.95, removal=0.6, cycle_hours=400.0)},
        ("2027-06-01", "2027-07-01"),
    ),
}
LAMP_W = 8.0


class Series:
    """Delivered light of any facing at the steps of a run, made from the estimate's own parts."""

    def __init__(self, ready, steps):
        setting, grid = ready.setting, ready.grid
        self.setting, self.grid, self.steps = setting, grid, steps
        utc, self.tdb_s = grid.fine(0, grid.count, steps)
        ds = beam_block(setting, utc, self.tdb_s)
        film = setting.collector.shield.film_transmittance if setting.collector.shield else 1.0
        beam_w = ds["beam_irradiance_w_m2"].values * film * setting.collector.aperture_area_m2
        self.count, self.lit = len(beam_w), np.flatnonzero(beam_w > 0.0)
        sun = direction_enu_xyz(ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values)
        self.sun, self.beam_w = sun[self.lit], beam_w[self.lit]
        self.radius_deg, self.tdb_s = ds["sun_angular_radius_deg"].values[self.lit], self.tdb_s[self.lit]
        months = grid.edge_utc[:-1].astype("datetime64[M]")
        self.month = np.repeat(np.unique(months, return_inverse=True)[1], steps)[self.lit]
        self.step_hours = grid.interval_s / steps / 3600.0
        table = setting.collector.acceptance_table
        names = (
            ("incidence_deg",)
            if isinstance(table, RoundAcceptance)
            else ("transverse_deg", "longitudinal_deg")
        )
        # beyond the corner of the table and a disc's radius nothing is accepted
        widest = np.radians([np.abs(getattr(table, name)).max() + 0.5 for name in names])
        self.least_cosine = 1.0 / np.sqrt(1.0 + (np.tan(widest) ** 2).sum())

    def power_w(self, axes, rough):
        """Power of one unit at each lit step, W; rough: from the middle of the Sun's disc alone."""
        table = self.setting.collector.acceptance_table
        table = replace(table, source="disc") if rough else table
        direction = self.sun @ axes.T
        near = np.flatnonzero(direction[:, 2] > self.least_cosine)
        power_w = np.zeros(len(direction))
        power_w[near] = self.beam_w[near] * direction[near, 2]
        power_w[near] *= acceptance_at(table, direction[near], self.radius_deg[near])
        if self.setting.site.dust is not None:
            power_w[near] *= self.clean(axes, near)
        return power_w

    def clean(self, axes, near):
        dust, shield = self.setting.site.dust, self.setting.collector.shield
        ends = float(self.grid.edge_tdb_s[0]), float(self.grid.edge_tdb_s[-1])
        tilt_deg = float(np.degrees(np.arctan2(np.hypot(*axes[2, :2]), axes[2, 2])))
        history = soiling.dust_history(dust, shield, tilt_deg, *ends)
        return soiling.clean_fraction(dust, soiling.load_at(history, self.tdb_s[near]))

    def score(self, goal, several, rough=False):
        """Of mounts that share the sky, higher is better; energy decides between equal gaps."""
        power_w = sum(self.power_w(axes, rough) for axes in several)
        kwh = np.bincount(self.month, power_w * self.step_hours / 1000.0)
        if goal in ("annual", "worst-month"):
            return float(kwh.sum() if goal == "annual" else kwh.min())
        every = np.zeros(self.count)
        every[self.lit] = power_w
        if goal == "load":
            return self.lamp_kwh(every.reshape(-1, self.steps).mean(axis=1))
        return -self.gap_hours(every > 0.0) + 1e-6 * kwh.sum()

    def lamp_kwh(self, interval_w):
        return np.minimum(interval_w, LAMP_W).sum(axis=-1) * self.grid.interval_s / 3.6e6

    def gap_hours(self, flags):
        edges = np.flatnonzero(np.diff(np.concatenate([[1], flags.astype(np.int8), [1]])))
        return float((edges[1::2] - edges[::2]).max(initial=0) * self.step_hours)


@cache
def case(name):
    place, design, (start, end) = CASES[name]
    site = Site(name="Somewhere", **{**place, "body": read_body(place["body"]).noun})
    collector = Collector(
        name="Unit", aperture_area_m2=0.2, mounts=(Mount(tilt_deg=45.0, azimuth_deg=0.0),), **design
    )
    ready = prepare(site, collector, start, end)
    sky, track = weigh(ready.setting, ready.grid)
    series = Series(ready, track.steps_per_interval)
    return series, Prospect.of(sky, track, collector.acceptance_table, use=series.lamp_kwh)


def climbed(score, several, size_deg, finest_deg, rng):
    """The set after turning one mount at a time by small random rotations as long as that helps."""
    best, failed = score(several), 0
    while size_deg > finest_deg:
        about = rng.normal(size=3)
        place = rng.integers(len(several))
        about += 2.0 * rng.normal() * several[place][2]
        about *= np.radians(size_deg) * abs(rng.normal()) / np.linalg.norm(about)
        other = list(several)
        other[place] = several[place] @ Rotation.from_rotvec(about).as_matrix().T
        reached = score(other)
        if reached > best:
            several, best, failed = other, reached, 0
        elif (failed := failed + 1) == 20:
            size_deg, failed = size_deg / 2.0, 0
    return several, best


def brute_force(series, goal, units=1, seed=0):
    """The best set by a random net over sky and roll, then random climbs from its best places."""
    rng = np.random.default_rng(seed)
    net = Rotation.random(800 * units, random_state=seed).as_matrix().reshape(800, units, 3, 3)
    first = np.array([series.score(goal, list(one), rough=True) for one in net])
    found = [
        climbed(lambda some: series.score(goal, some, rough=True), list(net[place]), 8.0, 0.5, rng)
        for place in np.argsort(-first)[:3]
    ]
    some = max(found, key=lambda one: one[1])[0]
    return climbed(lambda some: series.score(goal, some), some, 0.4, 0.1, rng)[1]


def all_axes(mounts):
    """Axes of every unit."""
    return [mount_axes_enu_xyz(m.tilt_deg, m.azimuth_deg, m.roll_deg) for m in mounts for _ in range(m.count)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "goal"),
    [("moon, lopsided", "worst-month"), ("moon, lopsided", "shortest-gap"), ("mars, trough", "load")],
)
def test_no_facing_found_by_brute_force_is_better(name, goal):
    series, prospect = case(name)
    mount = best_facing(FacingProblem(prospect, goal)).facing.mount(0)
    reached, best = series.score(goal, all_axes((mount,))), brute_force(series, goal)
    if goal == "shortest-gap":
        assert -reached <= -best + series.grid.interval_s / 3600.0
    else:
        assert reached >= 0.998 * best


@pytest.mark.slow
@pytest.mark.parametrize(("name", "goal"), [("moon, round", "shortest-gap"), ("moon, lopsided", "load")])
def test_no_set_found_by_brute_force_beats_the_plan_or_its_bound(name, goal):
    series, prospect = case(name)
    most_use_kwh = series.lamp_kwh(np.full(series.grid.count, np.inf))
    plan = choose_units(prospect, goal, 2, most_use_kwh=most_use_kwh)
    reached, best = series.score(goal, all_axes(plan.mounts)), brute_force(series, goal, 2)
    if goal == "shortest-gap":
        assert plan.best.value == pytest.approx(-reached, abs=series.step_hours)
        assert -reached <= -best + series.grid.interval_s / 3600.0
        assert plan.best.upper_bound <= -best + series.step_hours
    else:
        assert plan.best.value == pytest.approx(reached, rel=2e-3)
        assert reached >= 0.998 * best
        assert best <= plan.best.upper_bound * (1.0 + 1e-3)
    energy = series.score("annual", all_axes(plan.mounts)) / prospect.years
    assert plan.best.annual_kwh == pytest.approx(energy, rel=2e-3)
