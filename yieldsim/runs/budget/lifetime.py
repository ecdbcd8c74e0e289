"""Years of service and choices about dust, for a budget whose site and collector files are at hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.clock import iso
from yieldsim.base.load_model import Life
from yieldsim.base.results.budget import DustResult, LifeResult, ShieldsResult
from yieldsim.energy.degradation import CleanLight, clean_light
from yieldsim.planning.habitat.cleaning_schedule import (
    best_cycle,
    cycle_choice,
    film_break_even,
    visit_values,
)
from yieldsim.planning.habitat.dispatch import dispatch, needs_of, store_of
from yieldsim.planning.habitat.lifetime import aged, life_rows, shields_working, year_table
from yieldsim.planning.habitat.load_profile import Rows
from yieldsim.planning.habitat.shield_service import cycles_of, settle, shield_service
from yieldsim.planning.habitat.sizing import whole_days_rows
from yieldsim.report.layout.number_format import plain

if TYPE_CHECKING:
    from yieldsim.planning.habitat.dispatch import Flows
    from yieldsim.planning.habitat.load_profile import Rows
    from yieldsim.runs.budget.inputs import BudgetCase

Events = tuple[tuple[float, float], ...]
VISIT_REMOVES = 1.0
"""Share of the dust that a visit takes off when the load file does not say."""
WHOLE_YEAR = 0.93
"""Twelve lunations are 0.97 of a year; less than this leaves a season out."""
SHORTEST_DAYS = 27.0
"""A shorter estimate is no base for years."""


def served_run(case: BudgetCase) -> tuple[BudgetCase, Flows, ShieldsResult | None]:
    """The run, with dust where shields that are a load go without: the case with that light, its flows, and
    what the shields missed (None where no load is theirs or nothing says what they clean).
    """
    from dataclasses import replace

    loads = tuple(np.flatnonzero(case.shield_loads).tolist())
    known = case.site is not None and case.collector is not None and case.site.dust is not None
    service = None
    if loads and known:
        light = clean_of_case(case, "dust")
        assert light is not None
        service = shield_service(light, loads, events_of_case(case))
    if service is None:
        flows = dispatch(case.light_kwh, case.needs, case.store)
        lacked = float(flows.unserved[:, list(loads)].sum())
        if loads and lacked > 0.0 and not known and float(case.estimate["clean_fraction"].min()) < 1.0:
            asked = float(case.needs.asked_kwh[:, list(loads)].sum())
            case.notes.add(
                f"the dust shields lack {lacked / asked:.1%} of their electricity, and the dust that then stays is not "
                "counted: give the files of the estimate (--site, --collector)"
            )
        return case, flows, None
    light_kwh, flows, runs = service.settled(case.light_kwh, case.needs, case.store)
    lost = float(case.light_kwh.sum() - light_kwh.sum())
    missed = int(np.count_nonzero(~runs))
    if missed:
        case.notes.add(
            f"{missed} of {len(runs)} cycles of the dust shields go without electricity and clean nothing: the dust that "
            f"stays costs {plain(lost, 3)} kWh of light"
        )
    settled = replace(
        case, light_kwh=light_kwh, service=service, cycles_run=runs, light_kwh_all_cycles=case.light_kwh
    )
    return settled, flows, {"cycles": len(runs), "missed_cycles": missed, "lost_kwh": lost}


def years_of_service(case: BudgetCase) -> LifeResult | None:
    """The year table of the load file's [life]; None without one."""
    life = case.plan.life
    if life is None:
        return None
    light = clean_of_case(case, "[life]")
    if light is None:
        return None
    rows = life_rows(life, case.rows.hours)
    there = len(case.light_kwh)
    whole = there if there >= rows else whole_days_rows(case.rows.solar_time_hours, case.rows.hours)
    if there * case.rows.hours / 24.0 < SHORTEST_DAYS:
        case.notes.add(f"[life] needs an estimate of at least {SHORTEST_DAYS:g} days and is left out")
        return None
    if there < rows:
        case.notes.add(
            f"the estimate covers {there * case.rows.hours / 24:.0f} days of the {life.years} years of [life]: its whole "
            f"solar days ({whole * case.rows.hours / 24:.1f} days) are repeated; estimate with --years {life.years} for the "
            "years as they come"
        )
        season_deg = case.rows.solar_longitude_deg[:whole]
        covered = float(np.abs(np.diff(np.unwrap(season_deg, period=360.0))).sum()) / 360.0
        if covered < WHOLE_YEAR:
            case.notes.add(
                f"what is repeated covers {covered:.0%} of a year of {case.summary['site']['body']}: the other seasons are "
                "missing from every year of [life]"
            )
    long = light.repeated(rows, whole)
    events, outages = events_of_case(case), _outages_s(case, life)
    ages = aged(long, life, events, outages)
    years = _repeated_rows(case.rows, rows, whole, shields_working(long.edge_s, outages))
    needs = needs_of(case.plan.loads, years, case.figures)
    store = store_of(case.plan.storage, years.hours)
    light_kwh = ages.power_w * years.hours / 1000.0
    if case.service is None:
        flows = dispatch(light_kwh, needs, store)
    else:
        shield = long.collector.shield
        assert shield is not None

        def light_of(runs: NDArray[np.bool_]) -> NDArray[np.float64]:
            return np.asarray(aged(long, life, events, outages, runs).power_w * years.hours / 1000.0)

        cycles = cycles_of(shield, rows, years.hours, case.service.cycles.loads)
        light_kwh, flows, runs = settle(light_kwh, light_of, cycles, needs, store)
        ages = aged(long, life, events, outages, runs)
    table = year_table(life, long, ages, needs, flows)
    total = sum(row["delivered_kwh"] for row in table)
    unit_mass = case.summary["collector"]["mass_kg"]
    mass = unit_mass * case.units if unit_mass else None
    return {
        "years": life.years,
        "table": table,
        "delivered_kwh": total,
        "delivered_kwh_per_kg": total / mass if mass else None,
        "first_year_kwh": table[0]["delivered_kwh"],
        "last_year_kwh": table[-1]["delivered_kwh"],
        "repeated_days": whole * case.rows.hours / 24.0 if there < rows else None,
    }


def dust_choices(case: BudgetCase) -> DustResult | None:
    """Best cycle of the shield, value of a visit, break-even of the film; None where there is no dust or no file of it."""
    if case.site is None or case.collector is None or case.site.dust is None:
        return None
    light = clean_of_case(case, "dust")
    if light is None:
        return None
    events, shield, worth = events_of_case(case), case.collector.shield, case.plan.light_per_electric
    found: dict[str, Any] = {"light_per_electric": worth, "cycle": None, "film": None}
    removes = case.plan.life.visit_removes if case.plan.life else VISIT_REMOVES
    values = visit_values(light, removes, events)
    best = max(values, key=lambda value: value["gained_kwh"])
    start = case.rows.edge_utc[0]
    found["visit"] = {
        "removes": removes,
        "best_after_days": best["after_days"],
        "best_utc": iso(start + np.timedelta64(round(best["after_days"] * 86_400.0), "s")),
        "gained_kwh": best["gained_kwh"],
        "tried": values,
    }
    if shield is None:
        return cast(DustResult, found)
    found["film"] = {**film_break_even(light, events), "film_transmittance": shield.film_transmittance}
    if shield.cycle_hours is None or not shield.cleans:
        return cast(DustResult, found)
    if worth is None:
        case.notes.add(
            "how often the dust shields should run depends on what electricity is worth in light: give [exchange] "
            "light_per_electric in the load file"
        )
        return cast(DustResult, found)
    choice, tried = best_cycle(light, shield, worth, events)
    found["cycle"] = {
        "now": cycle_choice(light, shield, shield.cycle_hours, worth, events),
        "best": choice,
        "tried": tried,
    }
    return cast(DustResult, found)


def clean_of_case(case: BudgetCase, what: str) -> CleanLight | None:
    """The budget's light without dust and darkening; None, with a note, when the files of it are not there."""
    if case.site is None or case.collector is None:
        case.notes.add(
            f"{what} needs the site and collector files of the estimate (--site, --collector) and is left out"
        )
        return None
    ds = case.estimate
    edge_s = np.arange(len(case.light_kwh) + 1, dtype=np.float64) * (case.rows.hours * 3600.0)
    return clean_light(
        ds["mount_delivered_power_w"].values * case.unit_ratio,
        ds["clean_fraction"].values,
        edge_s,
        case.collector,
        case.site.dust,
        case.units,
    )


def _since_s(case: BudgetCase, utc: str) -> float:
    """Seconds from the start of the run to a moment."""
    return float((np.datetime64(utc, "ns") - case.rows.edge_utc[0]) / np.timedelta64(1, "ns")) / 1e9


def events_of_case(case: BudgetCase) -> Events:
    """The site's dated cleaning events."""
    dust = case.site.dust if case.site else None
    return tuple((_since_s(case, event.time_utc), event.removes) for event in dust.events) if dust else ()


def _outages_s(case: BudgetCase, life: Life) -> Events:
    """Stretches without shields, seconds from the start."""
    return tuple(
        (
            _since_s(case, outage.fails_utc),
            _since_s(case, outage.repaired_utc) if outage.repaired_utc else np.inf,
        )
        for outage in life.shield_outages
    )


def _repeated_rows(rows: Rows, count: int, whole: int, working: NDArray[np.float64]) -> Rows:
    """The rows of a whole life: UTC runs on, solar time and season repeat with the light; failed shields draw nothing.

    working   (count,)  share of each row in which the shields work
    """
    at = np.arange(count) % whole
    length = rows.edge_utc[1] - rows.edge_utc[0]
    return Rows(
        edge_utc=rows.edge_utc[0] + length * np.arange(count + 1),
        solar_time_hours=rows.solar_time_hours[at],
        solar_longitude_deg=rows.solar_longitude_deg[at],
        shield_power_w=rows.shield_power_w[at] * working,
    )
