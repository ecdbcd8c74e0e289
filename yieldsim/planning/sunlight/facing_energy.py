"""Energy of many facings from one weighted sky, at a cost that follows the light accepted.

Cells are grouped into blocks, blocks kept in bands of elevation, each sorted by azimuth. A facing asks only
the bands that its cone of acceptance reaches, and in each only the stretch of azimuth inside the cone,

    cos(half stretch) = (cos reach - sin n sin e) / (cos n cos e)

with n the elevation of the normal and e that elevation of the band where the stretch is widest. The sides of a
two-angle acceptance are planes, so cones a right angle wide, and narrow the stretch in the same way. Many facings
of one dust rate are read from a sky added up for that rate. Where the
acceptance is smooth across a block, the block is read once, at the mean direction of its light; near an edge
or a kink each of its cells is read. A reading costs one scalar product and one interpolation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import prange

from yieldsim.base.model import Acceptance
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_interpolator import Lookup
from yieldsim.optics.acceptance_lookup import lookup
from yieldsim.planning.sunlight.cumulative_sky import WeightedSky
from yieldsim.planning.sunlight.facing_energy_kernels import grid_kwh, kept_rates, light_of, round_kwh
from yieldsim.planning.sunlight.refinement_flags import Roughness, grid_flag, ring_remainder, roughness
from yieldsim.planning.sunlight.spatial_index import AZIMUTH_BINS, CELLS_ACROSS_BLOCK, Bands, banded, settled
from yieldsim.planning.sunlight.sunlit_series import interleaved

MANY_OF_A_RATE = 150
"""So many facings of the same deposition rate are read from a sky made for that rate."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sweep:
    """A weighted sky and an acceptance, ready to be asked for the energy of any facing."""

    sky: WeightedSky
    ready: Lookup
    rough: Roughness
    bands: Bands

    @classmethod
    def of(cls, sky: WeightedSky, acceptance: Acceptance, *, gaps: bool = False) -> Sweep:
        """Make ready: a sort of the cells and, for two angles, an average of the table over the disc.

        gaps   its lookup is meant for steps in the order of time, too
        """
        ready = lookup(acceptance, sky.class_radius_deg, gaps=gaps)
        bands = banded(sky, math.degrees(ready.reach_rad))
        return cls(sky=sky, ready=ready, rough=roughness(ready, bands.block_rad), bands=bands)

    def with_lookup(self, ready: Lookup) -> Sweep:
        """The same sky read through another lookup for the same classes of radius."""
        return Sweep(
            sky=self.sky, ready=ready, rough=roughness(ready, self.bands.block_rad), bands=self.bands
        )

    def with_sky(self, sky: WeightedSky) -> Sweep:
        """Another sky of the same classes of radius, read through the same lookup."""
        bands = banded(sky, math.degrees(self.ready.reach_rad))
        same = bands.block_rad == self.bands.block_rad
        rough = self.rough if same else roughness(self.ready, bands.block_rad)
        return Sweep(sky=sky, ready=self.ready, rough=rough, bands=bands)

    def period_kwh(
        self, axes_enu_xyz: FloatArray, tilt_deg: FloatArray, dust_rate: FloatArray | None = None
    ) -> FloatArray:
        """Delivered energy of one unit by facing and period, (n, periods), kWh.

        axes_enu_xyz   (n, 3, 3)  mount axes as `base.numerics.vectors.mount_axes_enu_xyz` gives them
        tilt_deg       (n,)  decides the dust, unless dust_rate (n,) does
        """
        rate = self.sky.dust.rate_of_tilt(tilt_deg) if dust_rate is None else dust_rate
        if len(self.sky.dust.rates) == 1:
            return self._read(axes_enu_xyz, self.sky.dust.shares(rate), self.bands)
        found = np.empty((len(rate), self.sky.run_months.count))
        rates, of, counts = np.unique(rate, return_inverse=True, return_counts=True)
        few = counts[of] < MANY_OF_A_RATE
        for number in np.flatnonzero(counts >= MANY_OF_A_RATE):
            own = of == number
            added = settled(self.bands, self.sky.dust.shares(rates[number : number + 1])[0])
            found[own] = self._read(axes_enu_xyz[own], np.ones((int(counts[number]), 1)), added)
        if few.any():
            found[few] = self._read(axes_enu_xyz[few], self.sky.dust.shares(rate[few]), self.bands)
        return found

    def _read(self, axes_enu_xyz: FloatArray, shares: FloatArray, bands: Bands) -> FloatArray:
        axes, shares = np.ascontiguousarray(axes_enu_xyz), np.ascontiguousarray(shares)
        ready, rough = self.ready, self.rough
        asked: tuple[Any, ...] = (
            axes,
            shares,
            interleaved(len(axes)),
            bands.block,
            bands.cell,
            bands.cells_of,
            bands.period,
            bands.radius_class,
            bands.ends,
            bands.first,
            min(ready.reach_rad + bands.block_rad, math.pi),
        )
        periods = self.sky.run_months.count
        if ready.is_round:
            asked += (ready.curve, rough.curve, ready.chord_step, periods)
            return np.asarray(round_kwh(*asked))
        asked += (ready.grid, ready.first_t, ready.step_t, ready.fold_t, ready.first_l, ready.step_l)
        asked += (ready.fold_l, ready.sides, bands.block_rad, rough.grid, rough.step, periods)
        return np.asarray(grid_kwh(*asked))

    def kwh(self, axes_enu_xyz: FloatArray, tilt_deg: FloatArray) -> FloatArray:
        """Delivered energy of one unit by facing over the run, (n,)."""
        return np.asarray(self.period_kwh(axes_enu_xyz, tilt_deg).sum(axis=1))

    def cell_error_kwh(self, axes_enu_xyz: FloatArray, tilt_deg: FloatArray) -> FloatArray:
        """Bound on what the compression to cells can have changed in `kwh`, (n,): remainders of all cells, as
        if none cancelled.

        Dear (some 20 readings a cell): for the facings that matter, not for a grid.
        """
        axes = np.ascontiguousarray(axes_enu_xyz)
        shares = self.sky.dust.shares(self.sky.dust.rate_of_tilt(tilt_deg))
        found = remainder_kwh(axes, np.ascontiguousarray(shares), self.bands, self.ready, self.rough)
        return np.asarray(found + self.sky.dust.error * self.kwh(axes, tilt_deg))


# ---------------------------------------------------------------- the remainder


@njit(cache=True, parallel=True)
def remainder_kwh(
    axes: FloatArray, shares: FloatArray, bands: Bands, ready: Lookup, rough: Roughness
) -> FloatArray:
    """Sum of light times the largest remainder over what is read at one direction, (n,).

    The mean square distance of the light from its mean direction m is 1 - |m|^2; the remainder over the
    square of the distance is taken on two rings about m, as wide as the block or cell and half of that.
    """
    found = np.zeros(axes.shape[0])
    cell_rad = bands.block_rad / CELLS_ACROSS_BLOCK
    for i in prange(axes.shape[0]):
        total, row = 0.0, np.empty(4)
        own = shares[i]
        begin, until = kept_rates(own)
        for b in range(bands.ends.shape[0]):
            number = bands.radius_class[b]
            for k in range(bands.first[b, 0], bands.first[b, AZIMUTH_BINS]):
                if not _mean(row, bands.block, k, own, begin, until):
                    continue
                flag = _flag(row, axes[i], ready, rough, number)
                if flag == 1:
                    total += _remainder(row, axes[i], ready, number, bands.block_rad)
                elif flag == 2:
                    for c in range(bands.cells_of[k], bands.cells_of[k + 1]):
                        if _mean(row, bands.cell, c, own, begin, until):
                            total += _remainder(row, axes[i], ready, number, cell_rad)
        found[i] = total
    return found


@njit(cache=True)
def _mean(row: FloatArray, rows: FloatArray, at: int, shares: FloatArray, begin: int, until: int) -> bool:
    """Put mean direction and light of row `at` into row (4,); whether it holds light."""
    east, north, up, kwh = light_of(rows, at, shares, begin, until)
    if kwh <= 0.0:
        return False
    row[0], row[1], row[2], row[3] = east, north, up, kwh
    return True


@njit(cache=True)
def _flag(row: FloatArray, axes: FloatArray, ready: Lookup, rough: Roughness, radius_class: int) -> int:
    x = axes[0, 0] * row[0] + axes[0, 1] * row[1] + axes[0, 2] * row[2]
    y = axes[1, 0] * row[0] + axes[1, 1] * row[1] + axes[1, 2] * row[2]
    z = axes[2, 0] * row[0] + axes[2, 1] * row[1] + axes[2, 2] * row[2]
    if not ready.is_round:
        return int(grid_flag(rough.grid[radius_class], rough.step, x, y, z))
    at = int(math.sqrt(max(2.0 - 2.0 * z, 0.0)) / ready.chord_step)
    return int(rough.curve[radius_class, min(at, rough.curve.shape[1] - 1)])


@njit(cache=True)
def _remainder(row: FloatArray, axes: FloatArray, ready: Lookup, radius_class: int, ring: float) -> float:
    spread = 1.0 - (row[0] * row[0] + row[1] * row[1] + row[2] * row[2])
    if spread <= 0.0:
        return 0.0
    x = axes[0, 0] * row[0] + axes[0, 1] * row[1] + axes[0, 2] * row[2]
    y = axes[1, 0] * row[0] + axes[1, 1] * row[1] + axes[1, 2] * row[2]
    z = axes[2, 0] * row[0] + axes[2, 1] * row[1] + axes[2, 2] * row[2]
    curve, grid = (
        ready.curve[min(radius_class, len(ready.curve) - 1)],
        ready.grid[min(radius_class, len(ready.grid) - 1)],
    )
    is_round, chord_step = ready.is_round, ready.chord_step
    first_t, step_t, fold_t = ready.first_t, ready.step_t, ready.fold_t
    first_l, step_l, fold_l = ready.first_l, ready.step_l, ready.fold_l
    wide, _ = ring_remainder(
        is_round, curve, chord_step, grid, first_t, step_t, fold_t, first_l, step_l, fold_l, x, y, z, ring, 8
    )
    narrow, _ = ring_remainder(
        is_round,
        curve,
        chord_step,
        grid,
        first_t,
        step_t,
        fold_t,
        first_l,
        step_l,
        fold_l,
        x,
        y,
        z,
        0.5 * ring,
        8,
    )
    return float(row[3] * spread * max(wide / (ring * ring), narrow / (0.25 * ring * ring)))
