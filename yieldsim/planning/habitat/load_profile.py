"""What each load asks for, row by row of an estimate: schedules and amounts to watts where they are used.

Rows are cut exactly: a window that opens within a row counts for its share of the row. A clock in solar time
spreads its 24 hours over the site's solar day: on Mars they drift against UTC, on the Moon one of them takes
29.5 hours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from yieldsim.base.constants import HOURS_PER_DAY
from yieldsim.base.errors import DataMissing
from yieldsim.base.load_model import AmountUnit, Clock, Load, LoadPlan, LoadSeries, Schedule
from yieldsim.base.numerics.interpolation import edges_between, linear
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy import soiling
from yieldsim.energy.integration import Setting, TimeGrid
from yieldsim.energy.ledger import interval_hours, solar_day_number
from yieldsim.optics.photometry import LightFigures

NS_PER_HOUR = 3.6e12


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Rows:
    """The rows of an estimate as schedules see them.

    edge_utc              (n + 1,)  starts of all rows and the end of the last, datetime64[ns]
    solar_time_hours      (n,)      local true solar time at the middles, 0..24
    solar_longitude_deg   (n,)      at the middles
    shield_power_w        (n,)      electric power of the dust shields
    """

    edge_utc: NDArray[np.datetime64]
    solar_time_hours: FloatArray
    solar_longitude_deg: FloatArray
    shield_power_w: FloatArray

    @property
    def hours(self) -> float:
        """Length of a row."""
        return float((self.edge_utc[1] - self.edge_utc[0]) / np.timedelta64(1, "ns")) / NS_PER_HOUR

    @property
    def middle_utc(self) -> NDArray[np.datetime64]:
        """Middles of the rows, (n,)."""
        return np.asarray(self.edge_utc[:-1] + (self.edge_utc[1:] - self.edge_utc[:-1]) // 2)


def rows_of(ds: xr.Dataset) -> Rows:
    """The rows of an estimate's Dataset."""
    start = ds["time"].values.astype("datetime64[ns]")
    length = np.timedelta64(round(interval_hours(ds) * NS_PER_HOUR), "ns")
    return Rows(
        edge_utc=np.append(start, start[-1] + length),
        solar_time_hours=ds["local_true_solar_time_hours"].values,
        solar_longitude_deg=ds["solar_longitude_deg"].values,
        shield_power_w=ds["shield_power_w"].values,
    )


def rows_of_run(setting: Setting, grid: TimeGrid, units: int) -> Rows:
    """The rows of a run before it is integrated, with the electricity that the dust shields of so many units draw."""
    middle = setting.track.dataset(grid.fine(0, grid.count, 1)[1], grid.edge_utc[:-1])
    shield = setting.collector.shield
    duty = soiling.shield_duty_fraction(
        shield, grid.edge_tdb_s, setting.start_tdb_s, float(grid.edge_tdb_s[-1])
    )
    return Rows(
        edge_utc=grid.edge_utc,
        solar_time_hours=middle["local_true_solar_time_hours"].values,
        solar_longitude_deg=middle["solar_longitude_deg"].values,
        shield_power_w=duty * (shield.power_w * units if shield else 0.0),
    )


def light_figures(plan: LoadPlan, own: LightFigures) -> LightFigures:
    """What a watt of light is worth to the loads: the plan's word where it has one, else that of the delivered light."""
    return LightFigures(
        luminous_efficacy_lm_per_w=plan.luminous_efficacy_lm_per_w or own.luminous_efficacy_lm_per_w,
        photon_yield_umol_per_j=plan.photon_yield_umol_per_j or own.photon_yield_umol_per_j,
    )


def grey_light_caveat(plan: LoadPlan) -> str | None:
    """What to tell where loads count lumens or photons of light whose colour the optics' table doesn't say; None without any."""
    stated = {"lm": plan.luminous_efficacy_lm_per_w, "umol/s": plan.photon_yield_umol_per_j}
    asking = [load.name for load in plan.loads if load.unit in stated and stated[load.unit] is None]
    if not asking:
        return None
    named = ", ".join(f'"{name}"' for name in asking)
    return (
        f"{named}: lumens and photons are reckoned from sunlight and the fibre alone, for the acceptance table tells no colour "
        "of the optics; give it band columns (yieldsim trace writes them), or figures of the light in the load file's [spectrum]"
    )


def need_power_w(load: Load, rows: Rows, figures: LightFigures) -> FloatArray:
    """Mean power that a load asks for in each row, (n,), in watts where it is used.

    Light stated in lumens or photons becomes watts of delivered light by luminous efficacy or photon yield.
    Raises DataMissing when a load's series doesn't cover the rows.
    """
    asked = _amount(load, rows) / _amount_per_w(load.unit, figures)
    power = rows.shield_power_w if load.is_shield else asked
    return np.asarray(power * asking_fraction(load.schedule, rows))


def storage_efficiency(load: Load, figures: LightFigures) -> float:
    """Watts where they are used per watt out of the store; above 1 for a lamp rich in photons."""
    if load.lamp_yield is None:
        return load.from_storage_efficiency
    return load.lamp_yield / _amount_per_w(load.unit, figures)


def _amount_per_w(unit: AmountUnit, figures: LightFigures) -> float:
    """Lumens or photons a second in a watt of delivered light; 1 for watts."""
    return {"W": 1.0, "lm": figures.luminous_efficacy_lm_per_w, "umol/s": figures.photon_yield_umol_per_j}[
        unit
    ]


def asking_fraction(schedule: Schedule, rows: Rows) -> FloatArray:
    """Share of its amount that a scheduled load asks for in each row, (n,), seasonal factors included."""
    factor = np.ones(len(rows.solar_time_hours))
    middle = rows.middle_utc
    if schedule.windows:
        opens, closes = np.array(schedule.windows).T

        def open_until(hour: FloatArray) -> FloatArray:
            return np.asarray(np.clip(hour[:, None] - opens, 0.0, closes - opens).sum(axis=1))

        factor = factor * _daily_mean(open_until, *_clock_hours(rows, schedule.clock))
    if schedule.weekdays:
        factor = factor * np.isin(_weekday(rows, schedule.clock), schedule.weekdays)
    if schedule.mission_days:
        day = _mission_day(rows, schedule.clock)
        factor = factor * np.any(
            [(day >= first) & (day <= last) for first, last in schedule.mission_days], axis=0
        )
    if schedule.monthly_factors:
        month = middle.astype("datetime64[M]").astype(np.int64) % 12
        factor = factor * np.array(schedule.monthly_factors)[month]
    if schedule.seasonal_factors:
        longitude, by_season = np.array(schedule.seasonal_factors).T
        factor = factor * linear(rows.solar_longitude_deg, longitude, by_season, outside="periodic")
    return np.asarray(factor)


def _amount(load: Load, rows: Rows) -> FloatArray:
    """The load's amount in its unit, (n,), before its schedule."""
    if not isinstance(load.amount, LoadSeries):
        return np.full(len(rows.solar_time_hours), load.amount)
    series = load.amount
    if series.against == "hour":
        edges = np.append(series.x, HOURS_PER_DAY)
        in_day = np.concatenate([[0.0], np.cumsum(series.amount * np.diff(edges))])

        def until(hour: FloatArray) -> FloatArray:
            return np.asarray(np.interp(hour, edges, in_day))

        return _daily_mean(until, *_clock_hours(rows, load.schedule.clock))
    x = series.x
    if len(x) == 1:
        return np.full(len(rows.solar_time_hours), series.amount[0])
    edges = np.append(x, x[-1] + (x[-1] - x[-2]))
    at = rows.edge_utc.astype(np.int64).astype(np.float64)
    if at[0] < edges[0] or at[-1] > edges[-1]:
        span = " to ".join(str(np.datetime64(int(edge), "ns"))[:16] for edge in edges[[0, -1]])
        run = " to ".join(str(edge)[:16] for edge in rows.edge_utc[[0, -1]])
        raise DataMissing(
            f'the table of load "{load.name}" covers {span} and the estimate {run}; '
            "lengthen the table or shorten the estimate"
        )
    gathered = np.concatenate([[0.0], np.cumsum(series.amount * np.diff(edges))])
    return np.asarray(np.diff(np.interp(at, edges, gathered)) / np.diff(at))


def _daily_mean(
    gathered: Callable[[FloatArray], FloatArray], first: FloatArray, last: FloatArray
) -> FloatArray:
    """Means between clock hours, (n,) each, not reduced to a day, of what gathers to gathered(0..24) in one.

    Where the clock stands still (Mercury's Sun turning back) the mean over a short while around it.
    """
    still = np.abs(last - first) < 1e-6
    first, last = np.where(still, first - 5e-4, first), np.where(still, last + 5e-4, last)
    day = gathered(np.array([HOURS_PER_DAY]))[0]

    def at(hours: FloatArray) -> FloatArray:
        turn, hour = np.divmod(hours, HOURS_PER_DAY)
        return np.asarray(turn * day + gathered(hour))

    return np.asarray((at(last) - at(first)) / (last - first))


def _clock_hours(rows: Rows, clock: Clock) -> tuple[FloatArray, FloatArray]:
    """Clock hours at the start and the end of each row, not reduced to a day."""
    utc = clock == "utc"
    solar = solar_hours_at_edges(rows.solar_time_hours, rows.hours)
    edges = rows.edge_utc.astype(np.int64) / NS_PER_HOUR if utc else solar
    return edges[:-1], edges[1:]


def solar_hours_at_edges(solar_time_hours: FloatArray, row_hours: float) -> FloatArray:
    """Solar hours at the edges of rows (n + 1,) from those at their middles (n,), not reduced to a day.

    Edges lie half-way between middles; the outer two are continued. A single row moves like a UTC clock.
    """
    if len(solar_time_hours) == 1:
        return np.asarray(solar_time_hours[0] + row_hours * np.array([-0.5, 0.5]))
    return edges_between(np.unwrap(solar_time_hours, period=24.0))


def _weekday(rows: Rows, clock: Clock) -> NDArray[np.int64]:
    """Day of the week of each row's middle, 0 is Monday: by UTC date, or by solar days counted from the first row's date."""
    dates = rows.middle_utc.astype("datetime64[D]").astype(np.int64)
    if clock == "solar":
        day = solar_day_number(rows.solar_time_hours)
        dates = dates[0] + day - day[0]
    # 1970-01-01 was a Thursday, 3 in a week that begins on Monday
    return np.asarray((dates + 3) % 7)


def _mission_day(rows: Rows, clock: Clock) -> NDArray[np.int64]:
    """Day of the mission of each row's middle, the first is 1."""
    if clock == "utc":
        since = (rows.middle_utc - rows.edge_utc[0]).astype(np.int64)
        return np.asarray(since // int(HOURS_PER_DAY * NS_PER_HOUR) + 1)
    day = solar_day_number(rows.solar_time_hours)
    return np.asarray(day - day[0] + 1)
