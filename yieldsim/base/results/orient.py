"""orient.json: what `orient` answers."""

from __future__ import annotations

from typing import NotRequired

from typing_extensions import TypedDict

from yieldsim.base.results.parts import (
    CollectorResult,
    FollowerOutages,
    FollowingTerms,
    MonthResult,
    OrientationResult,
    PeriodResult,
    ProvenanceResult,
    SiteResult,
    WholeGapResult,
)
from yieldsim.base.results.values import Moment, Positive


class OneOrientation(OrientationResult, WholeGapResult):
    """All units in one orientation."""

    annual_kwh: float
    annual_kwh_per_unit: float
    worst_month_kwh: float
    worst_month: str
    monthly_kwh: list[MonthResult]
    longest_gap_hours: float
    longest_gap_start_utc: Moment
    hours_delivering: float
    used_kwh: NotRequired[float]
    """A year's energy that the load uses, where one was given."""
    share_of_best_fraction: NotRequired[float | None]
    """Of the annual energy of the orientation that has most."""


class OffPointing(TypedDict):
    """Energy lost when the aperture stands off by an angle."""

    off_deg: float
    mean_loss_fraction: float
    worst_loss_fraction: float
    rolled_loss_fraction: NotRequired[float]
    """Of two-angle optics: rolled by as much about the normal, the worse way."""


class BestOrientation(OneOrientation):
    """The best orientation for a goal."""

    goal: str
    words: str
    annual_upper_bound_kwh: NotRequired[float | None]
    """No orientation has more; null: no bound of this optics."""
    when_off: list[OffPointing]


class ComparedOrientation(OneOrientation):
    """An orientation that the file or the question names."""

    label: str
    count: NotRequired[int]


class MastResult(TypedDict):
    """Energy lost on a mast that leans and is turned."""

    levelling_deg: float
    azimuth_error_deg: float
    expected_loss_fraction: float
    worst_loss_fraction: float
    furthest_off_deg: float


class CountedOrientation(OrientationResult):
    """Units that share an orientation."""

    count: int


class SetAbility(TypedDict):
    """What a set of units does."""

    units: int
    value: float
    upper_bound: float
    """No set of so many does better; what it holds for is said with the set."""
    annual_kwh: float
    annual_kwh_per_kg: float | None
    mass_kg: float | None
    worst_month_kwh: float
    longest_gap_hours: float
    longest_gap_at_least: bool
    longest_gap_start_utc: Moment
    hours_delivering: float


class UnitsResult(SetAbility):
    """The best set found."""

    goal: str
    words: str
    count: int
    set: list[CountedOrientation]
    value_unit: str
    better: str
    """smaller or larger."""
    at_least_this_share_of_the_best_fraction: float | None
    bound_holds_for: str
    candidate_count: int | None
    candidate_step_deg: float | None
    curve: list[SetAbility]
    """The same for fewer units."""


class YearlyFollower(FollowerOutages):
    """One unit on a mount that follows the Sun, a year's worth."""

    annual_kwh_per_unit: float


class YearlyFollowing(FollowingTerms):
    """Fixed units at their best against ones that follow the Sun."""

    fixed_annual_kwh_per_unit: float
    dark_gap_hours: float
    """The site's own longest stretch without light."""
    followers: list[YearlyFollower]


class Stretch(OrientationResult):
    """A mount as it is turned by hand, until the next turn."""

    start_utc: Moment


class HandTurnResult(TypedDict):
    """The best that so many turns by hand do for one unit."""

    turns: int
    annual_kwh_per_unit: float
    over_fixed_fraction: float
    of_following_fraction: float
    """Of a unit that follows the Sun on two axes."""
    stretches: list[Stretch]


class AccuracyResult(TypedDict):
    """How the sweep of orientations stands to the fine steps themselves."""

    fine_step_s: float
    cell_deg: float
    cell_count: int
    sweep_against_steps_fraction: float | None
    cell_error_bound_fraction: float | None
    dust_rate_error: float


class OrientResult(TypedDict):
    """Energy and outages by orientation."""

    schema: str
    site: SiteResult
    collector: CollectorResult
    start_utc: Moment
    end_utc: Moment
    days: Positive
    years: float
    period: PeriodResult
    goal: str
    best: list[BestOrientation]
    compare: list[ComparedOrientation]
    mast: MastResult | None
    units: UnitsResult | None
    following: YearlyFollowing
    reaimings: list[HandTurnResult]
    """Empty where none were asked about."""
    load_asked_kwh: float | None
    accuracy: AccuracyResult
    warnings: list[str]
    cautions: list[str]
    provenance: ProvenanceResult
