"""Facings to choose several from: spread over the part of the sky that gives light, with what each goal asks
of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from yieldsim.optics.acceptance_envelopes import widened
from yieldsim.optics.acceptance_interpolator import Lookup
from yieldsim.planning.orientation.facing_map import at_best_rolls
from yieldsim.planning.orientation.mount_frames import Facings, facings_of_axes, spread_over_sky
from yieldsim.planning.orientation.objectives import Prospect
from yieldsim.planning.orientation.pattern_search import even_turns, turned
from yieldsim.planning.sunlight.sunlit_series import runs_of_facings
from yieldsim.planning.unit_sets.set_cover import RunLists

STEP_PER_REACH = 0.35
FINEST_STEP_DEG, WIDEST_STEP_DEG = 1.5, 6.0
MOST = {"annual": 1, "worst-month": 4000, "shortest-gap": 1500, "load": 350}
FURTHEST = 0.76
"""Distance of the furthest facing from its neighbours in a spread over the sky, in steps of it."""
WITHIN_SHARES, WAYS_WITHIN = (0.36, 0.18, 0.09, 0.045, 0.0225), 16
"""Steps within a candidate's part of the sky, in distances between them, and turns tried at each."""
LEAST_SHARE = 0.02
"""Facings with a smaller share of the best one's energy are left out, unless the goal is a short gap."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Candidates:
    """Facings to choose from.

    step_deg   distance between neighbours on the sky
    """

    facings: Facings
    step_deg: float


def spread(prospect: Prospect, goal: str) -> Candidates:
    """Candidates for a goal: as close as the acceptance asks for, further apart where there would be too
    many."""
    reach_deg = math.degrees(prospect.year.ready.reach_rad)
    step = min(max(STEP_PER_REACH * reach_deg, FINEST_STEP_DEG), WIDEST_STEP_DEG)
    share = 1e-9 if goal == "shortest-gap" else LEAST_SHARE
    while True:
        grid = at_best_rolls(prospect, spread_over_sky(step, np.zeros(1)))
        annual = prospect.annual_kwh(grid, scout=True)
        lit = annual > share * float(annual.max(initial=0.0))
        if lit.sum() <= MOST[goal]:
            break
        step *= 1.15
    return Candidates(facings=grid.take(lit), step_deg=step)


def at_their_best(prospect: Prospect, some: Facings, step_deg: float) -> Facings:
    """Two-angle facings, each moved within its part of the sky to where it delivers most: one that a narrow table leaves beside the
    Sun's way stands for none of its neighbours."""
    axes, value = some.axes_enu_xyz, prospect.annual_kwh(some, scout=True)
    for turn, share in enumerate(WITHIN_SHARES):
        tried = turned(axes[:, None], share * step_deg * even_turns(WAYS_WITHIN, turn, True))
        reached = prospect.annual_kwh(facings_of_axes(tried.reshape(-1, 3, 3)), scout=True)
        reached = reached.reshape(some.count, WAYS_WITHIN)
        best = reached.argmax(axis=1)
        better = np.flatnonzero(reached.max(axis=1) > value)
        axes[better], value[better] = tried[better, best[better]], reached[better, best[better]]
    return facings_of_axes(axes)


def run_lists(prospect: Prospect, some: Facings, ready: Lookup | None = None) -> RunLists:
    """Stretches of light of facings, read through the collector's acceptance or another lookup."""
    lists = runs_of_facings(prospect.track, ready or prospect.year.ready, some.axes_enu_xyz, some.tilt_deg)
    return RunLists.of(lists, prospect.track.step_count)


def widened_run_lists(prospect: Prospect, step_deg: float) -> RunLists | None:
    """Lists such that every facing of the sky delivers only when one near it in the list does.

    Made through an acceptance widened by the distance to the furthest facing between neighbours. None for
    optics whose edge of acceptance is not a plain cone.
    """
    ready = prospect.year.ready
    if not (ready.is_round and ready.solid):
        return None
    # rows are a step apart, places in a row at most a little more: half a diagonal, with room
    wide = widened(ready, FURTHEST * math.radians(step_deg))
    grid = spread_over_sky(step_deg, np.zeros(1))
    lit = prospect.year.with_lookup(wide).kwh(grid.axes_enu_xyz, grid.tilt_deg) > 0.0
    return run_lists(prospect, grid.take(lit), wide)
