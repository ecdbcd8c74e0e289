"""A run compressed to a weighted sky: how much light a unit's aperture gets from each direction, everything
but the facing counted.

The energy of a unit facing n is a sum over the fine steps t of the run,

    E(n) = sum_t  w_t  cos(n, s_t)  acceptance(n, s_t)  clean_t

where w_t (kWh on a unit's aperture held square to the Sun) holds irradiance, distance, horizon, eclipse, air,
film and fibre, darkening included. Steps that fall into one cell of the sky are replaced by one direction,
the mean of theirs weighted by w, left at its own length (a little below 1). For any function h of the scalar
product n . s the first-order error then vanishes; what remains is bounded by

    |error|  <=  sum over cells  w  max |h(s) - h(mean) - slope . (s - mean)|  over the cell

which `planning.sunlight.facing_energy` evaluates for a facing (`cell_error_kwh`). Cells are 1 to 0.05 degrees wide, chosen by
the acceptance curve (`acceptance_lookup.cell_for_deg`). Each step is first spread along the Sun's way during
the step, so that a narrow acceptance sees a path and no beads.

Dust may settle by the tilt of the aperture, at a rate 0..1 of a level one. Its load is that rate times the
load of a level aperture, so the sky is weighed for a few rates and a facing's energy is interpolated between
them: exactly where dust does not matter, by polynomials through Chebyshev points otherwise (`DustRates`,
which states its error).

Sums are kept by calendar month and by class of the disc's radius; `WeightedSky.merged` adds months up, with
factors if wanted, and `scaled` multiplies. That is all a re-weighting needs: a change of dust rate is another
rate, a change of one month's air a factor. A run is streamed: memory is the block's and the cells', not the
run's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import DAYS_PER_YEAR, HOURS_PER_DAY, SECONDS_PER_HOUR
from yieldsim.base.numerics.vectors import FloatArray, direction_enu_xyz
from yieldsim.base.year.period import span_years
from yieldsim.base.year.run_months import RunMonths, run_months
from yieldsim.energy import soiling
from yieldsim.energy.chain import fibre_transmittance, front_transmittance
from yieldsim.energy.integration import BLOCK_STEPS, Setting, TimeGrid, beam_block, first_steps
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.energy.sunlit import LitSteps, LitStepsGathering
from yieldsim.optics.acceptance_lookup import cell_for_deg
from yieldsim.planning.sunlight.histogram import (
    CLASS_BASE,
    PERIOD_BASE,
    SkyCells,
    added_up,
    cell_numbers,
    radius_class,
)

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WeightedSky:
    """Light by direction, for one unit of a collector.

    sums               (rates, cells, 4)  by dust rate: sum of w * direction (east, north, up) and sum of w,
        kWh on the aperture
    period             (cells,)  which month of the run, 0..
    radius_class       (cells,)  which class of the Sun's angular radius
    class_radius_deg   (classes,)  mean radius of each
    run_months         the months that `period` counts
    dust               rates for which `sums` holds a row, and how a tilt becomes a rate
    cell_deg           width of the cells
    hours              length of the run
    year_days          what annual figures are per, the body's year
    """

    sums: FloatArray
    period: NDArray[np.int32]
    radius_class: NDArray[np.int32]
    class_radius_deg: FloatArray
    run_months: RunMonths
    dust: DustRates
    cell_deg: float
    hours: float
    year_days: float = DAYS_PER_YEAR

    @property
    def years(self) -> float:
        """Years of the run, by which annual figures are divided."""
        return span_years(self.hours / HOURS_PER_DAY, self.year_days)

    @property
    def cell_count(self) -> int:
        """Cells that hold light."""
        return len(self.period)

    def total_kwh(self, dust_rate: float = 1.0) -> float:
        """Light on an aperture that follows the Sun, over the run: the most that any facing can have,
        whatever its acceptance."""
        return float(self.dust.shares(np.array([dust_rate]))[0] @ self.sums[:, :, 3].sum(axis=1))

    def merged(self, period_factor: FloatArray | None = None) -> WeightedSky:
        """The same sky with its months added up into one period, each times its factor (periods,) if
        given."""
        sums = self.sums if period_factor is None else self.sums * period_factor[self.period][None, :, None]
        one = replace(
            self,
            sums=sums,
            period=np.zeros_like(self.period),
            run_months=self.run_months.as_one(),
        )
        return one.coarser(self.cell_deg)

    def coarser(self, cell_deg: float) -> WeightedSky:
        """The same sky in wider cells: quicker to sweep, less exact."""
        chapter = (self.period * np.int64(PERIOD_BASE) + self.radius_class) * CLASS_BASE
        keys, sums = added_up(chapter + cell_numbers(self.sums[0, :, :3], cell_deg), self.sums)
        parts = np.divmod(keys // CLASS_BASE, PERIOD_BASE)
        return replace(
            self,
            sums=sums,
            period=parts[0].astype(np.int32),
            radius_class=parts[1].astype(np.int32),
            cell_deg=cell_deg,
        )

    def of_one_radius(self) -> WeightedSky:
        """The same sky with the Sun's disc at its mean radius, classes added up; cells as they are."""
        light = np.bincount(self.radius_class, self.sums[0, :, 3], minlength=len(self.class_radius_deg))
        mean = light @ self.class_radius_deg / light.sum() if light.sum() > 0.0 else self.class_radius_deg[0]
        one = replace(
            self, radius_class=np.zeros_like(self.radius_class), class_radius_deg=np.array([float(mean)])
        )
        return one.coarser(self.cell_deg)

    def scaled(self, factor: float | FloatArray) -> WeightedSky:
        """The same sky with all its light times a number, or each cell times its own (cells,)."""
        return replace(
            self, sums=self.sums * np.broadcast_to(np.asarray(factor), (self.cell_count,))[None, :, None]
        )


def weigh(
    setting: Setting,
    grid: TimeGrid,
    *,
    steps: int | None = None,
    cell_deg: float | None = None,
    progress: Progress | None = None,
) -> tuple[WeightedSky, LitSteps]:
    """A run as a weighted sky and as its lit steps in the order of time; mounts play no part.

    steps      fine steps an interval; those with which an estimate could first be accepted when None
    cell_deg   width of the cells; chosen by the collector's acceptance when None

    Cost: about that of one pass of an estimate without its mounts, plus a sort of the lit steps.
    """
    site, collector = setting.site, setting.collector
    count = steps or 2 * first_steps(site, collector, grid.interval_s)
    history = setting.dust_history(0.0)
    dust = DustRates.for_run(site.dust, history, float(grid.edge_tdb_s[-1]))
    gathering: SkyGathering | None = None
    per_block = max(1, BLOCK_STEPS // count)
    for first in range(0, grid.count, per_block):
        last = min(first + per_block, grid.count)
        utc, tdb_s = grid.fine(first, last, count)
        ds = beam_block(setting, utc, tdb_s)
        radius_deg = ds["sun_angular_radius_deg"].values
        if gathering is None:
            width_deg = cell_deg or cell_for_deg(collector.acceptance_table, float(radius_deg.mean()))
            _, middle_s = grid.fine(0, grid.count, 1)
            months = run_months(site.body.name, grid.edge_utc, setting.track.season.at(middle_s)[0])
            gathering = SkyGathering(months, grid.edge_utc, count, dust, width_deg)
        front = front_transmittance(ds, collector)
        optics = fibre_transmittance(ds, collector) * front * collector.aperture_area_m2
        gathering.add(
            first,
            direction_enu_xyz(ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values),
            ds["beam_irradiance_w_m2"].values * optics,
            radius_deg,
            np.zeros(len(utc)) if history is None else soiling.load_at(history, tdb_s),
        )
        if progress is not None:
            progress(last, grid.count)
    assert gathering is not None
    sky, track = gathering.finished()
    return replace(sky, year_days=setting.year_days), track


class SkyGathering:
    """A run being weighed, block by block of whole intervals.

    months     the run's months
    edge_utc   (intervals + 1,)  edges of all its intervals
    steps      fine steps in each
    """

    def __init__(
        self,
        months: RunMonths,
        edge_utc: NDArray[np.datetime64],
        steps: int,
        dust: DustRates,
        cell_deg: float,
    ) -> None:
        """Start with nothing."""
        self._steps, self._dust, self._months = steps, dust, months
        self._step_s = float((edge_utc[1] - edge_utc[0]) / np.timedelta64(1, "ns")) / 1e9 / steps
        self._hours = (len(edge_utc) - 1) * steps * self._step_s / SECONDS_PER_HOUR
        start_utc, count = edge_utc[0].astype("datetime64[ns]"), (len(edge_utc) - 1) * steps
        self._cells = SkyCells(cell_deg, len(dust.rates))
        self._track = LitStepsGathering(start_utc, count, self._step_s, steps, dust)

    def add(
        self,
        first_interval: int,
        sun_enu_xyz: FloatArray,
        power_w: FloatArray,
        radius_deg: FloatArray,
        load_days: FloatArray,
    ) -> None:
        """Add the fine steps of some intervals, from first_interval on.

        sun_enu_xyz   (steps, 3)
        power_w       (steps,)  on a unit's aperture square to the Sun, everything but dust and facing counted
        radius_deg    (steps,)  of the Sun's disc
        load_days     (steps,)  dust load of a level aperture
        """
        clean = self._dust.clean_at_rates(load_days)
        # where dust goes by tilt its first rate is 0: readers count it
        steady = power_w * clean[0]
        lit = np.flatnonzero(steady > 0.0)
        count = len(power_w) // self._steps
        months = np.repeat(self._months.of[first_interval : first_interval + count], self._steps)[lit]
        kwh_per_w = self._step_s / SECONDS_PER_HOUR / 1000.0
        self._cells.add(sun_enu_xyz, lit, power_w[lit] * clean[:, lit] * kwh_per_w, months, radius_deg[lit])
        first = first_interval * self._steps
        self._track.add(first, sun_enu_xyz, steady, load_days, radius_class(radius_deg))

    def finished(self) -> tuple[WeightedSky, LitSteps]:
        """The sky and the lit steps."""
        sums, period, classes, class_numbers, class_radius_deg = self._cells.finished()
        sky = WeightedSky(
            sums=sums,
            period=period,
            radius_class=classes,
            class_radius_deg=class_radius_deg,
            run_months=self._months,
            dust=self._dust,
            cell_deg=self._cells.cell_deg,
            hours=self._hours,
        )
        return sky, self._track.finished(class_numbers)
