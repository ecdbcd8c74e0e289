"""The load file: what a habitat asks for and when, its store, and what its budget is asked."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from yieldsim.base.load_model import (
    PRIORITIES,
    AmountUnit,
    Clock,
    FailureRate,
    Life,
    Load,
    LoadKind,
    LoadPlan,
    Priority,
    ReliabilityMeasure,
    Schedule,
    ShieldOutage,
    Storage,
    StoreKind,
)
from yieldsim.files.inputs.load_schedule import (
    NamedSeries,
    as_mission_days,
    as_monthly_factors,
    as_seasonal_factors,
    as_weekdays,
    as_windows,
    load_series,
)
from yieldsim.files.text.timestamps import is_later
from yieldsim.files.toml.context import Loaded, Reading
from yieldsim.files.toml.model import Faults, Moment, StrictModel, Text, fault, named_file, stated, within
from yieldsim.files.toml.parse import parse_toml

Efficiency = Annotated[float, stated(Load, "direct_efficiency")]
Watts = Annotated[float, within(0.0, 1.0e9)]
Positive = Annotated[float, within(above=0.0, high=1.0e9)]

AMOUNTS: dict[str, AmountUnit] = {
    "power_w": "W",
    "lumens": "lm",
    "photons_umol_per_s": "umol/s",
    "illuminance_lux": "lm",
    "photon_flux_umol_per_m2_s": "umol/s",
}
BY_AREA = ("illuminance_lux", "photon_flux_umol_per_m2_s")
ONLY_LIGHT = tuple(key for key, unit in AMOUNTS.items() if unit != "W")
SOURCES = (*AMOUNTS, "table", "dust_shields")


class LoadTable(StrictModel):
    """[[loads]]: one thing that asks for light, heat or electricity."""

    name: Text
    kind: Annotated[LoadKind, Field(description="light, heat or electric")]
    power_w: Watts | None = None
    lumens: Watts | None = None
    photons_umol_per_s: Watts | None = None
    illuminance_lux: Watts | None = None
    photon_flux_umol_per_m2_s: Watts | None = None
    area_m2: Positive | None = None
    table: Annotated[NamedSeries, named_file(load_series)] | None = None
    dust_shields: bool = False
    efficiency: Efficiency | None = None
    converter_efficiency: Efficiency | None = None
    from_storage_efficiency: Annotated[float, stated(Load, "from_storage_efficiency")] | None = None
    lamp_lm_per_w: Annotated[float, within(above=0.0, high=683.0)] | None = None
    lamp_umol_per_j: Annotated[float, within(above=0.0, high=10.0)] | None = None
    hours: Annotated[tuple[tuple[float, float], ...], BeforeValidator(as_windows)] = ()
    clock: Clock = "solar"
    weekdays: Annotated[tuple[int, ...], BeforeValidator(as_weekdays)] = ()
    mission_days: Annotated[tuple[tuple[int, int], ...], BeforeValidator(as_mission_days)] = ()
    monthly_factors: Annotated[tuple[float, ...], BeforeValidator(as_monthly_factors)] = ()
    seasonal_factors: Annotated[tuple[tuple[float, float], ...], BeforeValidator(as_seasonal_factors)] = ()
    priority: Priority = "essential"
    window_hours: Annotated[float, stated(Load, "window_hours")] | None = None
    most_power_w: Annotated[float, stated(Load, "most_power_w")] | None = None
    rank: Annotated[int, stated(Load, "rank")] = 1

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One amount that fits the kind, its efficiencies, and what deferring needs."""
        yield from _amount_problems(given)
        kind, priority = given.get("kind"), given.get("priority", "essential")
        if kind == "electric" and "converter_efficiency" not in given:
            hint = "share of the delivered light that becomes electricity"
            yield fault("converter_efficiency", "is missing", "more than 0, at most 1", hint)
        if kind in ("light", "heat") and "converter_efficiency" in given:
            yield fault("converter_efficiency", f"is given for {kind}", hint="efficiency is the key for it")
        if kind == "electric" and "efficiency" in given:
            yield fault("efficiency", "is given for electric", hint="converter_efficiency is the key for it")
        if priority == "deferrable" and "window_hours" not in given:
            yield fault("window_hours", "is missing", "more than 0", "how long can a deferrable load wait?")
        for key in ("window_hours", "most_power_w"):
            if key in given and priority in ("essential", "sheddable"):
                yield fault(key, f"is given for a load that is {priority}", hint="deferrable loads can wait")

    def unit(self) -> AmountUnit:
        """The unit of the amount."""
        if self.table is not None:
            return AMOUNTS[self.table.column]
        return next((unit for key, unit in AMOUNTS.items() if getattr(self, key) is not None), "W")

    def noun(self, store: StoreKind | None, reading: Reading) -> Load:
        """The frozen load."""
        given = next((value for key in AMOUNTS if (value := getattr(self, key)) is not None), 0.0)
        lamp = self.lamp_lm_per_w if self.lamp_lm_per_w is not None else self.lamp_umol_per_j
        return self.made(
            Load,
            unit=self.unit(),
            amount=self.table.series if self.table is not None else given * (self.area_m2 or 1.0),
            is_shield=self.dust_shields,
            schedule=self.made(Schedule, windows=self.hours),
            direct_efficiency=self.converter_efficiency or self.efficiency or 1.0,
            from_storage_efficiency=self._from_storage(store, lamp, reading),
            lamp_yield=lamp if store == "battery" else None,
            window_hours=self.window_hours or 0.0,
        )

    def _from_storage(self, store: StoreKind | None, lamp: float | None, reading: Reading) -> float:
        """What the load makes of a watt out of the store: as given, or what goes without saying."""
        if self.from_storage_efficiency is not None:
            return self.from_storage_efficiency
        if store == "heat" and self.kind != "heat":
            reading.warn(
                f'a heat store can\'t serve "{self.name}" ({self.kind}) without from_storage_efficiency'
            )
            return 0.0
        if store == "battery" and self.kind == "light" and lamp is None:
            reading.warn(
                f'"{self.name}": stored energy counts as light without loss; give from_storage_efficiency, '
                "lamp_lm_per_w or lamp_umol_per_j"
            )
        return 1.0


def _amount_problems(given: Mapping[str, Any]) -> Faults:
    held = [key for key in SOURCES if key in given]
    if not held:
        allowed = "power_w, a light unit (lumens, photons_umol_per_s, ...), table or dust_shields"
        yield fault("", "has no amount", f"one of {allowed}")
    for key in held[1:]:
        yield fault(key, f"stands beside {held[0]}", "one amount")
    for key in BY_AREA:
        if key in given and "area_m2" not in given:
            yield fault("area_m2", "is missing", hint=f"{key} is for each square metre")
    if "area_m2" in given and not any(key in given for key in BY_AREA):
        yield fault("area_m2", "stands without a flux", hint=f"it belongs to {' or '.join(BY_AREA)}")
    kind = given.get("kind")
    for key in ONLY_LIGHT:
        if key in given and kind in ("heat", "electric"):
            yield fault(key, f"is given for {kind}", hint="it measures light")
    if given.get("dust_shields") is False:
        yield fault("dust_shields", "is false", "true", "leave it out")
    if given.get("dust_shields") is True and kind in ("light", "heat"):
        yield fault("dust_shields", f"is given for {kind}", hint="the shields draw electric power")
    lamps = [key for key in ("from_storage_efficiency", "lamp_lm_per_w", "lamp_umol_per_j") if key in given]
    for key in lamps[1:]:
        yield fault(key, f"stands beside {lamps[0]}", "one of them")
    for key, unit in (("lamp_lm_per_w", "lm"), ("lamp_umol_per_j", "umol/s")):
        fits = "table" in given or any(AMOUNTS[amount] == unit for amount in AMOUNTS if amount in given)
        if key in given and not fits:
            yield fault(key, "is given for a load in another unit", hint="from_storage_efficiency is a share")


class StorageTable(StrictModel):
    """[storage]: a battery or a heat store."""

    kind: StoreKind = "battery"
    capacity_kwh: Annotated[float, stated(Storage, "capacity_kwh")]
    converter_efficiency: Annotated[float, stated(Storage, "converter_efficiency")] | None = None
    charge_efficiency: Annotated[float, stated(Storage, "charge_efficiency")] | None = None
    discharge_efficiency: Annotated[float, stated(Storage, "discharge_efficiency")] | None = None
    charge_power_w: Annotated[float, stated(Storage, "charge_power_w")] | None = None
    discharge_power_w: Annotated[float, stated(Storage, "discharge_power_w")] | None = None
    standing_loss_per_day: Annotated[float, stated(Storage, "standing_loss_per_day")] = 0.0
    initial_fraction: Annotated[float, stated(Storage, "initial_fraction")] = 1.0
    least_fraction: Annotated[float, stated(Storage, "least_fraction")] = 0.0
    reserve_fraction: Annotated[float, stated(Storage, "reserve_fraction")] | None = None
    fade_per_cycle: Annotated[float, stated(Storage, "fade_per_cycle")] = 0.0
    fade_per_year: Annotated[float, stated(Storage, "fade_per_year")] = 0.0
    mass_kg_per_kwh: Annotated[float, stated(Storage, "mass_kg_per_kwh")] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """It begins, and keeps its reserve, at or above the least it may hold."""
        least = given.get("least_fraction", 0.0)
        for key in ("initial_fraction", "reserve_fraction"):
            value = given.get(key)
            if isinstance(value, int | float) and isinstance(least, int | float) and value < least:
                yield fault(key, f"is {value:g}", f"at least least_fraction, {least:g}")

    def noun(self, loads: list[LoadTable], reading: Reading) -> Storage:
        """The frozen store, with warnings for what was taken as free of loss.

        Without a stated reserve the whole store waits for essential loads where there are others beside them.
        """
        free = [key for key in ("charge_efficiency", "discharge_efficiency") if getattr(self, key) is None]
        if self.kind == "battery" and self.converter_efficiency is None:
            free.insert(0, "converter_efficiency")
        if free:
            reading.warn(f"[storage] {', '.join(free)} not given: no such loss is counted")
        reserve = self.reserve_fraction
        if reserve is None:
            mixed = len({load.priority == "essential" for load in loads}) == 2
            reserve = 1.0 if mixed else self.least_fraction
        return self.made(
            Storage,
            converter_efficiency=self.converter_efficiency or 1.0,
            charge_efficiency=self.charge_efficiency or 1.0,
            discharge_efficiency=self.discharge_efficiency or 1.0,
            reserve_fraction=reserve,
        )


class SizingTable(StrictModel):
    """[sizing]: what the smallest storage and the fewest units must reach."""

    reliability: Annotated[float, stated(LoadPlan, "reliability")] = 1.0
    of: ReliabilityMeasure = "energy"


class SpectrumTable(StrictModel):
    """[spectrum]: figures of the delivered light, in place of those of the estimate."""

    luminous_efficacy_lm_per_w: Annotated[float, stated(LoadPlan, "luminous_efficacy_lm_per_w")] | None = None
    photon_yield_umol_per_j: Annotated[float, stated(LoadPlan, "photon_yield_umol_per_j")] | None = None


class OutageTable(StrictModel):
    """One stretch without dust shields."""

    fails: Moment
    repaired: Moment | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """It ends after it begins; either may have a zone."""
        repaired = given.get("repaired")
        if is_later(given.get("fails"), repaired) is False:
            yield fault("repaired", f"is {str(repaired).strip()}", "a moment after fails")

    def noun(self) -> ShieldOutage:
        """The frozen outage."""
        return ShieldOutage(fails_utc=self.fails, repaired_utc=self.repaired)


class LifeTable(StrictModel):
    """[life]: a run over several years."""

    years: Annotated[int, stated(Life, "years")]
    lens_darkening_per_year: Annotated[float, stated(Life, "lens_darkening_per_year")] = 0.0
    visit_every_days: Annotated[float, stated(Life, "visit_every_days")] | None = None
    visit_removes: Annotated[float, stated(Life, "visit_removes")] | None = None
    shield_outages: list[OutageTable] = Field(default_factory=list)

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """Visits say how often and how well."""
        pair = ("visit_every_days", "visit_removes")
        for key, other in (pair, pair[::-1]):
            if key in given and other not in given:
                yield fault(other, "is missing", hint=f"{key} is given")

    def noun(self) -> Life:
        """The frozen life."""
        return self.made(Life, visit_removes=1.0 if self.visit_removes is None else self.visit_removes)


class ExchangeTable(StrictModel):
    """[exchange]: what electricity costs in light, for the choice of the dust shields' cycle."""

    light_per_electric: Annotated[float, stated(LoadPlan, "light_per_electric")]


class RateTable(StrictModel):
    """Mean time between failures of one item, and mean time to its repair."""

    every_days: Annotated[float, stated(FailureRate, "every_days")]
    repair_days: Annotated[float, stated(FailureRate, "repair_days")]

    def noun(self) -> FailureRate:
        """The frozen rate."""
        return self.made(FailureRate)


class FailuresTable(StrictModel):
    """[failures]: rates by what fails."""

    unit: RateTable | None = None
    mount: RateTable | None = None
    shields: RateTable | None = None
    half_store: RateTable | None = None

    def noun(self) -> tuple[tuple[str, FailureRate], ...]:
        """Rates by the names of `FAILURES`."""
        return tuple((name, rate.noun()) for name, rate in self if rate is not None)


class LoadFile(StrictModel):
    """A load file."""

    name: Text | None = None
    demand_ratio: Annotated[float, stated(LoadPlan, "demand_ratio")] = 1.0
    loads: list[LoadTable] = Field(description="one [[loads]] for each thing that asks")
    storage: StorageTable | None = None
    sizing: SizingTable = SizingTable()
    spectrum: SpectrumTable = SpectrumTable()
    life: LifeTable | None = None
    exchange: ExchangeTable | None = None
    failures: FailuresTable = FailuresTable()

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """At least one load; names that stay apart as columns of a table."""
        loads = given.get("loads")
        if loads == []:
            yield fault("loads", "is empty", "one or more loads")
        seen: dict[str, str] = {}
        for load in loads if isinstance(loads, list) else []:
            name = load.get("name") if isinstance(load, Mapping) else None
            if not isinstance(name, str):
                continue
            word = column_word(name)
            if word in seen:
                allowed = "names that differ in a letter or digit"
                yield fault("loads", f'hold "{seen[word]}" and "{name}"', allowed)
            seen.setdefault(word, name)

    def noun(self, reading: Reading) -> LoadPlan:
        """The frozen plan."""
        store = self.storage.noun(self.loads, reading) if self.storage else None
        kind = store.kind if store else None
        plan = self.spectrum.made(
            LoadPlan,
            name=self.name or reading.path.name.removesuffix(".toml").removesuffix(".load"),
            loads=tuple(load.noun(kind, reading) for load in self.loads),
            storage=store,
            reliability=self.sizing.reliability,
            reliability_of=self.sizing.of,
            life=self.life.noun() if self.life else None,
            light_per_electric=self.exchange.light_per_electric if self.exchange else None,
            failures=self.failures.noun(),
        )
        return plan.demanding(self.demand_ratio)


def column_word(name: str) -> str:
    """A load's name as part of a column name: letters and digits, others become one underscore.

    >>> column_word("Water warming (night)")
    'water_warming_night'
    """
    word = "".join(letter if letter.isalnum() else " " for letter in name.lower())
    return "_".join(word.split()) or "load"


def load_of(reading: Reading) -> LoadPlan:
    """The load plan in the reading's file. Raises InputError."""
    return parse_toml(reading, LoadFile, "load").noun(reading)


def read_load(path: Path | str) -> Loaded[LoadPlan]:
    """A load file with its tables. Raises InputError with every problem of all of them."""
    reading = Reading(Path(path))
    return reading.finished(load_of(reading))


def load_words(reading: Reading) -> str:
    """One line about a load file."""
    plan = load_of(reading)
    counts = [
        f"{count} {priority}"
        for priority in PRIORITIES
        if (count := sum(x.priority == priority for x in plan.loads))
    ]
    store = f"{plan.storage.kind} of {plan.storage.capacity_kwh:g} kWh" if plan.storage else "no storage"
    plural = "" if len(plan.loads) == 1 else "s"
    return f'loads "{plan.name}", {len(plan.loads)} load{plural} ({", ".join(counts)}), {store}'
