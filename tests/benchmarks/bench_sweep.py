"""Sweep of the whole sky of facings against plain sums over all steps: vectorised NumPy and a brute Numba loop, same run.

    python tests/benchmarks/bench_sweep.py [--small]

Each case is an hourly year (8766 hours) and every facing of a 1-degree spread over the sphere (41 258). The answers are
compared first. Compilation is outside all times. The last part measures memory: ten years at ten minutes on Mars, in a
process of its own.
"""

from __future__ import annotations

import math
import resource
import subprocess
import sys
import time

import numpy as np
from numba import njit, prange

from yieldsim.base.model import RoundAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.year.run_months import calendar_months
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.optics.acceptance_lookup import cell_for_deg
from yieldsim.planning.orientation.mount_frames import spread_over_sky
from yieldsim.planning.sunlight import histogram
from yieldsim.planning.sunlight.cumulative_sky import SkyGathering
from yieldsim.planning.sunlight.facing_energy import Sweep

SMALL = "--small" in sys.argv
"""Whether it only has to run to its end: a coarse sky, a year instead of ten."""
HOURS = 8766
RADIUS_DEG = 0.2666


def path(latitude_deg: float, day_hours: float, year_hours: float, tilt_deg: float) -> FloatArray:
    """Directions (hours, 3) of a Sun on a circular orbit."""
    hour = np.arange(HOURS) + 0.5
    declination = np.radians(tilt_deg * np.sin(2.0 * np.pi * hour / year_hours))
    angle, lat = 2.0 * np.pi * hour / day_hours, math.radians(latitude_deg)
    return np.stack(
        [
            -np.cos(declination) * np.sin(angle),
            math.cos(lat) * np.sin(declination) - math.sin(lat) * np.cos(declination) * np.cos(angle),
            math.sin(lat) * np.sin(declination) + math.cos(lat) * np.cos(declination) * np.cos(angle),
        ],
        axis=1,
    )


SKIES = {
    "lunar pole": path(-89.5, 708.73, 8318.0, 1.54),
    "lunar equator": path(2.0, 708.73, 8318.0, 1.54),
    "Mars, 18 N": path(18.0, 24.6597, 16488.0, 25.19),
}


def table(half_deg: float) -> RoundAcceptance:
    """A funnel: flat, a shoulder, an edge."""
    return RoundAcceptance(
        incidence_deg=[0.0, 0.8 * half_deg, half_deg, 1.1 * half_deg],
        acceptance_fraction=[0.85, 0.8, 0.6, 0.0],
        source="point",
    )


def weigh(sun: FloatArray, power_w: FloatArray, acceptance: RoundAcceptance) -> Sweep:
    """The sky of an hourly year, each hour where its middle is."""
    edges = np.datetime64("2027-01-01", "ns") + np.arange(HOURS + 1) * np.timedelta64(1, "h")
    none = DustRates.none()
    gathering = SkyGathering(calendar_months(edges), edges, 1, none, cell_for_deg(acceptance, RADIUS_DEG))
    gathering.add(0, sun, power_w, np.full(HOURS, RADIUS_DEG), np.zeros(HOURS))
    sky, _ = gathering.finished()
    return Sweep.of(sky.merged(), acceptance)


def numpy_kwh(normals: FloatArray, sun: FloatArray, power_w: FloatArray, sweep: Sweep) -> FloatArray:
    """Vectorised NumPy: all steps times all facings, a hundred facings at a time, the same curve by np.interp."""
    curve = sweep.ready.curve[0]
    chord = sweep.ready.chord_step * np.arange(len(curve))
    found = np.empty(len(normals))
    for first in range(0, len(normals), 100):
        cosine = normals[first : first + 100] @ sun.T
        read = np.interp(np.sqrt(np.maximum(2.0 - 2.0 * cosine, 0.0)), chord, curve)
        found[first : first + 100] = read @ power_w
    return found / 1000.0


@njit(parallel=True, fastmath=True)
def brute_kwh(
    normals: FloatArray, sun: FloatArray, power_w: FloatArray, curve: FloatArray, step: float
) -> FloatArray:
    """The same as a plain loop."""
    found = np.zeros(normals.shape[0])
    for i in prange(normals.shape[0]):
        total = 0.0
        for t in range(sun.shape[0]):
            cosine = normals[i, 0] * sun[t, 0] + normals[i, 1] * sun[t, 1] + normals[i, 2] * sun[t, 2]
            at = math.sqrt(max(2.0 - 2.0 * cosine, 0.0)) / step
            k = int(at)
            if k < curve.shape[0] - 1:
                total += power_w[t] * (curve[k] + (at - k) * (curve[k + 1] - curve[k]))
        found[i] = total / 1000.0
    return found


def timed(function, *arguments) -> tuple[FloatArray, float]:
    """Result and the best of three times; the first call, which compiles, is not counted."""
    function(*arguments)
    best = math.inf
    for _ in range(3):
        began = time.perf_counter()
        result = function(*arguments)
        best = min(best, time.perf_counter() - began)
    return result, best


def sweeps() -> None:
    """The table of times."""
    histogram.MOST_SPREAD = 1  # the plain sums read each hour at its middle: so must the cells
    facings = spread_over_sky(10.0 if SMALL else 1.0, np.zeros(1))
    axes = facings.axes_enu_xyz
    normals = np.ascontiguousarray(axes[:, 2])
    print(f"{facings.count} facings x {HOURS} hours")
    heads = ("half-angle", "NumPy s", "loop s", "sweep s", "NumPy/sweep", "loop/sweep", "largest error")
    print(f"{'sky':<14}" + "".join(f"{head:>14}" for head in heads))
    for name, sun in SKIES.items():
        power_w = np.where(sun[:, 2] > 0.0, 200.0, 0.0)
        for half_deg in (5.0, 10.0, 20.0, 40.0):
            sweep = weigh(sun, power_w, table(half_deg))
            began = time.perf_counter()
            plain = numpy_kwh(normals, sun, power_w, sweep)
            numpy_s = time.perf_counter() - began
            _, loop_s = timed(brute_kwh, normals, sun, power_w, sweep.ready.curve[0], sweep.ready.chord_step)
            swept, sweep_s = timed(sweep.kwh, axes, facings.tilt_deg)
            error = float(np.abs(swept - plain).max() / plain.max())
            assert error < 2e-3, error
            cells = (
                f"{half_deg:.0f} deg",
                f"{numpy_s:.2f}",
                f"{loop_s:.3f}",
                f"{sweep_s:.4f}",
                f"{numpy_s / sweep_s:.0f}",
                f"{loop_s / sweep_s:.1f}",
                f"{error:.1e}",
            )
            print(f"{name:<14}" + "".join(f"{cell:>14}" for cell in cells))


def memory() -> None:
    """Peak memory of weighing ten years at ten minutes."""
    from yieldsim.files.text.bundled import sites_folder
    from yieldsim.planning.sunlight.cumulative_sky import weigh as weigh_run
    from yieldsim.runs.setup.prepare import prepare

    sites = sites_folder()
    years, minutes = (1, 60) if SMALL else (10, 10)
    ready = prepare(
        sites / "rust-plain.toml",
        sites / "narrow.collector.toml",
        years=years,
        span="calendar-year",
        interval_minutes=minutes,
    )
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    began = time.perf_counter()
    sky, track = weigh_run(ready.setting, ready.grid)
    Sweep.of(sky.merged(), ready.setting.collector.acceptance_table)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(
        f"{years} years at {minutes} minutes: {len(track.step)} lit of {track.step_count} fine steps, {sky.cell_count} cells "
        f"of {sky.cell_deg:.3f} deg, {time.perf_counter() - began:.1f} s, peak {peak:.0f} MB ({before:.0f} MB before)"
    )


if __name__ == "__main__":
    if "memory" in sys.argv:
        memory()
    else:
        sweeps()
        subprocess.run([sys.executable, __file__, "memory", *sys.argv[1:]], check=True)
