"""rank.json: what `rank` answers."""

from __future__ import annotations

from typing import Any, NotRequired

from typing_extensions import TypedDict

from yieldsim.base.results.parts import (
    CollectorResult,
    LedgerStage,
    MonthResult,
    OrientationResult,
    PeriodResult,
    ProvenanceResult,
    SiteResult,
    WholeGapResult,
    WorstNightsResult,
)
from yieldsim.base.results.values import Moment


class KeptByStage(TypedDict):
    """What a stage leaves of the light that reaches it."""

    stage: str
    kept_fraction: float | None


class Reasons(TypedDict):
    """Why a site stands where it stands."""

    mean_sun_distance_au: float
    highest_sun_deg: float
    sun_up_fraction: float
    lit_fraction: float
    mean_clean_fraction: float
    mean_optical_depth: float | None
    sunlight_kwh_m2_per_year: float
    low_skyline_gain_fraction: float | None


class RankedSite(WholeGapResult):
    """A site in the order of the goal."""

    rank: int
    site: SiteResult
    start_utc: Moment
    end_utc: Moment
    mounts: list[dict[str, Any]]
    facing: OrientationResult | None
    """Null where the collector has several mounts."""
    annual_kwh: float
    delivered_kwh: float
    worst_month: str
    worst_month_kwh: float
    longest_gap_hours: float
    longest_gap_start_utc: Moment | None
    longest_night_hours: float
    worst_nights: WorstNightsResult
    hours_delivering: float
    hours_delivering_per_year: float
    mean_power_w: float
    units_for_power: int | None
    storage_for_longest_gap_kwh: float | None
    served_fraction: NotRequired[float]
    """Of the load's essential part, where a load was given."""
    served_fraction_of_all_loads: NotRequired[float]
    longest_outage_hours: NotRequired[float]
    smallest_storage_kwh: NotRequired[float | None]
    """Storage with which the load's reliability is met; null: none is enough."""
    why_no_storage: NotRequired[str | None]
    smallest_units: NotRequired[int | None]
    why_no_units: NotRequired[str | None]
    capture_fraction: float | None
    ledger: list[LedgerStage]
    kept_by_stage: list[KeptByStage]
    reasons: Reasons
    monthly_kwh: list[MonthResult]
    span_warnings: list[str]
    warnings: list[str]


class RankLoad(TypedDict):
    """The load that sites are ranked by."""

    name: str
    reliability: float
    of: str


class RankResult(TypedDict):
    """A collector at several sites."""

    schema: str
    goal: str
    facing: str
    layout: str
    """What is ranked, in words."""
    load: RankLoad | None
    continuous_power_w: float | None
    collector: CollectorResult
    start_utc: Moment
    end_utc: Moment
    period: PeriodResult
    sites: list[RankedSite]
    warnings: list[str]
    cautions: list[str]
    provenance: ProvenanceResult
