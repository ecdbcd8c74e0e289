"""A site as one unit of a collector sees it, and by what facings are judged there.

Goals, each a score that is better when higher:

    annual         energy, kWh a year
    worst-month    energy of the poorest whole calendar month (UTC) of the run, kWh
    shortest-gap   minus the longest stretch without light, hours; among equals the facing with more energy
    load           energy that a given load and its store put to use, kWh a year
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.nouns import Acceptance, BiaxialAcceptance
from yieldsim.base.vectors import FloatArray
from yieldsim.planning.lit_steps import (
    LitSteps,
    gaps_and_hours,
    interval_power_w,
    lit_runs,
    longest_gap_steps,
)
from yieldsim.planning.poses import Facings, axes_enu_xyz
from yieldsim.planning.sweep import Sweep
from yieldsim.planning.weighted_sky import WeightedSky

Goal = Literal["annual", "worst-month", "shortest-gap", "load"]
GOALS: tuple[Goal, ...] = ("annual", "worst-month", "shortest-gap", "load")
Use = Callable[[FloatArray], float]
"""Energy put to use over the run, kWh, from delivered power (intervals,) in W."""
SCOUT_CELLS_PER_REACH = 90.0
TIE = 1e-6
"""Share of the annual energy that tells facings with equal worst months apart."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Prospect:
    """Everything by which facings are judged.

    months   the sky by calendar month
    year     the sky of the whole run
    scout    the same in wider cells: quick, good to a few parts in a thousand, for searching many rolls
    track    lit steps in the order of time
    use      what a load makes of delivered power; None: no load was given
    """

    months: Sweep
    year: Sweep
    scout: Sweep
    track: LitSteps
    use: Use | None = None

    @classmethod
    def of(
        cls, sky: WeightedSky, track: LitSteps, acceptance: Acceptance, use: Use | None = None
    ) -> Prospect:
        """Make ready for searching."""
        months = Sweep.of(sky, acceptance)
        one = sky.merged()
        year = months.with_sky(one)
        scout = year
        if isinstance(acceptance, BiaxialAcceptance):
            wide_deg = math.degrees(months.ready.reach_rad) / SCOUT_CELLS_PER_REACH
            if wide_deg > 1.5 * sky.cell_deg:
                scout = months.with_sky(one.coarser(wide_deg))
        return cls(months=months, year=year, scout=scout, track=track, use=use)

    @property
    def years(self) -> float:
        """Years of the run."""
        return self.year.sky.years

    @property
    def whole_months(self) -> NDArray[np.bool_]:
        """Which months the run covers from end to end; all of them when it covers none."""
        whole = self.months.sky.period_whole
        return whole if whole.any() else np.ones_like(whole)

    @property
    def rolls_matter(self) -> bool:
        """Whether turning about the normal changes anything."""
        return not self.year.ready.is_round

    @property
    def roll_period_deg(self) -> float:
        """Rolls further apart than this repeat: half a turn for a table that is the same on both sides of
        both angles."""
        return 180.0 if self.year.ready.fold_t and self.year.ready.fold_l else 360.0

    @property
    def dark_gap_hours(self) -> float:
        """Longest stretch without any light at the site: what a mount that follows the Sun has, and none can
        shorten."""
        return longest_gap_steps(lit_runs(self.track), self.track.step_count)[0] * self.track.step_hours

    def annual_kwh(self, some: Facings, *, scout: bool = False) -> FloatArray:
        """Energy of one unit a year, (n,)."""
        sweep = self.scout if scout else self.year
        return np.asarray(sweep.kwh(axes_enu_xyz(some), some.tilt_deg) / self.years)

    def month_kwh(self, some: Facings) -> FloatArray:
        """Energy of one unit in each month of the run, (n, months)."""
        return self.months.period_kwh(axes_enu_xyz(some), some.tilt_deg)

    def gap_and_light_hours(self, some: Facings) -> tuple[FloatArray, FloatArray]:
        """Longest gap and hours delivering over the run, (n,) each."""
        return gaps_and_hours(self.track, self.year.ready, axes_enu_xyz(some), some.tilt_deg)

    def power_w(self, some: Facings, place: int) -> FloatArray:
        """Power of one unit of one of the facings in each interval, (intervals,): steps of time, no cells of
        sky."""
        axes = axes_enu_xyz(some.take([place]))[0]
        return interval_power_w(self.track, self.year.ready, axes, float(some.tilt_deg[place]))

    def used_kwh(self, some: Facings, units: int = 1) -> FloatArray:
        """Energy that the load makes use of a year, (n,). Raises ValueError without a load."""
        if self.use is None:
            raise ValueError("no load was given")
        return np.array([self.use(units * self.power_w(some, i)) for i in range(some.count)]) / self.years

    def score(
        self, goal: Goal, some: Facings, units: int = 1, *, at_least: FloatArray | None = None
    ) -> FloatArray:
        """How well each facing serves a goal, higher is better, (n,): kWh of `units` units, or minus hours.

        Energy decides among facings with the same gap, or with nothing in their worst month: it adds less
        than half a step of time, or a millionth.
        at_least   (n,)  a facing that can't reach this score may be given up: minus infinity
        """
        if goal == "load":
            return self.used_kwh(some, units)
        annual = self.annual_kwh(some)
        if goal == "annual":
            return units * annual
        if goal == "worst-month":
            worst = self.month_kwh(some)[:, self.whole_months].min(axis=1)
            return np.asarray(units * (worst + TIE * annual))
        share = annual / max(self.year.sky.total_kwh() / self.years, 1e-300)
        most = None if at_least is None else -at_least + 0.5 * self.track.step_hours
        gap, _ = gaps_and_hours(self.track, self.year.ready, axes_enu_xyz(some), some.tilt_deg, most)
        return -gap + 0.5 * self.track.step_hours * share
