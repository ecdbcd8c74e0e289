"""The optics as the page reads them: acceptance over the Sun's disc at a few radii, and its outline on the sky."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.model import Acceptance, BiaxialAcceptance, RoundAcceptance
from yieldsim.base.numerics.interpolation import falls_to_deg
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.acceptance import full_grid, grid_value, half_width_deg
from yieldsim.optics.acceptance_lookup import lookup, round_curves, smeared_grid
from yieldsim.report.page.packed_arrays import shares_16

RADIUS_STEP = {True: 0.015, False: 0.06}
"""Relative distance of the disc's radii for round and other optics: between two of them light is read along a straight line, which
leaves 1 % too much of the faint light at a curve's end where they are 15 % apart (Mercury, by an estimate)."""
CHORDS_PER_RADIUS = 40
"""Readings of a round curve across the disc's radius: for the same faint end they lie closer than where whole years are summed."""
SAME_RADIUS = 0.005
"""A disc whose radius varies by less, relatively, is taken at its mean."""
MOST_NODES = 400_000
"""Of grids of two angles, over all radii."""
OUTLINE_POINTS = 72
FINEST_DEG = {True: 8.0, False: 4.0}
STEPS_ACROSS = 8.0
"""As an estimate steps (`energy.integration.first_steps`, halved once): an eighth of the half-width at most, this much at most
for round and other optics."""


def optics_tables(
    acceptance: Acceptance, radius_deg: FloatArray
) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Words and arrays of an acceptance table for the Sun's radii (rows,) of a run.

    The light of a direction is read off them by `assets/light.js` as `optics.acceptance_interpolator` reads its own.
    """
    is_round = isinstance(acceptance, RoundAcceptance)
    low, high = float(radius_deg.min()), float(radius_deg.max())
    one = acceptance.source == "disc" or high - low <= SAME_RADIUS * high
    count = 1 + math.ceil(math.log(high / low) / RADIUS_STEP[is_round] - 1e-9)
    radii = np.array([float(radius_deg.mean())]) if one else np.linspace(low, high, max(count, 2))
    ready = lookup(acceptance, radii[-1:])
    words: dict[str, Any] = {
        "round": is_round,
        "radii_deg": radii.tolist(),
        "reach_rad": ready.reach_rad,
        "half_width_deg": half_width_deg(acceptance),
        "step_deg": min(half_width_deg(acceptance), FINEST_DEG[is_round]) / STEPS_ACROSS,
        "outline_xyz": outline_xyz(acceptance).round(6).tolist(),
    }
    if isinstance(acceptance, RoundAcceptance):
        step = float(min(math.radians(low) / CHORDS_PER_RADIUS, ready.chord_step))
        chord = step * np.arange(
            math.ceil(2.0 * math.sin(ready.reach_rad / 2.0) / step) + 2, dtype=np.float64
        )
        curve = round_curves(acceptance, chord, np.radians(radii))
        top = float(curve.max())
        words |= {"top": top, "chord_step": step}
        return words, {"acceptance": shares_16(curve, top)}
    rows, columns = ready.grid.shape[1:]
    stride = max(1, math.ceil(math.sqrt(rows * columns * len(radii) / MOST_NODES)))
    # one node past the light, so that what lies outside stays dark
    t = ready.first_t + ready.step_t * stride * np.arange(math.ceil((rows - 1) / stride) + 2)
    el = ready.first_l + ready.step_l * stride * np.arange(math.ceil((columns - 1) / stride) + 2)
    grid = np.stack([smeared_grid(acceptance, t, el, float(r)) for r in np.radians(radii)])
    top = float(grid.max())
    words |= {
        "top": top,
        "first": [ready.first_t, ready.first_l],
        "step": [ready.step_t * stride, ready.step_l * stride],
        "fold": [bool(ready.fold_t), bool(ready.fold_l)],
    }
    return words, {"acceptance": shares_16(grid, top)}


def outline_xyz(acceptance: Acceptance) -> FloatArray:
    """Directions (points, 3) in mount axes at which acceptance has fallen to half of its peak, around the normal."""
    around = np.linspace(0.0, 2.0 * math.pi, OUTLINE_POINTS, endpoint=False)
    if isinstance(acceptance, RoundAcceptance):
        width = falls_to_deg(acceptance.incidence_deg, acceptance.acceptance_fraction, 0.5)
        angle = math.radians(float(acceptance.incidence_deg[-1]) if math.isnan(width) else width)
        across = math.sin(angle)
        return np.stack(
            [across * np.cos(around), across * np.sin(around), np.full(OUTLINE_POINTS, math.cos(angle))],
            axis=1,
        )
    return np.array([_edge_xyz(acceptance, float(angle)) for angle in around])


def _edge_xyz(acceptance: BiaxialAcceptance, angle_rad: float) -> FloatArray:
    """The edge along one line of constant ratio of the projected angles."""
    transverse, longitudinal, grid = full_grid(acceptance)
    x, y = np.radians(transverse), np.radians(longitudinal)
    half = 0.5 * float(grid.max())
    way = np.linspace(0.0, math.hypot(float(np.abs(x).max()), float(np.abs(y).max())), 2000)
    values = np.array([grid_value(r * math.cos(angle_rad), r * math.sin(angle_rad), x, y, grid) for r in way])
    bright = np.flatnonzero(values >= half)
    r = float(way[bright[-1]]) if len(bright) else 0.0
    far = 0.499 * math.pi
    t, el = (
        math.tan(float(np.clip(r * part, -far, far))) for part in (math.cos(angle_rad), math.sin(angle_rad))
    )
    return np.array([t, el, 1.0]) / math.sqrt(1.0 + t * t + el * el)
