"""The frozen noun of a whole design: what may be combined, what it must serve, what it weighs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from yieldsim.base.load_model import LoadPlan, UncertainPlan
from yieldsim.base.model import Collector, Site
from yieldsim.base.ranges import Range

DesignObjective = Literal["mass", "units", "mass-per-kwh"]
"""The last one: of the light delivered in the run, with as many units as there may be."""
Confidence = Literal["nominal", "P90"]
LinkKind = Literal["cable", "fibre"]
GrowthObjective = Literal["landed-mass", "largest-flight"]
MOST_COMBINATIONS = 1000
MOST_PHASES = 12

Kilograms = Annotated[float, Range(low=0.0, high=1.0e9)]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteChoice:
    """A candidate site and the file it was read from."""

    file: Path
    noun: Site


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectorChoice:
    """A candidate collector and the file it was read from."""

    file: Path
    noun: Collector


@dataclass(frozen=True, slots=True, kw_only=True)
class Masses:
    """What each part weighs; None: what the collector's or the load's file says.

    unit_kg, shield_kg   of each unit: lens, funnel, mount; and its dust shield, where it has one
    mast_kg_per_m        of the one mast that carries all units
    fibre_kg_per_m       of the fibre or bundle of each unit
    store_kg_per_kwh     of the store
    converter_kg, fixed_kg   once: of the converter; and of what every design has
    """

    unit_kg: Annotated[float, Range(above=0.0, high=1.0e9)] | None = None
    shield_kg: Kilograms = 0.0
    mast_kg_per_m: Kilograms = 0.0
    fibre_kg_per_m: Kilograms = 0.0
    store_kg_per_kwh: Annotated[float, Range(above=0.0, high=1.0e9)] | None = None
    converter_kg: Kilograms = 0.0
    fixed_kg: Kilograms = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FibreRun:
    """How long the fibre of a unit is: so much, and so much more for each metre of mast."""

    length_m: Annotated[float, Range(0.0, 1.0e6)]
    per_mast_m: Annotated[float, Range(0.0, 1.0e3)] = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackerPrice:
    """A mount that tracks the Sun, to compare with: what it adds to each unit, and when it does not move.

    extra_kg            beside the unit, its shield and its fibre
    downtime_fraction   share of the light that it misses
    stop_hours          its longest standstill
    """

    extra_kg: Kilograms = 0.0
    downtime_fraction: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    stop_hours: Annotated[float, Range(0.0, 1.0e5)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VariedKey:
    """A value of the prescription of a collector, and those that it may take.

    collector   name of the collector's file
    keys        as `tune` takes them: KEY, or KEY,KEY*FACTOR for values that move together
    """

    collector: str
    keys: str
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLink:
    """A second site whose light comes to the habitat at the first one, over a cable (as electricity) or a fibre (as light).

    loss_per_km_fraction   compounding
    ends_efficiency   of what stands at its two ends together
    kg_per_km, ends_kg   of the link
    """

    site: SiteChoice
    kind: LinkKind
    length_km: Annotated[float, Range(above=0.0, high=1.0e5)]
    loss_per_km_fraction: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    ends_efficiency: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    kg_per_km: Kilograms = 0.0
    ends_kg: Kilograms = 0.0

    @property
    def efficiency(self) -> float:
        """Share of what enters the link that arrives."""
        return float((1.0 - self.loss_per_km_fraction) ** self.length_km * self.ends_efficiency)

    @property
    def mass_kg(self) -> float:
        """Of the link and its ends."""
        return self.kg_per_km * self.length_km + self.ends_kg


@dataclass(frozen=True, slots=True, kw_only=True)
class HandTurns:
    """Units that are turned by hand: how often in the run at most, and what a mount that can be turned weighs more."""

    most_turns: Annotated[int, Range(1, 12, whole=True)]
    extra_kg: Kilograms = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthPhase:
    """A phase of a growing base: it begins with a flight that lands units and storage.

    date_utc            when what the flight lands is in service (ISO 8601)
    load_file, load     what is served from then on; its amounts may be multiples of the file's
    most_kg             what the flight may land; None: no limit
    """

    name: str
    date_utc: str
    load_file: Path
    load: LoadPlan
    most_kg: Annotated[float, Range(above=0.0, high=1.0e9)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """What is least of the flights, and how long the last phase lasts.

    until_utc           end of the last phase; None: as long as it is run
    least               the mass that all flights land, or that of the largest of them
    discount_per_year   a kilogram that lands a year later counts so much less
    """

    until_utc: str | None = None
    least: GrowthObjective = "landed-mass"
    discount_per_year: Annotated[float, Range(low=0.0, below=1.0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignPlan:
    """All of a design file.

    mast_heights_m    empty: each site's own
    facings           (tilt, azimuth, roll) that units may take, degrees; empty: any
    confidence        the share is to be served in the nominal run, or in 90 of 100 draws as well
    most_units        no design has more
    store_choices_kwh   capacities there are; empty: any up to most_store_kwh
    most_store_kwh    None: no limit (objective mass), or the load file's capacity (objective units)
    phases            of a base that grows, by date; for `growth` alone
    """

    name: str
    sites: tuple[SiteChoice, ...]
    mast_heights_m: tuple[float, ...]
    collectors: tuple[CollectorChoice, ...]
    load_file: Path
    load: LoadPlan
    objective: DesignObjective = "mass"
    confidence: Confidence = "nominal"
    masses: Masses = Masses()
    fibre_run: FibreRun | None = None
    facings: tuple[tuple[float, float, float], ...] = ()
    most_units: Annotated[int, Range(1, 10_000, whole=True)] = 1000
    store_choices_kwh: tuple[float, ...] = ()
    most_store_kwh: Annotated[float, Range(0.0, 1.0e9)] | None = None
    vary: tuple[VariedKey, ...] = ()
    uncertain: UncertainPlan | None = None
    tracker: TrackerPrice | None = None
    link: SiteLink | None = None
    hand_turns: HandTurns | None = None
    phases: tuple[GrowthPhase, ...] = ()
    growth: Growth = Growth()
