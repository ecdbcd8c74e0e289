"""survey.json and the summary of `horizon`."""

from __future__ import annotations

from typing import NotRequired

from typing_extensions import TypedDict

from yieldsim.base.results.parts import PeriodResult, ProvenanceResult
from yieldsim.base.results.values import Moment


class SurveyPlace(TypedDict):
    """A place found on a map."""

    rank: int
    latitude_deg: float
    longitude_deg: float
    x: float
    y: float
    elevation_m: float
    lit_fraction: float
    """Share of the time, weighted by the visible share of the disc."""
    any_light_fraction: NotRequired[float]
    sun_following_kwh_m2: NotRequired[float]
    longest_dark_hours: NotRequired[float]
    earth_visible_fraction: NotRequired[float]
    longest_dark_cut_fraction: NotRequired[float]
    delivered_kwh: NotRequired[float]
    best_azimuth_deg: NotRequired[float]
    clear_lit_fraction: NotRequired[float]
    """With unknown ground as nothing."""
    clear_any_light_fraction: NotRequired[float]
    clear_sun_following_kwh_m2: NotRequired[float]
    clear_delivered_kwh: NotRequired[float]


class SurveyResult(TypedDict):
    """Light over terrain, with the best places."""

    schema: str
    body: str
    body_file: str
    start_utc: Moment
    end_utc: Moment
    period: PeriodResult
    cells: int
    never_lit_km2: float
    """Area on the ground of cells that no part of the disc is in sight of in the whole span."""
    cell_m: list[float]
    mast_height_m: float
    earth_mast_height_m: float | None
    """Of the antenna for which the Earth's visibility is mapped; null: not asked."""
    azimuths: int
    reach_km: float
    collector: str | None
    goal: str
    spacing_m: float
    places: list[SurveyPlace]
    warnings: list[str]
    provenance: ProvenanceResult


class UnknownSkyline(TypedDict):
    """Mean elevations with holes of the terrain as high as ground can be, and as nothing."""

    blocked_mean_deg: float
    clear_mean_deg: float


class TerrainFile(TypedDict):
    """A terrain file that was read."""

    name: str
    sha256: str


class HorizonResult(TypedDict):
    """The skyline of a site."""

    schema: str
    site: str
    body: str
    ground_m: float
    mast_height_m: float
    lowest_deg: float
    highest_deg: float
    mean_deg: float
    farthest_km: float
    edge_km: float
    unknown_ground: UnknownSkyline | None
    warnings: list[str]
    terrain: list[TerrainFile]
