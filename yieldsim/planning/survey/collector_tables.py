"""A collector turned as a whole to many azimuths: what it delivers at each time of the Sun's path, the ground apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.model import Collector, Mount, Site
from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray, direction_enu_xyz
from yieldsim.energy import soiling
from yieldsim.energy.chain import fibre_transmittance, front_transmittance
from yieldsim.energy.incidence import sun_in_mount_xyz
from yieldsim.energy.spectral_transmittance import energy_acceptance
from yieldsim.optics.acceptance import acceptance_at, half_width_deg
from yieldsim.planning.survey.horizon_tables import SunPath

TURNS_DEG = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0)
"""Steps between the azimuths tried for the collector."""
ROOM_DEG = 5.0
"""Elevations beyond the path's that the tables cover, for places whose horizontal leans."""


class YieldTable(NamedTuple):
    """Acceptance times cosine (azimuth, elevation) of a mount that faces north, on an even grid from 0 and `lowest_deg`.

    lit_from_deg, lit_span_deg   the azimuths outside which all is 0
    """

    step_deg: float
    lowest_deg: float
    share: FloatArray
    lit_from_deg: float
    lit_span_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class TurnedCollector:
    """A collector ready to be turned.

    turns_deg   how far the collector as a whole is turned from the azimuths in its file, evenly around
    area_m2     (mounts, time) aperture times the share that film, dust and fibre let through, by time
    """

    mounts: tuple[Mount, ...]
    turns_deg: FloatArray
    area_m2: FloatArray
    tables: dict[tuple[float, float], YieldTable]

    def power_w(self, path: SunPath, chosen: NDArray[np.int64]) -> Float32Array:
        """Power (chosen, turns) delivered at some times of a path, with the Sun's disc clear of the ground."""
        azimuth, elevation = path.azimuth_deg[chosen], path.elevation_deg[chosen]
        power = np.zeros((chosen.size, self.turns_deg.size), dtype=np.float32)
        for mount, area_m2 in zip(self.mounts, self.area_m2, strict=True):
            table = self.tables[mount.tilt_deg, mount.roll_deg]
            weight = path.beam_w_m2[chosen] * area_m2[chosen]
            _add_power(power, weight, azimuth - mount.azimuth_deg, elevation, self.turns_deg, table)
        return power


def turned_collector(path: SunPath, site: Site, collector: Collector) -> TurnedCollector:
    """A collector at the times of a path, under the dust of a site."""
    half = 0.5 * path.step_hours * SECONDS_PER_HOUR
    start_s, end_s = path.tdb_s[0] - half, path.tdb_s[-1] + half
    ds = xr.Dataset(
        coords={"time": np.arange(path.tdb_s.size), "since_start_s": ("time", path.tdb_s - start_s)}
    )
    optics = (
        collector.aperture_area_m2 * front_transmittance(ds, collector) * fibre_transmittance(ds, collector)
    )
    area_m2 = np.stack([mount.count * optics for mount in collector.mounts])
    if site.dust is not None:
        for row, mount in enumerate(collector.mounts):
            history = soiling.dust_history(site.dust, collector.shield, mount.tilt_deg, start_s, end_s)
            area_m2[row] *= soiling.clean_fraction(site.dust, soiling.load_at(history, path.tdb_s))
    stances = {(mount.tilt_deg, mount.roll_deg) for mount in collector.mounts}
    return TurnedCollector(
        mounts=collector.mounts,
        turns_deg=np.arange(0.0, 360.0 - 1e-9, turn_step_deg(collector)),
        area_m2=area_m2,
        tables={stance: yield_table(collector, *stance, path) for stance in sorted(stances)},
    )


def turn_step_deg(collector: Collector) -> float:
    """Step between the azimuths tried: a quarter of the acceptance's half-width, or the next finer one of TURNS_DEG."""
    quarter = half_width_deg(collector.acceptance_table) / 4.0
    return max((step for step in TURNS_DEG if step <= quarter), default=TURNS_DEG[0])


def yield_table(collector: Collector, tilt_deg: float, roll_deg: float, path: SunPath) -> YieldTable:
    """The table for all azimuths and the path's elevations, at a 24th of the acceptance's half-width."""
    finest = half_width_deg(collector.acceptance_table) / 24.0
    count = int(np.ceil(360.0 / min(max(finest, 0.03), 0.5)))
    step = 360.0 / count
    # a Sun far below the horizontal is behind the ground wherever one stands
    lowest = max(float(path.elevation_deg.min()) - ROOM_DEG, -20.0)
    highest = min(float(path.elevation_deg.max()) + ROOM_DEG, 90.0)
    rows = max(int(np.ceil((highest - lowest) / step)), 1) + 2
    azimuth, elevation = np.meshgrid(np.arange(count) * step, lowest + np.arange(rows) * step, indexing="ij")
    sun = direction_enu_xyz(azimuth.ravel(), np.minimum(elevation.ravel(), 90.0))
    local = sun_in_mount_xyz(sun, tilt_deg, 0.0, roll_deg)
    accepted = acceptance_at(energy_acceptance(collector), local, float(path.radius_deg.mean()))
    share = np.maximum(local[:, 2], 0.0) * accepted
    share = share.reshape(azimuth.shape)
    lit = np.flatnonzero(share.any(axis=1))
    if lit.size == 0:
        return YieldTable(step, lowest, share, 0.0, 0.0)
    # the azimuths that are left when the widest dark stretch is taken out of the circle
    dark = np.diff(np.append(lit, lit[0] + count))
    widest = int(dark.argmax())
    first, span = int(lit[(widest + 1) % lit.size]) - 1, count - int(dark[widest]) + 2
    return YieldTable(step, lowest, share, first * step, min(span * step, 360.0))


@njit(cache=True)
def _add_power(
    power: Float32Array,
    weight: FloatArray,
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    turns_deg: FloatArray,
    table: YieldTable,
) -> None:
    """Add weight times the table's value, bilinear, for every time and every turn that brings light; turns evenly round."""
    count, rows = table.share.shape
    turns = turns_deg.shape[0]
    apart = 360.0 / turns
    visited = min(int(table.lit_span_deg / apart) + 2, turns)
    for t in range(power.shape[0]):
        height = (elevation_deg[t] - table.lowest_deg) / table.step_deg
        j = min(max(int(height), 0), rows - 2)
        v = height - j
        first = math.ceil((azimuth_deg[t] - table.lit_from_deg - table.lit_span_deg) / apart - 1e-6)
        for number in range(first, first + visited):
            k = number % turns
            place = ((azimuth_deg[t] - turns_deg[k]) % 360.0) / table.step_deg
            i = min(int(place), count - 1)
            u = place - i
            after = (i + 1) % count
            low = table.share[i, j] * (1.0 - u) + table.share[after, j] * u
            high = table.share[i, j + 1] * (1.0 - u) + table.share[after, j + 1] * u
            power[t, k] += weight[t] * (low * (1.0 - v) + high * v)
