"""Tables that the answers of several commands hold."""

from __future__ import annotations

from typing import Any, NotRequired

from typing_extensions import TypedDict

from yieldsim.base.results.values import Count, Moment, NotNegative, Positive


class SiteResult(TypedDict):
    """The place."""

    name: str
    body: str
    latitude_deg: float
    """Planetocentric."""
    longitude_deg: float
    """East."""
    elevation_m: float
    """Ground above the body's ellipsoid."""
    mast_height_m: float
    """Aperture above the ground."""


class CollectorResult(TypedDict):
    """The design."""

    name: str
    aperture_area_m2: Positive
    """Of one unit."""
    unit_count: Count
    """Units on all mounts."""
    mass_kg: Positive | None
    """Of one unit; null where the file states none."""


class PeriodResult(TypedDict):
    """The year that annual figures are per."""

    year: str
    """How it is called: "year", "Martian year"."""
    year_days: Positive
    """Its length."""
    years_covered: float
    """Years in the run."""
    whole_seasons: bool
    """Whether the run covers each season as often as the others."""
    annual_figures_per: str | None
    """What figures named annual are divided by: the year's name, or the days of a run that is shorter; null: the run has none."""


class LedgerStage(TypedDict):
    """Energy left after a stage of the chain of losses."""

    stage: str
    kwh: float


class MonthResult(TypedDict):
    """Energy of a month."""

    month: str
    """Of the calendar (2027-03), or by solar longitude (Ls 60-90)."""
    kwh: float


class GapResult(TypedDict):
    """An outage of light: a stretch without delivered light."""

    start_utc: Moment
    end_utc: Moment
    hours: float
    """Within the run."""
    at_least: NotRequired[bool]
    """Whether an end of the run cuts it."""
    whole_start_utc: NotRequired[Moment]
    """Of a cut one: when it began, sought beyond the run."""
    whole_end_utc: NotRequired[Moment]
    """Of a cut one: when it ended."""
    whole_hours: NotRequired[float]
    """Of a cut one: its whole length."""
    whole_known: NotRequired[bool]
    """False: it is longer still than could be sought."""


class WholeGapResult(TypedDict):
    """The longest outage of light when those that the run's ends cut count whole."""

    longest_gap_at_least: NotRequired[bool]
    """Whether an end of the run cuts the one that is longest within it."""
    longest_gap_whole_hours: NotRequired[float]
    longest_gap_whole_start_utc: NotRequired[Moment | None]
    longest_gap_whole_end_utc: NotRequired[Moment | None]
    longest_gap_whole_known: NotRequired[bool]
    """False: it is longer still."""


class FollowerOutages(TypedDict):
    """One unit on a mount that follows the Sun: all but its energy, which a run tells whole and a year's worth."""

    axes: str
    longest_gap_hours: float
    longest_gap_at_least: NotRequired[bool]
    tilt_deg: float | None
    """The aperture's tilt on a vertical axis, else null."""
    fixed_units_for_same_energy: float | None
    fixed_units_for_same_gap: int | None
    """Fixed units, each where it helps most, that leave no longer outage; null: none found."""


class FollowingTerms(TypedDict):
    """What fixed units and ones that follow the Sun are compared by."""

    fixed_longest_gap_hours: float
    fixed_longest_gap_at_least: NotRequired[bool]
    tracker_downtime_fraction: float
    tracker_stop_hours: float
    same_gap_factor: float
    """So much longer than the tracker's counts as the same outage."""
    best_single_axis: str


class LightResult(TypedDict):
    """What a watt of the delivered light is worth."""

    luminous_efficacy_lm_per_w: NotNegative
    photon_yield_umol_per_j: NotNegative
    """Photons of 400 to 700 nm."""


class AssumptionResult(TypedDict):
    """Something taken as given."""

    of: str
    what: str
    value: str
    default: bool
    """Whether it was left as it is when the file says nothing."""


class SourceResult(TypedDict):
    """A file that was read."""

    role: str
    name: str
    sha256: str
    note: NotRequired[str]


class ProvenanceResult(TypedDict):
    """Grounds of a result."""

    version: str
    """Of this program."""
    inputs: list[SourceResult]
    kernels: list[SourceResult]
    options: dict[str, Any]
    libraries: NotRequired[dict[str, str]]
    """Versions of the libraries at work."""
    inputs_date: NotRequired[str | None]
    """Day on which the newest input file was last changed."""
    digest: NotRequired[str]
    """SHA-256 of version, inputs, kernels and options: equal digests mean equal grounds."""


class OrientationResult(TypedDict):
    """How a mount points its aperture."""

    tilt_deg: float
    azimuth_deg: float
    roll_deg: float


class UnknownGroundResult(TypedDict):
    """The answer with holes of the terrain blocking the Sun, which is the one given, and with them as nothing."""

    delivered_kwh_blocked: float
    delivered_kwh_clear: float


class NightResult(GapResult):
    """A stretch without any part of the Sun in sight."""

    eclipse: bool
    """Whether the Sun is wholly hidden by another body for a part of it."""


class YearsNight(TypedDict):
    """The longest night of a year of the run."""

    from_utc: Moment
    longest_hours: NotNegative


class RankedNight(TypedDict):
    """The longest night of a year, by its rank among the years."""

    return_period_years: Positive
    hours: NotNegative
    from_utc: Moment


class NightLevel(TypedDict):
    """A length that a year's longest night reaches once in so many years."""

    return_period_years: Positive
    hours: NotNegative


class WorstNightsResult(TypedDict):
    """The longest nights of a site, whatever the mounts face; by year and return period where the run has enough years."""

    nights: list[NightResult]
    step_s: float
    years: list[YearsNight] | None
    ranked: NotRequired[list[RankedNight]]
    levels: NotRequired[list[NightLevel]]
