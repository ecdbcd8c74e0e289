"""design.json: what `design` answers."""

from __future__ import annotations

from typing_extensions import TypedDict

from yieldsim.base.results.budget import FailuresResult, UncertaintyResult, VerdictResult
from yieldsim.base.results.parts import PeriodResult, ProvenanceResult, SiteResult
from yieldsim.base.results.values import Count, Moment, NotNegative, Share


class DesignLoad(TypedDict):
    """What is served."""

    name: str
    reliability: float
    reliability_of: str


class DesignMount(TypedDict):
    """An orientation and how many units have it."""

    tilt_deg: float
    azimuth_deg: float
    roll_deg: float
    count: Count


class ChosenDesign(TypedDict):
    """The design."""

    combination: int
    """Its place in `combinations`."""
    site: str
    mast_height_m: float
    collector: str
    fibre_m: float
    """Of each unit."""
    mounts: list[DesignMount]
    units: Count
    storage_kwh: NotNegative
    mass_kg: float
    mass_parts_kg: dict[str, float]
    """`once` is mast, converter and what every design has."""
    served_fraction: float
    longest_outage_hours: float
    delivered_kwh: float
    delivered_kwh_per_kg: float | None


class BoundResult(TypedDict):
    """How far from the best there may be."""

    least: float
    """No design of any combination is below it."""
    reached: float
    """By the design."""
    gap_fraction: float
    """Of what is reached."""
    unit: str
    covers: list[str]
    """What the bound holds for."""
    loads: str
    rounding: str
    certificate: str
    certificate_of: int
    """The combination that the certificate is of."""
    certificate_least: float
    """What it proves by itself. Whole numbers of units, and sets tried one by one, may prove more."""


class CombinationResult(TypedDict):
    """A site, a mast and a collector."""

    combination: int
    site: str
    mast_height_m: float
    collector: str
    least: float | None
    """No design of it is below; null: none serves."""
    cost: float | None
    """Of its best design; null: none was made."""
    units: int | None
    storage_kwh: float | None
    mass_kg: float | None
    best_unit_kwh: float
    """Of one unit that faces where it gets most."""
    dark_hours: float
    """The longest stretch without any light."""
    outcome: str


class RunnerUp(TypedDict):
    """The best combination of another site or collector."""

    of: str
    name: str
    combination: int
    why: str


class ReliabilityPoint(TypedDict):
    """The lightest design found for a share served; null: none was."""

    reliability: float
    units: int | None
    storage_kwh: float | None
    mass_kg: float | None
    longest_outage_hours: float | None


class UnitsPoint(TypedDict):
    """The store that goes with a number of units; null: none does."""

    units: int
    storage_kwh: float | None
    mass_kg: float | None
    longest_outage_hours: float | None


class WorthResult(TypedDict):
    """What more of each part is worth."""

    unit: str
    percent_more_shortfall_saves: float | None
    """Of the load's energy, for small changes; null where reliability counts hours."""
    unit_more_saves_storage_kwh: float | None
    unit_more_saves_kg: float | None
    unit_kg: float | None
    storage_kwh_weighs_kg: float
    mast_metre_weighs_kg: float
    """With the fibres."""
    half_the_lights_worth_in_days: int
    dearest_day_utc: Moment
    mast_height_m: float


class TrackerResult(TypedDict):
    """The lightest system of units that track the Sun; null: none serves."""

    extra_kg: float
    downtime_fraction: float
    stop_hours: float
    kwh_per_unit: float
    units: int | None
    storage_kwh: float | None
    mass_kg: float | None


class JoinedSystem(TypedDict):
    """A system with units at a second site."""

    units_here: int
    units_there: int
    storage_kwh: NotNegative
    mass_kg: float
    least_kg: float
    """None with units at those sites is below, found before the store that the budget asks for."""
    certificate: str
    """File of what proves it."""


class JoinedResult(TypedDict):
    """A second site, joined to the chosen one by cable or fibre."""

    site: str
    kind: str
    length_km: float
    efficiency: Share
    """Of the link, its ends included."""
    link_kg: float
    lit_here_fraction: Share
    """Of the run's rows, with any light."""
    lit_there_fraction: Share
    lit_either_fraction: Share
    dark_here_hours: float
    """The longest stretch of rows without light."""
    dark_there_hours: float
    dark_both_hours: float
    here_alone_kg: float
    """The design."""
    there_alone: JoinedSystem | None
    """All units at the other site; null: none serves."""
    both: JoinedSystem | None
    lightest: str
    """here, there or both."""
    command: str | None


class HandTurnsRow(TypedDict):
    """The lightest system found whose units are turned by hand so often in the run; null: none serves."""

    turns: int
    extra_kg: float
    units: int | None
    storage_kwh: float | None
    mass_kg: float | None
    least_kg: float | None
    """No system of that many turns between the candidate orientations is below."""
    kwh_per_unit: float | None


class DesignResult(TypedDict):
    """The lightest system, or that of fewest units, with its bound."""

    schema: str
    name: str
    objective: str
    objective_unit: str
    confidence: str
    """nominal, or P90: in 90 of 100 draws."""
    confidence_margin_factor: float | None
    """On the load, that the draws took; null where the nominal run is enough."""
    load: DesignLoad
    site: SiteResult
    start_utc: Moment
    end_utc: Moment
    days: float
    period: PeriodResult | None
    design: ChosenDesign
    bound: BoundResult
    combinations: list[CombinationResult]
    runners_up: list[RunnerUp]
    by_reliability: list[ReliabilityPoint]
    by_units: list[UnitsPoint]
    worth: WorthResult
    tracker: TrackerResult | None
    hand_turns: list[HandTurnsRow]
    joined: JoinedResult | None
    single_failures: FailuresResult
    verdict: VerdictResult
    uncertainty: UncertaintyResult | None
    files: dict[str, str]
    commands: list[str]
    warnings: list[str]
    cautions: list[str]
    provenance: ProvenanceResult
