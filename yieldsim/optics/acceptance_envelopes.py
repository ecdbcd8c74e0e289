"""Lookups above and below one: its acceptance at any direction within some angle of a direction, for bounds over many facings."""

from __future__ import annotations

import math

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance_interpolator import Lookup

STEPS_IN_WIDENING, NODES_IN_BEND, MOST_PARTS = 16.0, 8.0, 16
"""A round lookup is widened, and its bends are spread, over so many steps; each of its own is parted for it, up to so often."""
STEEPEST_RAD = math.radians(86.0)
"""Two-angle lookups are widened up to so far off the normal, in each angle and in all."""


def widened(ready: Lookup, by_rad: float) -> Lookup:
    """The lookup of round optics whose value at a direction is at least every value within `by_rad` of it: for upper
    bounds over many facings.
    """
    from scipy.ndimage import maximum_filter1d

    step, wide, extra = _parted(ready, by_rad)
    wide = maximum_filter1d(wide, 2 * extra + 1, axis=1, mode="constant")[:, extra:]
    wide[:, -1] = 0.0
    reach = min(ready.reach_rad + by_rad + 2.0 * step, math.pi)
    return ready._replace(
        curve=np.ascontiguousarray(wide), chord_step=step, reach_rad=reach, edge_rad=ready.edge_rad + by_rad
    )


def narrowed(ready: Lookup, by_rad: float) -> Lookup:
    """The same whose value is at most every value within `by_rad`: for lower bounds."""
    from scipy.ndimage import minimum_filter1d

    step, wide, extra = _parted(ready, by_rad)
    least = minimum_filter1d(wide, 2 * extra + 1, axis=1, mode="constant")[:, extra:]
    return ready._replace(curve=np.ascontiguousarray(least), chord_step=step)


def _parted(ready: Lookup, by_rad: float) -> tuple[float, FloatArray, int]:
    """A finer step, the curve at its multiples to both sides of the normal, and how many of them `by_rad` is, and one."""
    # whole steps more than asked for are little of it
    parts = min(math.ceil(STEPS_IN_WIDENING * ready.chord_step / by_rad), MOST_PARTS)
    step, nodes = ready.chord_step / parts, np.arange(ready.curve.shape[1])
    curve = np.stack([np.interp(np.arange(parts * nodes[-1] + 1) / parts, nodes, one) for one in ready.curve])
    extra = math.ceil(by_rad / step) + 1
    longest = int(2.0 / step) + 2
    wide = np.pad(curve, ((0, 0), (0, extra)))[:, : longest + 1]
    return step, np.concatenate([wide[:, extra:0:-1], wide], axis=1), extra


def beyond_corners(ready: Lookup, by_rad: float) -> Lookup:
    """The lookup of round optics whose value at a direction is at least what they give a Sun there at any facing of a patch beyond
    their mean at the patch's corners, with weights that may differ from facing to facing but not with the Sun.

    by_rad   a small angle: directions are those off the patch's middle, its corners within so much of that

    Over -(cosine) a curve is a convex function and bends: each bend of -s at z, between ends l and h of what is met, lifts it above
    its lower hull by s (z - l) (h - z) / (h - l) at most, and the bends' hulls add up. So the value is of the second order in the
    angle, once many directions of the Sun are added up. A facing is a mean of the corners but for by_rad^2: within 20 degrees of
    the poles more.
    """
    from scipy.ndimage import maximum_filter1d

    parts = min(math.ceil(NODES_IN_BEND * ready.chord_step / by_rad), MOST_PARTS)
    step = ready.chord_step / parts
    # a node's stretch of the Sun and of its own bends are within two nodes more
    around = math.ceil(by_rad / step) + 2
    count = min(parts * (ready.curve.shape[1] - 1) + 1 + around, int(2.0 / step) + 1)
    nodes = step * np.arange(count)
    own = ready.chord_step * np.arange(ready.curve.shape[1])
    curve = np.stack([np.interp(nodes, own, one, right=0.0) for one in ready.curve])
    slope = np.diff(curve, axis=1) / step
    # bends over -(cosine) = chord^2 / 2, with those within rising stretches
    bend = np.zeros_like(curve)
    bend[:, 1:-1] = np.maximum(slope[:, :-1] - slope[:, 1:], 0.0) / nodes[1:-1]
    inner = np.maximum(slope[:, 1:], 0.0) * (1.0 / nodes[1:-1] - 1.0 / nodes[2:])
    bend[:, 1:-1] += inner
    bend[:, 2:] += inner
    squared = 0.5 * nodes**2
    low = 0.5 * np.maximum(nodes - around * step, 0.0) ** 2
    high = 0.5 * (nodes + around * step) ** 2
    found = np.zeros_like(curve)
    for off in range(-around, around + 1):
        to = np.arange(max(off, 0), min(count + off, count))
        at = to - off
        lift = (squared[to] - low[at]) * (high[at] - squared[to]) / (high[at] - low[at])
        found[:, at] += bend[:, to] * np.maximum(lift, 0.0)
    # what a facing may lie off the mean of the corners, times the steepest slope met
    off_mean = nodes - np.sqrt(np.maximum(nodes**2 - 2.0 * by_rad**2, 0.0)) + 2.0 * by_rad**2
    steep = np.pad(np.abs(slope), ((0, 0), (0, 1)))
    met = 2 * around + 1
    found += maximum_filter1d(steep, met, axis=1) * maximum_filter1d(off_mean, met)
    found[:, -1] = 0.0
    reach = 2.0 * math.asin(min(0.5 * nodes[-1], 1.0))
    return ready._replace(
        curve=np.ascontiguousarray(found), chord_step=step, reach_rad=reach, edge_rad=ready.edge_rad + by_rad
    )


def widened_grid(ready: Lookup, lean_rad: float, roll_rad: float) -> Lookup | None:
    """The lookup of two-angle optics whose acceptance times cosine at a direction is at least every one within
    lean + roll sin(incidence + lean) of it; None where that reaches to the plane of the aperture.

    Of two upper bounds the lower at each node: the largest of the nodes around, and the node itself with the steepest slope
    around times the turn. A turn d changes a projected angle by up to asin(sin d / cos(the other angle)).
    """
    steps = (ready.step_t, ready.step_l)
    mesh = 2.0 * sum(math.atan(step) for step in steps)
    ends = [float(np.abs(ready.sides[2 * axis : 2 * axis + 2]).max()) for axis in (0, 1)]
    turn = lean_rad + roll_rad * math.sin(min(ready.reach_rad + lean_rad, 0.5 * math.pi)) + mesh
    # no projected angle is larger than the incidence
    furthest = ready.reach_rad + turn
    if furthest > STEEPEST_RAD:
        return None
    outer = [min(end + float(_turned_rad(turn, furthest)), furthest) for end in ends]
    pads, firsts = [], []
    for axis, (first, step, fold) in enumerate(
        ((ready.first_t, ready.step_t, ready.fold_t), (ready.first_l, ready.step_l, ready.fold_l))
    ):
        last = first + step * (ready.grid.shape[1 + axis] - 1)
        most = math.tan(0.5 * outer[axis]) + 2.0 * step
        above = max(math.ceil((most - last) / step), 0)
        below = 0 if fold else max(math.ceil((first + most) / step), 0)
        pads.append((below, above))
        firsts.append(first - below * step)
    grid = np.pad(ready.grid, ((0, 0), *pads))
    t, el = (2.0 * np.arctan(firsts[k] + steps[k] * np.arange(grid.shape[1 + k])) for k in (0, 1))
    incidence = np.arctan(np.hypot(np.tan(t)[:, None], np.tan(el)[None, :]))
    own = lean_rad + roll_rad * np.sin(np.minimum(incidence + lean_rad + mesh, 0.5 * math.pi))
    by_t, by_l = (
        _turned_rad(own, np.minimum(np.abs(other) + _turned_rad(turn, spread), furthest))
        for other, spread in ((el[None, :], outer[0]), (t[:, None], outer[1]))
    )
    highest = grid
    highest = _most_around(highest, by_t.max(axis=0), t, 1, ready.fold_t)
    highest = _most_around(highest, by_l.max(axis=1), el, 2, ready.fold_l)
    slope_t, slope_l = (
        np.abs(np.diff(grid, axis=axis)) / mesh_of
        for axis, mesh_of in ((1, np.diff(t)[:, None]), (2, np.diff(el)))
    )
    steepest = []
    for slope, axis in ((slope_t, 1), (slope_l, 2)):
        edge = [(0, 0)] * 3
        edge[axis] = (0, 1)
        after = np.pad(slope, edge)
        edge[axis] = (1, 0)
        worst = np.maximum(after, np.pad(slope, edge))
        worst = _most_around(worst, by_t.max(axis=0), t, 1, ready.fold_t)
        steepest.append(_most_around(worst, by_l.max(axis=1), el, 2, ready.fold_l))
    straight = grid + steepest[0] * by_t + steepest[1] * by_l
    near = np.cos(np.maximum(incidence - own - mesh, 0.0)) / np.cos(np.minimum(incidence + mesh, 1.5))
    wide = np.where(highest > 0.0, np.minimum(highest, straight) * near, 0.0)
    sides = np.array([-outer[0], outer[0], -outer[1], outer[1]])
    return ready._replace(
        grid=np.ascontiguousarray(wide),
        first_t=firsts[0],
        first_l=firsts[1],
        sides=sides,
        reach_rad=min(ready.reach_rad + turn, 0.5 * math.pi),
    )


def _turned_rad(turn_rad: FloatArray | float, other_rad: FloatArray | float) -> FloatArray:
    """By how much a turn may change a projected angle where the other is at most so large."""
    return np.arcsin(np.minimum(np.sin(turn_rad) / np.cos(np.minimum(other_rad, STEEPEST_RAD)), 1.0))


def _most_around(
    grid: FloatArray, by_rad: FloatArray, nodes_rad: FloatArray, axis: int, fold: bool
) -> FloatArray:
    """Largest value (classes, rows, columns) within a stretch along an axis, one for each line along it, and a node more."""
    from scipy.ndimage import maximum_filter1d

    # nodes lie closest at the ends
    closest = float(np.diff(nodes_rad).min())
    count = np.ceil(by_rad / closest).astype(np.int64) + 1
    lines = np.moveaxis(grid, axis, 1)
    if fold:
        extra = min(int(count.max()), lines.shape[1] - 1)
        lines = np.concatenate([lines[:, extra:0:-1], lines], axis=1)
    found = np.empty_like(lines)
    for size in np.unique(count):
        own = count == size
        found[:, :, own] = maximum_filter1d(lines[:, :, own], 2 * int(size) + 1, axis=1, mode="constant")
    return np.moveaxis(found[:, extra:] if fold else found, 1, axis)
