"""What is around a design: fronts of mass against reliability and units, what more of each part is worth, the tracker's price."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.clock import iso
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.plans.design import DesignPlan
from yieldsim.planning.system.serving import Serving
from yieldsim.runs.design.combinations import (
    Combination,
    Span,
    laid_out,
    mass_kg,
    once_kg,
    prices_of,
    store_kg_per_kwh,
)
from yieldsim.runs.design.reliability_front import by_reliability, longest_outage_hours
from yieldsim.runs.design.search import Designed

if TYPE_CHECKING:
    from yieldsim.planning.system.pricing import Sunlight
    from yieldsim.planning.system.terms import Prices

Json = dict[str, Any]
UNIT_RATIOS = (0.75, 0.85, 0.95, 1.0, 1.1, 1.25, 1.5, 2.0)
TURNS = (1, 2, 3, 4, 6, 9, 12)
"""Numbers of turns by hand that are looked at."""
MORE_TRACKERS = 4
MOST_TRACKERS = 400


def insight_of(plan: DesignPlan, combination: Combination, best: Designed, span: Span) -> Json:
    """Fronts, worths and the tracker for the combination that was chosen."""
    ready, serving, sunlight = laid_out(plan, combination, span)
    prices, _ = prices_of(plan, combination)
    units = by_units(plan, combination, best, serving, sunlight, prices)
    return {
        "by_reliability": by_reliability(plan, combination, best, serving, sunlight, prices),
        "by_units": units,
        "worth": worths(plan, combination, best, serving, units, ready.grid.edge_utc),
        "tracker": tracker(plan, combination, serving, sunlight),
        "hand_turns": hand_turns(plan, combination, best, serving, sunlight, prices),
    }


def by_units(
    plan: DesignPlan,
    combination: Combination,
    best: Designed,
    serving: Serving,
    sunlight: Sunlight,
    prices: Prices,
) -> list[Json]:
    """The store that goes with other numbers of units, facing as in the design in the same proportion."""
    from yieldsim.planning.orientation.mount_frames import of_mounts
    from yieldsim.planning.system.whole_units import Trials, rounded

    assert best.mounts is not None
    light = sunlight.light_kwh(of_mounts(best.mounts))
    shares = np.array([float(mount.count) for mount in best.mounts])
    trials = Trials(light, serving, prices, best.capacity_kwh)
    numbers = {max(1, round(ratio * best.units)) for ratio in UNIT_RATIOS} | {best.units + 1}
    rows = []
    for units in sorted(number for number in numbers if number <= plan.most_units):
        counts = rounded(shares, units)
        capacity = trials.capacity(counts)
        known = capacity is not None
        rows.append(
            {
                "units": units,
                "storage_kwh": capacity,
                "mass_kg": mass_kg(plan, combination, units, capacity or 0.0) if known else None,
                "longest_outage_hours": longest_outage_hours(
                    serving, trials.light(counts), units, capacity or 0.0
                )
                if known
                else None,
            }
        )
    return rows


def worths(
    plan: DesignPlan,
    combination: Combination,
    best: Designed,
    serving: Serving,
    units: list[Json],
    edge_utc: np.ndarray,
) -> Json:
    """What one unit, one kWh, one metre and one per cent more are worth, from the prices of the programme and the front of units."""
    assert best.split is not None
    split, mast_m = best.split, combination.site.mast_height_m
    asked_kwh = float(serving.terms(repeats=True).asked_kwh.sum())
    known = {row["units"]: row["storage_kwh"] for row in units}
    here, more = known.get(best.units), known.get(best.units + 1)
    saved = here - more if here is not None and more is not None else None
    run = plan.fibre_run
    fibre = best.units * plan.masses.fibre_kg_per_m * (run.per_mast_m if run is not None else 0.0)
    value = split.prices.light * (split.light_kwh @ split.units)
    if split.prices.direct.any() and best.terms is not None:
        # what whole units serve directly has a price besides
        spare_kwh = best.terms.spare_kwh(split.light_kwh)
        value += split.prices.direct * ((split.light_kwh - spare_kwh) @ split.units)
    days, dearest = _dear_days(value, serving.row_hours)
    return {
        "unit": "units" if plan.objective == "units" else "kg",
        "percent_more_shortfall_saves": split.prices.short * 0.01 * asked_kwh
        if serving.measure == "energy"
        else None,
        "unit_more_saves_storage_kwh": saved,
        "unit_more_saves_kg": None if saved is None else saved * store_kg_per_kwh(plan),
        "unit_kg": combination.collector.mass_kg,
        "storage_kwh_weighs_kg": store_kg_per_kwh(plan),
        "mast_metre_weighs_kg": plan.masses.mast_kg_per_m + fibre,
        "half_the_lights_worth_in_days": days,
        "dearest_day_utc": iso(edge_utc[round(dearest * 24.0 / serving.row_hours)]),
        "mast_height_m": mast_m,
    }


def _dear_days(value: FloatArray, row_hours: float) -> tuple[int, int]:
    """How many days of 24 hours hold half of the value of all light, and which is worth most, from 0."""
    per_day = max(round(24.0 / row_hours), 1)
    days = np.add.reduceat(value, np.arange(0, len(value), per_day))
    if not days.any():
        return 0, 0
    falling = np.cumsum(np.sort(days)[::-1])
    return int(np.searchsorted(falling, 0.5 * falling[-1]) + 1), int(days.argmax())


def tracker(plan: DesignPlan, combination: Combination, serving: Serving, sunlight: Sunlight) -> Json | None:
    """The lightest system of units that track the Sun on two axes; None where the file says nothing of one.

    Its downtime takes a share of all light; its longest standstill falls where it empties the store most, of places one standstill
    apart through the run.
    """
    price = plan.tracker
    if price is None:
        return None
    light = following_kwh(sunlight) * (1.0 - price.downtime_fraction)
    own_kg = (combination.collector.mass_kg or 0.0) + price.extra_kg
    best: Json | None = None
    units = 1
    last = MOST_TRACKERS
    while units <= min(last, plan.most_units):
        capacity = _through_stops(serving, light * units, units, price.stop_hours)
        if capacity is not None:
            if best is None:
                last = units + MORE_TRACKERS
            mass = once_kg(plan, combination.site.mast_height_m) + units * own_kg
            mass += capacity * store_kg_per_kwh(plan)
            if best is None or mass < best["mass_kg"]:
                best = {"units": units, "storage_kwh": capacity, "mass_kg": mass}
        units += 1
    found: Json = {
        "extra_kg": price.extra_kg,
        "downtime_fraction": price.downtime_fraction,
        "stop_hours": price.stop_hours,
        "kwh_per_unit": float(light.sum()),
    }
    return found | (best or {"units": None, "storage_kwh": None, "mass_kg": None})


def hand_turns(
    plan: DesignPlan,
    combination: Combination,
    best: Designed,
    serving: Serving,
    sunlight: Sunlight,
    prices: Prices,
) -> list[Json]:
    """The lightest systems found whose units are turned by hand now and then, the design itself first; nothing where none is asked."""
    from yieldsim.planning.orientation.mount_frames import of_mounts
    from yieldsim.planning.system.column_generation import Infeasible
    from yieldsim.planning.system.least_with_hand_turns import unturned, with_turns

    asked, split = plan.hand_turns, best.split
    if asked is None or split is None:
        return []
    light = sunlight.light_kwh(split.facings)
    terms = serving.terms(repeats=True)
    dearer = replace(
        prices, per_unit=prices.per_unit + (0.0 if plan.objective == "units" else asked.extra_kg)
    )
    assert best.mounts is not None
    rows: list[Json] = [
        _turned_row(
            0,
            0.0,
            best.units,
            best.capacity_kwh,
            best.mass_kg,
            None if plan.objective != "mass" else best.least,
            None,
        )
    ]
    counts = np.array([mount.count for mount in best.mounts])
    found = unturned(sunlight.light_kwh(of_mounts(best.mounts)), counts, best.capacity_kwh, dearer)
    for turns in (turns for turns in TURNS if turns <= asked.most_turns):
        try:
            found = with_turns(split, light, serving, terms, dearer, turns, found)
        except Infeasible:
            rows.append(_turned_row(turns, asked.extra_kg, None, None, None, None, None))
            continue
        once = once_kg(plan, combination.site.mast_height_m)
        mass = None
        if found.units is not None:
            mass = mass_kg(plan, combination, found.units, found.capacity_kwh or 0.0)
            mass += found.units * asked.extra_kg
        least = None if plan.objective == "units" else found.least + once
        rows.append(
            _turned_row(
                turns, asked.extra_kg, found.units, found.capacity_kwh, mass, least, found.kwh_per_unit
            )
        )
    return rows


def _turned_row(
    turns: int,
    extra_kg: float,
    units: int | None,
    capacity_kwh: float | None,
    mass: float | None,
    least: float | None,
    kwh_per_unit: float | None,
) -> Json:
    return {
        "turns": turns,
        "extra_kg": extra_kg,
        "units": units,
        "storage_kwh": capacity_kwh,
        "mass_kg": mass,
        "least_kg": least,
        "kwh_per_unit": kwh_per_unit,
    }


def following_kwh(sunlight: Sunlight) -> FloatArray:
    """Light by row of one unit that is always square to the Sun, (rows,), kWh."""
    from yieldsim.optics.acceptance_interpolator import light

    track, ready = sunlight.prospect.track, sunlight.prospect.year.ready
    straight = np.array(
        [light(ready, number, 0.0, 0.0, 1.0) for number in range(int(track.radius_class.max(initial=0)) + 1)]
    )
    power = track.cleaned_power_w(90.0) * straight[track.radius_class]
    rows = track.step_count // track.steps_per_interval
    row = np.minimum(track.step // track.steps_per_interval, rows - 1)
    return np.bincount(row, power, rows) / track.steps_per_interval * (sunlight.row_hours / 1000.0)


def _through_stops(serving: Serving, light_kwh: FloatArray, units: int, stop_hours: float) -> float | None:
    """The smallest store that serves wherever the standstill falls; None if none does."""
    capacity = serving.capacity_kwh(light_kwh, units)
    length = math.ceil(stop_hours / serving.row_hours)
    if capacity is None or length == 0:
        return capacity
    for first in range(0, len(light_kwh), length):
        if not light_kwh[first : first + length].any():
            continue
        stopped = light_kwh.copy()
        stopped[first : first + length] = 0.0
        if serving.holds(serving.case(stopped, units), stopped, units, capacity):
            continue
        capacity = serving.capacity_kwh(stopped, units, capacity * 1.02 or None)
        if capacity is None:
            return None
    return capacity
