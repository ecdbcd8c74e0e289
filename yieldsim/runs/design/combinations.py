"""Combinations of site, mast and collector: what each weighs, what it must serve, its sunlight."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from yieldsim.base.model import Collector, Mount, Site
from yieldsim.base.plans.design import DesignPlan

if TYPE_CHECKING:
    from yieldsim.planning.system.pricing import Sunlight
    from yieldsim.planning.system.serving import Serving
    from yieldsim.planning.system.terms import Prices
    from yieldsim.runs.setup.prepare import Prepared

T = TypeVar("T")
WAVE = 2
"""Combinations designed side by side; what is found in one wave decides what the next leaves out."""
UNITS_TIE = 1e-3
"""Where units are counted, the largest store counts as so much of one: of equal numbers the smaller store is taken."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Span:
    """When the run is, and what it is prepared with."""

    start: Any = None
    end: Any = None
    years: float | None = None
    span: str | None = None
    interval_minutes: float = 60.0
    kernels: tuple[str | Path, ...] = ()

    def options(self) -> dict[str, Any]:
        """Keywords of `prepare`."""
        return {
            "start": self.start,
            "end": self.end,
            "years": self.years,
            "span": self.span,
            "interval_minutes": self.interval_minutes,
            "kernels": self.kernels,
        }


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Combination:
    """One site, one mast, one collector.

    number        its place among all
    site, collector   as they would be built: with the mast, with one unit, with the fibre that the mast asks for
    """

    number: int
    site_number: int
    collector_number: int
    site: Site
    collector: Collector

    @property
    def name(self) -> str:
        """For people."""
        return f"{self.site.name}, mast {self.site.mast_height_m:g} m, {self.collector.name}"


def combinations_of(plan: DesignPlan) -> list[Combination]:
    """All of them: sites, in each masts, on each collectors."""
    found: list[Combination] = []
    for site_number, place in enumerate(plan.sites):
        for mast_m in plan.mast_heights_m or (place.noun.mast_height_m,):
            site = replace(place.noun, mast_height_m=mast_m)
            for collector_number, choice in enumerate(plan.collectors):
                one = replace(
                    choice.noun,
                    mounts=(Mount(tilt_deg=90.0, azimuth_deg=0.0),),
                    mass_kg=unit_kg(plan, choice.noun, mast_m) or None,
                )
                if plan.fibre_run is not None and one.fibre is not None:
                    one = replace(one, fibre=replace(one.fibre, length_m=fibre_m(plan, one, mast_m)))
                found.append(
                    Combination(
                        number=len(found),
                        site_number=site_number,
                        collector_number=collector_number,
                        site=site,
                        collector=one,
                    )
                )
    return found


def waves(order: Sequence[T]) -> Iterator[Sequence[T]]:
    """Combinations in the order of their bounds: the first alone, since it spares most of the others, then WAVE side by side."""
    yield order[:1]
    for first in range(1, len(order), WAVE):
        yield order[first : first + WAVE]


def fibre_m(plan: DesignPlan, collector: Collector, mast_m: float) -> float:
    """Length of a unit's fibre."""
    if plan.fibre_run is not None and collector.fibre is not None:
        return plan.fibre_run.length_m + plan.fibre_run.per_mast_m * mast_m
    return collector.fibre.length_m if collector.fibre is not None else 0.0


def unit_kg(plan: DesignPlan, collector: Collector, mast_m: float) -> float:
    """What one unit more weighs: itself, its shield, its fibre."""
    masses = plan.masses
    own = masses.unit_kg if masses.unit_kg is not None else collector.mass_kg or 0.0
    shield = masses.shield_kg if collector.shield is not None else 0.0
    return own + shield + masses.fibre_kg_per_m * fibre_m(plan, collector, mast_m)


def once_kg(plan: DesignPlan, mast_m: float) -> float:
    """What a design weighs before its first unit: mast, converter, what every one has."""
    return plan.masses.mast_kg_per_m * mast_m + plan.masses.converter_kg + plan.masses.fixed_kg


def store_kg_per_kwh(plan: DesignPlan) -> float:
    """What a kWh of the store weighs."""
    if plan.masses.store_kg_per_kwh is not None:
        return plan.masses.store_kg_per_kwh
    store = plan.load.storage
    return (store.mass_kg_per_kwh or 0.0) if store is not None else 0.0


def mass_kg(plan: DesignPlan, combination: Combination, units: int, capacity_kwh: float) -> float:
    """Of a whole design."""
    mast_m = combination.site.mast_height_m
    return (
        once_kg(plan, mast_m)
        + units * (combination.collector.mass_kg or 0.0)
        + capacity_kwh * store_kg_per_kwh(plan)
    )


def most_store_kwh(plan: DesignPlan) -> float:
    """The largest capacity that a design may have."""
    store = plan.load.storage
    if store is None:
        return 0.0
    if plan.store_choices_kwh:
        return plan.store_choices_kwh[-1]
    if plan.most_store_kwh is not None:
        return plan.most_store_kwh
    return store.capacity_kwh if plan.objective == "units" else float("inf")


def prices_of(plan: DesignPlan, combination: Combination) -> tuple[Prices, float]:
    """What is minimised at a combination, and what it costs once."""
    from yieldsim.planning.system.terms import Prices

    most = most_store_kwh(plan)
    if plan.objective == "units":
        return (
            Prices(
                per_unit=1.0,
                per_kwh=UNITS_TIE / most if most > 0.0 else UNITS_TIE,
                most_units=float(plan.most_units),
                most_kwh=most,
            ),
            0.0,
        )
    mast_m = combination.site.mast_height_m
    prices = Prices(
        per_unit=combination.collector.mass_kg or 0.0,
        per_kwh=store_kg_per_kwh(plan),
        most_units=float(plan.most_units),
        most_kwh=most,
        # a unit more at the best facing always pays
        least_units=float(plan.most_units) if plan.objective == "mass-per-kwh" else 0.0,
    )
    return prices, once_kg(plan, mast_m)


def cost_of(plan: DesignPlan, mass_kg: float, units: int, delivered_kwh: float) -> float:
    """Of a design, in the objective's terms."""
    if plan.objective == "mass-per-kwh":
        return mass_kg / delivered_kwh if delivered_kwh > 0.0 else float("inf")
    return mass_kg if plan.objective == "mass" else float(units)


def most_delivered_kwh(plan: DesignPlan, sunlight: Sunlight) -> float:
    """What no design of the most units there may be delivers more than; infinite where the objective does not ask for it."""
    import numpy as np

    from yieldsim.planning.system.pricing import priced, worth_bound

    if plan.objective != "mass-per-kwh":
        return float("inf")
    light = sunlight.light_kwh(sunlight.candidates)
    best = float(light.sum(axis=0).max())
    if not plan.facings:
        best = max(best, worth_bound(priced(sunlight, np.ones(len(light))), best, 1.0)[0])
    return best * plan.most_units


def prepared(combination: Combination, span: Span) -> Prepared:
    """Ready to integrate, with one unit."""
    from yieldsim.runs.setup.prepare import prepare

    return prepare(combination.site, combination.collector, **span.options())


@lru_cache(maxsize=1)  # nouns are frozen; a run asks for one combination several times in a row
def laid_out(plan: DesignPlan, combination: Combination, span: Span) -> tuple[Prepared, Serving, Sunlight]:
    """A combination ready to be designed: prepared, what must be served there, the light of one unit."""
    ready = prepared(combination, span)
    return ready, serving_of(plan, ready), sunlight_of(plan, ready)


def serving_of(plan: DesignPlan, ready: Prepared) -> Serving:
    """What a design must serve there, as one unit has it. Raises DataMissing when a load's series is short."""
    from yieldsim.energy.delivered_light import delivered_light
    from yieldsim.planning.habitat.dispatch import needs_of
    from yieldsim.planning.habitat.load_profile import light_figures, rows_of_run
    from yieldsim.planning.system.serving import Serving

    setting, grid = ready.setting, ready.grid
    rows = rows_of_run(setting, grid, 1)
    figures = light_figures(plan.load, delivered_light(setting.collector))
    most = most_store_kwh(plan)
    return Serving(
        needs=needs_of(plan.load.loads, rows, figures),
        by_units=np.array([load.is_shield for load in plan.load.loads]),
        storage=plan.load.storage,
        solar_time_hours=rows.solar_time_hours,
        row_hours=rows.hours,
        reliability=plan.load.reliability,
        measure=plan.load.reliability_of,
        choices_kwh=plan.store_choices_kwh,
        most_kwh=most,
    )


def sunlight_of(plan: DesignPlan, ready: Prepared) -> Sunlight:
    """The light of the place for one unit, at all candidate facings."""
    from yieldsim.planning.orientation.mount_frames import facings
    from yieldsim.planning.system.pricing import Sunlight

    given = None
    if plan.facings:
        tilt, azimuth, roll = (np.array(column) for column in zip(*plan.facings, strict=True))
        given = facings(tilt, azimuth, roll)
    return Sunlight.of(ready.setting, ready.grid, given)


def shared_span(plan: DesignPlan, span: Span) -> Span:
    """A span that all sites share: that asked for, or the longest of those of their bodies."""
    from yieldsim.runs.open_inputs import kernel_paths
    from yieldsim.runs.run_span import run_span

    bodies = {place.noun.body.name: place.noun.body for place in plan.sites}
    if span.end is not None or len(bodies) == 1:
        return span
    named = kernel_paths(span.kernels)
    spans: Sequence[Any] = [
        run_span(
            body,
            span.start,
            years=span.years,
            span=span.span,
            interval_minutes=span.interval_minutes,
            kernels=named,
        )
        for body in bodies.values()
    ]
    last = max(spans, key=lambda one: one.period.days)
    return replace(span, start=last.start_utc, end=last.end_utc, years=None, span=None)
