"""Rows of a run merged into blocks: a smaller programme whose solutions are no dearer.

Rows that follow each other become one row that asks, gets and stores their sums. Adding up their constraints, each weighted with
the standing loss until the block's end, gives the block's: light within it may then be used at any time of it, the store only has
its limits at the ends. So the least cost of the merged programme is a lower bound for that of the rows. Where all rows of a block
lack light, or all have it to spare, nothing is lost: the state only falls, or only rises, and the block's end says how far.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.system.terms import Terms

Places = NDArray[np.int64]
GAINED = 2e-3
"""Energies beyond this share of the store's capacity are gained by merging."""


class Blocks(NamedTuple):
    """First rows (blocks,) of blocks that follow each other, the first one 0, and how many rows there are."""

    first: Places
    rows: int

    @property
    def length(self) -> Places:
        """Rows of each block."""
        return np.diff(np.append(self.first, self.rows))

    def sums(self, by_row: FloatArray) -> FloatArray:
        """Sums (blocks, ...) of what rows hold, (rows, ...)."""
        return np.asarray(np.add.reduceat(by_row, self.first, axis=0))

    def split(self, at: Places) -> Blocks:
        """Cut before these rows too."""
        return Blocks(np.union1d(self.first, at[(at > 0) & (at < self.rows)]), self.rows)


def even(rows: int, length: int) -> Blocks:
    """Blocks of so many rows each."""
    return Blocks(np.arange(0, rows, length), rows)


def turning_points(light_kwh: FloatArray, terms: Terms, units: float) -> Places:
    """Rows at which a run turns from lacking light to having it to spare, or back.

    light_kwh   (rows,)  of so many units
    """
    spare = light_kwh >= terms.needed_kwh(units)
    return np.flatnonzero(spare[1:] != spare[:-1]) + 1


def gaining_blocks(
    light_kwh: FloatArray, terms: Terms, blocks: Blocks, units: float, capacity_kwh: float, stored_kwh: FloatArray
) -> Flags:  # fmt: skip
    """Blocks that gain by being merged, (blocks,).

    Run row by row from the state at its beginning, the store of such a block is full or empty before it ends: something is left
    unserved, or the state does not come to what the programme has at the end. What no store serves gains wherever it lacks light.

    light_kwh    (rows,)  of so many units
    stored_kwh   (blocks,)  usable state at their ends
    """
    needed, able = terms.needed_kwh(units), terms.stored > 0.0
    lacking = np.divide(
        np.maximum(needed - light_kwh, 0.0), needed, out=np.zeros_like(needed), where=needed > 0.0
    )
    asked = terms.asked_kwh[:, able] + units * terms.per_unit_kwh[:, able]
    change = terms.take_in * np.clip(light_kwh - needed, 0.0, terms.enter_kwh)
    change -= lacking * (asked * terms.per_drawn[able]).sum(axis=1)
    most = terms.usable * capacity_kwh + terms.slack_kwh
    state = np.roll(stored_kwh, 1)
    if terms.start_share is not None:
        state[0] = terms.start_share * capacity_kwh + terms.slack_kwh
    length = blocks.length
    missing = np.zeros(len(length))
    for step in range(int(length.max())):
        own = np.flatnonzero(length > step)
        row = blocks.first[own] + step
        after = terms.keep * state[own] + change[row]
        missing[own] += np.maximum(-after, 0.0)
        state[own] = np.clip(after, 0.0, most[row])
    missing += np.maximum(stored_kwh - state, 0.0)
    alone = terms.asked_kwh[:, ~able] + units * terms.per_unit_kwh[:, ~able]
    dark = blocks.sums((lacking[:, None] * alone).sum(axis=1)) > GAINED * blocks.sums(alone.sum(axis=1))
    return np.asarray((missing > GAINED * capacity_kwh) | dark)


class Merged(NamedTuple):
    """Terms by block.

    asked_kwh, per_unit_kwh   (blocks, kinds)  sums
    weight       (blocks, kinds)  the least of the block's rows in which something is asked; 0 where nothing is
    keep         (blocks,)  of the state, from one block's end to the next's
    drawn_keep   (blocks,)  of what is drawn in the block's first row, at its end
    enter_kwh, leave_kwh   (blocks,)
    usable       (blocks,)  at the block's end
    """

    asked_kwh: FloatArray
    per_unit_kwh: FloatArray
    weight: FloatArray
    keep: FloatArray
    drawn_keep: FloatArray
    enter_kwh: FloatArray
    leave_kwh: FloatArray
    usable: FloatArray


def merged(terms: Terms, blocks: Blocks) -> Merged:
    """The terms of blocks of rows."""
    length = blocks.length.astype(np.float64)
    last = blocks.first + blocks.length - 1
    # rows in which nothing is asked lack nothing
    asks = (terms.asked_kwh > 0.0) | (terms.per_unit_kwh > 0.0)
    weight = np.minimum.reduceat(np.where(asks, terms.weight, np.inf), blocks.first, axis=0)
    return Merged(
        asked_kwh=blocks.sums(terms.asked_kwh),
        per_unit_kwh=blocks.sums(terms.per_unit_kwh),
        weight=np.where(np.isfinite(weight), weight, 0.0),
        keep=np.power(terms.keep, length),
        drawn_keep=np.power(terms.keep, length - 1.0),
        enter_kwh=terms.enter_kwh * length,
        leave_kwh=terms.leave_kwh * length,
        usable=terms.usable[last],
    )
