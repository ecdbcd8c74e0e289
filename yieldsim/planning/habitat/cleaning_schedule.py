"""What to do about dust: how often the shield should run, what a cleaning visit is worth, whether the film pays.

For a slow loss L a day, a shield that removes a share f of the dust every T days, and E kWh in each of its
cycles, valued at x kWh of light for one of electricity, the mean light P (kWh a day when clean) nets about

    P (1 - L T (1 / f - 1 / 2)) - x E / T     which is largest at   T = sqrt(x E / (P L (1 / f - 1 / 2)))

(a load that climbs to T / f before and T (1 - f) / f after each removal). A run holds a whole number of cycles,
so that what is netted jumps wherever one more fits in and falls in between: `best_cycle` tries every number of
cycles up to EACH_COUNT, further ones COUNT_STEP apart, and the lengths that give each, with the whole model: the
light of each row, residue from a clean start, tilts, the loss law of the site.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from yieldsim.base.constants import SECONDS_PER_DAY
from yieldsim.base.model import Shield
from yieldsim.base.results.budget import CycleResult, FilmBreakEven, VisitGain
from yieldsim.energy.degradation import CleanLight, LightByRate, light_by_rate
from yieldsim.energy.soiling import Removals, removals

EACH_COUNT = 96
COUNT_STEP = 1.06
FEWEST_LENGTHS, MOST_LENGTHS, LENGTHS = 6, 60, 360
"""Cycle lengths tried for a number of cycles: the third divided by it, within the first two."""
REFINED = 4
"""So many of the best numbers of cycles, and of their lengths, are looked at closely."""
NO_CYCLE = 1.001
"""A cycle of so many runs' length does not come round within one."""
VISITS_TRIED = 25
Events = tuple[tuple[float, float], ...]


def delivered_kwh(light: LightByRate, found: Removals) -> float:
    """Light of the run, kWh, with these removals; darkening included."""
    return float(light.dusty_kwh(found).sum())


def cycle_choice(
    light: CleanLight,
    shield: Shield,
    cycle_hours: float,
    worth: float,
    events: Events = (),
    by_rate: LightByRate | None = None,
) -> CycleResult:
    """The run with another cycle.

    worth     kWh of light that a kWh of electricity is worth
    by_rate   the same light, where it has been grouped already
    """
    end_s = float(light.edge_s[-1])
    delivered = delivered_kwh(
        by_rate or light_by_rate(light), removals(replace(shield, cycle_hours=cycle_hours), end_s, events)
    )
    runs = math.floor(end_s / 3600.0 / cycle_hours + 1e-9)
    electric = runs * shield.power_w * shield.duty_minutes / 60.0 / 1000.0 * light.units
    return {
        "cycle_hours": cycle_hours,
        "delivered_kwh": delivered,
        "electric_kwh": electric,
        "net_kwh": delivered - worth * electric,
        "runs": runs,
    }


def best_cycle(
    light: CleanLight, shield: Shield, worth: float, events: Events = ()
) -> tuple[CycleResult, list[CycleResult]]:
    """The cycle that nets most, and the best of each number of cycles tried, shortest first: from the duty (an hour
    at least) to none within the run.

    Lengths between those tried are searched by golden sections for the best numbers of cycles.
    """
    by_rate = light_by_rate(light)
    hours = float(light.edge_s[-1]) / 3600.0
    shortest = min(max(shield.duty_minutes / 60.0, 1.0), hours)

    def choice(cycle_hours: float) -> CycleResult:
        return cycle_choice(light, shield, cycle_hours, worth, events, by_rate)

    most = math.floor(hours / shortest + 1e-9)
    counts = set(range(1, min(most, EACH_COUNT) + 1)) | {most}
    further = float(EACH_COUNT)
    while further < most:
        counts.add(int(further))
        further *= COUNT_STEP
    best = {
        count: max(
            (choice(length) for length in _lengths(hours, shortest, count)), key=lambda one: one["net_kwh"]
        )
        for count in sorted(counts, reverse=True)
    }
    promising = sorted(best, key=lambda count: -best[count]["net_kwh"])[:REFINED]
    for count in {near for top in promising for near in (top - 1, top, top + 1) if 1 <= near <= most}:
        lengths = _lengths(hours, shortest, count)
        found = [choice(length) for length in lengths]
        for top in sorted(range(len(found)), key=lambda place: -found[place]["net_kwh"])[:REFINED]:
            near = lengths[max(top - 1, 0)], lengths[min(top + 1, len(lengths) - 1)]
            found.append(_golden(choice, *near))
        best[count] = max(found, key=lambda one: one["net_kwh"])
    best[0] = choice(NO_CYCLE * hours)
    tried = sorted(best.values(), key=lambda one: one["cycle_hours"])
    return max(tried, key=lambda one: one["net_kwh"]), tried


def _lengths(hours: float, shortest: float, count: int) -> list[float]:
    """Cycle lengths that come round `count` times in so many hours, shortest first."""
    longest = hours / count
    low = max(hours / (count + 1), shortest)
    # the shortest of all fits in once more
    tried = min(max(LENGTHS // count, FEWEST_LENGTHS), MOST_LENGTHS)
    parts = np.arange(1, tried + 1) / tried
    return [float(length) for length in low + (longest - low) * parts]


def _golden(choice: Callable[[float], CycleResult], low: float, high: float) -> CycleResult:
    """The best of a golden-section search between two lengths."""
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    found = [choice(high)]
    while high - low > 1e-3 * high:
        left, right = choice(high - golden * (high - low)), choice(low + golden * (high - low))
        found += [left, right]
        if left["net_kwh"] < right["net_kwh"]:
            low = left["cycle_hours"]
        else:
            high = right["cycle_hours"]
    return max(found, key=lambda one: one["net_kwh"])


def visit_values(light: CleanLight, removes: float, events: Events = ()) -> list[VisitGain]:
    """One more visit at each of a row of days over the run."""
    end_s = float(light.edge_s[-1])
    shield, by_rate = light.collector.shield, light_by_rate(light)
    without = delivered_kwh(by_rate, removals(shield, end_s, events))
    return [
        {
            "after_days": at / SECONDS_PER_DAY,
            "gained_kwh": delivered_kwh(by_rate, removals(shield, end_s, (*events, (at, removes)))) - without,
        }
        for at in np.linspace(0.0, end_s, VISITS_TRIED + 2)[1:-1].tolist()
    ]


def film_break_even(light: CleanLight, events: Events = ()) -> FilmBreakEven:
    """Compare the collector as it is with the same without shield and film. Needs a shield."""
    shield = light.collector.shield
    assert shield is not None
    end_s = float(light.edge_s[-1])
    by_rate = light_by_rate(light)

    kept = by_rate.dusty_kwh(removals(shield, end_s, events))
    bare = by_rate.dusty_kwh(removals(None, end_s, events)) / shield.film_transmittance
    ahead = np.cumsum(kept) - np.cumsum(bare)
    behind = np.flatnonzero(ahead <= 0.0)
    paid = 0 if len(behind) == 0 else int(behind[-1]) + 1
    total_with, total_without = float(kept.sum()), float(bare.sum())
    return {
        "with_kwh": total_with,
        "without_kwh": total_without,
        "break_even_transmittance": (
            shield.film_transmittance * total_without / total_with if total_with > 0.0 else None
        ),
        "paid_back_after_days": float(light.edge_s[paid + 1]) / SECONDS_PER_DAY
        if paid < len(ahead)
        else None,
    }
