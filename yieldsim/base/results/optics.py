"""trace.json and tune.json: what `trace` and `tune` answer."""

from __future__ import annotations

from typing import Any, NotRequired

from typing_extensions import TypedDict

from yieldsim.base.results.parts import PeriodResult, ProvenanceResult
from yieldsim.base.results.values import Moment, Positive


class DiscAcceptance(TypedDict):
    """Acceptance of the Sun's disc at normal incidence."""

    sun_distance_au: float
    acceptance_fraction: float


class HalfWidths(TypedDict):
    """Angles at which the acceptance falls to a share of its peak; null: it never does."""

    half_width_50_deg: NotRequired[float | None]
    half_width_90_deg: NotRequired[float | None]
    transverse_half_width_50_deg: NotRequired[float | None]
    transverse_half_width_90_deg: NotRequired[float | None]
    longitudinal_half_width_50_deg: NotRequired[float | None]
    longitudinal_half_width_90_deg: NotRequired[float | None]


class TracedAcceptance(HalfWidths):
    """The table that was traced."""

    angles: str
    """incidence, or transverse and longitudinal."""
    source: str
    """sun or collimated."""
    normal: float
    """At normal incidence."""
    normal_sun_disc: list[DiscAcceptance]
    peak: float
    rows: list[int]


class LossResult(TypedDict):
    """Light that a cause takes."""

    cause: str
    normal: float
    normal_error: float
    within_cone: float
    """Mean over the acceptance cone."""
    within_cone_error: float


class EtendueLoss(TypedDict):
    """Etendue that a cause takes."""

    cause: str
    m2_sr: float


class EtendueLedger(TypedDict):
    """Where the etendue of the fibre's cone goes."""

    limit_m2_sr: float
    used_m2_sr: float
    offered_m2_sr: float
    lost: list[EtendueLoss]


class ConcentrationResult(TypedDict):
    """Aperture over face, and the most for this half-width."""

    geometric: float
    largest_for_this_half_width: float | None


class StatisticalError(TypedDict):
    """Standard errors of the trace."""

    asked: float
    normal: float
    largest: float
    half_width_deg: float | None
    rays: int
    randomisations: int


class TracedFilm(TypedDict):
    """The shield's film."""

    transmittance: float
    counted: str


class BandEfficiency(TypedDict):
    """Delivered share of a wavelength."""

    wavelength_nm: float
    delivered_fraction: float


class TracedSpectrum(TypedDict):
    """The sunlight that was traced."""

    sunlight: str
    shortest_nm: float
    longest_nm: float
    traced_fraction: float
    efficiency: list[BandEfficiency]


class SpotResult(TypedDict):
    """The light in the plane of the mouth: radii, or half-widths of linear designs, that hold so many percent."""

    plane: str
    light_fraction: float
    radius_50_mm: NotRequired[float]
    radius_90_mm: NotRequired[float]
    radius_95_mm: NotRequired[float]
    half_width_50_mm: NotRequired[float]
    half_width_90_mm: NotRequired[float]
    half_width_95_mm: NotRequired[float]


class FluxResult(TypedDict):
    """Power and irradiance with the Sun at normal incidence."""

    sun_distance_au: float
    aperture_power_w: float
    film_transmittance: float
    disc_acceptance: float
    delivered_w: float
    cone_mean_w_cm2: float
    face_w: float
    face_mean_w_cm2: float
    face_peak_w_cm2: float
    face_peak_error_w_cm2: float
    face_mean_suns: float
    face_peak_suns: float
    peak_over_mm: float
    mouth_peak_w_cm2: float
    mouth_peak_error_w_cm2: float
    mouth_peak_over_mm: float
    mouth_peak_suns: float


class BesideMouth(TypedDict):
    """Where the focus lands when it walks off the mouth, at its hottest."""

    sun_angle_deg: float
    peak_w_cm2: float
    peak_error_w_cm2: float
    peak_over_mm: float
    x_mm: float
    y_mm: float
    power_w: float
    temperature_bound_k: float


class HeatResult(TypedDict):
    """A part and its temperature."""

    part: str
    absorbed_w: float
    temperature_k: float
    limit_k: float | None
    too_hot: bool


class MaterialResult(TypedDict):
    """A material and where its index comes from."""

    part: str
    material: str
    source: str


class TraceResult(TypedDict):
    """A prescription, traced."""

    schema: str
    name: str
    aperture_area_m2: Positive
    face_area_cm2: float
    acceptance: TracedAcceptance
    losses: list[LossResult]
    etendue_used: float
    etendue: EtendueLedger
    concentration: ConcentrationResult
    statistical_error: StatisticalError
    film: TracedFilm | None
    spectrum: TracedSpectrum
    spot: SpotResult
    flux: list[FluxResult]
    beside_mouth: BesideMouth | None
    heat: list[HeatResult]
    materials: list[MaterialResult]
    warnings: list[str]
    cautions: list[str]
    provenance: ProvenanceResult


class LinkedKey(TypedDict):
    """A key that goes with a varied one."""

    key: str
    factor: float


class VariedKey(TypedDict):
    """A key that was varied."""

    key: str
    low: float
    high: float
    linked: list[LinkedKey]


class NearRange(TypedDict):
    """Values of a key that lose next to nothing."""

    key: str
    low: float
    high: float


class TuneConfidence(TypedDict):
    """How sure the best design is."""

    best_error_kwh: float
    gain_fraction: float | None
    gain_error_fraction: float | None
    tracings: int
    within_fraction: float
    within: list[NearRange]


class TuneResult(TypedDict):
    """The prescription that delivers most at a site."""

    schema: str
    name: str
    site: str
    body: str
    start_utc: Moment
    end_utc: Moment
    days: Positive
    period: PeriodResult
    varied: list[VariedKey]
    best: dict[str, Any]
    """The varied keys by name, and what they give."""
    present: dict[str, Any] | None
    """The prescription as it is."""
    confidence: TuneConfidence
    facing: str
    designs_tried: int
    tolerance: float
    warnings: list[str]
    provenance: ProvenanceResult
