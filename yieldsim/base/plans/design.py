"""The frozen noun of a whole design: what may be combined, what it must serve, what it weighs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from yieldsim.base.load_model import LoadPlan, UncertainPlan
from yieldsim.base.model import Collector, Site
from yieldsim.base.ranges import Range

DesignObjective = Literal["mass", "units"]
Confidence = Literal["nominal", "P90"]
MOST_COMBINATIONS = 1000

Kilograms = Annotated[float, Range(low=0.0, high=1.0e9)]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SiteChoice:
    """A candidate site and the file it was read from."""

    file: Path
    noun: Site


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
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


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DesignPlan:
    """All of a design file.

    mast_heights_m    empty: each site's own
    facings           (tilt, azimuth, roll) that units may take, degrees; empty: any
    confidence        the share is to be served in the nominal run, or in 90 of 100 draws as well
    most_units        no design has more
    store_choices_kwh   capacities there are; empty: any up to most_store_kwh
    most_store_kwh    None: no limit (objective mass), or the load file's capacity (objective units)
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
    uncertain_file: Path | None = None
    uncertain: UncertainPlan | None = None
    tracker: TrackerPrice | None = None
