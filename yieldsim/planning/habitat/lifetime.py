"""Years of service: what dust, failing shields, darkening glass and a fading store leave of the first year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.base.constants import DAYS_PER_YEAR, HOURS_PER_DAY, SECONDS_PER_DAY
from yieldsim.base.load_model import Life
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.budget import YearResult
from yieldsim.energy.degradation import (
    CleanLight,
    darkening,
    dose_of_lens,
    lens_darkening,
    passed_by_mount,
)
from yieldsim.energy.soiling import removals
from yieldsim.planning.habitat.dispatch import Flows, Needs
from yieldsim.planning.habitat.reliability import Flags, counted, served


@dataclass(frozen=True, slots=True, eq=False)
class AgedLight:
    """Delivered light over the years and what ageing took: power (rows,), shares left (rows,)."""

    power_w: FloatArray
    dust: FloatArray
    fibre: FloatArray
    lens: FloatArray


def life_rows(life: Life, row_hours: float) -> int:
    """Rows of a life of so many years of 365.25 days."""
    return round(life.years * DAYS_PER_YEAR * HOURS_PER_DAY / row_hours)


def aged(
    light: CleanLight,
    life: Life,
    events_s: tuple[tuple[float, float], ...] = (),
    outages_s: tuple[tuple[float, float], ...] = (),
    runs: Flags | None = None,
) -> AgedLight:
    """The light of a whole life.

    light      clean light of all its rows
    events_s   dated cleaning events of the site: seconds from the start, share removed
    outages_s  stretches without shields, seconds from the start
    runs       (cycles,)  which of the shield's cycles have their electricity; None: all
    """
    end_s = float(light.edge_s[-1])
    visits: tuple[tuple[float, float], ...] = ()
    if life.visit_every_days is not None:
        every_s = life.visit_every_days * SECONDS_PER_DAY
        visits = tuple((at, life.visit_removes) for at in np.arange(every_s, end_s, every_s).tolist())
    found = removals(light.collector.shield, end_s, events_s + visits, outages_s, runs)
    passed = passed_by_mount(light, found)
    fibre, lens = (
        darkening(light.collector, light.edge_s),
        lens_darkening(life.lens_darkening_per_year, light.edge_s)
        * dose_of_lens(light.collector, light.edge_s),
    )
    clean = light.power_w.sum(axis=1)
    dusty = (light.power_w * passed).sum(axis=1)
    dust = np.divide(dusty, clean, out=passed.mean(axis=1), where=clean > 0.0)
    return AgedLight(power_w=dusty * fibre * lens, dust=dust, fibre=fibre, lens=lens)


def shields_working(edge_s: FloatArray, outages_s: tuple[tuple[float, float], ...]) -> FloatArray:
    """Share of each row between edges (rows + 1,) in which the shields have not failed, (rows,)."""
    failed = np.zeros(len(edge_s) - 1)
    until = 0.0
    for fails, repaired in sorted(outages_s):
        first, until = max(fails, until), max(repaired, until)
        failed += np.clip(np.minimum(edge_s[1:], until) - np.maximum(edge_s[:-1], first), 0.0, None)
    return np.asarray(1.0 - failed / np.diff(edge_s))


def year_table(
    life: Life, light: CleanLight, ages: AgedLight, needs: Needs, flows: Flows
) -> list[YearResult]:
    """A row for each year; outages are cut at its ends."""
    edges = np.round(np.linspace(0, len(ages.power_w), life.years + 1)).astype(np.int64)
    which: Flags = counted(needs)
    clean = light.power_w.sum(axis=1)
    table: list[YearResult] = []
    for year in range(life.years):
        own = slice(int(edges[year]), int(edges[year + 1]))
        weight = (
            clean[own] / clean[own].sum()
            if clean[own].sum() > 0.0
            else np.full(clean[own].size, 1.0 / clean[own].size)
        )
        part = served(
            needs._replace(asked_kwh=needs.asked_kwh[own]),
            Flows(*(series[own] for series in flows)),
            which,
        )
        table.append(
            {
                "year": year + 1,
                "delivered_kwh": float(ages.power_w[own].sum()) * light.row_hours / 1000.0,
                "dust_left": float(weight @ ages.dust[own]),
                "fibre_left": float(weight @ ages.fibre[own]),
                "lens_left": float(weight @ ages.lens[own]),
                "storage_kwh": float(flows.capacity[own][-1]),
                "served_fraction": part.fraction,
                "unserved_kwh": part.unserved_kwh,
                "unserved_hours": part.unserved_rows * light.row_hours,
                "asked_hours": part.asked_rows * light.row_hours,
                "longest_outage_hours": part.longest_rows * light.row_hours,
            }
        )
    return table
