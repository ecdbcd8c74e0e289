"""growth.json: what `growth` answers."""

from __future__ import annotations

from typing_extensions import TypedDict

from yieldsim.base.results.budget import FailureResult
from yieldsim.base.results.design import BoundResult, DesignMount
from yieldsim.base.results.parts import PeriodResult, ProvenanceResult, SiteResult
from yieldsim.base.results.values import Count, Moment, NotNegative, Share


class FlightResult(TypedDict):
    """What a flight lands."""

    phase: str
    date_utc: Moment
    units: int
    shields: int
    storage_kwh: NotNegative
    """New."""
    stores_kwh: list[float]
    """Each store, where they come in given capacities; empty: of any."""
    mounts: list[DesignMount]
    mass_kg: NotNegative
    mass_parts_kg: dict[str, float]
    """`once`: mast, converter and what every design has, with the first flight."""
    most_kg: float | None
    """What it may land; null: no limit."""
    kilogram_more_saves: float
    """Of what is least, for small changes of the limit."""


class PhaseResult(TypedDict):
    """A phase and how it is served, by the budget of its own files."""

    name: str
    begin_utc: Moment
    end_utc: Moment
    run_start_utc: Moment
    run_end_utc: Moment
    """What is run of it."""
    load: str
    demand_ratio: float
    units: Count
    light_left_fraction: Share
    """Of new units, as the run begins: what age leaves, over all its units."""
    storage_kwh: NotNegative
    """What age leaves of all that has landed, as the run begins."""
    delivered_kwh: float
    served_fraction: float
    longest_outage_hours: float
    passes: bool
    target_share: dict[str, float] | None
    """Of the draws, by p50, p90, p99: what so many of 100 reach; null: nothing uncertain was named."""
    margin_factor: float | None
    """Asked for so many times the load, so that 90 of 100 draws are served; null: the nominal run was enough."""
    single_failures: list[FailureResult]
    """The phase with one thing failed from its start."""
    files: dict[str, str]


class GrowthCombination(TypedDict):
    """A site, a mast and a collector."""

    combination: int
    site: str
    mast_height_m: float
    collector: str
    least: float | None
    """No plan of it is below; null: none serves."""
    cost: float | None
    """Of its best plan; null: none was made."""
    outcome: str


class GrowthResult(TypedDict):
    """Which units and stores to land with which flight, with a bound."""

    schema: str
    name: str
    least: str
    """landed-mass or largest-flight."""
    discount_per_year: float
    confidence: str
    """nominal, or P90: every phase is served in 90 of 100 draws, too."""
    site: SiteResult
    start_utc: Moment
    end_utc: Moment
    """Of the last phase."""
    days: float
    period: PeriodResult | None
    mast_height_m: float
    collector: str
    fibre_m: float
    flights: list[FlightResult]
    landed_kg: float
    """By all flights."""
    largest_flight_kg: float
    phases: list[PhaseResult]
    bound: BoundResult
    combinations: list[GrowthCombination]
    commands: list[str]
    warnings: list[str]
    cautions: list[str]
    provenance: ProvenanceResult
