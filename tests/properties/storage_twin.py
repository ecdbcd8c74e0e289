"""The rules of planning.habitat.dispatch written a second time: requests in a queue, one plain step after another."""

from __future__ import annotations

from collections.abc import Callable
from itertools import groupby

import numpy as np

from yieldsim.planning.habitat.dispatch import Flows, Needs, Store

Energies = dict[int, float]


def twin(light: np.ndarray, needs: Needs, store: Store) -> Flows:
    """Follow light, loads and store through all rows."""
    rows, loads = needs.asked_kwh.shape
    out = Flows(*(np.zeros((rows, loads)) for _ in range(3)), *(np.zeros(rows) for _ in range(6)))
    queues: list[list[list[float]]] = [[] for _ in range(loads)]
    state, cycled = store.start_kwh, 0.0
    by_priority = [[int(j) for j in np.flatnonzero(needs.rank == rank)] for rank in range(3)]

    def light_key(j: int) -> tuple[float, ...]:
        stored, direct = float(needs.store_efficiency[j]), float(needs.direct_efficiency[j])
        spared = direct / stored if stored > 0.0 else np.inf
        return float(needs.file_rank[j]), -spared, -direct, float(needs.window_rows[j])

    def store_key(j: int) -> tuple[float, ...]:
        return float(needs.file_rank[j]), -float(needs.store_efficiency[j]), float(needs.window_rows[j])

    for t in range(rows):
        capacity = store.capacity_kwh * max(1.0 - store.fade_per_row * t - store.fade_per_kwh * cycled, 0.0)
        left, kept = float(light[t]), min(state * store.keep, capacity)
        drawn = charged = 0.0

        def fill(level: float) -> float:
            """Light that may still go into charging before the store reaches a level."""
            most = min(max(level - kept, 0.0) / store.fill / store.take_in, store.enter_kwh / store.enter)  # noqa: B023
            return max(most - charged, 0.0)  # noqa: B023

        def light_to(wanted: Energies, t: int = t) -> Energies:
            """Give light; what each still lacks."""
            nonlocal left
            given = shared(wanted, light_key, needs.direct_efficiency, left)
            for j, energy in given.items():
                left = max(left - energy / needs.direct_efficiency[j], 0.0)
                out.direct[t, j] += energy
            return {j: wanted[j] - given[j] for j in wanted}

        def store_to(wanted: Energies, level: float, t: int = t) -> Energies:
            """Give from the store down to a level; what each got."""
            nonlocal drawn
            room = min(max(kept - level, 0.0) / store.fill * store.hand_out, store.leave_kwh) - drawn  # noqa: B023
            asking = {
                j: energy if energy > 1e-12 * needs.asked_kwh[:, j].sum() else 0.0
                for j, energy in wanted.items()
            }
            given = shared(asking, store_key, needs.store_efficiency, max(room, 0.0))
            for j, energy in given.items():
                drawn += energy / needs.store_efficiency[j] if energy > 0.0 else 0.0
                out.from_store[t, j] += energy
            return given

        essential, deferrable, sheddable = by_priority
        floor, reserve = store.least * capacity, store.reserve * capacity
        lacks = light_to({j: float(needs.asked_kwh[t, j]) for j in essential})
        got = store_to(lacks, floor)
        for j in essential:
            out.unserved[t, j] = lacks[j] - got[j]
        if drawn == 0.0:
            more = min(fill(reserve), left)
            charged, left = charged + more, left - more
        for j in deferrable:
            queues[j].append([float(t + needs.window_rows[j]), float(needs.asked_kwh[t, j])])
        light_to({j: min(sum(e for _, e in queues[j]), float(needs.most_kwh[j])) for j in deferrable})
        for j in deferrable:
            _take(queues[j], out.direct[t, j])
        lacks = light_to({j: float(needs.asked_kwh[t, j]) for j in sheddable})

        def due(j: int, t: int = t) -> float:
            return sum(energy for until, energy in queues[j] if until <= t or t == rows - 1)

        can = {j: max(float(needs.most_kwh[j]) - out.direct[t, j], 0.0) for j in deferrable}
        got = store_to({j: min(due(j), can[j]) for j in deferrable}, max(reserve, floor))
        for j in deferrable:
            _take(queues[j], got[j])
            out.unserved[t, j] = due(j)
            queues[j] = [one for one in queues[j] if one[0] > t]
        got = store_to(lacks, max(reserve, floor))
        for j in sheddable:
            out.unserved[t, j] = lacks[j] - got[j]
        if drawn == 0.0:
            more = min(fill(capacity), left)
            charged, left = charged + more, left - more
        after = kept + (charged * store.take_in - drawn / store.hand_out) * store.fill
        out.lost[t] = state + charged * store.take_in - drawn / store.hand_out - after
        out.charging[t], out.drawn[t], out.curtailed[t] = charged, drawn, left
        out.stored[t], out.capacity[t] = after, capacity
        state, cycled = after, cycled + drawn / store.hand_out
    return out


def shared(
    wanted: Energies, key: Callable[[int], tuple[float, ...]], efficiency: np.ndarray, available: float
) -> Energies:
    """Hand out what is available by the loads' key; loads of one key get the same share of what they want."""
    given = dict.fromkeys(wanted, 0.0)
    for _, alike in groupby(sorted(wanted, key=key), key=key):
        able = [j for j in alike if efficiency[j] > 0.0]
        cost = sum(wanted[j] / efficiency[j] for j in able)
        share = min(1.0, available / cost) if cost > 0.0 else 0.0
        for j in able:
            given[j] = wanted[j] * share
        available = max(available - cost * share, 0.0)
    return given


def _take(queue: list[list[float]], energy: float) -> None:
    """Take energy from the oldest requests."""
    for one in queue:
        part = min(one[1], energy)
        one[1] -= part
        energy -= part
