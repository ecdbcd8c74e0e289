"""What may be asked of a survey: its goals and its options."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from yieldsim.files.terrain.raster_model import Holds
    from yieldsim.runs.horizon.unknown_ground import UnknownGround

GOALS = {
    "delivered": ("delivered_kwh", 1.0),
    "sun-following": ("sun_following_kwh_m2", 1.0),
    "lit": ("lit_fraction", 1.0),
    "dark": ("longest_dark_hours", -1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyOptions:
    """How a survey is made; see `survey`.

    earth_mast_height_m   map the Earth's visibility from an antenna of this height too, on worlds whose Sun the Earth can pass
    """

    window: tuple[float, float, float, float] | None = None
    stride: int = 1
    mast_height_m: float | None = None
    earth_mast_height_m: float | None = None
    azimuths: int = 360
    reach_km: float | None = None
    as_mounted: bool = False
    goal: str | None = None
    places: int = 10
    spacing_m: float | None = None
    holds: Holds = "auto"
    workers: int | None = None
    scheduler: str | None = None
    unknown_ground: UnknownGround = "refuse"
