"""Mounts turned by hand now and then: the best moments and facings for so many turns, between a fixed mount and a tracker.

With the light of a facing known by row, the most that n turns can gather is found exactly, by dynamic programming over rows:

    stay[n, f]   most gathered until a row, f being faced in it, with n turns made
    stay[n, f] = light[row, f] + the larger of  stay[n, f]  and  the largest of stay[n - 1, .]   of the row before

(R. Bellman, "Dynamic Programming", Princeton 1957.) Facings between the candidates come in by turns: each stretch climbs to where its
own rows are worth most, those facings join the candidates, and the moments are found anew, until nothing is gained.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.system.pricing import Sunlight, climbed, priced

ROUNDS, GAIN = 4, 1e-5


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TurnedMount:
    """The best that so many turns do.

    turns      made by hand
    kwh        of one unit over the run
    first_row  (stretches,)  row in which each stretch begins, the first 0
    facings    of each stretch
    """

    turns: int
    kwh: float
    first_row: NDArray[np.int64]
    facings: Facings


def best_turns(light_kwh: FloatArray, most: int) -> list[tuple[float, NDArray[np.int64], NDArray[np.int64]]]:
    """For up to 0, 1, ... `most` turns: energy, first rows and facings (places) of the stretches; exact.

    light_kwh   (rows, facings)  of one unit
    """
    rows, count = light_kwh.shape
    stay = np.full((most + 1, count), -np.inf)
    stay[0] = 0.0
    begun = np.zeros((most + 1, count), dtype=np.int64)
    value, faced, since = (np.zeros((rows, most + 1), dtype=kind) for kind in (float, np.int64, np.int64))
    for row in range(rows):
        if row > 0:
            before = value[row - 1, :-1, None]
            turn = before > stay[1:]
            stay[1:] = np.where(turn, before, stay[1:])
            begun[1:][turn] = row
        stay += light_kwh[row]
        faced[row] = stay.argmax(axis=1)
        value[row] = np.take_along_axis(stay, faced[row][:, None], axis=1)[:, 0]
        since[row] = np.take_along_axis(begun, faced[row][:, None], axis=1)[:, 0]
    found = []
    for turns in range(most + 1):
        made = int(np.argmax(value[-1, : turns + 1]))
        energy, row, starts, places = float(value[-1, made]), rows - 1, [], []
        while True:
            places.append(int(faced[row, made]))
            starts.append(int(since[row, made]))
            if starts[-1] == 0:
                break
            row, made = starts[-1] - 1, made - 1
        found.append((energy, np.array(starts[::-1]), np.array(places[::-1])))
    return found


def turned_by_hand(sunlight: Sunlight, most: int) -> list[TurnedMount]:
    """The best of 0 to `most` turns at a place, in continuous angles."""
    some = sunlight.candidates
    light = sunlight.light_kwh(some)
    found = best_turns(light, most)
    for _ in range(ROUNDS):
        new: list[Facings] = []
        for stretch in _stretches(found, len(light)):
            first, last, place = stretch
            price = np.zeros(len(light))
            price[first:last] = 1.0
            start = some.take([place])
            new.append(climbed(sunlight, priced(sunlight, price), start, 0.25 * sunlight.step_deg or 2.0))
        reached = together(*new)
        some = together(some, reached)
        light = np.concatenate([light, sunlight.light_kwh(reached)], axis=1)
        again = best_turns(light, most)
        gained = max(after[0] / max(before[0], 1e-300) for after, before in zip(again, found, strict=True))
        found = again
        if gained < 1.0 + GAIN:
            break
    return [
        TurnedMount(turns=turns, kwh=energy, first_row=starts, facings=some.take(places))
        for turns, (energy, starts, places) in enumerate(found)
    ]


def _stretches(
    found: list[tuple[float, NDArray[np.int64], NDArray[np.int64]]], rows: int
) -> list[tuple[int, int, int]]:
    """All different stretches of some plans: first row, row after the last, place of the facing."""
    seen: set[tuple[int, int, int]] = set()
    for _, starts, places in found:
        ends = np.append(starts[1:], rows)
        seen |= {(int(a), int(b), int(place)) for a, b, place in zip(starts, ends, places, strict=True)}
    return sorted(seen)
