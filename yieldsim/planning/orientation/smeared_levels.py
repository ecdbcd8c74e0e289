"""Two-angle optics smeared over neighbouring facings and rolls, so that a coarse grid of them misses no narrow peak.

What a facing delivers through a table averaged over a patch of turns is the mean of what the facings of that patch
deliver. Levels halve the distance of facings, and quarter that of rolls, until peaks of the table itself are wider than
the patch.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from yieldsim.base.model import BiaxialAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.sun_disc import sample_points
from yieldsim.optics.acceptance import biaxial_over_disc, full_grid
from yieldsim.planning.orientation.mount_frames import Facings, leaned, spread_over_sky
from yieldsim.planning.sunlight.cumulative_sky import WeightedSky
from yieldsim.planning.sunlight.facing_energy import Sweep

GRID_DEG, ROLL_GRID_DEG = 3.0, 15.0
"""Distance of facings and of rolls that are tried over the whole sky."""
PATCH_SHARE = 0.6
"""Radius of a patch, in distances of facings: a little less than to the furthest place between neighbours."""
ENOUGH = 0.2
"""Half the distance of facings may be this share of the table's narrower half-width, half that of rolls this share of
the turn that takes the table's long side across its narrow one."""
MOST_LEVELS = 5
CELLS_PER_HALF_WIDTH = 3.0
ROLLS_ACROSS = 5
NODES_PER_PATCH = 2.0
WIDEST_DEG = 88.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Level:
    """A sky read through a table smeared over patches of turns.

    step_deg, roll_step_deg   distance of the facings and of the rolls that it is meant for
    months, year              by calendar month, and of the whole run
    """

    step_deg: float
    roll_step_deg: float
    months: Sweep
    year: Sweep


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Coarse:
    """Every facing of a coarse grid at every roll of one, and finer levels to go on with.

    levels   at least one, coarsest first
    grid, annual_kwh   (n * rolls)  facings, rolls of each together, and their smeared energy over the run
    rolled   (n,)  the same facings, each at its best roll, through the table itself
    """

    levels: tuple[Level, ...]
    grid: Facings
    annual_kwh: FloatArray
    rolled: Facings


def coarse_search(sky: WeightedSky, table: BiaxialAcceptance, scout: Sweep) -> Coarse:
    """Make ready for searching facings and rolls; the sky is one of a single radius, the scout reads it as it is."""
    levels = levels_of(sky, table, scout)
    rolls = np.arange(0.0, whole_turn_deg(scout), ROLL_GRID_DEG)
    grid = spread_over_sky(GRID_DEG, rolls)
    kwh = levels[0].year.kwh(grid.axes_enu_xyz, grid.tilt_deg)
    best = kwh.reshape(-1, len(rolls)).argmax(axis=1)
    rolled = grid.take(np.arange(len(best)) * len(rolls) + best)
    return Coarse(
        levels=levels,
        grid=grid,
        annual_kwh=kwh,
        rolled=rolls_refined(scout, rolled, ROLL_GRID_DEG / 4.0, levels[-1].roll_step_deg / 4.0),
    )


def levels_of(sky: WeightedSky, table: BiaxialAcceptance, scout: Sweep) -> tuple[Level, ...]:
    """Levels from the coarsest grid to one as fine as the table."""
    narrow, wide = half_spans_deg(scout)
    turn = math.degrees(narrow / wide)
    step, roll_step = GRID_DEG, ROLL_GRID_DEG
    levels: list[Level] = []
    while len(levels) < MOST_LEVELS:
        patch = PATCH_SHARE * step
        smeared = smeared_table(table, patch, 0.5 * roll_step)
        cell_deg = max(sky.cell_deg, (narrow + patch) / CELLS_PER_HALF_WIDTH)
        coarser = sky.coarser(cell_deg)
        months = Sweep.of(coarser, smeared)
        year = months.with_sky(coarser.merged())
        levels.append(Level(step_deg=step, roll_step_deg=roll_step, months=months, year=year))
        fine = 0.5 * step <= ENOUGH * narrow, 0.5 * roll_step <= ENOUGH * turn
        if all(fine):
            break
        step, roll_step = step / (1.0 if fine[0] else 2.0), roll_step / (1.0 if fine[1] else 4.0)
    return tuple(levels)


def whole_turn_deg(sweep: Sweep) -> float:
    """The roll that changes nothing: half a turn for a table that is the same on both sides of both angles."""
    return 180.0 if sweep.ready.fold_t and sweep.ready.fold_l else 360.0


def half_spans_deg(sweep: Sweep) -> tuple[float, float]:
    """Half of the angle between the ends of light, in the narrower and in the wider of the two angles."""
    sides = np.degrees(sweep.ready.sides)
    both = 0.5 * float(sides[1] - sides[0]), 0.5 * float(sides[3] - sides[2])
    return max(min(both), 1e-3), max(*both, 1e-3)


def smeared_table(table: BiaxialAcceptance, patch_deg: float, roll_deg: float) -> BiaxialAcceptance:
    """A table averaged over leans of up to patch_deg and over rolls of up to roll_deg to both sides."""
    transverse, longitudinal, grid = full_grid(table)
    spacing = patch_deg / NODES_PER_PATCH
    aside = math.tan(math.radians(roll_deg))
    ends = (transverse[0], transverse[-1]), (longitudinal[0], longitudinal[-1])
    nodes = []
    for own, other, folded in zip(
        ends, ends[::-1], (table.transverse_deg[0] == 0.0, table.longitudinal_deg[0] == 0.0), strict=True
    ):
        # a roll takes the far end of the other angle aside
        furthest = math.tan(math.radians(min(max(abs(other[0]), abs(other[1])), WIDEST_DEG)))
        margin = math.degrees(math.atan(furthest * aside)) + 2.0 * patch_deg
        low, high = max(own[0] - margin, -WIDEST_DEG), min(own[1] + margin, WIDEST_DEG)
        low = 0.0 if folded else low
        nodes.append(np.linspace(low, high, max(3, math.ceil((high - low) / spacing) + 1)))
    tan_t, tan_l = np.tan(np.radians(nodes[0]))[:, None], np.tan(np.radians(nodes[1]))[None, :]
    points, weights = sample_points(3, 8)
    total = np.zeros((len(nodes[0]), len(nodes[1])))
    for turn in np.radians(roll_deg * (2.0 * (np.arange(ROLLS_ACROSS) + 0.5) / ROLLS_ACROSS - 1.0)):
        across, along = (
            math.cos(turn) * tan_t - math.sin(turn) * tan_l,
            math.sin(turn) * tan_t + math.cos(turn) * tan_l,
        )
        facing = np.stack([across, along, np.ones_like(across)], axis=-1).reshape(-1, 3)
        facing /= np.linalg.norm(facing, axis=1, keepdims=True)
        patch = np.full(len(facing), math.radians(patch_deg))
        total += biaxial_over_disc(
            facing, patch, np.radians(transverse), np.radians(longitudinal), grid, points, weights
        ).reshape(total.shape)
    return BiaxialAcceptance(
        transverse_deg=nodes[0],
        longitudinal_deg=nodes[1],
        acceptance_fraction=total / ROLLS_ACROSS,
        source="disc",
    )


def rolls_refined(sweep: Sweep, some: Facings, step_deg: float, finest_deg: float) -> Facings:
    """The same facings at rolls that give more energy, in halving steps to both sides."""
    value = sweep.kwh(some.axes_enu_xyz, some.tilt_deg)
    roll, lit = some.roll_deg.copy(), np.flatnonzero(value > 0.0)
    while step_deg >= finest_deg and len(lit):
        still = lit
        for side in (-step_deg, step_deg):
            tried = some.take(still)._replace(roll_deg=roll[still] + side)
            reached = sweep.kwh(tried.axes_enu_xyz, tried.tilt_deg)
            better = reached > value[still]
            roll[still[better]] += side
            value[still[better]] = reached[better]
            # who went to one side would come back from the other
            still = still[~better]
        step_deg /= 2.0
    return some._replace(roll_deg=roll)


def descended(levels: tuple[Level, ...], some: Facings, kept: Callable[[Facings, Level], Facings]) -> Facings:
    """What is kept of some facings of the first level, cut up for each next one."""
    some = kept(some, levels[0])
    for above, level in pairwise(levels):
        some = kept(finer(some, above, level), level)
    return some


def finer(some: Facings, above: Level, level: Level) -> Facings:
    """The facings of a level that lie within the patches of some of the level above: (n * parts)."""
    if level.step_deg < above.step_deg:
        off = np.full(4, above.step_deg * math.sqrt(0.125))
        some = leaned(some, off, np.array([45.0, 135.0, 225.0, 315.0]))
    parts = round(above.roll_step_deg / level.roll_step_deg)
    turns = above.roll_step_deg * ((np.arange(parts) + 0.5) / parts - 0.5)
    return Facings(
        np.repeat(some.tilt_deg, parts),
        np.repeat(some.azimuth_deg, parts),
        (some.roll_deg[:, None] + turns).ravel(),
    )
