"""What is served when one thing has failed: one unit, one mount, the dust shields, half the store.

With a mean time between failures F and to repair R of each of n like items, alternating for long, one is down

    q = R / (F + R)

of the time (steady-state unavailability, e.g. A. Birolini, "Reliability Engineering", ch. 6; from memory), and
to first order in the q the expected share served is  s - sum n q (s - s_failed):  failures that overlap are left
out of account.
"""

from __future__ import annotations

import numpy as np

from yieldsim.base.load_model import FailureRate
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.budget import FailedRun
from yieldsim.planning.habitat import reliability
from yieldsim.planning.habitat.dispatch import Needs, Store, asking, dispatch

UNIT, MOUNT, SHIELDS, STORE = "one unit", "one mount, all its units", "the dust shields", "half the store"


def reached(served: reliability.Served, measure: str) -> float:
    """Share served by the measure that the target is in: energy, or hours in which all was served."""
    if measure == "energy":
        return served.fraction
    return 1.0 - min(served.unserved_rows / served.asked_rows, 1.0) if served.asked_rows else 1.0


def single_failures(
    light_kwh: FloatArray,
    by_mount_kwh: FloatArray,
    mount_units: FloatArray,
    needs: Needs,
    store: Store,
    shields: np.ndarray,
    measure: str,
    rates: dict[str, FailureRate],
    without_shields_kwh: FloatArray | None,
) -> list[FailedRun]:
    """The table.

    light_kwh            (rows,)  of all units
    by_mount_kwh         (rows, mounts)  of all units of each mount
    mount_units          (mounts,)  how many units each has, whole or not
    shields              (loads,)  which loads are the shields': what failed draws nothing
    without_shields_kwh  (rows,)  light when the shields never run; None: there are none, or nothing tells
    """
    which = reliability.counted(needs)
    units = float(mount_units.sum())

    def run(what: str, light: FloatArray, held: Store, left: float, items: int) -> FailedRun:
        factor = np.where(shields, left, 1.0)
        less = needs if left == 1.0 or not shields.any() else asking(needs, needs.asked_kwh * factor)
        served = reliability.served(less, dispatch(np.maximum(light, 0.0), less, held), which)
        rate = rates.get(what)
        return {
            "what": what,
            "reached": reached(served, measure),
            "unserved_kwh": served.unserved_kwh,
            "longest_outage_rows": served.longest_rows,
            "items": items,
            "down_fraction": None if rate is None else rate.down_fraction,
        }

    total = by_mount_kwh.sum(axis=1)
    # shares of the light that is there, so that rounding and missed cleaning stay out
    share = np.divide(
        by_mount_kwh, total[:, None], out=np.zeros_like(by_mount_kwh), where=total[:, None] > 0.0
    )

    def worst(what: str, lost_units: FloatArray, items: int) -> FailedRun:
        tried = [
            run(
                what,
                light_kwh * (1.0 - share[:, mount] * lost / mount_units[mount]),
                store,
                1.0 - lost / units,
                items,
            )
            for mount, lost in enumerate(lost_units)
        ]
        return min(tried, key=lambda one: (one["reached"], -one["unserved_kwh"]))

    table = []
    if units > 1.0:
        table.append(worst(UNIT, np.minimum(mount_units, 1.0), round(units)))
    if len(mount_units) > 1:
        table.append(worst(MOUNT, mount_units, len(mount_units)))
    if without_shields_kwh is not None:
        table.append(run(SHIELDS, without_shields_kwh, store, 0.0, 1))
    if store.capacity_kwh > 0.0:
        half = store._replace(
            capacity_kwh=store.capacity_kwh / 2.0,
            start_kwh=store.start_kwh / 2.0,
            fade_per_kwh=store.fade_per_kwh * 2.0,
        )
        table.append(run(STORE, light_kwh, half, 1.0, 1))
    return table


def expected_reached(nominal: float, table: list[FailedRun]) -> float | None:
    """Share expected with the stated rates, to first order; None where none is stated."""
    known = [one for one in table if one["down_fraction"] is not None]
    if not known:
        return None
    lost = sum(one["items"] * (one["down_fraction"] or 0.0) * (nominal - one["reached"]) for one in known)
    return max(nominal - lost, 0.0)
