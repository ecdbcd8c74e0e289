"""budget.json: what `budget` answers."""

from __future__ import annotations

from typing import NotRequired

from typing_extensions import TypedDict

from yieldsim.base.results.parts import (
    AssumptionResult,
    CollectorResult,
    LightResult,
    PeriodResult,
    ProvenanceResult,
    SiteResult,
)
from yieldsim.base.results.values import Moment, Positive


class OutageResult(TypedDict):
    """A stretch in which a load lacks something."""

    start_utc: Moment
    end_utc: Moment
    hours: float
    at_least: bool
    """Whether an end of the run cuts it."""


class LongestOutage(TypedDict):
    """The longest of them."""

    longest_outage_hours: float
    longest_outage_at_least: bool
    longest_outage_start_utc: Moment | None
    longest_outage_end_utc: Moment | None


class LoadResult(LongestOutage):
    """A load and what it got, energies where they are used."""

    name: str
    kind: str
    priority: str
    unit: str
    mean_asked: float
    """In its own unit."""
    peak_asked_w: float
    asked_kwh: float
    served_directly_kwh: float
    served_from_storage_kwh: float
    unserved_kwh: float
    unserved_hours: float
    served_fraction: float
    served_by_storage: bool


class LightSums(TypedDict):
    """Where the delivered light went, kWh."""

    delivered_kwh: float
    used_kwh: float
    charging_kwh: float
    curtailed_kwh: float


class LightUse(LightSums):
    """Where the delivered light went, kWh, and the share that nobody takes."""

    curtailed_fraction: float


class StoreEnergies(TypedDict):
    """What went in and out of the store over the run, kWh; `charged` after charging losses, `lost` standing and by fade."""

    start_kwh: float
    end_kwh: float
    lowest_kwh: float
    charged_kwh: float
    handed_out_kwh: float
    lost_kwh: float
    full_cycles: float
    end_capacity_kwh: float


class StoreResult(StoreEnergies):
    """How the store fared."""

    kind: str
    capacity_kwh: float
    mass_kg: float | None
    lowest_utc: Moment
    reserve_fraction: float
    least_fraction: float
    hours_below_least: float


class ReliabilityResult(TypedDict):
    """The share asked for, and whether the sizes as given reach it."""

    target: float
    of: str
    """energy or hours."""
    days_judged: float
    holds_as_given: bool


class SizePair(TypedDict):
    """Units and the smallest store that goes with them."""

    units: int
    storage_kwh: float
    mass_kg: float | None


class Sizes(TypedDict):
    """What would be enough."""

    reliability: ReliabilityResult
    smallest_storage_kwh: float | None
    why_no_storage: str | None
    foresight_storage_kwh: float | None
    """The least store with which any dispatch, knowing all light to come, reaches the share."""
    over_foresight_fraction: float | None
    smallest_units: int | None
    why_no_units: str | None
    trade_curve: list[SizePair]
    least_mass: SizePair | None
    autonomy_hours: float | None
    autonomy_at_peak_hours: float | None


class ShieldsResult(TypedDict):
    """Cycles of dust shields that are a load."""

    cycles: int
    missed_cycles: int
    lost_kwh: float


class VerdictCase(TypedDict):
    """A case in which the share is asked for."""

    case: str
    reached: float
    margin: float
    passes: bool


class VerdictSize(TypedDict):
    """A size given against the size needed."""

    case: str
    unit: str
    given: float
    needed: float | None
    margin: float | None
    passes: bool


class VerdictResult(TypedDict):
    """Whether the habitat gets what it asks for."""

    required: float
    of: str
    passes: bool
    cases: list[VerdictCase]
    sizes: list[VerdictSize]


class FailedRun(TypedDict):
    """The run with one thing failed from its start."""

    what: str
    reached: float
    """Share of the counted loads' need (or hours, as asked) that is served."""
    unserved_kwh: float
    longest_outage_rows: int
    items: int
    """How many such things there are."""
    down_fraction: float | None
    """Share of the time that one of them is down; None: no rates stated."""


class FailureResult(FailedRun):
    """The run with one thing failed from its start, and whether it passes."""

    longest_outage_hours: float
    passes: bool


class FailuresResult(TypedDict):
    """Single failures."""

    table: list[FailureResult]
    expected_reached: float | None


class YearResult(TypedDict):
    """A year of service."""

    year: int
    delivered_kwh: float
    dust_left: float
    """As fibre_left and lens_left: share of the light left, weighted by the light, over the year."""
    fibre_left: float
    lens_left: float
    storage_kwh: float
    """Capacity at its end."""
    served_fraction: float
    unserved_kwh: float
    unserved_hours: float
    asked_hours: float
    longest_outage_hours: float


class LifeResult(TypedDict):
    """The years of service."""

    years: int
    table: list[YearResult]
    delivered_kwh: float
    delivered_kwh_per_kg: float | None
    first_year_kwh: float
    last_year_kwh: float
    repeated_days: float | None
    """The estimate's first days, when they are repeated."""


class CycleResult(TypedDict):
    """A cycle of the dust shields: light over the run, electricity, and the light less what the electricity is worth."""

    cycle_hours: float
    delivered_kwh: float
    electric_kwh: float
    net_kwh: float
    runs: int
    """How often the shields ran."""


class CyclesResult(TypedDict):
    """Cycles that were tried."""

    now: CycleResult
    best: CycleResult
    tried: list[CycleResult]


class FilmBreakEven(TypedDict):
    """The film's loss against the dust that its shield prevents."""

    with_kwh: float
    """Light of the run with film and shield."""
    without_kwh: float
    """With bare apertures and no shield."""
    break_even_transmittance: float | None
    """The film would have to be better than this; above 1: no film pays; None: no light."""
    paid_back_after_days: float | None
    """From when on the shield has brought more in all; None: not within the run."""


class FilmResult(FilmBreakEven):
    """The film's loss against the dust that its shield prevents; its transmittance as it is."""

    film_transmittance: float


class VisitGain(TypedDict):
    """A visit so long after the start, and the light that it brings until the end of the run."""

    after_days: float
    gained_kwh: float


class VisitResult(TypedDict):
    """The best cleaning visit."""

    removes: float
    best_after_days: float
    best_utc: Moment
    gained_kwh: float
    tried: list[VisitGain]


class DustResult(TypedDict):
    """What to do about dust."""

    light_per_electric: float | None
    cycle: CyclesResult | None
    film: FilmResult | None
    visit: VisitResult


class UncertainInput(TypedDict):
    """An input that was drawn."""

    what: str
    meaning: str
    distribution: str
    parameters: list[float]
    clipped_draws: int


class InputShare(TypedDict):
    """Its share of the variance of an outcome."""

    what: str
    first: float
    """Alone."""
    total: float
    """With all that it acts together with."""


class RankingResult(TypedDict):
    """Which input matters."""

    explained: float
    """R2 of the response surface on draws kept aside."""
    shares: list[InputShare]


class ConfidentSizes(TypedDict):
    """Sizes that hold in a share of the draws."""

    share_of_draws: float
    storage_kwh: float | None
    units: int | None
    given_holds_in: float


class UncertaintyResult(TypedDict):
    """The budget with uncertain inputs drawn."""

    draws: int
    seed: int
    scrambles: int
    inputs: list[UncertainInput]
    measured_years: NotRequired[list[Moment]]
    """First moments of the measured years of optical depth that were drawn."""
    nominal: dict[str, float]
    nominal_departure: float
    outcomes: dict[str, dict[str, float]]
    shortfall: dict[str, float]
    target_share: dict[str, float]
    confident_sizes: ConfidentSizes | None
    ranking: dict[str, RankingResult | None]
    convergence: dict[str, list[dict[str, float]]]


class ColumnNote(TypedDict):
    """What a column of budget.csv holds."""

    column: str
    unit: str
    meaning: str


class BudgetResult(LongestOutage, Sizes):
    """Light against what a habitat asks."""

    schema: str
    name: str
    site: SiteResult
    collector: CollectorResult
    start_utc: Moment
    end_utc: Moment
    days: Positive
    period: PeriodResult | None
    served_fraction: dict[str, float]
    """By load."""
    served_fraction_by_priority: dict[str, float]
    unserved_kwh: float
    """Of all loads."""
    unserved_hours: float
    outages_of: str
    outages: list[OutageResult]
    outage_count: int
    loads: list[LoadResult]
    light: LightUse
    delivered_light: LightResult
    storage: StoreResult | None
    dust_shields: ShieldsResult | None
    verdict: VerdictResult
    single_failures: FailuresResult
    life: LifeResult | None
    dust: DustResult | None
    uncertainty: UncertaintyResult | None
    columns: list[ColumnNote]
    assumptions: NotRequired[list[AssumptionResult]]
    command: str | None
    warnings: list[str]
    cautions: list[str]
    provenance: ProvenanceResult
