"""Making acceptance lookups from tables: averages over the Sun's disc, edges, and how wide a cell of sky may
be for a table."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from yieldsim.base.model import Acceptance, RoundAcceptance
from yieldsim.base.numerics.jit import plain
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.sun_disc import sample_points
from yieldsim.optics.acceptance import biaxial_over_disc, full_grid, round_over_disc
from yieldsim.optics.acceptance_interpolator import CLEARANCE_STEP, Lookup, lit_nodes

CHORDS_PER_RADIUS = 16
"""Points of the curve across the radius of the disc: a straight line between them is off by under 0.1 % of a
hard edge's height."""
DISC_SOURCE_STEP_DEG = 0.01
"""Spacing of the curve for a table that already holds the disc."""
GRID_STEP_DEG = 0.125
RADII = 3
"""Averages of a grid over discs of different radius; nearer and farther Suns lie between them."""
MOST_GRID_POINTS = 1_500_000
EVEN = 2e-5
"""A ring of eight points that agrees with its centre so well needs no closer average over the disc."""
CELLS_DEG = (1.0, 0.7, 0.5, 0.35, 0.25, 0.18, 0.125, 0.09, 0.0625, 0.045)
CELL_ERROR = 5e-4
"""Largest relative error of an evenly lit sky that the choice of a cell lets pass (a bound; the error itself
is far smaller)."""


def lookup(acceptance: Acceptance, class_radius_deg: FloatArray, *, gaps: bool = True) -> Lookup:
    """The lookup of an acceptance table for each class of the disc's radius, degrees (classes,).

    gaps   map the clearances too, by which gaps are found sooner
    """
    radius_rad = np.radians(np.asarray(class_radius_deg, dtype=np.float64))
    disc_xy = np.zeros((1, 2)) if acceptance.source == "disc" else sample_points()[0]
    if isinstance(acceptance, RoundAcceptance):
        ready = _round_lookup(acceptance, radius_rad, disc_xy)
    else:
        ready = _grid_lookup(acceptance, radius_rad, disc_xy)
    tables: dict[str, Any] = {
        name: plain(one) for name, one in ready._asdict().items() if isinstance(one, np.ndarray)
    }
    ready = ready._replace(**tables)
    return ready if ready.solid or not gaps else ready._replace(clearance_rad=_clearance_rad(ready))


def _clearance_rad(ready: Lookup) -> FloatArray:
    """How far a direction may turn and surely keep its light, or surely stay without.

    In the plane of x / (1 + z), y / (1 + z) a step dp is a turn of 2 dp / (1 + p^2), at least 0.95 dp on the
    map. Distances to the edge are taken there, less a diagonal of the map's mesh.
    """
    from scipy.ndimage import distance_transform_edt

    lit = lit_nodes(ready)
    inside = distance_transform_edt(lit == len(ready.radius_rad))
    outside = distance_transform_edt(lit == 0)
    mesh = math.sqrt(2.0)
    sure = np.maximum(inside - mesh, 0.0) - np.maximum(outside - mesh, 0.0)
    return np.ascontiguousarray(0.95 * CLEARANCE_STEP * sure)


def cell_for_deg(acceptance: Acceptance, sun_radius_deg: float) -> float:
    """The widest cells of sky, degrees, over which this acceptance may be read at the mean direction of their
    light.

    The remainder of a cell of side d is at most a third of the curve's second difference over d / 2; summed
    over an evenly lit sky it stays under CELL_ERROR of the light accepted. Two-angle tables are judged by
    their cuts through the normal.
    """
    theta = np.radians(np.arange(0.0, 95.0, 0.02))
    curves = []
    if isinstance(acceptance, RoundAcceptance):
        across = np.stack([np.sin(theta), 0.0 * theta, np.cos(theta)], axis=1)
        curves.append((_over_disc(acceptance, across, sun_radius_deg), np.sin(theta)))
    else:
        for axis in (0, 1):
            across = np.zeros((len(theta), 3))
            across[:, axis], across[:, 2] = np.sin(theta), np.cos(theta)
            curves.append((_over_disc(acceptance, across, sun_radius_deg), np.ones_like(theta)))
    for cell_deg in CELLS_DEG:
        reach = max(1, round(cell_deg / 2.0 / 0.02))
        worst = 0.0
        for curve, weight in curves:
            even = np.concatenate([curve[reach:0:-1], curve, np.zeros(reach)])
            second = np.abs(even[2 * reach :] + even[: -2 * reach] - 2.0 * curve) / 2.0
            worst = max(worst, float((second * weight).sum() / 3.0 / max((curve * weight).sum(), 1e-12)))
        if worst <= CELL_ERROR:
            return cell_deg
    return CELLS_DEG[-1]


def _over_disc(acceptance: Acceptance, sun_xyz: FloatArray, radius_deg: float) -> FloatArray:
    """Acceptance times cosine in given directions (n, 3) by a close average over the disc."""
    points, weights = _close_points(acceptance)
    radius = np.full(len(sun_xyz), np.radians(radius_deg))
    if isinstance(acceptance, RoundAcceptance):
        value = round_over_disc(
            sun_xyz,
            radius,
            np.radians(acceptance.incidence_deg),
            acceptance.acceptance_fraction,
            points,
            weights,
        )
    else:
        transverse, longitudinal, grid = full_grid(acceptance)
        value = biaxial_over_disc(
            sun_xyz, radius, np.radians(transverse), np.radians(longitudinal), grid, points, weights
        )
    return np.asarray(value * np.maximum(sun_xyz[:, 2], 0.0))


def _close_points(acceptance: Acceptance) -> tuple[FloatArray, FloatArray]:
    if acceptance.source == "disc":
        return np.zeros((1, 2)), np.ones(1)
    return sample_points(12, 32)


# ---------------------------------------------------------------- round


def _round_lookup(acceptance: RoundAcceptance, radius_rad: FloatArray, disc_xy: FloatArray) -> Lookup:
    points, _ = _close_points(acceptance)
    table_x, table_y = np.radians(acceptance.incidence_deg), acceptance.acceptance_fraction
    end_rad, solid = _end_of_light(table_x, table_y)
    outermost = float(np.hypot(points[:, 0], points[:, 1]).max())
    reach = min(end_rad + outermost * float(radius_rad.max()), 0.5 * math.pi)
    step = math.radians(DISC_SOURCE_STEP_DEG)
    if acceptance.source == "point":
        step = float(radius_rad.min()) / CHORDS_PER_RADIUS
    chord = step * np.arange(math.ceil(2.0 * math.sin(reach / 2.0) / step) + 2)
    curve = round_curves(acceptance, np.asarray(chord), radius_rad)
    read_outermost = float(np.hypot(disc_xy[:, 0], disc_xy[:, 1]).max())
    return Lookup(
        is_round=True,
        curve=np.ascontiguousarray(curve),
        chord_step=step,
        grid=np.zeros((1, 2, 2)),
        first_t=0.0,
        step_t=1.0,
        fold_t=True,
        first_l=0.0,
        step_l=1.0,
        fold_l=True,
        sides=np.zeros(4),
        reach_rad=2.0 * math.asin(min(float(chord[-1]) / 2.0, 1.0)),
        edge_rad=np.minimum(end_rad + read_outermost * radius_rad, 0.5 * math.pi),
        solid=solid,
        table_x=np.ascontiguousarray(table_x),
        table_y=np.empty(0),
        table=np.ascontiguousarray(table_y[None, :]),
        clearance_rad=np.zeros((1, 1)),
        disc_xy=disc_xy,
        radius_rad=radius_rad,
    )


def round_curves(acceptance: RoundAcceptance, chord: FloatArray, radius_rad: FloatArray) -> FloatArray:
    """Acceptance over the disc times cosine at chords (n,) for discs of some radii, (radii, n); 0 at the last chord."""
    points, weights = _close_points(acceptance)
    table_x, table_y = np.radians(acceptance.incidence_deg), acceptance.acceptance_fraction
    incidence = 2.0 * np.arcsin(np.minimum(chord / 2.0, 1.0))
    sun_xyz = np.stack([np.sin(incidence), 0.0 * incidence, np.cos(incidence)], axis=1)
    curve = np.stack(
        [
            round_over_disc(sun_xyz, np.full(len(chord), r), table_x, table_y, points, weights)
            * np.maximum(sun_xyz[:, 2], 0.0)
            for r in radius_rad
        ]
    )
    curve[:, -1] = 0.0
    return curve


def _end_of_light(angle_rad: FloatArray, value: FloatArray) -> tuple[float, bool]:
    """Angle beyond which the table is 0, and whether it is above 0 all the way there."""
    lit = np.flatnonzero(value > 0.0)
    if lit.size == 0:
        return 0.0, True
    last = int(lit[-1])
    end = float(angle_rad[min(last + 1, len(angle_rad) - 1)])
    return end, bool(lit.size == last + 1 and angle_rad[0] == 0.0)


# ---------------------------------------------------------------- two angles


def _grid_lookup(acceptance: Acceptance, radius_rad: FloatArray, disc_xy: FloatArray) -> Lookup:
    assert not isinstance(acceptance, RoundAcceptance)
    transverse, longitudinal, table = full_grid(acceptance)
    table_x, table_y = np.radians(transverse), np.radians(longitudinal)
    largest = float(radius_rad.max()) if acceptance.source == "point" else 0.0
    axes = []
    folds = (acceptance.transverse_deg[0] == 0.0, acceptance.longitudinal_deg[0] == 0.0)
    for angle, other, fold in ((table_x, table_y, folds[0]), (table_y, table_x, folds[1])):
        # the disc's half-width in this projected angle grows with the other angle
        margin = largest / max(math.cos(min(float(np.abs(other).max()) + largest, 1.55)), 0.02)
        low = 0.0 if fold else max(float(angle[0]) - margin, -0.4999 * math.pi)
        axes.append((low, min(float(angle[-1]) + margin, 0.4999 * math.pi)))
    spans = [math.tan(high / 2.0) - math.tan(low / 2.0) for low, high in axes]
    step = max(math.tan(math.radians(GRID_STEP_DEG) / 2.0), math.sqrt(spans[0] * spans[1] / MOST_GRID_POINTS))
    first = [
        math.tan(low / 2.0) - (0.0 if fold else step) for (low, _), fold in zip(axes, folds, strict=True)
    ]
    counts = [math.ceil(span / step) + 3 for span in spans]
    t = first[0] + step * np.arange(counts[0])
    el = first[1] + step * np.arange(counts[1])
    grid = _smeared_grids(acceptance, np.asarray(t), np.asarray(el), radius_rad)
    lit = np.argwhere(grid.max(axis=0) > 0.0)
    reach, sides = 0.0, np.zeros(4)
    if len(lit):
        tan_t, tan_l = np.tan(2.0 * np.arctan(t[lit[:, 0]])), np.tan(2.0 * np.arctan(el[lit[:, 1]]))
        reach = min(float(np.arctan(np.hypot(tan_t, tan_l)).max()) + 2.0 * step * 2.0, 0.5 * math.pi)
        for axis, nodes, fold in ((0, t, folds[0]), (1, el, folds[1])):
            # a grid gives light up to the node beside the last that is lit
            own = nodes[lit[:, axis]]
            high = 2.0 * np.arctan(min(own.max() + step, 1.0))
            sides[2 * axis : 2 * axis + 2] = (
                -high if fold else 2.0 * np.arctan(max(own.min() - step, -1.0)),
                high,
            )
    return Lookup(
        is_round=False,
        curve=np.zeros((1, 2)),
        chord_step=1.0,
        grid=np.ascontiguousarray(grid),
        first_t=first[0],
        step_t=step,
        fold_t=bool(folds[0]),
        first_l=first[1],
        step_l=step,
        fold_l=bool(folds[1]),
        sides=sides,
        reach_rad=reach,
        edge_rad=np.full(len(radius_rad), reach),
        solid=False,
        table_x=table_x,
        table_y=table_y,
        table=table,
        clearance_rad=np.zeros((1, 1)),
        disc_xy=disc_xy,
        radius_rad=radius_rad,
    )


def _smeared_grids(
    acceptance: Acceptance, t: FloatArray, el: FloatArray, radius_rad: FloatArray
) -> FloatArray:
    """Grids (classes, rows, columns), at most RADII of them averaged over the disc, the others between two of these.

    A straight line in the radius is off by an eighth of (step / radius)^2 of an edge's height at worst: 1e-3 for the
    distances of Mars, at nodes on the edge, of either sign.
    """
    made = np.linspace(radius_rad.min(), radius_rad.max(), min(len(radius_rad), RADII))
    grids = np.stack([smeared_grid(acceptance, t, el, float(r)) for r in made])
    if len(made) == 1:
        return grids
    at = np.interp(radius_rad, made, np.arange(len(made), dtype=np.float64))
    low = np.minimum(at.astype(np.int64), len(made) - 2)
    share = (at - low)[:, None, None]
    return np.asarray(grids[low] * (1.0 - share) + grids[low + 1] * share)


def smeared_grid(acceptance: Acceptance, t: FloatArray, el: FloatArray, radius_rad: float) -> FloatArray:
    """Acceptance averaged over the disc at the nodes (rows, columns): closely where a ring of eight differs
    from its centre."""
    assert not isinstance(acceptance, RoundAcceptance)
    transverse, longitudinal, table = full_grid(acceptance)
    rows, columns = np.radians(transverse), np.radians(longitudinal)
    tan_t, tan_l = np.tan(2.0 * np.arctan(t)), np.tan(2.0 * np.arctan(el))
    z = 1.0 / np.sqrt(1.0 + tan_t[:, None] ** 2 + tan_l[None, :] ** 2)
    sun = np.stack([z * tan_t[:, None], z * tan_l[None, :], z], axis=-1).reshape(-1, 3)
    centre, one = np.zeros((1, 2)), np.ones(1)

    def over(directions: FloatArray, points: FloatArray, weights: FloatArray) -> FloatArray:
        radius = np.full(len(directions), radius_rad)
        return np.asarray(biaxial_over_disc(directions, radius, rows, columns, table, points, weights))

    value = over(sun, centre, one)
    if acceptance.source == "point":
        angle = np.arange(8) * math.pi / 4.0
        ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        around = over(sun, ring, np.full(8, 0.125))
        uneven = np.flatnonzero(np.abs(around - value) > EVEN)
        points, weights = _close_points(acceptance)
        value[uneven] = over(sun[uneven], points, weights)
    return value.reshape(len(t), len(el))
