"""What was asked of a search for facings, and all that it found, before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from yieldsim.base.model import Source

if TYPE_CHECKING:
    from yieldsim.base.load_model import LoadPlan
    from yieldsim.planning.hand_turns import TurnedMount
    from yieldsim.planning.orientation.best_facing import Found
    from yieldsim.planning.orientation.facing_map import FacingMap
    from yieldsim.planning.orientation.objectives import Goal, Prospect
    from yieldsim.planning.unit_sets.design import UnitPlan
    from yieldsim.runs.estimate.cut_gaps import SkyBeyond
    from yieldsim.runs.setup.prepare import Prepared


@dataclass(frozen=True, slots=True, kw_only=True)
class Questions:
    """What was asked besides site, collector and span; checked."""

    goal: Goal
    step_deg: float
    units: int | None
    compare: tuple[tuple[float, float, float], ...]
    levelling_deg: float
    azimuth_error_deg: float
    tracker_downtime_fraction: float
    tracker_stop_hours: float
    hand_turns: int
    plan: LoadPlan | None
    load_sources: tuple[Source, ...]
    load_warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Answers:
    """All that was found, before it is put into words.

    asked_kwh   what the load asks for in a year
    hand_turns  what turns by hand do, none first, where they were asked about
    beyond      the sky outside the run, as far as cut outages were followed into it
    """

    ready: Prepared
    questions: Questions
    prospect: Prospect
    facing_map: FacingMap
    found: dict[Goal, Found]
    asked_kwh: float
    units: UnitPlan | None
    hand_turns: tuple[TurnedMount, ...] = ()
    beyond: SkyBeyond = field(default_factory=dict)
