"""What a load and its store put to use of the light that units facing some way deliver."""

from __future__ import annotations

import numpy as np

from yieldsim.base.load_model import LoadPlan
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.delivered_light import delivered_light
from yieldsim.energy.integration import Setting, TimeGrid
from yieldsim.planning.habitat.dispatch import ESSENTIAL, alike_together, needs_of, store_of
from yieldsim.planning.habitat.load_profile import light_figures, rows_of_run
from yieldsim.planning.habitat.shortfall import unserved_kwh
from yieldsim.planning.orientation.objectives import Use


def use_of(plan: LoadPlan, setting: Setting, grid: TimeGrid, units: int) -> tuple[Use, float]:
    """What light adds to the energy served where it is used, kWh over the run, (...), from delivered power
    (..., intervals) in W; and the most that it could add, kWh.

    units   how many there are: what their dust shields draw, where that is a load
    Served is what loads got directly and out of the store, by `planning.habitat.dispatch`, less what a store that is
    full at the start would have served alone. Raises DataMissing when a load's series is short.
    """
    rows = rows_of_run(setting, grid, units)
    figures = light_figures(plan, delivered_light(setting.collector))
    needs, store = needs_of(plan.loads, rows, figures), store_of(plan.storage, rows.hours)

    asked_kwh = float(needs.asked_kwh.sum())
    if (needs.rank == ESSENTIAL).all():
        needs = alike_together(needs)

    kwh_per_w = rows.hours / 1000.0

    def served_kwh(power_w: FloatArray) -> FloatArray:
        runs = np.reshape(power_w, (-1, grid.count)) * kwh_per_w
        return (asked_kwh - unserved_kwh(runs, needs, store)).reshape(np.shape(power_w)[:-1])

    from_the_start = float(served_kwh(np.zeros(grid.count)))

    def use(power_w: FloatArray) -> FloatArray:
        return served_kwh(power_w) - from_the_start

    return use, asked_kwh - from_the_start
