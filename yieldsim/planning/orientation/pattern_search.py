"""The search below the grid: facing, and the roll of two-angle optics with it, as turns of the whole mount.

From each start the mount is turned by a step about axes spread over the sphere, others at each round. A quadratic is fitted
to what these turns reach (to each month by itself where the poorest counts), and its best place near by is tried too: narrow
tables make ridges a hundred times as long as wide, poorest months have edges, and steps alone crawl along either.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, facings_of_axes

Measure = Callable[[Facings, FloatArray | None], FloatArray]
"""What is known of facings, (n, k): all that their worth follows from. Those that can't reach the given worths (n,) may hold
minus infinity."""
Worth = Callable[[FloatArray], FloatArray]
"""How good facings are, (n,), from measures (n, k)."""
SURVIVORS, TRIAL_ROUNDS = 6, 3
"""The better half of the starts goes on after so many rounds, again and again down to so many."""
RING, ROLL_PER_LEAN = 24, 3.0
"""Turns tried in a round; about the normal they are so many times as large."""
LITTLE = 1e-6
"""A gain of a smaller share of the worth is none."""
MOST_ROUNDS = 200
NEAR, FAR = 1.5, 6.0
"""The fitted quadratic is searched so many steps far, and trusted further where that helps."""
PLACES, ZOOMS, ZOOM = 200, 5, 0.4
"""Places of a quadratic that are looked at, and how often closer about the best of them."""
PLASTIC = 0.7548776662466927, 0.5698402909980532
"""The plane's most even sequence (powers of the plastic number)."""


def search_turned(
    measure: Measure,
    worth: Worth,
    starts: Facings,
    step_deg: float,
    *,
    finest_deg: float,
    patience: int,
    survivors: int = SURVIVORS,
    rolls: bool = True,
) -> tuple[Facings, FloatArray]:
    """Where the search from each start ends, best first, and the worths; starts that fall behind are given up on the way.

    patience    rounds in a row without gain after which the step is halved
    survivors   so many go on to the end
    rolls       whether mounts are turned about their normal too; those that are not end at roll 0
    """
    axes = starts.axes_enu_xyz
    known = measure(starts, None)
    value = worth(known)
    step, idle = np.full(starts.count, float(step_deg)), np.zeros(starts.count, dtype=np.int64)
    guess = np.repeat(axes[:, None], 2, axis=1)
    places = even_turns(PLACES, 0, rolls) * np.linspace(0.05, 1.0, PLACES)[:, None] ** 0.5
    for turn in range(MOST_ROUNDS):
        if turn % TRIAL_ROUNDS == 0 and turn > 0 and len(value) > survivors:
            kept = distinct(axes, value, float(step.max()), max(survivors, len(value) // 2))
            axes, known, value = axes[kept], known[kept], value[kept]
            step, idle, guess = step[kept], idle[kept], guess[kept]
        active = np.flatnonzero(step >= finest_deg)
        if len(active) == 0:
            break
        ring = even_turns(RING, turn, rolls)
        tried = np.concatenate(
            [turned(axes[active][:, None], step[active, None, None] * ring), guess[active]], axis=1
        )
        count = tried.shape[1]
        reached = measure(facings_of_axes(tried.reshape(-1, 3, 3)), np.repeat(value[active], count))
        reached = reached.reshape(len(active), count, -1)
        guess[active] = _guesses(
            axes[active], known[active], step[active], ring, reached[:, :RING], places, worth
        )
        worths = worth(reached.reshape(-1, reached.shape[2])).reshape(len(active), count)
        best = worths.argmax(axis=1)
        gain = worths[np.arange(len(active)), best] - value[active]
        better = np.flatnonzero(gain > 0.0)
        rows, columns = active[better], best[better]
        axes[rows], known[rows] = tried[better, columns], reached[better, columns]
        value[rows] = worths[better, columns]
        idle[active] = np.where(gain <= LITTLE * np.abs(value[active]), idle[active] + 1, 0)
        tired = active[idle[active] >= patience]
        step[tired], idle[tired] = 0.5 * step[tired], 0
    order = np.argsort(-value, kind="stable")
    found = facings_of_axes(axes[order])
    return found if rolls else found._replace(roll_deg=np.zeros(found.count)), value[order]


def distinct(
    axes: FloatArray, worth: FloatArray, apart_deg: float, most: int, *, rolls: bool = True
) -> list[int]:
    """Places of the best mounts (n, 3, 3), best first, that are turned against each other by at least apart_deg; without
    rolls, whose normals are so far apart."""
    near = np.cos(np.radians(apart_deg))
    chosen: list[int] = []
    order = np.argsort(-worth, kind="stable")
    while len(order) and len(chosen) < most:
        best, order = int(order[0]), order[1:]
        chosen.append(best)
        # the trace of the turn between two frames
        close = (
            (np.einsum("nij,ij->n", axes[order], axes[best]) - 1.0) / 2.0
            if rolls
            else axes[order, 2] @ axes[best, 2]
        )
        order = order[close < near]
    return chosen


def even_turns(count: int, turn: int, rolls: bool) -> FloatArray:
    """Turns (count, 3) of unit size about axes evenly spread over the sphere, about the normal ROLL_PER_LEAN times as large;
    without rolls about axes evenly spread in the aperture."""
    n = np.arange(turn * count, (turn + 1) * count)
    # wrapped on the sphere by equal areas
    about = 2.0 * ((0.5 + PLASTIC[0] * n) % 1.0) - 1.0
    toward = 2.0 * np.pi * ((PLASTIC[1] * n) % 1.0)
    about = about if rolls else np.zeros(count)
    level = np.sqrt(1.0 - about**2)
    return np.stack([level * np.cos(toward), level * np.sin(toward), ROLL_PER_LEAN * about], axis=1)


def turned(axes: FloatArray, turn_deg: FloatArray) -> FloatArray:
    """Mounts (..., 3, 3) turned about their own axes by rotation vectors (..., 3), degrees (Rodrigues' formula)."""
    vector = np.radians(turn_deg)
    angle = np.sqrt((vector**2).sum(axis=-1))
    sine, cosine = np.sinc(angle / np.pi), 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2
    cross = np.zeros((*vector.shape[:-1], 3, 3))
    x, y, z = np.moveaxis(vector, -1, 0)
    cross[..., 0, 1], cross[..., 0, 2], cross[..., 1, 2] = -z, y, -x
    cross = cross - np.swapaxes(cross, -1, -2)
    turning = np.eye(3) + sine[..., None, None] * cross + cosine[..., None, None] * (cross @ cross)
    # columns of the turning are the new axes in the old ones
    return np.asarray(np.swapaxes(turning, -1, -2) @ axes)


def _guesses(
    axes: FloatArray,
    known: FloatArray,
    step_deg: FloatArray,
    ring: FloatArray,
    reached: FloatArray,
    places: FloatArray,
    worth: Worth,
) -> FloatArray:
    """The best places (n, 2, 3, 3) of quadratics through what the ring reached (n, ring, k): near by and further off."""
    if not np.isfinite(reached).all():
        return np.repeat(axes[:, None], 2, axis=1)
    fitted = np.linalg.pinv(_terms(ring)) @ (reached - known[:, None])
    found = np.empty((len(axes), 2, 3, 3))
    for number, reach in enumerate((NEAR, FAR)):
        place = np.zeros((len(axes), 1, 3))
        for zoom in range(ZOOMS):
            some = place + reach * ZOOM**zoom * places
            hoped = known[:, None] + _terms(some) @ fitted
            best = worth(hoped.reshape(-1, hoped.shape[2])).reshape(len(axes), -1).argmax(axis=1)
            place = np.take_along_axis(some, best[:, None, None], axis=1)
        found[:, number] = turned(axes, step_deg[:, None] * place[:, 0])
    return found


def _terms(turn: FloatArray) -> FloatArray:
    """Linear and square terms (..., 9) of turns (..., 3)."""
    x, y, z = np.moveaxis(turn, -1, 0)
    return np.stack([x, y, z, x * x, y * y, z * z, x * y, y * z, z * x], axis=-1)
