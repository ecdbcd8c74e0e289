"""What to do about dust: how often the shield should run, what a cleaning visit is worth, whether the film pays.

For a slow loss L a day, a shield that removes a share f of the dust every T days, and E kWh in each of its
cycles, valued at x kWh of light for one of electricity, the mean light P (kWh a day when clean) nets about

    P (1 - L T (1 / f - 1 / 2)) - x E / T     which is largest at   T = sqrt(x E / (P L (1 / f - 1 / 2)))

(a load that climbs to T / f before and T (1 - f) / f after each removal). `best_cycle` finds it with the
whole model: the light of each row, residue from a clean start, tilts, the loss law of the site.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.constants import SECONDS_PER_DAY
from yieldsim.base.model import Shield
from yieldsim.base.vectors import FloatArray
from yieldsim.energy.degradation import CleanLight, Removals, darkening, passed_by_mount, removals

CYCLES_TRIED = 49
VISITS_TRIED = 25
Events = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class CycleChoice:
    """A cycle: its light over the run, its electricity, and the light less what the electricity is worth, kWh."""

    cycle_hours: float
    delivered_kwh: float
    electric_kwh: float
    net_kwh: float


def delivered_kwh(light: CleanLight, found: Removals) -> float:
    """Light of the run, kWh, with these removals; darkening included."""
    return light.kwh(passed_by_mount(light, found) * darkening(light.collector, light.edge_s)[:, None])


def cycle_choice(
    light: CleanLight, shield: Shield, cycle_hours: float, worth: float, events: Events = ()
) -> CycleChoice:
    """The run with another cycle.

    worth   kWh of light that a kWh of electricity is worth
    """
    end_s = float(light.edge_s[-1])
    delivered = delivered_kwh(light, removals(replace(shield, cycle_hours=cycle_hours), end_s, events))
    runs = math.floor(end_s / 3600.0 / cycle_hours + 1e-9)
    electric = runs * shield.power_w * shield.duty_minutes / 60.0 / 1000.0 * light.units
    return CycleChoice(cycle_hours, delivered, electric, delivered - worth * electric)


def best_cycle(
    light: CleanLight, shield: Shield, worth: float, events: Events = ()
) -> tuple[CycleChoice, list[CycleChoice]]:
    """The cycle that nets most, and the curve of those tried (evenly in the logarithm, from the duty to the run).

    The curve's highest point is refined by golden sections between its neighbours.
    """
    shortest = max(shield.duty_minutes / 60.0, 1.0)
    longest = max(float(light.edge_s[-1]) / 3600.0, 2.0 * shortest)
    tried = [
        cycle_choice(light, shield, float(hours), worth, events)
        for hours in np.geomspace(shortest, longest, CYCLES_TRIED)
    ]
    top = max(range(len(tried)), key=lambda place: tried[place].net_kwh)
    low, high = (math.log(tried[min(max(top + side, 0), len(tried) - 1)].cycle_hours) for side in (-1, 1))
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    found = [tried[top]]
    while high - low > 1e-3:
        left, right = (
            cycle_choice(light, shield, math.exp(at), worth, events)
            for at in (high - golden * (high - low), low + golden * (high - low))
        )
        found += [left, right]
        if left.net_kwh < right.net_kwh:
            low = math.log(left.cycle_hours)
        else:
            high = math.log(right.cycle_hours)
    return max(found, key=lambda choice: choice.net_kwh), tried


@dataclass(frozen=True, slots=True)
class VisitValue:
    """One cleaning visit so long after the start, and the light that it brings until the end of the run."""

    after_days: float
    gained_kwh: float


def visit_values(light: CleanLight, removes: float, events: Events = ()) -> list[VisitValue]:
    """One more visit at each of a row of days over the run."""
    end_s = float(light.edge_s[-1])
    shield = light.collector.shield
    without = delivered_kwh(light, removals(shield, end_s, events))
    return [
        VisitValue(
            at / SECONDS_PER_DAY,
            delivered_kwh(light, removals(shield, end_s, (*events, (at, removes)))) - without,
        )
        for at in np.linspace(0.0, end_s, VISITS_TRIED + 2)[1:-1].tolist()
    ]


@dataclass(frozen=True, slots=True)
class FilmBreakEven:
    """The film's own loss against the dust that its shield prevents.

    with_kwh, without_kwh        light of the run with film and shield, and with bare apertures and no shield
    break_even_transmittance     the film would have to be better than this; above 1: no film pays; None: no
                                 light
    paid_back_after_days         from when on the shield has brought more in all; None: not within the run
    """

    with_kwh: float
    without_kwh: float
    break_even_transmittance: float | None
    paid_back_after_days: float | None


def film_break_even(light: CleanLight, events: Events = ()) -> FilmBreakEven:
    """Compare the collector as it is with the same without shield and film. Needs a shield."""
    shield = light.collector.shield
    assert shield is not None
    end_s = float(light.edge_s[-1])
    dark = darkening(light.collector, light.edge_s)

    def series(found: Removals) -> FloatArray:
        passed = passed_by_mount(light, found)
        return np.asarray((light.power_w * passed).sum(axis=1) * dark * light.row_hours / 1000.0)

    kept = series(removals(shield, end_s, events))
    bare = series(removals(None, end_s, events)) / shield.film_transmittance
    ahead = np.cumsum(kept) - np.cumsum(bare)
    behind = np.flatnonzero(ahead <= 0.0)
    paid = 0 if len(behind) == 0 else int(behind[-1]) + 1
    total_with, total_without = float(kept.sum()), float(bare.sum())
    return FilmBreakEven(
        with_kwh=total_with,
        without_kwh=total_without,
        break_even_transmittance=(
            shield.film_transmittance * total_without / total_with if total_with > 0.0 else None
        ),
        paid_back_after_days=float(light.edge_s[paid + 1]) / SECONDS_PER_DAY if paid < len(ahead) else None,
    )
