"""A site as one unit of a collector sees it, and the problem of the best facing there: what `orient`, `rank` and `tune` search alike.

Goals, each a score that is better when higher:

    annual         energy, kWh a year
    worst-month    energy of the poorest whole month of the run (calendar, or 30 deg of solar longitude), kWh
    shortest-gap   minus the longest stretch without light, hours; among equals the facing with more energy
    load           energy that a given load and its store put to use, kWh a year
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.model import Acceptance, BiaxialAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.sunlit import LitSteps
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.orientation.smeared_levels import Coarse, coarse_search, half_spans_deg
from yieldsim.planning.sunlight.cumulative_sky import WeightedSky
from yieldsim.planning.sunlight.facing_energy import Sweep
from yieldsim.planning.sunlight.sunlit_series import (
    gap_hours,
    interval_power_w,
    lit_runs,
    longest_gap_steps,
)

Goal = Literal["annual", "worst-month", "shortest-gap", "load"]
GOALS: tuple[Goal, ...] = ("annual", "worst-month", "shortest-gap", "load")
Use = Callable[[FloatArray], FloatArray]
"""Energy put to use over the run, kWh, (...), from delivered power (..., intervals) in W."""
SCOUT_CELLS_PER_HALF_WIDTH, SCOUT_STEPS_PER_HALF_WIDTH, SCOUT_MEANS_PER_HALF_WIDTH = 6.5, 4.0, 2.0
LONGEST_SCOUT_STEP_S = 1800.0
AT_A_TIME = 64
"""Facings whose series are held at a time."""
TIE = 1e-6
"""Share of the annual energy that tells facings with equal worst months apart."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Prospect:
    """Everything by which facings are judged.

    months   the sky by month
    year     the sky of the whole run
    scout_months, scout   the same for searching. Two angles: in wider cells and with a disc of one size, good to some
             1e-3 of the best facing's energy
    coarse   two angles: what the search of facings and rolls starts from
    track    lit steps in the order of time
    scout_track   some of them, for searching gaps: as many as the width of the acceptance asks for
    scout_power   means of neighbours, for searching what a load makes of them
    use      what a load makes of delivered power; None: no load was given
    """

    months: Sweep
    year: Sweep
    scout_months: Sweep
    scout: Sweep
    coarse: Coarse | None
    track: LitSteps
    scout_track: LitSteps
    scout_power: LitSteps
    use: Use | None = None

    @classmethod
    def of(
        cls, sky: WeightedSky, track: LitSteps, acceptance: Acceptance, use: Use | None = None
    ) -> Prospect:
        """Make ready for searching."""
        months = Sweep.of(sky, acceptance, gaps=True)
        year = months.with_sky(sky.merged())
        scout_months, scout, coarse, stride, scout_power = months, year, None, 1, track
        if isinstance(acceptance, BiaxialAcceptance):
            steps_across = half_spans_deg(year)[0] / np.degrees(track.fastest_rad)
            longest = LONGEST_SCOUT_STEP_S / track.step_s
            stride = max(1, int(min(steps_across / SCOUT_STEPS_PER_HALF_WIDTH, longest)))
            scout_power = track.averaged(min(steps_across / SCOUT_MEANS_PER_HALF_WIDTH, longest))
            one = wider_sky(months, SCOUT_CELLS_PER_HALF_WIDTH)
            scout_months = Sweep.of(one, acceptance)
            scout = scout_months.with_sky(one.merged())
            coarse = coarse_search(one, acceptance, scout)
        return cls(
            months=months,
            year=year,
            scout_months=scout_months,
            scout=scout,
            coarse=coarse,
            track=track,
            scout_track=track.thinned(stride),
            scout_power=scout_power,
            use=use,
        )

    @property
    def years(self) -> float:
        """Years of the run."""
        return self.year.sky.years

    @property
    def whole_months(self) -> NDArray[np.bool_]:
        """Which months the run covers from end to end; all of them when it covers none."""
        return self.months.sky.run_months.judged

    @property
    def rolls_matter(self) -> bool:
        """Whether turning about the normal changes anything."""
        return not self.year.ready.is_round

    @property
    def dark_gap_hours(self) -> float:
        """Longest stretch without any light at the site: what a mount that follows the Sun has, and none can
        shorten."""
        return longest_gap_steps(lit_runs(self.track), self.track.step_count)[0] * self.track.step_hours

    def annual_kwh(self, some: Facings, *, scout: bool = False) -> FloatArray:
        """Energy of one unit a year, (n,)."""
        sweep = self.scout if scout else self.year
        return np.asarray(sweep.kwh(some.axes_enu_xyz, some.tilt_deg) / self.years)

    def month_kwh(self, some: Facings, *, scout: bool = False) -> FloatArray:
        """Energy of one unit in each month of the run, (n, months)."""
        sweep = self.scout_months if scout else self.months
        return sweep.period_kwh(some.axes_enu_xyz, some.tilt_deg)

    def gap_hours(self, some: Facings) -> FloatArray:
        """Longest gap over the run, (n,)."""
        return gap_hours(self.track, self.year.ready, some.axes_enu_xyz, some.tilt_deg)

    def power_w(self, some: Facings, *, scout: bool = False) -> FloatArray:
        """Power of one unit of each facing in each interval, (n, intervals): steps of time, no cells of sky."""
        track, ready = self.scout_power if scout else self.track, self.year.ready
        poses = zip(some.axes_enu_xyz, some.tilt_deg, strict=True)
        return np.stack([interval_power_w(track, ready, axes, float(tilt)) for axes, tilt in poses])

    def used_kwh(self, some: Facings, units: int = 1, *, scout: bool = False) -> FloatArray:
        """Energy that the load makes use of a year, (n,). Raises ValueError without a load."""
        if self.use is None:
            raise ValueError("no load was given")
        parts = (some.take(slice(first, first + AT_A_TIME)) for first in range(0, some.count, AT_A_TIME))
        used = [self.use(units * self.power_w(part, scout=scout)) for part in parts]
        return np.concatenate([np.zeros(0), *used]) / self.years


class Effort(NamedTuple):
    """How long a goal is searched for.

    seeds       places that are searched from, twice as many where facings roll; judging one for a load takes a run of its store
    patience    rounds in a row without gain after which the step is halved: months have ridges that take it. One value for all
        goals doubles the time for loads and leaves gaps up to 1.2 % longer
    ends        so many of the best ends are searched in the finest cells and steps from the step exact_from_deg on, of round and of
        two-angle optics; sooner for gaps, which change by whole steps of time (one value of 0.32 leaves those of troughs
        0.17 % longer, of 0.64 those of narrow cones 0.08 %)
    grid_deg    distance of the facings of a grid whatever the optics; None: by the reach of the acceptance. Gaps jump from one
        facing to the next, and by the reach came out up to 0.7 % longer
    """

    seeds: int
    patience: int
    ends: int
    exact_from_deg: tuple[float, float]
    grid_deg: float | None


EFFORT: dict[Goal, Effort] = {
    "annual": Effort(24, 3, 2, (0.16, 0.08), None),
    "worst-month": Effort(24, 3, 2, (0.16, 0.08), None),
    "shortest-gap": Effort(16, 2, 8, (0.32, 0.64), 2.0),
    "load": Effort(4, 2, 1, (0.16, 0.16), 5.0),
}


@dataclass(frozen=True, slots=True, eq=False)
class FacingProblem:
    """What a facing is sought for.

    prospect   the light of the run, by which facings are judged
    units      how many face that way: decides what a load can use
    """

    prospect: Prospect
    goal: Goal
    units: int = 1

    @property
    def effort(self) -> Effort:
        """How long to search."""
        return EFFORT[self.goal]

    def score(self, some: Facings, at_least: FloatArray | None = None, *, scout: bool = False) -> FloatArray:
        """How well each facing serves the goal, higher is better, (n,): kWh of all units, or minus hours.

        Energy decides among facings with the same gap, or with nothing in their worst month: it adds less
        than half a step of time, or a millionth.
        at_least   (n,)  a facing that can't reach this score may be given up: minus infinity
        scout      read energies from the sky for searching
        """
        return self.worth(self.measures(some, at_least, scout=scout))

    def scouted(self, some: Facings, at_least: FloatArray | None = None) -> FloatArray:
        """Measures by the sky and the steps for searching."""
        return self.measures(some, at_least, scout=True)

    def worth(self, measures: FloatArray) -> FloatArray:
        """Scores (n,) from `measures` (n, k)."""
        if self.goal != "worst-month":
            return measures[:, 0]
        worst = measures[:, self.prospect.whole_months].min(axis=1)
        return np.asarray(worst + TIE * measures.sum(axis=1) / self.prospect.years)

    def measures(
        self, some: Facings, at_least: FloatArray | None = None, *, scout: bool = False
    ) -> FloatArray:
        """What scores follow from, (n, k): the energy of each month for the poorest one, else the score itself."""
        prospect = self.prospect
        if self.goal == "load":
            return prospect.used_kwh(some, self.units, scout=scout)[:, None]
        if self.goal == "annual":
            return self.units * prospect.annual_kwh(some, scout=scout)[:, None]
        if self.goal == "worst-month":
            return self.units * prospect.month_kwh(some, scout=scout)
        share = prospect.annual_kwh(some, scout=True) / max(
            prospect.year.sky.total_kwh() / prospect.years, 1e-300
        )
        track, ready = prospect.scout_track if scout else prospect.track, prospect.year.ready
        # equal gaps are told apart by energy: with less of it, only a shorter one counts
        most = None if at_least is None else -at_least + 0.5 * track.step_hours * share
        if scout and not ready.is_round:
            ready = ready._replace(disc_xy=ready.disc_xy[:0])
        gap = gap_hours(track, ready, some.axes_enu_xyz, some.tilt_deg, most)
        return np.asarray(-gap + 0.5 * track.step_hours * share)[:, None]


def wider_sky(sweep: Sweep, cells_per_half_width: float) -> WeightedSky:
    """The sky of two-angle optics in wider cells and with a disc of one size."""
    wide_deg = max(sweep.sky.cell_deg, half_spans_deg(sweep)[0] / cells_per_half_width)
    return sweep.sky.of_one_radius().coarser(wide_deg)
