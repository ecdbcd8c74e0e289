"""What a set of units does, read from the fine steps of time themselves, as an estimate would: no cells of sky."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from yieldsim.base.model import Mount
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import of_mounts
from yieldsim.planning.orientation.objectives import Goal, Prospect
from yieldsim.planning.sunlight.interval_kernels import Runs
from yieldsim.planning.sunlight.sunlit_series import delivering_runs, is_cut, longest_gap_steps
from yieldsim.planning.unit_sets.set_cover import united

Mounts = tuple[Mount, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ability:
    """What a set of units does.

    value   of the goal: kWh, or hours of the longest gap
    """

    units: int
    value: float
    upper_bound: float
    annual_kwh: float
    worst_month_kwh: float
    longest_gap_hours: float
    longest_gap_start_utc: np.datetime64
    longest_gap_is_cut: bool
    hours_delivering: float


class Deeds(NamedTuple):
    """What one unit of a facing does: energy by month, stretches of light, power by interval where a load asks."""

    month_kwh: FloatArray
    runs: Runs
    power_w: FloatArray | None


class Watch:
    """Reads what sets do for a goal; each facing is read once, however many sets it is in."""

    def __init__(self, prospect: Prospect, goal: Goal) -> None:
        """Nothing is read yet."""
        self._prospect, self._goal = prospect, goal
        track = prospect.track
        self._months = prospect.months.sky.run_months
        self._kwh_per_w = track.step_hours * track.steps_per_interval / 1000.0
        self._known: dict[tuple[float, ...], Deeds] = {}

    def ability(self, mounts: Mounts, score_bound: float) -> Ability:
        """What mounts do together; `score_bound` is a chooser's bound."""
        prospect, goal, track = self._prospect, self._goal, self._prospect.track
        months, runs = self._month_kwh(mounts), self._union(mounts)
        gap_steps, gap_from = longest_gap_steps(runs, track.step_count)
        value = self.value(mounts)
        # a value may be a hair better than a bound over what was tried
        bound = (
            min(-score_bound * track.step_hours, value) if goal == "shortest-gap" else max(score_bound, value)
        )
        return Ability(
            units=sum(mount.count for mount in mounts),
            value=value,
            upper_bound=bound,
            annual_kwh=float(months.sum() / prospect.years),
            worst_month_kwh=float(months[prospect.whole_months].min()),
            longest_gap_hours=gap_steps * track.step_hours,
            longest_gap_start_utc=track.step_utc(gap_from),
            longest_gap_is_cut=is_cut(gap_from, gap_steps, track.step_count),
            hours_delivering=float((runs[1] - runs[0]).sum() * track.step_hours),
        )

    def value(self, mounts: Mounts) -> float:
        """The goal's own figure: kWh, or hours of the longest gap."""
        prospect, track = self._prospect, self._prospect.track
        if self._goal == "shortest-gap":
            return longest_gap_steps(self._union(mounts), track.step_count)[0] * track.step_hours
        if self._goal == "load":
            assert prospect.use is not None
            power_w = sum(mount.count * np.asarray(self._read(mount).power_w) for mount in mounts)
            return float(prospect.use(np.asarray(power_w))) / prospect.years
        months = self._month_kwh(mounts)
        return float(
            months.sum() / prospect.years if self._goal == "annual" else months[prospect.whole_months].min()
        )

    def worth(self, mounts: Mounts) -> float:
        """The same, better when higher."""
        return -self.value(mounts) if self._goal == "shortest-gap" else self.value(mounts)

    def _month_kwh(self, mounts: Mounts) -> FloatArray:
        return np.asarray(sum(mount.count * self._read(mount).month_kwh for mount in mounts))

    def _union(self, mounts: Mounts) -> Runs:
        none = np.zeros(0, dtype=np.int64)
        found: Runs = (none, none)
        for mount in mounts:
            found = united(found, self._read(mount).runs)
        return found

    def _read(self, mount: Mount) -> Deeds:
        key = (mount.tilt_deg, mount.azimuth_deg, mount.roll_deg)
        if key not in self._known:
            prospect, one = self._prospect, of_mounts((mount,))
            power_w = prospect.power_w(one)[0]
            axes = one.axes_enu_xyz[0]
            months = self._months.sums(power_w * self._kwh_per_w)
            self._known[key] = Deeds(
                months,
                delivering_runs(prospect.track, prospect.year.ready, axes, mount.tilt_deg),
                power_w if self._goal == "load" else None,
            )
        return self._known[key]
