"""The main run: a site and a collector in, a year of hourly delivered power out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import Gathered, InputError, refusal
from yieldsim.base.model import Collector, Site
from yieldsim.runs.estimate.ground_bounds import stated, upper_bound
from yieldsim.runs.horizon.unknown_ground import UnknownGround
from yieldsim.runs.setup.prepare import prepare

if TYPE_CHECKING:
    import xarray as xr

Progress = Callable[[int, int], None]
TOLERANCE = 1e-3


def estimate(
    site: str | Path | Site,
    collector: str | Path | Collector,
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    span: str | None = None,
    interval_minutes: float = 60.0,
    tolerance: float = TOLERANCE,
    tracker_downtime_fraction: float = 0.0,
    tracker_stop_hours: float = 0.0,
    kernels: str | Path | Sequence[str | Path] = (),
    unknown_ground: UnknownGround = "refuse",
    progress: Progress | None = None,
) -> xr.Dataset:
    """Delivered energy of a fixed collector at a site, hour by hour.

    site, collector    input files, or the frozen nouns themselves
    start, end         UTC: ISO 8601 text, dates, datetimes, times of skyfield or Astropy; without an end one whole year of the body
    years, span        how many years instead, and of which kind: calendar-year (the Moon's and the Earth's) or body-year (the others')
    interval_minutes   length of the rows; inside them the step is chosen and halved until the total moves by < tolerance
    tracker_downtime_fraction, tracker_stop_hours   standstill of the mount that follows the Sun, to which the fixed one is
        compared: share of the light, longest stop
    kernels            further ephemeris or orientation files
    unknown_ground     holes of terrain files between the site and the Sun are refused, or (bounds) answered with the lower of two
        bounds, in which they block, the other told beside it
    progress           called with (done, of) as the run goes

    Returns the hourly Dataset (dimensions time, mount, stage); its attribute "summary" holds the run's totals as JSON.
    Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.runs.open_inputs import refuse_progress, tracker_problems
    from yieldsim.runs.time_span import number

    gathered = Gathered()
    with gathered:
        refuse_progress(progress)
    with gathered:
        tolerance = plain_tolerance(tolerance)
    with gathered:
        standstill = (
            number(tracker_downtime_fraction, "tracker_downtime_fraction"),
            number(tracker_stop_hours, "tracker_stop_hours"),
        )
        if problems := tracker_problems(*standstill):
            raise InputError(problems)
    ready = prepare(
        site,
        collector,
        start,
        end,
        years=years,
        span=span,
        interval_minutes=interval_minutes,
        kernels=kernels,
        unknown_ground=unknown_ground,
        gathered=gathered,
    )
    from yieldsim.energy.integration import converge
    from yieldsim.runs.estimate.summary import finished
    from yieldsim.runs.estimate.tracking_comparison import estimate_following

    result, change = converge(ready.setting, ready.grid, tolerance, progress)
    bounds = upper_bound(ready, result.delivered_kwh, tolerance)
    following = estimate_following(ready, result, *standstill)
    return stated(finished(ready, result, change, tolerance, following), bounds)


def plain_tolerance(tolerance: object) -> float:
    """The relative change at which halving of steps stops. Raises InputError for what it can't be."""
    from yieldsim.runs.time_span import number

    plain = number(tolerance, "tolerance")
    if not 1e-6 <= plain <= 0.1:
        raise refusal("", "tolerance", f"is {plain:g}", "0.000001 to 0.1")
    return plain
