"""summary.json: what `estimate` answers."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from yieldsim.base.results.parts import (
    AssumptionResult,
    CollectorResult,
    FollowerOutages,
    FollowingTerms,
    GapResult,
    LedgerStage,
    LightResult,
    MonthResult,
    PeriodResult,
    ProvenanceResult,
    SiteResult,
    UnknownGroundResult,
    WholeGapResult,
    WorstNightsResult,
)
from yieldsim.base.results.values import Count, Latitude, Moment, NotNegative, Positive, Share


class EclipseResult(TypedDict):
    """The Sun behind another body."""

    occulter: str
    kind: str
    """partial, annular or total."""
    start_utc: Moment
    end_utc: Moment
    covered_fraction: float
    """Of the disc, at most."""


class FollowerResult(FollowerOutages):
    """One unit on a mount that follows the Sun."""

    kwh_per_unit: float


class FollowingResult(FollowingTerms):
    """Fixed units against ones that follow the Sun."""

    fixed_kwh_per_unit: float
    followers: list[FollowerResult]


class SeasonResult(TypedDict):
    """Energy of 30 deg of solar longitude."""

    solar_longitude_from_deg: float
    solar_longitude_to_deg: float
    solar_days: float
    kwh: float
    kwh_per_solar_day: float
    hours_delivering: float


class ConvergenceResult(TypedDict):
    """How fine the steps had to be."""

    step_s: float
    relative_change: float
    """Of the energy at the last halving."""
    tolerance: float


class EtendueResult(TypedDict):
    """What the acceptance needs of what the fibre can take."""

    limit_m2_sr: float
    used_m2_sr: float
    used_fraction: float


class LimitResult(TypedDict):
    """A limit and how near it is."""

    what: str
    limit: float
    reached: float
    unit: str
    holds: bool


class AirResult(TypedDict):
    """What air masses are computed with."""

    scale_height_km: Positive
    radius_km: Positive


class DustLawResult(TypedDict):
    """How dust settles on an aperture and what it takes."""

    loss_per_day: Share
    model: Literal["exponential", "linear"]
    tilt_exponent: NotNegative
    floor: Share


class ChainResult(TypedDict):
    """Constants of the chain: what a mount that is turned after the run is computed with."""

    latitude_planetographic_deg: Latitude
    mean_solar_day_hours: Positive
    horizon_dip_deg: float
    air: AirResult | None
    acceptance_source: Literal["point", "disc"]
    film_transmittance: Share
    fibre_packing: Share
    fibre_coupling: Share
    fibre_ends: Share
    fibre_attenuation: Share
    dust: DustLawResult | None


class PartTemperature(TypedDict):
    """How cold and how hot a part gets over run and mounts, and what it bears."""

    part: str
    coldest_k: Positive
    coldest_utc: Moment
    coldest_mount: Count
    """In the order of the collector file, from 1."""
    hottest_k: Positive
    hottest_utc: Moment
    hottest_mount: Count
    mean_k: Positive
    cold_case_k: Positive
    """Steady under the least of everything that reaches it: no run of these inputs goes lower."""
    hot_case_k: Positive
    """Steady under the most."""
    lowest_k: Positive | None
    """Limits; null: none stated."""
    highest_k: Positive | None
    hours_too_cold: NotNegative
    hours_too_hot: NotNegative


class ThermalResult(TypedDict):
    """Temperatures of a unit and its ground."""

    radiative_emittance: Positive
    """Effective emittance of the layers by radiation alone."""
    effective_emittance: Positive
    """With conductance and seams, between two temperatures."""
    effective_between_k: list[float]
    ground_coldest_k: Positive
    ground_hottest_k: Positive
    parts: list[PartTemperature]


class GrainsResult(TypedDict):
    """Removal of a shield whose removal goes by grain size."""

    fresh_removal: Share
    """Of a fresh deposit's area, in one cycle."""
    settled_removal: Share
    """The one removal that would leave as much once cycles and settling balance."""


class RemovalRangeResult(TypedDict):
    """The run's energy at both ends of the range that a shield's removal is known within."""

    lowest_removal: Share
    highest_removal: Share
    delivered_kwh_at_lowest: NotNegative
    delivered_kwh_at_highest: NotNegative


class DoseYearResult(TypedDict):
    """What radiation has taken after so many years from the start of the run."""

    years: NotNegative
    fibre_dose_gy: NotNegative
    lens_dose_gy: NotNegative
    fibre_added_db_per_km: NotNegative
    fibre_left: Share
    lens_left: Share
    left: Share
    """Both together."""


class EstimateResult(WholeGapResult):
    """Light that a collector delivers at a site, over a run. What is not required, results of earlier versions lack."""

    schema: str
    site: SiteResult
    collector: CollectorResult
    start_utc: Moment
    end_utc: Moment
    days: Positive
    period: NotRequired[PeriodResult]
    delivered_kwh: float
    """Light at the fibre's far end, of all units, over the run."""
    delivered_kwh_per_m2: float
    """Per square metre of aperture."""
    delivered_kwh_per_kg: float | None
    mean_power_w: float
    peak_power_w: float
    """Highest mean of an interval."""
    instantaneous_peak_power_w: NotRequired[float]
    instantaneous_peak_utc: NotRequired[Moment]
    ledger: list[LedgerStage]
    hours_delivering: float
    longest_gap_hours: float
    """Longest outage of light within the run."""
    longest_gap_start_utc: Moment | None
    longest_gap_end_utc: Moment | None
    eclipses: NotRequired[list[EclipseResult]]
    gaps: list[GapResult]
    """The longest outages of light, longest first."""
    gaps_cut_by_ends: NotRequired[list[GapResult]]
    worst_nights: NotRequired[WorstNightsResult]
    capture_fraction: float | None
    """Delivered energy over that of the same units following the Sun."""
    sun_following_kwh: float
    following: NotRequired[FollowingResult | None]
    etendue_limited_kwh: float | None
    """The most that any fixed optics can bring into this fibre."""
    shield_kwh_electric: float
    delivered_light: NotRequired[LightResult]
    delivered_light_basis: NotRequired[str]
    monthly_kwh: list[MonthResult]
    seasonal_kwh: NotRequired[list[SeasonResult]]
    """On worlds without months."""
    convergence: ConvergenceResult
    track_error_bound_deg: NotRequired[float]
    etendue: EtendueResult | None
    chain: NotRequired[ChainResult]
    grains: NotRequired[GrainsResult]
    """Of shields whose removal goes by grain size."""
    removal_range: NotRequired[RemovalRangeResult]
    """Of shields whose removal is stated as a range."""
    radiation: NotRequired[list[DoseYearResult]]
    """Of collectors with a dose."""
    thermal: NotRequired[ThermalResult]
    """Of collectors that state what temperatures follow from."""
    unknown_ground: NotRequired[UnknownGroundResult]
    span_warnings: NotRequired[list[str]]
    assumptions: NotRequired[list[AssumptionResult]]
    limits: NotRequired[list[LimitResult]]
    command: NotRequired[str | None]
    """The command line that gives these figures again."""
    warnings: list[str]
    cautions: list[str]
    provenance: ProvenanceResult
