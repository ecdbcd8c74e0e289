"""The Sun's path in order of time, and the longest dark of cells along it.

Where the Sun rolls along the horizon, any time may be light in one cell and dark in another. There time is looked at in windows: one
in which a cell has light at all is told by an azimuth's highest Sun in it, and only the ends of darks that may be the longest are
looked at step by step. So the years cost little. Where the Sun rises and sets steeply, few times differ between cells, and all of
them are gone through in order.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.jit import njit
from yieldsim.planning.survey.horizon_tables import SunPath

WINDOW = 64
"""Steps: 16 deg of azimuth where a step is a quarter of one."""
PROBED = 256
"""Windows looked at first for how long it gets dark at least: a lunar year."""
ROLLING_SHARE = 0.25
"""Of the times; where no more of them differ between cells, they are gone through in order."""
Int16s = NDArray[np.int16]
Int32s = NDArray[np.int32]
Flags = NDArray[np.bool_]


class Passage(NamedTuple):
    """The path in order of time, for the longest dark.

    hours     length of a step
    azimuth   (steps,) nearest azimuth of the sweep
    top       (steps,) upper edge of the disc, angle units: cells whose horizon is lower are lit
    rolling   whether by windows rather than by events
    events    (events,) steps at which some cells are lit and some dark
    ahead     (events + 1,) steps before each event, and at the end of the span, in which every cell goes on being dark
    after     (events + 1,) steps since every cell was last lit; -1: not since the event before
    common    longest dark between two times at which every cell was lit, no event between them, in steps
    all_lit   (windows,) every cell is lit at some time of the window
    first     (windows + 1,) where the entries of each window begin
    at, above (entries,) an azimuth at which some cells are lit in the window, and the highest `top` there
    """

    hours: float
    azimuth: Int16s
    top: Int32s
    rolling: bool
    events: Int32s
    ahead: Int32s
    after: Int32s
    common: int
    all_lit: Flags
    first: Int32s
    at: Int16s
    above: Int16s


def passage(
    path: SunPath, azimuth_count: int, unit_deg: float, lowest: NDArray[np.int64], highest: NDArray[np.int64]
) -> Passage:
    """The path for the longest dark; lowest, highest (azimuth,) are the extremes of the tile's horizons.

    A time is dark for a cell when no part of the disc clears its horizon, or the disc is fully eclipsed.
    """
    azimuth = np.rint(path.azimuth_deg / 360.0 * azimuth_count).astype(np.int64) % azimuth_count
    top = np.rint((path.elevation_deg + path.radius_deg) / unit_deg).astype(np.int64)
    top = np.where(path.clear > 0.0, top, -(2**20))
    all_lit, all_dark = top > highest[azimuth], top <= lowest[azimuth]
    events, lit = np.flatnonzero(~(all_lit | all_dark)), np.flatnonzero(all_lit)
    begin, end = np.append(-1, events), np.append(events, azimuth.size)
    first, last = np.searchsorted(lit, begin), np.searchsorted(lit, end) - 1
    some = first <= last
    padded = np.append(lit, 0)
    ahead = np.where(some, padded[np.minimum(first, lit.size)], end) - begin - 1
    after = np.where(some, end - 1 - padded[np.maximum(last, 0)], -1)
    # two neighbours among the lit times with no event between them enclose a night that all cells share
    alone = np.searchsorted(events, lit[:-1]) == np.searchsorted(events, lit[1:])
    common = int((np.diff(lit)[alone] - 1).max(initial=0))
    windows = -(-azimuth.size // WINDOW)
    lit_windows = np.zeros(windows, dtype=bool)
    lit_windows[lit // WINDOW] = True
    told = events[~lit_windows[events // WINDOW]]
    entry, which = np.unique(told // WINDOW * azimuth_count + azimuth[told], return_inverse=True)
    above = np.full(entry.size, -(2**15))
    np.maximum.at(above, which, top[told])
    return Passage(
        hours=path.step_hours,
        azimuth=azimuth.astype(np.int16),
        top=top.astype(np.int32),
        rolling=events.size > ROLLING_SHARE * azimuth.size,
        events=events.astype(np.int32),
        ahead=ahead.astype(np.int32),
        after=after.astype(np.int32),
        common=common,
        all_lit=lit_windows,
        first=np.searchsorted(entry // azimuth_count, np.arange(windows + 1)).astype(np.int32),
        at=(entry % azimuth_count).astype(np.int16),
        above=above.astype(np.int16),
    )


@njit(cache=True)
def longest_dark(horizon: Int16s, passage: Passage) -> tuple[Int32s, Flags]:
    """Longest run of dark steps (cells,) of horizons (azimuth, cells), and whether it begins or ends with the span."""
    if passage.rolling:
        return _by_windows(horizon, passage)
    return _in_order(horizon, passage)


# ---------------------------------------------------------------- by windows


@njit(cache=True)
def _by_windows(horizon: Int16s, passage: Passage) -> tuple[Int32s, Flags]:
    """A dark between two windows with light, `gap` windows apart, lasts gap * WINDOW steps at least and less than two windows more."""
    cells, steps, windows = horizon.shape[1], passage.azimuth.shape[0], passage.all_lit.shape[0]
    probed = min(windows, PROBED)
    # light of the windows that are looked at first, and of the one at hand after them
    seen, last = np.empty((probed + 1, cells), dtype=np.int16), np.full(cells, np.int32(-1))
    longest, cut = np.zeros(cells, dtype=np.int32), np.zeros(cells, dtype=np.bool_)
    # whoever knows that it gets dark for long needs to look at no short dark
    for window in range(probed):
        lit = seen[window]
        _mark_lit(horizon, passage, window, lit)
        for c in range(cells):
            gap = (window - last[c] - 1) * WINDOW
            longest[c] = gap if lit[c] and gap > longest[c] else longest[c]
            last[c] = window if lit[c] else last[c]
    last[:] = np.int32(-1)
    for window in range(windows):
        lit = seen[min(window, probed)]
        if window >= probed:
            _mark_lit(horizon, passage, window, lit)
        asked = 0
        for c in range(cells):
            asked += 1 if lit[c] and (window - last[c] + 1) * WINDOW > longest[c] else 0
        if asked:
            for c in range(cells):
                if lit[c] and (window - last[c] + 1) * WINDOW > longest[c]:
                    _look(c, last[c], window, horizon, passage, longest, cut)
        for c in range(cells):
            last[c] = window if lit[c] else last[c]
    for c in range(cells):
        run = steps - _last_lit(c, last[c], horizon, passage) - 1
        if run > 0 and run >= longest[c]:
            longest[c], cut[c] = run, True
    return longest, cut


@njit(cache=True)
def _mark_lit(horizon: Int16s, passage: Passage, window: int, lit: Int16s) -> None:
    """Mark the cells that have light in the window: 1, else 0."""
    lit[:] = np.int16(1 if passage.all_lit[window] else 0)
    for entry in range(passage.first[window], passage.first[window + 1]):
        azimuth, top = passage.at[entry], passage.above[entry]
        for c in range(lit.shape[0]):
            # a view of the row would cost more than the row
            lit[c] = np.int16(1) if horizon[azimuth, c] < top else lit[c]


@njit(cache=True)
def _last_lit(cell: int, window: int, horizon: Int16s, passage: Passage) -> int:
    """The last step with light of a window that has some; -1 for the window before the first."""
    step: int = min((window + 1) * WINDOW, passage.azimuth.shape[0]) - 1
    while step >= 0 and horizon[passage.azimuth[step], cell] >= passage.top[step]:
        step -= 1
    return step


@njit(cache=True)
def _look(
    cell: int, before: int, window: int, horizon: Int16s, passage: Passage, longest: Int32s, cut: Flags
) -> None:
    """The darks that end in a window with light, step by step from the last light of the window with light before it."""
    since = _last_lit(cell, before, horizon, passage)
    begin, end = window * WINDOW, min((window + 1) * WINDOW, passage.azimuth.shape[0])
    if since >= 0 and longest[cell] >= WINDOW:
        # of nights that are much alike light shows soonest in the last of the steps that a longer one is dark for
        for step in range(min(since + longest[cell] + 1, end - 1), begin - 1, -1):
            if horizon[passage.azimuth[step], cell] < passage.top[step]:
                return
    for step in range(begin, end):
        if horizon[passage.azimuth[step], cell] < passage.top[step]:
            run = step - since - 1
            if run > longest[cell]:
                longest[cell], cut[cell] = run, since < 0
            elif run == longest[cell] and run > 0 and since < 0:
                cut[cell] = True
            since = step
            if longest[cell] >= WINDOW:
                # what is left of the window is shorter
                return


# ---------------------------------------------------------------- in order


@njit(cache=True)
def _in_order(horizon: Int16s, passage: Passage) -> tuple[Int32s, Flags]:
    cells, events = horizon.shape[1], passage.events.shape[0]
    run, longest = np.zeros(cells, dtype=np.int32), np.full(cells, np.int32(passage.common))
    # the dark that the span begins with; negative while it lasts
    first = np.full(cells, np.int32(-1))
    for event in range(events + 1):
        _pass_common(run, longest, first, passage.ahead[event], passage.after[event])
        if event < events:
            step = passage.events[event]
            _pass_event(run, longest, first, horizon[passage.azimuth[step]], passage.top[step])
    return longest, (longest > 0) & ((run >= longest) | (first >= longest))


@njit(cache=True)
def _pass_common(run: Int32s, longest: Int32s, first: Int32s, ahead: np.int32, after: np.int32) -> None:
    """A stretch that is the same for all cells: dark for `ahead` steps, then perhaps lit, and dark for `after` since."""
    if ahead > 0:
        for c in range(run.shape[0]):
            run[c] += ahead
            longest[c] = run[c] if run[c] > longest[c] else longest[c]
    if after >= 0:
        for c in range(run.shape[0]):
            first[c] = run[c] if first[c] < 0 else first[c]
            run[c] = after
            longest[c] = after if after > longest[c] else longest[c]


@njit(cache=True)
def _pass_event(run: Int32s, longest: Int32s, first: Int32s, horizon: Int16s, top: np.int32) -> None:
    """One time: cells whose horizon reaches the disc's upper edge go on being dark, the others begin anew."""
    for c in range(run.shape[0]):
        dark = horizon[c] >= top
        first[c] = run[c] if first[c] < 0 and not dark else first[c]
        value = run[c] + 1 if dark else 0
        run[c] = value
        longest[c] = value if value > longest[c] else longest[c]
