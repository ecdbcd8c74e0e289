"""What units of a flight are worth over the sky: all phases that it lives to see as one sky, each hour weighted with its prices and
with what age has left of the flight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.growth.phases import Phase
from yieldsim.planning.orientation.objectives import Prospect
from yieldsim.planning.sunlight.cumulative_sky import WeightedSky
from yieldsim.planning.sunlight.facing_energy import Sweep
from yieldsim.planning.system.dual_bound import RowPrices
from yieldsim.planning.system.pricing import priced, seen_through, told_apart, untold, weighted


def flight_sky(phases: Sequence[Phase], flight: int, prices: Sequence[RowPrices]) -> Prospect | None:
    """The sky of a flight; None where the dust of its phases differs in kind, or what it sees is no one sky.

    prices   of the rows of each phase
    """
    ahead = [(phase, own) for phase, own in zip(phases, prices, strict=True) if phase.flights > flight]
    if len(ahead) == 1:
        phase, own = ahead[0]
        sunlight, left = phase.sunlight_of(flight), float(phase.units_left[flight])
        surplus = phase.surplus[flight]
        if surplus is not None:
            told = told_apart(sunlight.prospect.year, (surplus,))
            sunlight = replace(sunlight, surplus=surplus, told=told)
        return priced(sunlight, left * own.light, left * own.direct)
    first = ahead[0][0].sunlight_of(flight)
    light, directs = _by_phase(ahead, flight)
    skies = [
        weighted(one.prospect.track, one.prospect.year.sky, price)
        for one, price in zip((phase.sunlight_of(flight) for phase, _ in ahead), light, strict=True)
    ]
    rates = {tuple(np.asarray(sky.dust.rates).tolist()) for sky in skies}
    cells = {sky.cell_deg for sky in skies}
    if first.table is None or first.prospect.rolls_matter or max(len(rates), len(cells)) > 1:
        return None
    sweep = Sweep.of(_together(skies), first.table)
    surplus_rows = [
        (surplus, direct)
        for (phase, _), direct in zip(ahead, directs, strict=True)
        if (surplus := phase.surplus[flight]) is not None
    ]
    if surplus_rows:
        told = told_apart(sweep, [surplus for surplus, _ in surplus_rows])
        sky = replace(sweep.sky, class_radius_deg=told.sweep.sky.class_radius_deg)
        for (surplus, direct), first_class in zip(surplus_rows, told.first_class, strict=True):
            sky = surplus.added(sky, direct, first_class)
        sweep = told.sweep.with_sky(sky)
    return seen_through(first.prospect, sweep)


def _by_phase(
    ahead: Sequence[tuple[Phase, RowPrices]], flight: int
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Prices of a flight's light, and of what it serves directly where it may have light to spare, by phase (rows,)."""
    light, directs = [], []
    for phase, own in ahead:
        left, surplus = float(phase.units_left[flight]), phase.surplus[flight]
        direct = left * own.direct
        light.append(
            left * own.light + direct if surplus is None else untold(surplus, left * own.light, direct)
        )
        directs.append(direct)
    return light, directs


def _together(skies: Sequence[WeightedSky]) -> WeightedSky:
    """Skies of one grid of cells as one."""
    classes = np.cumsum([0, *(len(sky.class_radius_deg) for sky in skies)])
    return replace(
        skies[0],
        sums=np.ascontiguousarray(np.concatenate([one.sums for one in skies], axis=1)),
        period=np.concatenate([one.period for one in skies]),
        radius_class=np.concatenate(
            [one.radius_class + np.int32(shift) for one, shift in zip(skies, classes, strict=False)]
        ),
        class_radius_deg=np.concatenate([one.class_radius_deg for one in skies]),
    )
