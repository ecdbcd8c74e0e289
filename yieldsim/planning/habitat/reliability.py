"""What a dispatched run meant: served shares, outages, where the light went, how the store fared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.budget import LightSums, StoreEnergies
from yieldsim.planning.habitat.dispatch import ESSENTIAL, Flows, Needs, Store

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Outage:
    """Rows first..last-1 from the first with a shortfall to the last, none fully served between.

    Rows in which nothing was asked don't end an outage: a crew whose lamps fail at night is in the dark from
    then on.
    """

    first: int
    last: int

    @property
    def rows(self) -> int:
        """Its length."""
        return self.last - self.first


@dataclass(frozen=True, slots=True)
class Served:
    """One load, or several together: energies in kWh where they are used, rows with a shortfall, outages by length."""

    asked_kwh: float
    direct_kwh: float
    from_store_kwh: float
    unserved_kwh: float
    asked_rows: int
    unserved_rows: int
    outages: tuple[Outage, ...]

    @property
    def fraction(self) -> float:
        """Share of what was asked that was served; 1 where nothing was."""
        return 1.0 - min(self.unserved_kwh / self.asked_kwh, 1.0) if self.asked_kwh > 0.0 else 1.0

    @property
    def longest_rows(self) -> int:
        """Length of the longest outage."""
        return self.outages[0].rows if self.outages else 0


def outages(short: Flags, met: Flags) -> tuple[Outage, ...]:
    """Outages, longest first, then earliest first.

    short, met   (rows,)  rows with a shortfall; rows in which something was asked and all was served
    """
    rows = np.flatnonzero(short)
    if len(rows) == 0:
        return ()
    met_before = np.cumsum(met)
    begins = np.concatenate([[True], met_before[rows[1:]] > met_before[rows[:-1]]])
    firsts = rows[begins]
    lasts = np.append(rows[:-1][begins[1:]], rows[-1]) + 1
    order = np.argsort(-(lasts - firsts), kind="stable")
    return tuple(Outage(int(firsts[i]), int(lasts[i])) for i in order)


def served(needs: Needs, flows: Flows, which: Flags) -> Served:
    """The loads `which` (loads,) taken together."""
    asked = needs.asked_kwh[:, which]
    unserved = flows.unserved[:, which]
    reached = (flows.direct + flows.from_store)[:, which]
    short = unserved.sum(axis=1) > 0.0
    met = ((asked.sum(axis=1) > 0.0) | (reached.sum(axis=1) > 0.0)) & ~short
    return Served(
        asked_kwh=float(asked.sum()),
        direct_kwh=float(flows.direct[:, which].sum()),
        from_store_kwh=float(flows.from_store[:, which].sum()),
        unserved_kwh=float(unserved.sum()),
        asked_rows=int((asked.sum(axis=1) > 0.0).sum()),
        unserved_rows=int(short.sum()),
        outages=outages(short, met),
    )


def by_load(needs: Needs, flows: Flows) -> list[Served]:
    """Each load on its own."""
    count = len(needs.rank)
    return [served(needs, flows, np.arange(count) == load) for load in range(count)]


def counted(needs: Needs) -> Flags:
    """The loads that outages and sizing look at, (loads,): the essential ones, or all where none is."""
    essential = needs.rank == ESSENTIAL
    return essential if essential.any() else np.ones_like(essential)


def light_of(light_kwh: FloatArray, flows: Flows) -> LightSums:
    """Where the delivered light of a run went."""
    delivered, charging, curtailed = (
        float(part.sum()) for part in (light_kwh, flows.charging, flows.curtailed)
    )
    return {
        "delivered_kwh": delivered,
        "used_kwh": delivered - charging - curtailed,
        "charging_kwh": charging,
        "curtailed_kwh": curtailed,
    }


def store_of_run(store: Store, flows: Flows) -> StoreEnergies:
    """Sums of the store over a run."""
    drawn = float(flows.drawn.sum()) / store.hand_out
    return {
        "start_kwh": store.start_kwh,
        "end_kwh": float(flows.stored[-1]),
        "lowest_kwh": float(min(flows.stored.min(), store.start_kwh)),
        "charged_kwh": float(flows.charging.sum()) * store.take_in,
        "handed_out_kwh": float(flows.drawn.sum()),
        "lost_kwh": float(flows.lost.sum()),
        "full_cycles": drawn / store.capacity_kwh if store.capacity_kwh > 0.0 else 0.0,
        "end_capacity_kwh": float(flows.capacity[-1]),
    }
